"""A file that is only added to, and knows what it should hold."""

from __future__ import annotations

import hashlib
import os
from contextlib import suppress
from pathlib import Path
from typing import Any

from bench.record.manifest import file_entry


class GrowingFile:
    """Hash and size are those of what it was given, so that a disk that changes it is found out. Nothing waits in
    this process: `add` returns when the system has the bytes. Methods raise OSError."""

    def __init__(self, path: Path) -> None:
        self._file = path.open("xb", buffering=0)
        self._digest = hashlib.sha256()
        self._size = 0

    def add(self, data: bytes) -> None:
        self._digest.update(data)
        self._size += len(data)
        rest = memoryview(data)
        while rest:
            rest = rest[self._file.write(rest) :]

    def finish(self) -> dict[str, Any]:
        os.fsync(self._file.fileno())
        self._file.close()
        return file_entry(self._digest.hexdigest(), self._size)

    def drop(self) -> None:
        with suppress(OSError):  # the disk's trouble has been told already
            self._file.close()
