"""The folder that records are kept in: what has been closed there, from the manifests alone.

A manifest says what a record claims; whether the claim stands is for `bench.record.verifying`, which reads the whole
record and is asked only about the few that matter.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any, NamedTuple

from bench.errors import RecordError
from bench.record import MANIFEST_FILE, RECORD_FILE
from bench.record.manifest import load_manifest


class Kept(NamedTuple):
    """A record that was closed."""

    folder: Path
    manifest: dict[str, Any]


def record_folders(place: Path) -> list[Path]:
    """`place` if it is a record, else the records in it by name. Raises RecordError when it cannot be read."""
    try:
        folders = [place, *sorted(path for path in place.iterdir() if path.is_dir())]
    except FileNotFoundError:
        return []
    except OSError as error:
        raise RecordError(f"{place}: cannot be read: {error.strerror}") from error
    found = [path for path in folders if (path / RECORD_FILE).is_file() or (path / MANIFEST_FILE).is_file()]
    return found[:1] if found[:1] == [place] else found


def closed_records(records: Path) -> list[Kept]:
    """Every record of the folder that has a readable manifest, newest first. A folder that is not there has none.

    What is no record, was never closed or cannot be read is passed over: it proves nothing. Raises RecordError when
    the folder itself cannot be read.
    """
    try:
        folders = [path for path in records.iterdir() if path.is_dir()]
    except FileNotFoundError:
        return []
    except OSError as error:
        raise RecordError(f"{records}: cannot be read: {error.strerror}") from error
    found = []
    for folder in folders:
        try:
            manifest = load_manifest(folder)
        except RecordError:
            continue
        if manifest is not None:
            found.append(Kept(folder, manifest))
    return sorted(found, key=lambda kept: (str(kept.manifest.get("started_utc", "")), kept.folder.name), reverse=True)
