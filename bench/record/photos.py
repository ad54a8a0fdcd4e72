"""Photos as a person files them: which files are taken, and what they are called in the record."""

from __future__ import annotations

import os
import re
import shlex
import stat
from collections.abc import Callable
from pathlib import Path

#: Keeps a file beside the events of the record, under this name; its SHA-256. Raises RecordError.
Keep = Callable[[str, bytes], str]

FOLDER = "photos"
MOST_BYTES = 20 << 20
RIGHT = "a JPEG, PNG or HEIC file of at most 20 MB"
# The codes of a still picture coded with HEVC, and of the container alone (ISO/IEC 23008-12, annex B and clause 10.2).
_HEIC = (b"heic", b"heix", b"heim", b"heis", b"hevc", b"hevx", b"mif1", b"msf1")


def photo_name(path: str, name: str) -> str:
    """What the photo of a step is called in the record, without its ending: 'photos/3-covers'."""
    words = re.sub(r"[^a-z0-9]+", "-", name.lower()).strip("-")[:40].rstrip("-")
    return "-".join(filter(None, (f"{FOLDER}/{path.replace('#', '-')}", words)))


def read_photo(typed: str) -> tuple[str, bytes]:
    """The picture that was meant, read once: its ending, by what is in it, and its bytes.

    `typed` is a path, perhaps quoted or escaped as by a terminal that a file was dragged into. Raises ValueError.
    """
    path = _path(typed)
    try:
        if not stat.S_ISREG(path.stat().st_mode):
            raise ValueError(f"{typed!r} is no file; {RIGHT} is due")
        with path.open("rb") as file:
            data = file.read(MOST_BYTES + 1)
    except FileNotFoundError as error:
        raise ValueError(f"there is no file {typed!r}") from error
    except OSError as error:
        raise ValueError(f"{typed!r} cannot be read: {error.strerror}") from error
    if len(data) > MOST_BYTES:
        raise ValueError(f"{typed!r} is larger than 20 MB; {RIGHT} is due")
    ending = ending_of(data)
    if not ending:
        raise ValueError(f"{typed!r} is no picture; {RIGHT} is due")
    return ending, data


def ending_of(data: bytes) -> str:
    """'jpg', 'png' or 'heic' by the first bytes; '' for anything else."""
    if data.startswith(b"\xff\xd8\xff"):  # start of image, and the next marker (ITU-T T.81, B.1.1.3)
        return "jpg"
    if data.startswith(b"\x89PNG\r\n\x1a\n"):  # PNG, third edition, 5.2
        return "png"
    if data[4:8] == b"ftyp" and data[8:12] in _HEIC:  # a file type box (ISO/IEC 14496-12, 4.3)
        return "heic"
    return ""


def _path(typed: str) -> Path:
    typed = typed.replace("\0", "")
    try:
        path = Path(typed).expanduser()
        if not os.path.lexists(path):
            words = shlex.split(typed)
            if len(words) == 1:
                return Path(words[0]).expanduser()
        return path
    except (ValueError, RuntimeError, OSError):  # a quote that is not closed, an unknown ~user
        return Path(typed)
