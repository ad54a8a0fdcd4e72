"""The photos of a record as a report shows them: small pictures of its own; the files stay in the record."""

from __future__ import annotations

import base64
import hashlib
import io
from typing import NamedTuple

from bench.errors import RecordError
from bench.events import Filed, StepBegan
from bench.record.reader import Record

_MOST_PIXELS = 640  # of the longer side, as shown
_LARGEST_PIXELS = 200_000_000  # of a file: what a camera makes, and nothing that fills the memory


class Photo(NamedTuple):
    """One photo. `data` is a small JPEG as base64, '' where it cannot be shown and `note` says why; sizes in pixels."""

    file: str
    caption: str
    alt: str
    sha256: str
    note: str
    data: str = ""
    width: int = 0
    height: int = 0


def photos(record: Record) -> list[Photo]:
    """Every photo that an event names, in their order. What stands behind an unreadable line is not there."""
    found, step = [], ""
    try:
        for event in record.marks():
            if type(event) is StepBegan:
                step = f"step {event.path} ({event.name})"
            elif type(event) is Filed and event.file:
                found.append(_photo(record, event, step))
    except RecordError:
        pass
    return found


def _photo(record: Record, event: Filed, step: str) -> Photo:
    caption = f"{step}, filed by {event.by}"
    told = event.file, caption, f"Photo of {step}, filed by {event.by}", event.sha256
    try:
        data = (record.folder / event.file).read_bytes()
    except OSError:
        return Photo(*told, "The file is not in the record.")
    if hashlib.sha256(data).hexdigest() != event.sha256:
        return Photo(*told, "The file is not the one that was filed; it is not shown.")
    return _shown(Photo(*told, ""), data)


def _shown(photo: Photo, data: bytes) -> Photo:
    from PIL import Image, ImageOps

    try:
        with Image.open(io.BytesIO(data), formats=("JPEG", "PNG")) as image:
            if image.width * image.height > _LARGEST_PIXELS:
                return photo._replace(note="Too large to be shown here; open the file.")
            image.draft("RGB", (_MOST_PIXELS, _MOST_PIXELS))  # the decoder itself scales down
            small = ImageOps.exif_transpose(image).convert("RGB")
            small.thumbnail((_MOST_PIXELS, _MOST_PIXELS))
    except Exception:  # a decoder may fail in any way, and HEIC has none here
        return photo._replace(note="Cannot be shown here; open the file.")
    out = io.BytesIO()
    small.save(out, "JPEG", quality=75)
    return photo._replace(data=base64.b64encode(out.getvalue()).decode(), width=small.width, height=small.height)
