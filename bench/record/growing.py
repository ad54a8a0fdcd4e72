"""A file that is only added to, and knows what it should hold."""

from __future__ import annotations

import errno
import hashlib
import os
import tempfile
from collections.abc import Callable
from contextlib import suppress
from pathlib import Path
from typing import Any

from bench.record.manifest import file_entry

FULL = (errno.ENOSPC, errno.EDQUOT)


class Reserve:
    """Room on the disk that is kept for the end of a run: a file without a name, so that a killed run leaves none."""

    def __init__(self, folder: Path, size: int) -> None:
        """Raises OSError when there is not so much."""
        self._file = tempfile.TemporaryFile(dir=folder, buffering=0)  # noqa: SIM115 - it is the room that it keeps
        try:
            if hasattr(os, "posix_fallocate"):
                os.posix_fallocate(self._file.fileno(), 0, size)
            else:
                self._file.write(bytes(size))
        except OSError:
            self._file.close()
            raise

    def free(self) -> None:
        self._file.close()


class GrowingFile:
    """Hash and size are those of what it was given, so that a disk that changes it is found out. Nothing waits in
    this process: `add` returns when the system has the bytes. Methods raise OSError. `make_room` is called when the
    disk is full: whether there is room now."""

    def __init__(self, path: Path, make_room: Callable[[], bool] = lambda: False) -> None:
        self._file = path.open("xb", buffering=0)
        self._make_room = make_room
        self._digest = hashlib.sha256()
        self._size = 0

    def add(self, data: bytes) -> None:
        self._digest.update(data)
        self._size += len(data)
        rest = memoryview(data)
        while rest:
            try:
                rest = rest[self._file.write(rest) :]
            except OSError as error:
                if error.errno not in FULL or not self._make_room():
                    raise

    def finish(self) -> dict[str, Any]:
        os.fsync(self._file.fileno())
        self._file.close()
        return file_entry(self._digest.hexdigest(), self._size)

    def drop(self) -> None:
        with suppress(OSError):  # the disk's trouble has been told already
            self._file.close()
