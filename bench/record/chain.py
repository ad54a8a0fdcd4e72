"""Reading record.jsonl back for as long as each line has the right number and the hash of the line before."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterator
from contextlib import suppress
from dataclasses import dataclass, field
from pathlib import Path

from bench.errors import RecordError
from bench.record import RECORD_FILE
from bench.record.lines import FIRST_PREV, KIND, line_lists, line_start

_FILED = b'"kind": "filed"'
_BLOCKS = (b'"samples"', b'"scans"')


@dataclass
class Chain:
    """What one pass over the lines has found. `lines` counts the good ones, `last` is the hash of the last of them,
    `torn` says that the file ends in the middle of a line (a killed run), and `broken` names the line whose
    number or hash is wrong ('' if none); nothing behind such a line was looked at. `size`: bytes read; `marks` are the
    good lines, with their numbers, that are no block of samples or scans: few among many.
    """

    lines: int = 0
    last: str = FIRST_PREV
    torn: bool = False
    broken: str = ""
    size: int = 0
    marks: list[tuple[int, bytes]] = field(default_factory=list)

    @property
    def filed(self) -> Iterator[tuple[int, str, str]]:
        """Line, file and SHA-256 of each photo that a line names."""
        for number, line in self.marks:
            if _FILED not in line:
                continue
            with suppress(ValueError, KeyError, RecursionError):  # a line that is no event is for others to tell of
                fields = json.loads(line)
                if fields["kind"] == "filed" and fields["file"]:
                    yield number, str(fields["file"]), str(fields["sha256"])

    def take(self, lines: list[bytes]) -> None:
        """The next lines, without newline, up to the first that is not as it should be."""
        hashes = [self.last, *[hashlib.sha256(line).hexdigest() for line in lines]]
        starts = [line_start(number, last).encode() for number, last in enumerate(hashes[:-1], self.lines + 1)]
        ends = [line.endswith(b"}") for line in lines]
        if not (all(map(bytes.startswith, lines, starts)) and all(ends)):
            good = next(
                n for n, (line, start, end) in enumerate(zip(lines, starts, ends, strict=True))
                if not (line.startswith(start) and end)
            )  # fmt: skip
            self.broken = _fault(lines[good], self.lines + good + 1, starts[good])
            lines = lines[:good]
        self.marks += [
            (number, line) for number, line in enumerate(lines, self.lines + 1)
            if not line.startswith(_BLOCKS, line.find(KIND) + len(KIND))  # the first is the event's own
        ]  # fmt: skip
        self.lines += len(lines)
        self.last = hashes[len(lines)]


def read_chain(folder: Path) -> Chain:
    """Of the record in `folder`. Raises RecordError if it cannot be read."""
    path, chain = folder / RECORD_FILE, Chain()
    try:
        with path.open("rb") as file:
            for lines, rest in line_lists(file):
                chain.take(lines)
                chain.torn = rest != b"" and not chain.broken
                if chain.broken:
                    break
            chain.size = file.tell()
    except OSError as error:
        raise RecordError(f"{path}: cannot be read: {error.strerror}") from error
    return chain


def _fault(line: bytes, number: int, start: bytes) -> str:
    where = f"{RECORD_FILE}:{number}"
    if not line.startswith(f'{{"n": {number}, '.encode()):
        return f"{where}: its number is not {number}; a line was changed, added or taken away"
    if not line.startswith(start):
        return f"{where}: does not hold the hash of the line before it; that line or this one was changed"
    return f"{where}: is not a whole line of a record"
