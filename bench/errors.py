"""Every error this tool raises on purpose, sorted by whose fault it is.

    TopboxError                exit  whose fault
    +-- InputError               2   a file or an option of the user's
    +-- BenchError               3   the bench: a device, the disk, a lost link
    +-- RecordError              3   a record that cannot be read or is not what it says

Any other exception that reaches the command line is a bug of ours. The exit status is decided here and
nowhere else.
"""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path
from typing import NamedTuple


class Problem(NamedTuple):
    """One thing wrong in one file. `line` and `column` count from 1; 0 means the file as a whole."""

    file: str
    line: int
    column: int
    wrong: str
    right: str

    def __str__(self) -> str:
        text = f"{self.file}:{max(self.line, 1)}:{max(self.column, 1)}: error: {self.wrong}"
        return f"{text}; {self.right}" if self.right else text


class TopboxError(Exception):
    """Base of the tree; `exit_status` is what the command line returns."""

    exit_status = 3


class InputError(TopboxError):
    """The user's file or option is wrong. Carries every problem found in one pass, sorted by position."""

    exit_status = 2

    def __init__(self, problems: Iterable[Problem]):
        self.problems = sorted(set(problems))
        super().__init__("\n".join(map(str, self.problems)))

    @classmethod
    def at(cls, file: str | Path, wrong: str, right: str = "", line: int = 0, column: int = 0) -> InputError:
        return cls([Problem(str(file), line, column, wrong, right)])


class BenchError(TopboxError):
    """The bench cannot do what was asked of it: never a verdict on the box."""


class RecordError(TopboxError):
    """A record cannot be written, or read back."""
