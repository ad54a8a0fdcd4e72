"""The team's local rules, acknowledged line by line by the people at the bench before anything is live.

An acknowledgement is worth something for a while only: what people agreed to an hour ago is not what they have in
mind now. Its age is the larger of two, by the monotonic clock (nobody can set it) and by the wall clock (it goes on
while the computer sleeps).
"""

from __future__ import annotations

import hashlib
import os
import sys
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from bench.errors import InputError
from bench.terminal import is_there, terminal_prompt

LAPSES_AFTER_S = 15 * 60.0
YES = "yes"
_MOST_BYTES = 100_000


@dataclass(frozen=True)
class Clocks:
    """Both in s; `wall` since 1970."""

    monotonic: Callable[[], float] = time.monotonic
    wall: Callable[[], float] = time.time


@dataclass(frozen=True)
class Terminal:
    """Where the people are. `ask` shows a text and gives back what was typed, '' at the end of input."""

    present: bool
    in_ci: bool
    ask: Callable[[str], str]
    show: Callable[[str], None]


def real_terminal() -> Terminal:
    """The terminal of this process."""
    return Terminal(
        is_there(),
        bool(os.environ.get("CI")),
        lambda text: terminal_prompt()(text, None) or "",
        lambda text: print(text, file=sys.stderr, flush=True),
    )


@dataclass(frozen=True)
class Acknowledgement:
    """Who acknowledged which rules, and when: `wall_s` since 1970, `monotonic_s` on that clock, of the first line."""

    rules: str
    sha256: str
    lines: int
    people: tuple[str, ...]
    monotonic_s: float
    wall_s: float
    lapses_after_s: float = LAPSES_AFTER_S

    def has_lapsed(self, clocks: Clocks) -> bool:
        """Whether it is worth nothing any more. A wall clock that went backwards does not make it younger."""
        age_s = max(clocks.monotonic() - self.monotonic_s, clocks.wall() - self.wall_s)
        return age_s > self.lapses_after_s

    def fields(self) -> dict[str, Any]:
        """For the manifest."""
        return {
            "rules": self.rules,
            "sha256": self.sha256,
            "lines": self.lines,
            "by": list(self.people),
            "at_utc": f"{datetime.fromtimestamp(self.wall_s, UTC):%Y-%m-%dT%H:%M:%SZ}",
            "lapses_after_s": self.lapses_after_s,
        }


def read_rules(path: Path) -> tuple[list[str], str]:
    """The lines that say something, and the SHA-256 of the file. Raises InputError where there is nothing to show."""
    try:
        data = path.read_bytes()[: _MOST_BYTES + 1]
        text = data.decode("utf-8-sig")
    except OSError as error:
        raise InputError.at(path, f"cannot be read: {error.strerror}", "name the file of the local rules") from error
    except UnicodeDecodeError as error:
        raise InputError.at(path, "is not UTF-8 text", "save the local rules as plain text") from error
    if len(data) > _MOST_BYTES:
        raise InputError.at(path, f"has more than {_MOST_BYTES:,} bytes", "name a file that people can read")
    lines = ["".join(c if c.isprintable() else " " for c in line).strip() for line in text.splitlines()]
    lines = [line for line in lines if line]
    if not lines:
        raise InputError.at(path, "holds no rule", "write the local rules into it, one a line")
    return lines, hashlib.sha256(data).hexdigest()


def acknowledge(
    rules: Path,
    people: Sequence[str],
    terminal: Terminal,
    clocks: Clocks | None = None,
    lapses_after_s: float = LAPSES_AFTER_S,
) -> Acknowledgement:
    """Show each line of the rules and wait for `yes`. Raises InputError at any other answer, or when it took so long
    that the first answer is worth nothing any more."""
    clocks = clocks or Clocks()
    lines, sha256 = read_rules(rules)
    terminal.show(f"Local rules, {len(lines)} lines, to be acknowledged by {' and '.join(people)}.")
    terminal.show(f"Read each line to each other and type {YES}. Anything else stops, and nothing is driven.")
    given = Acknowledgement(
        rules.name, sha256, len(lines), tuple(people), clocks.monotonic(), clocks.wall(), lapses_after_s
    )
    for number, line in enumerate(lines, 1):
        if terminal.ask(f"{number}/{len(lines)}: {line}\n  {YES}?").strip() != YES:
            wrong = f"line {number} of {rules.name} was not acknowledged"
            raise InputError.at("--rules", wrong, f"nothing live is driven until each line is answered with {YES}")
    if given.has_lapsed(clocks):
        wrong = f"acknowledging took longer than {lapses_after_s / 60:g} min"
        raise InputError.at("--rules", wrong, "begin again when everybody is at the bench")
    return given
