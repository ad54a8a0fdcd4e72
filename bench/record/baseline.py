"""A baseline: records that later ones are compared with, under a name.

`baseline-NAME.json` in the records folder names them, each with the hash of its last line, so that a record put in the
place of another is found.
"""

from __future__ import annotations

import json
import re
from collections.abc import Iterable
from datetime import UTC, datetime
from pathlib import Path

from bench.errors import InputError, RecordError
from bench.record.manifest import load_manifest, write_whole

_NAME = re.compile(r"[A-Za-z0-9][A-Za-z0-9._-]{0,59}")


def keep_baseline(records: Path, name: str, folders: Iterable[Path]) -> Path:
    """Name closed records of `records` as baseline `name`, in the place of an older one; the file.

    Raises InputError for a name that makes no file, and for a record that lies elsewhere.
    """
    entries = []
    for folder in folders:
        if folder.resolve().parent != records.resolve():
            raise InputError.at(folder, f"lies outside {records}", "name its folder with --records")
        entries.append({"record": folder.name, "last_line_sha256": _last_line(folder)})
    path = _path(records, name)
    fields = {"records": entries, "named_utc": f"{datetime.now(UTC):%Y-%m-%dT%H:%M:%SZ}"}
    try:
        write_whole(path, json.dumps(fields, indent=1).encode() + b"\n")
    except OSError as error:
        raise RecordError(f"{path}: cannot be written: {error.strerror}") from error
    return path


def baseline(records: Path, name: str) -> list[Path]:
    """The record folders of baseline `name`.

    Raises InputError when there is none of that name, RecordError when one of its records is not what it was.
    """
    path = _path(records, name)
    try:
        entries = json.loads(path.read_bytes())["records"]
        found = [(str(entry["record"]), entry["last_line_sha256"]) for entry in entries]
    except FileNotFoundError:
        known = sorted(each.stem.removeprefix("baseline-") for each in records.glob("baseline-*.json"))
        right = f"known: {', '.join(known)}" if known else "keep one with --keep-baseline"
        raise InputError.at(path, f"no baseline is called {name!r}", right) from None
    except (OSError, ValueError, KeyError, TypeError, RecursionError) as error:
        raise RecordError(f"{path}: is not a baseline") from error
    folders = []
    for record, sha256 in found:
        if Path(record).name != record or _last_line(records / record) != sha256:
            raise RecordError(f"{records / record}: is not the record that became baseline {name}")
        folders.append(records / record)
    return folders


def _path(records: Path, name: str) -> Path:
    if not _NAME.fullmatch(name):
        raise InputError.at("--baseline", f"{name!r} is not a name here", "write letters, digits, '.', '_' and '-'")
    return records / f"baseline-{name}.json"


def _last_line(folder: Path) -> str | None:
    return (load_manifest(folder) or {}).get("last_line_sha256")
