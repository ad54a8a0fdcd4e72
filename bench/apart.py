"""Calls carried out by other processes while something else goes on here."""

from __future__ import annotations

import atexit
import os
from collections.abc import Callable, Iterator
from concurrent.futures import Future, ProcessPoolExecutor
from concurrent.futures.process import BrokenProcessPool
from contextlib import contextmanager
from functools import partial
from multiprocessing import get_context
from typing import Any

from bench.runner.stopping import interrupts_ignored

#: Takes a function and its arguments, as `functools.partial` does, and gives back what is called for the answer. It may
#: begin at once; `partial` itself is the one that does not.
Begin = Callable[..., Callable[[], Any]]


@contextmanager
def apart(processes: int) -> Iterator[Begin]:
    """A `Begin` that has calls carried out, in the order in which they are begun, by at most so many processes. What
    they raise, the answer raises; a call whose process dies is carried out here."""
    spawn = get_context("spawn")  # a copy of a process with threads may hang
    leave_at_once = (os._exit, 0)  # taking its memory apart piece by piece would keep this one waiting
    pool = ProcessPoolExecutor(processes, spawn, atexit.register, leave_at_once)

    def begin(function: Callable, *arguments: Any) -> Callable[[], Any]:
        call = partial(function, *arguments)
        try:
            with interrupts_ignored():
                return partial(_answer, pool.submit(call), call)
        except BrokenProcessPool:
            return call

    try:
        yield begin
    finally:
        pool.shutdown(cancel_futures=True)


def _answer(future: Future, call: Callable[[], Any]) -> Any:
    try:
        return future.result()
    except BrokenProcessPool:
        return call()
