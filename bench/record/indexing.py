"""One record as the index keeps it: from its manifest, its signature and the sizes of its files."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from contextlib import suppress
from pathlib import Path
from typing import Any

from bench.errors import RecordError
from bench.record import MANIFEST_FILE, RECORD_FILE, SIGNATURE_FILE
from bench.record.firmware import claim_of
from bench.record.index import ALTERED, CLOSED, INCOMPLETE, UNREADABLE, Entry
from bench.record.manifest import load_manifest, signer_of
from bench.record.verifying import compare_sizes


def read_entry(folder: Path) -> tuple[Entry, list[tuple[Any, ...]]]:
    """(the record, what it measured). Nothing is raised: what cannot be read is an entry too."""
    nothing = Entry(folder.name, UNREADABLE, "", "", "", "", "", "", "", "", "", 0, "", 0)
    try:
        manifest = load_manifest(folder)
        if manifest is None:
            return _unclosed(folder, nothing), []
        signer = signer_of(folder)
        if signer is None:
            findings = [f"{SIGNATURE_FILE}: does not belong to this {MANIFEST_FILE}"]
        else:
            findings = compare_sizes(folder, manifest["files"])
        return _entry(folder, manifest, findings, bool(signer)), list(_values(folder, manifest))
    except (RecordError, OSError, TypeError, AttributeError, ValueError) as error:
        return nothing._replace(finding=str(error)), []


def _unclosed(folder: Path, nothing: Entry) -> Entry:
    import json

    header: dict[str, Any] = {}
    with (folder / RECORD_FILE).open("rb") as file, suppress(ValueError):
        header = json.loads(file.readline())
    return nothing._replace(
        state=INCOMPLETE,
        finding=f"the run was never closed: there is no {MANIFEST_FILE}",
        sequence=str(header.get("sequence", "")),
        case=str(header.get("case", "")),
        simulated=int(bool(header.get("simulated"))),
    )


def _entry(folder: Path, manifest: Mapping[str, Any], findings: Sequence[str], signed: bool) -> Entry:
    document = manifest.get("document") or {}
    firmware = manifest.get("firmware") or {}
    if not isinstance(firmware, Mapping):
        firmware = {"text": str(firmware)}
    simulated = bool(manifest.get("simulated"))
    claim = claim_of(manifest, folder.name)
    return Entry(
        folder=folder.name,
        state=ALTERED if findings else CLOSED,
        finding="; ".join(findings),
        sequence=str(manifest.get("sequence", "")),
        case=str(manifest.get("case", "")),
        verdict=str(document.get("verdict", "")),
        reason=str(document.get("reason", "")),
        box=str(manifest.get("box", "")),
        firmware=str(firmware.get("text") or firmware.get("file") or ""),
        firmware_sha256=str(firmware.get("sha256", "")),
        stage=str(manifest.get("stage") or ("simulated" if simulated else "")),
        simulated=int(simulated),
        started_utc=str(manifest.get("started_utc", "")),
        signed=int(signed),
        label=claim.label,
        controller=claim.controller,
    )


def _values(folder: Path, manifest: Mapping[str, Any]) -> Iterator[tuple[Any, ...]]:
    for step in (manifest.get("document") or {}).get("steps", ()):
        value = step.get("value")
        if isinstance(value, int | float) and not isinstance(value, bool):
            bounds = [step.get(key) for key in ("uncertainty", "min", "max")]
            bounds = [bound if isinstance(bound, int | float) else None for bound in bounds]
            texts = [str(step.get(key) or "") for key in ("path", "name", "requirement", "unit", "verdict")]
            path, name, requirement, unit, verdict = texts
            yield (folder.name, path, name, requirement, float(value), unit, *bounds, verdict)
