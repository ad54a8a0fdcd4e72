"""Ctrl-C and kill: one kind of stop, noticed between two events, so that the engine is never torn in the middle."""

from __future__ import annotations

import signal
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from types import FrameType


@contextmanager
def interrupts_ignored() -> Iterator[None]:
    """Processes that start meanwhile inherit it: the command alone decides when to stop."""
    before = signal.signal(signal.SIGINT, signal.SIG_IGN)
    try:
        yield
    finally:
        signal.signal(signal.SIGINT, before)


class Stop:
    """Use as a context manager around a run. `cause` is '' until a signal has come."""

    def __init__(self) -> None:
        self.cause = ""
        self.was_asked = False
        self._before: dict[int, object] = {}

    def take(self) -> str:
        """The cause, once."""
        cause, self.cause = self.cause, ""
        return cause

    def wait(self) -> None:
        """Until somebody wants the command to end."""
        nothing = threading.Event()  # never set: a handler must not touch a lock that we may hold
        while not self.was_asked:
            nothing.wait(0.1)

    def __enter__(self) -> Stop:
        if threading.current_thread() is not threading.main_thread():
            return self  # signals belong to the main thread
        for number in (signal.SIGINT, signal.SIGTERM, signal.SIGHUP):
            self._before[number] = signal.signal(number, self._asked)
        return self

    def __exit__(self, *_: object) -> None:
        for number, handler in self._before.items():
            signal.signal(number, handler)

    def _asked(self, number: int, frame: FrameType | None) -> None:
        if not self.was_asked:
            self.was_asked = True
            self.cause = f"stopped by {signal.Signals(number).name}"
