"""One holder of the bench: whoever runs on it holds it, by name, and nobody else can drive it meanwhile.

Ports are opened exclusively as well, but one after the other; this is asked before the first of them is touched. The
system lets go of it when the holder's process ends, however it ends.
"""

from __future__ import annotations

import getpass
import hashlib
import os
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING

from bench.errors import BenchError

if TYPE_CHECKING:
    from bench.language.bench_file import Bench

#: Options of a device that say where it is.
_PLACES = ("port", "serial_number", "channel", "resource")


@contextmanager
def held(bench: Bench, who: str = "", folder: Path | None = None) -> Iterator[None]:
    """Hold the bench. The same devices are the same bench, whatever file describes them on this computer.

    Raises BenchError naming who holds it.
    """
    from filelock import FileLock, Timeout

    path = (folder or Path(tempfile.gettempdir())) / f"topbox-bench-{_identity(bench)}.lock"
    holder = path.with_suffix(".holder")
    lock = FileLock(path, timeout=0, mode=0o666)
    try:
        lock.acquire()
    except Timeout:
        raise BenchError(f"bench {bench.name} is in use: {_said(holder)} holds it") from None
    except OSError as error:
        raise BenchError(f"bench {bench.name} cannot be held: {path}: {error.strerror}") from error
    try:
        with suppress(OSError):  # the lock counts, not the name
            holder.write_text(f"{who or _account()} (process {os.getpid()}, since {datetime.now():%H:%M})", "utf-8")
        yield
    finally:
        with suppress(OSError):
            holder.unlink()
        lock.release()


def _identity(bench: Bench) -> str:
    places = sorted(
        f"{device.driver} {device.options[key]}"
        for device in bench.devices.values()
        for key in _PLACES
        if key in device.options
    )
    return hashlib.sha256("\n".join(places).encode()).hexdigest()[:16]


def _said(holder: Path) -> str:
    try:
        return holder.read_text(encoding="utf-8") or "somebody"
    except (OSError, UnicodeError):
        return "somebody"


def _account() -> str:
    try:
        return getpass.getuser()
    except (OSError, KeyError):
        return "somebody"
