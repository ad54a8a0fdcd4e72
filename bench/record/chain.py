"""Reading record.jsonl back for as long as each line has the right number and the hash of the line before."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterator
from contextlib import suppress
from pathlib import Path
from typing import Any

from bench.errors import RecordError
from bench.record import RECORD_FILE
from bench.record.lines import FIRST_PREV, KIND, line_start
from bench.record.manifest import file_entry

_CHUNK = 1 << 20  # bytes
_FILED = b'"kind": "filed"'
_BLOCKS = (b'"samples"', b'"scans"')


class Chain:
    """One pass over the lines. After it, `lines` counts the good ones, `last` is the hash of the last of them,
    `torn` says that the file ends in the middle of a line (a killed run), and `broken` names the line whose
    number or hash is wrong ('' if none); nothing behind such a line is read. `entry` is the manifest's entry for the
    file, None until all of it was read; `marks` are the lines, with their numbers, that are no block of samples or
    scans: few among many.
    """

    def __init__(self, folder: Path) -> None:
        self.path = folder / RECORD_FILE
        self.lines = 0
        self.last = FIRST_PREV
        self.torn = False
        self.broken = ""
        self.entry: dict[str, Any] | None = None
        self.marks: list[tuple[int, bytes]] = []

    def __iter__(self) -> Iterator[bytes]:
        """The good lines, without newline. Raises RecordError if the file cannot be read."""
        whole, size, rest = hashlib.sha256(), 0, b""
        try:
            with self.path.open("rb") as file:
                while chunk := file.read(_CHUNK):
                    whole.update(chunk)
                    size += len(chunk)
                    first, *lines = chunk.split(b"\n")
                    lines.insert(0, rest + first)
                    rest = lines.pop()
                    yield from self._good(lines)
                    if self.broken:
                        return
        except OSError as error:
            raise RecordError(f"{self.path}: cannot be read: {error.strerror}") from error
        self.torn = rest != b""
        if not self.torn:
            self.entry = file_entry(whole.hexdigest(), size)

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

    def _good(self, lines: list[bytes]) -> list[bytes]:
        """Those of the next lines before the first that is not as it should be; counted, and `last` moved on."""
        hashes = [self.last, *[hashlib.sha256(line).hexdigest() for line in lines]]
        starts = [line_start(number, last).encode() for number, last in enumerate(hashes[:-1], self.lines + 1)]
        ends = [line.endswith(b"}") for line in lines]
        if not (all(map(bytes.startswith, lines, starts)) and all(ends)):
            good = next(
                n for n, (line, start, end) in enumerate(zip(lines, starts, ends, strict=True))
                if not (line.startswith(start) and end)
            )  # fmt: skip
            self.broken = self._name_fault(lines[good], self.lines + good + 1, starts[good])
            lines = lines[:good]
        self.marks += [
            (number, line) for number, line in enumerate(lines, self.lines + 1)
            if not line.startswith(_BLOCKS, line.find(KIND) + len(KIND))  # the first is the event's own
        ]  # fmt: skip
        self.lines += len(lines)
        self.last = hashes[len(lines)]
        return lines

    def _name_fault(self, line: bytes, number: int, start: bytes) -> str:
        where = f"{self.path.name}:{number}"
        if not line.startswith(f'{{"n": {number}, '.encode()):
            return f"{where}: its number is not {number}; a line was changed, added or taken away"
        if not line.startswith(start):
            return f"{where}: does not hold the hash of the line before it; that line or this one was changed"
        return f"{where}: is not a whole line of a record"
