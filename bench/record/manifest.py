"""manifest.json (what the files of a closed record hash to) and manifest.sig (what the manifest hashes to).

The signature file is written first and the manifest is renamed into place after it, so a record that has a
manifest has everything. What is derived later (a report) enters through `add_derived`, which renews both and
touches no other entry: an altered record cannot be made good by making its report.
"""

from __future__ import annotations

import hashlib
import json
import os
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from bench.errors import RecordError
from bench.record.lines import strict

MANIFEST_FILE = "manifest.json"
SIGNATURE_FILE = "manifest.sig"


def file_entry(sha256: str, size: int) -> dict[str, Any]:
    return {"sha256": sha256, "bytes": size}


def entry_of(data: bytes) -> dict[str, Any]:
    return file_entry(hashlib.sha256(data).hexdigest(), len(data))


def hash_file(path: Path) -> dict[str, Any]:
    """SHA-256 and size in bytes of a file of any size."""
    with path.open("rb") as file:
        digest = hashlib.file_digest(file, "sha256")
        return file_entry(digest.hexdigest(), file.tell())


def signature_bytes(manifest: bytes) -> bytes:
    """The one right content of manifest.sig. No key can be configured yet, so the signature is empty."""
    fields = {"manifest_sha256": hashlib.sha256(manifest).hexdigest(), "signature": ""}
    return json.dumps(fields).encode() + b"\n"


def write_manifest(folder: Path, fields: Mapping[str, Any]) -> None:
    """Write both files so that they survive a crash. Raises OSError."""
    data = json.dumps(strict(fields), indent=1, ensure_ascii=False, allow_nan=False).encode() + b"\n"
    write_whole(folder / SIGNATURE_FILE, signature_bytes(data))
    write_whole(folder / MANIFEST_FILE, data)
    sync_folder(folder)


def tool_version() -> str:
    from importlib.metadata import PackageNotFoundError, version

    try:
        return version("topbox-bench")
    except PackageNotFoundError:
        return "not installed"


def write_whole(path: Path, data: bytes) -> None:
    """Write, flush to the disk and rename into place: the file is there whole or not at all. Raises OSError."""
    part = path.with_name(path.name + ".part")
    try:
        with part.open("wb") as file:
            file.write(data)
            file.flush()
            os.fsync(file.fileno())
        part.replace(path)
    except OSError:
        part.unlink(missing_ok=True)
        raise


def sync_folder(folder: Path) -> None:
    """Make renames in the folder last (a no-op on systems that cannot open folders)."""
    if os.name == "nt":
        return
    descriptor = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(descriptor)
    finally:
        os.close(descriptor)


def load_manifest(folder: Path) -> dict[str, Any] | None:
    """The manifest's fields, None if the record was never closed. Raises RecordError if it cannot be read."""
    try:
        data = (folder / MANIFEST_FILE).read_bytes()
    except FileNotFoundError:
        return None
    except OSError as error:
        raise RecordError(f"{folder / MANIFEST_FILE}: cannot be read: {error.strerror}") from error
    try:
        fields = json.loads(data)
        entries = fields["files"]
        well_formed = all(isinstance(e["sha256"], str) and isinstance(e["bytes"], int) for e in entries.values())
    except (ValueError, KeyError, TypeError, AttributeError, RecursionError) as error:
        raise RecordError(f"{folder / MANIFEST_FILE}: is not a manifest") from error
    if not well_formed:
        raise RecordError(f"{folder / MANIFEST_FILE}: is not a manifest")
    return fields


def signature_is_right(folder: Path) -> bool:
    """Whether manifest.sig belongs to manifest.json, byte by byte."""
    try:
        return (folder / SIGNATURE_FILE).read_bytes() == signature_bytes((folder / MANIFEST_FILE).read_bytes())
    except OSError:
        return False


def add_derived(folder: Path, name: str, data: bytes) -> Path:
    """Put a derived file into a record, replacing an older one of that name.

    An unclosed record has no manifest to enter it in; the file is just written there. Raises RecordError if
    the manifest is not the one that was signed, `name` belongs to the evidence itself, or the disk refuses.
    """
    path = folder / name
    manifest = load_manifest(folder)
    try:
        if manifest is None:
            write_whole(path, data)
            return path
        if not signature_is_right(folder):
            raise RecordError(f"{folder}: {SIGNATURE_FILE} does not belong to {MANIFEST_FILE}; nothing was added")
        derived = manifest.setdefault("derived", [])
        if name in (MANIFEST_FILE, SIGNATURE_FILE) or (name in manifest["files"] and name not in derived):
            raise RecordError(f"{path}: belongs to the evidence and is never replaced")
        write_whole(path, data)
        entry = entry_of(data)
        if manifest["files"].get(name) != entry:
            manifest["files"][name] = entry
            manifest["derived"] = sorted({*derived, name})
            write_manifest(folder, manifest)
    except OSError as error:
        raise RecordError(f"{path}: cannot be written: {error.strerror}") from error
    return path
