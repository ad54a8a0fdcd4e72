"""How far a sweep is: a bar in a terminal, a line now and then elsewhere. On standard error."""

from __future__ import annotations

import sys
from time import monotonic
from typing import Any

LINES = 10  # in all, where nothing can be overwritten


class SweepProgress:
    """A context manager; call `done` for each box that is finished."""

    def __init__(self, total: int, what: str):
        self._total, self._what = total, what
        self._count = 0
        self._began = monotonic()
        self._bar: Any = None

    def __enter__(self) -> SweepProgress:
        if sys.stderr.isatty():
            from rich.console import Console
            from rich.progress import BarColumn, MofNCompleteColumn, Progress, TextColumn

            what, at = TextColumn("{task.description}"), TextColumn("{task.fields[at]}")
            columns = what, BarColumn(), MofNCompleteColumn(), at
            self._bar = Progress(*columns, console=Console(stderr=True), transient=True)
            self._bar.start()
            self._task = self._bar.add_task(self._what, total=self._total, at="")
        return self

    def __exit__(self, *_: object) -> None:
        if self._bar is not None:
            self._bar.stop()

    def done(self) -> None:
        self._count += 1
        gone_s = monotonic() - self._began
        left_s = gone_s / self._count * (self._total - self._count)
        at = f"{_clock(gone_s)} gone, about {_clock(left_s)} left"
        if self._bar is not None:
            self._bar.update(self._task, advance=1, at=at)
        elif self._count * LINES // self._total > (self._count - 1) * LINES // self._total:
            print(f"{self._what}: {self._count} of {self._total}, {at}", file=sys.stderr, flush=True)


def _clock(seconds: float) -> str:
    minutes, seconds = divmod(round(seconds), 60)
    return f"{minutes}:{seconds:02d}"
