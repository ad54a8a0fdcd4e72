"""Collecting problems, so that one pass tells them all."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager

from bench.errors import InputError, Problem


class Problems:
    """What has been found wrong so far."""

    def __init__(self) -> None:
        self._found: list[Problem] = []

    def __len__(self) -> int:
        return len(self._found)

    def add(self, problem: Problem) -> None:
        self._found.append(problem)

    @contextmanager
    def collecting(self) -> Iterator[None]:
        """Keep the problems of an InputError raised inside, and go on."""
        try:
            yield
        except InputError as error:
            self._found += error.problems

    def sorted(self) -> list[Problem]:
        """Each problem once, by file and position."""
        return sorted(set(self._found))

    def raise_if_any(self) -> None:
        if self._found:
            raise InputError(self._found)
