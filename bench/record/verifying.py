"""Is a record what it was when it was closed? Every file is hashed, every line's number and hash is checked."""

from __future__ import annotations

import os
from enum import StrEnum
from pathlib import Path
from typing import Any, NamedTuple

from bench.errors import InputError, RecordError
from bench.record import MANIFEST_FILE, RECORD_FILE, SIGNATURE_FILE
from bench.record.chain import Chain, read_chain
from bench.record.keys import fingerprint
from bench.record.manifest import hash_file, load_manifest, signer_of


class Level(StrEnum):
    INTACT = "intact"
    ALTERED = "altered"
    INCOMPLETE = "incomplete"


EXIT_STATUS = {Level.INTACT: 0, Level.ALTERED: 1, Level.INCOMPLETE: 3}


class Verification(NamedTuple):
    """`findings` says what is wrong, one sentence each; `lines` counts the good lines of record.jsonl; `signed_by` is
    the fingerprint of the key whose signature is right, '' where there is none."""

    level: Level
    findings: list[str]
    lines: int
    files: int
    signed_by: str = ""


def verify(folder: Path | str, public: bytes | None = None, chain: Chain | None = None) -> Verification:
    """Check a record folder; with `public`, that this key and no other signed it. `chain` is a pass over its lines
    that has been made already. Raises InputError if it is none, RecordError if it cannot be read.

    A record that was never closed has only its chain to show: its last line and frames.log are not covered.
    """
    folder = Path(folder)
    there = _files(folder)
    if RECORD_FILE not in there and MANIFEST_FILE not in there:
        raise InputError.at(folder, "this is not the folder of a record", f"a record holds {RECORD_FILE}")
    findings = []
    if chain is None:
        chain = read_chain(folder) if RECORD_FILE in there else Chain()
    if RECORD_FILE in there:
        findings = [chain.broken] if chain.broken else []
    if MANIFEST_FILE not in there:
        level = Level.ALTERED if chain.broken else Level.INCOMPLETE
        findings.append(f"the run was never closed: there is no {MANIFEST_FILE}")
        if chain.torn:
            findings.append(f"{RECORD_FILE}: ends in the middle of line {chain.lines + 1}")
        if wrong := _compare_photos(folder, there, chain):
            level = Level.ALTERED
        return Verification(level, findings + wrong, chain.lines, len(there))
    try:
        manifest = load_manifest(folder) or {}
    except RecordError as error:
        return Verification(Level.ALTERED, [*findings, str(error)], chain.lines, len(there))
    signer = signer_of(folder)
    if signer is None:
        findings.append(f"{SIGNATURE_FILE}: does not belong to this {MANIFEST_FILE}; one of the two was changed")
    elif public is not None and signer != public:
        other = f"signed with another key, {fingerprint(signer)}" if signer else "not signed"
        findings.append(f"{SIGNATURE_FILE}: the record is {other}; the key asked for is {fingerprint(public)}")
    findings += _compare_files(folder, there, manifest["files"]) + _compare_photos(folder, there, chain)
    if (manifest.get("lines"), manifest.get("last_line_sha256")) != (chain.lines, chain.last):
        findings.append(f"{RECORD_FILE}: its number of lines or its last line is not the manifest's")
    level = Level.ALTERED if findings else Level.INTACT
    return Verification(level, findings, chain.lines, len(there), fingerprint(signer) if signer else "")


def compare_sizes(folder: Path, entries: dict[str, dict[str, Any]]) -> list[str]:
    """What is wrong with the files of a closed record, as far as one sees without reading them."""
    there = _files(folder)
    findings = _unlisted(there, entries)
    for name, entry in entries.items():
        if name not in there:
            findings.append(f"{name}: is in the manifest but not in the folder")
        elif (folder / name).stat().st_size != entry["bytes"]:
            findings.append(f"{name}: has another size than the manifest says")
    return findings


def _unlisted(there: set[str], entries: dict[str, dict[str, Any]]) -> list[str]:
    unlisted = there - set(entries) - {MANIFEST_FILE, SIGNATURE_FILE}
    return [f"{name}: is in the folder but not in the manifest" for name in sorted(unlisted)]


def _compare_files(folder: Path, there: set[str], entries: dict[str, dict[str, Any]]) -> list[str]:
    findings = []
    for name, entry in entries.items():
        if name not in there:
            findings.append(f"{name}: is in the manifest but not in the folder")
        elif _hashed(folder / name) != entry:
            findings.append(f"{name}: is not the file that the manifest describes")
    return findings + _unlisted(there, entries)


def _compare_photos(folder: Path, there: set[str], chain: Chain) -> list[str]:
    """What the events say of the photos, apart from any manifest."""
    findings = []
    for number, name, sha256 in chain.filed:
        if name not in there:
            findings.append(f"{name}: {RECORD_FILE}:{number} names it, and it is not in the folder")
        elif _hashed(folder / name)["sha256"] != sha256:
            findings.append(f"{name}: is not the file that {RECORD_FILE}:{number} names")
    return findings


def _hashed(path: Path) -> dict[str, Any]:
    try:
        return hash_file(path)
    except OSError as error:
        raise RecordError(f"{path}: cannot be read: {error.strerror}") from error


def _files(folder: Path) -> set[str]:
    """Every file below the folder. A link is not evidence, so it counts under a name that no manifest lists."""
    found = set()
    for place, folders, names in os.walk(folder):
        for name in names + [name for name in folders if Path(place, name).is_symlink()]:
            path = Path(place, name)
            relative = path.relative_to(folder).as_posix()
            found.add(f"{relative} (a link)" if path.is_symlink() else relative)
    return found
