"""The terminal of this process: one reader of what is typed, for every question of whatever part.

Questions go to standard error, so that `--json` stays one document. What was typed before a question is no answer
to it and is dropped.
"""

from __future__ import annotations

import os
import queue
import sys
import threading
from collections.abc import Callable, Iterable, Iterator
from contextlib import AbstractContextManager, nullcontext, suppress
from functools import cache

#: Puts a text to the people at the terminal and waits at most so long (s; None: for ever) for a line; None: nobody
#: answered, or nothing more can be typed.
Prompt = Callable[[str, "float | None"], "str | None"]


class TerminalPrompt:
    """A `Prompt` over a blocking source of lines. `around` is what a question is put in, as a paused display."""

    def __init__(self, lines: Iterable[str], show: Callable[[str], None]):
        self.around: Callable[[], AbstractContextManager[object]] = nullcontext
        self._show = show
        self._typed: queue.SimpleQueue[str | None] = queue.SimpleQueue()
        self._ended = False
        self._one_at_a_time = threading.Lock()
        threading.Thread(target=self._read, args=(lines,), name="terminal", daemon=True).start()

    def __call__(self, text: str, timeout_s: float | None) -> str | None:
        with self._one_at_a_time, self.around():
            while not self._typed.empty():
                self._take(0.0)
            self._show(text)
            return self._take(timeout_s)

    def _take(self, timeout_s: float | None) -> str | None:
        if self._ended:
            return None
        try:
            line = self._typed.get(timeout=timeout_s)
        except queue.Empty:
            return None
        self._ended = line is None
        return line

    def _read(self, lines: Iterable[str]) -> None:
        for line in lines:
            self._typed.put(line.rstrip("\r\n"))
        self._typed.put(None)


def is_there() -> bool:
    """Whether somebody can be asked."""
    return all(stream is not None and stream.isatty() for stream in (sys.stdin, sys.stdout))


@cache
def terminal_prompt() -> TerminalPrompt:
    """The prompt of this process."""
    return TerminalPrompt(_lines(), lambda text: print(text, end=" ", file=sys.stderr, flush=True))


def _lines() -> Iterator[str]:
    """Lines as they are typed. Not through `sys.stdin`: a thread that waits in it spoils the end of the process."""
    rest = b""
    with suppress(OSError):  # the terminal was closed
        while data := os.read(0, 4096):
            *whole, rest = (rest + data).split(b"\n")
            yield from (line.decode("utf-8", "replace") for line in whole)
