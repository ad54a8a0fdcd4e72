"""Figures drawn in processes of their own, while something else goes on here."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from concurrent.futures import Future, ProcessPoolExecutor
from concurrent.futures.process import BrokenProcessPool
from contextlib import contextmanager
from functools import partial
from multiprocessing import get_context

from bench.report.drawings import Drawing
from bench.report.plots import Begin, Plot, draw, draw_here
from bench.runner.stopping import interrupts_ignored


@contextmanager
def drawing_apart(processes: int, at_once: bool = False) -> Iterator[Begin]:
    """A `Begin` that has its figures drawn by at most so many processes; `at_once` has one get ready for the first
    figure now. A figure whose process dies is drawn here."""
    pool = ProcessPoolExecutor(processes, get_context("spawn"))  # a copy of a process with threads may hang

    def begin(drawing: Drawing) -> Callable[[], Plot]:
        try:
            with interrupts_ignored():
                return partial(_figure, pool.submit(draw, drawing), drawing)
        except BrokenProcessPool:
            return draw_here(drawing)

    try:
        if at_once:
            with interrupts_ignored():
                pool.submit(_get_ready)
        yield begin
    finally:
        pool.shutdown(cancel_futures=True)


def _figure(drawn: Future[Plot], drawing: Drawing) -> Plot:
    try:
        return drawn.result()
    except BrokenProcessPool:
        return draw(drawing)


def _get_ready() -> None:
    import matplotlib.backends.backend_svg
    import matplotlib.figure  # noqa: F401
