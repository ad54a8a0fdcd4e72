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
from bench.record.lines import FIRST_PREV, line_start
from bench.record.manifest import file_entry

_FILED = b'"kind": "filed"'


class Chain:
    """One pass over the lines. After it, `lines` counts the good ones, `last` is the hash of the last of them,
    `torn` says that the file ends in the middle of a line (a killed run), and `broken` names the line whose
    number or hash is wrong ('' if none); nothing behind such a line is read. `entry` is the manifest's entry for the
    file, None until all of it was read; `filed` has line, file and SHA-256 of each photo that a line names.
    """

    def __init__(self, folder: Path) -> None:
        self.path = folder / RECORD_FILE
        self.lines = 0
        self.last = FIRST_PREV
        self.torn = False
        self.broken = ""
        self.entry: dict[str, Any] | None = None
        self.filed: list[tuple[int, str, str]] = []

    def __iter__(self) -> Iterator[bytes]:
        """The good lines, without newline. Raises RecordError if the file cannot be read."""
        whole, size = hashlib.sha256(), 0
        try:
            with self.path.open("rb") as file:
                for raw in file:
                    if not raw.endswith(b"\n"):
                        self.torn = True
                        return
                    start = line_start(self.lines + 1, self.last).encode()
                    if not (raw.startswith(start) and raw.endswith(b"}\n")):
                        self.broken = self._name_fault(raw)
                        return
                    whole.update(raw)
                    size += len(raw)
                    line = raw[:-1]
                    self.lines += 1
                    self.last = hashlib.sha256(line).hexdigest()
                    if _FILED in raw:
                        self._note_filed(line)
                    yield line
            self.entry = file_entry(whole.hexdigest(), size)
        except OSError as error:
            raise RecordError(f"{self.path}: cannot be read: {error.strerror}") from error

    def _note_filed(self, line: bytes) -> None:
        with suppress(ValueError, KeyError):  # a line that is no event is for others to tell of
            fields = json.loads(line)
            if fields["kind"] == "filed" and fields["file"]:
                self.filed.append((self.lines, str(fields["file"]), str(fields["sha256"])))

    def _name_fault(self, raw: bytes) -> str:
        where = f"{self.path.name}:{self.lines + 1}"
        if not raw.startswith(f'{{"n": {self.lines + 1}, '.encode()):
            return f"{where}: its number is not {self.lines + 1}; a line was changed, added or taken away"
        if not raw.startswith(line_start(self.lines + 1, self.last).encode()):
            return f"{where}: does not hold the hash of the line before it; that line or this one was changed"
        return f"{where}: is not a whole line of a record"
