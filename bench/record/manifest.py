"""manifest.json (what the files of a closed record hash to) and manifest.sig (what the manifest hashes to).

The signature file is written first and the manifest is renamed into place after it, so a record that has a
manifest has everything. What is derived later (a report) enters through `add_derived`, which renews both and
touches no other entry: an altered record cannot be made good by making its report. A signed record takes it only
from who holds its key.
"""

from __future__ import annotations

import hashlib
import json
import os
import platform
from collections.abc import Mapping
from contextlib import suppress
from functools import lru_cache
from pathlib import Path
from typing import Any

from bench.errors import RecordError
from bench.record import MANIFEST_FILE, SIGNATURE_FILE
from bench.record.keys import VARIABLE, SigningKey, is_signed
from bench.record.lines import strict
from bench.record.shape import NUMBER, NUMBER_OR_NULL, TEXT_OR_NULL, fits

_SHAPE = {
    "files": {...: {"sha256": str, "bytes": int}},
    "derived": [str],
    "document": {
        "sequence": str, "case": str, "title": str, "purpose": str, "energy": str, "verdict": str, "reason": str,
        "virtual_s": NUMBER, "proves": [str], "tags": [str], "wiring": [str], "other_limits": [dict],
        "steps": [{
            "path": str, "name": str, "kind": str, "verdict": TEXT_OR_NULL, "unit": TEXT_OR_NULL, "reason": str,
            "requirement": TEXT_OR_NULL, "limit": TEXT_OR_NULL, "began_s": NUMBER_OR_NULL, "ended_s": NUMBER_OR_NULL,
        }],
        "invariants": [{
            "name": str, "rule": str, "requirement": TEXT_OR_NULL, "verdict": str, "reason": str,
            "at_s": NUMBER_OR_NULL, "unit": TEXT_OR_NULL, "excused": [str],
        }],
    },
    "tool": {"name": str, "version": str},
    "firmware_doubts": list,
    "overrides": list,
}  # fmt: skip


def file_entry(sha256: str, size: int) -> dict[str, Any]:
    return {"sha256": sha256, "bytes": size}


def entry_of(data: bytes) -> dict[str, Any]:
    return file_entry(hashlib.sha256(data).hexdigest(), len(data))


def hash_file(path: Path) -> dict[str, Any]:
    """SHA-256 and size in bytes of a file of any size."""
    with path.open("rb") as file:
        digest = hashlib.file_digest(file, "sha256")
        return file_entry(digest.hexdigest(), file.tell())


def signature_bytes(manifest: bytes, signature: str = "", public_key: str = "") -> bytes:
    """The one right content of manifest.sig; both texts are hex, empty where no key signed."""
    fields = {"manifest_sha256": hashlib.sha256(manifest).hexdigest(), "signature": signature}
    if signature:
        fields["public_key"] = public_key
    return json.dumps(fields).encode() + b"\n"


def write_manifest(folder: Path, fields: Mapping[str, Any], key: SigningKey | None = None) -> None:
    """Write both files so that they survive a crash; `key` signs the bytes of the manifest. Raises OSError."""
    data = json.dumps(strict(fields), indent=1, ensure_ascii=False, allow_nan=False).encode() + b"\n"
    signed = () if key is None else (key.sign(data).hex(), key.public.hex())
    write_whole(folder / SIGNATURE_FILE, signature_bytes(data, *signed))
    write_whole(folder / MANIFEST_FILE, data)
    sync_folder(folder)


def tool_version() -> str:
    from importlib.metadata import PackageNotFoundError, version

    try:
        return version("topbox-bench")
    except PackageNotFoundError:
        return "not installed"


@lru_cache(maxsize=1)
def software_versions() -> dict[str, str]:
    """What a run rests on: interpreter, system, and the libraries that decode, read and talk."""
    from importlib.metadata import PackageNotFoundError, version

    found = {"python": platform.python_version(), "system": platform.platform()}
    for name in ("cantools", "orjson", "pydantic", "pyserial", "python-can", "pyyaml"):
        with suppress(PackageNotFoundError):
            found[name] = version(name)
    return found


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
        well_formed = fits(fields, _SHAPE) and all({*each} >= {"sha256", "bytes"} for each in fields["files"].values())
    except (ValueError, KeyError, RecursionError):
        well_formed = False
    if not well_formed:
        raise RecordError(f"{folder / MANIFEST_FILE}: is not a manifest")
    return fields


def signer_of(folder: Path) -> bytes | None:
    """The public key that signed the manifest, b'' if none did. None: manifest.sig is not, byte by byte, what belongs
    to manifest.json."""
    try:
        manifest, found = (folder / MANIFEST_FILE).read_bytes(), (folder / SIGNATURE_FILE).read_bytes()
    except OSError:
        return None
    if found == signature_bytes(manifest):
        return b""
    try:
        fields = json.loads(found)
        signature, public = bytes.fromhex(fields["signature"]), bytes.fromhex(fields["public_key"])
    except (ValueError, KeyError, TypeError, RecursionError):
        return None
    as_written = found == signature_bytes(manifest, signature.hex(), public.hex())
    return public if as_written and is_signed(public, signature, manifest) else None


def add_derived(folder: Path, name: str, data: bytes, key: SigningKey | None = None) -> Path:
    """Put a derived file into a record, replacing an older one of that name; `key` is the one that signed the record.

    An unclosed record has no manifest to enter it in; the file is just written there. An unsigned one stays unsigned.
    Raises RecordError if the manifest is not the one that was signed, it was signed with another key, `name` belongs
    to the evidence itself, or the disk refuses.
    """
    path = folder / name
    manifest = load_manifest(folder)
    try:
        if manifest is None:
            write_whole(path, data)
            return path
        signer = signer_of(folder)
        if signer is None:
            raise RecordError(f"{folder}: {SIGNATURE_FILE} does not belong to {MANIFEST_FILE}; nothing was added")
        if signer and (key is None or key.public != signer):
            right = f"give the key that signed it (--key FILE, or {VARIABLE}), or write elsewhere with --output"
            raise RecordError(f"{folder}: is signed, and {name} would change its manifest; {right}")
        derived = manifest.setdefault("derived", [])
        if name in (MANIFEST_FILE, SIGNATURE_FILE) or (name in manifest["files"] and name not in derived):
            raise RecordError(f"{path}: belongs to the evidence and is never replaced")
        write_whole(path, data)
        entry = entry_of(data)
        if manifest["files"].get(name) != entry:
            manifest["files"][name] = entry
            manifest["derived"] = sorted({*derived, name})
            write_manifest(folder, manifest, key if signer else None)
    except OSError as error:
        raise RecordError(f"{path}: cannot be written: {error.strerror}") from error
    return path
