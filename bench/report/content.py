"""What a report says, in the order in which it says it; `page.py` lays it out as HTML or PDF."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping
from functools import partial
from typing import TYPE_CHECKING, Any

from bench.errors import RecordError
from bench.record.manifest import tool_version
from bench.record.reader import Record
from bench.record.verifying import Level, Verification, verify
from bench.report.document import injected_faults, run_document
from bench.report.drawings import drawings
from bench.report.photos import photos
from bench.report.plots import draw
from bench.report.register import wordings
from bench.report.rows import (
    REPORT_FILES,
    file_rows,
    frame_rows,
    instrument_rows,
    invariant_rows,
    overdue_rows,
    requirement_rows,
    step_rows,
)
from bench.report.texts import firmware_text, plain, seconds, utc_text

if TYPE_CHECKING:
    from bench.apart import Begin

CAUTIONS = (
    "This software is not a safety device. The hardware shutdown loop and the emergency stop protect people.",
    "Work on live high voltage is for qualified people, under local rules.",
    "Zero voltage is proven with an approved tester, never by this tool and never by this page.",
)
_RULES = {
    "simple": "simple: the measured value alone decides",
    "guarded": "guarded: inconclusive inside the guard band",
}
_MOST_FAULTS = 40
_UNKNOWN = "not stated"


def report_content(record: Record, begin: Begin = partial) -> dict[str, Any]:
    """Everything on the page, as texts; its figures are begun first. Raises RecordError if there is nothing to report
    on."""
    document = run_document(record)
    try:
        shown, still = drawings(record, document["steps"])
        drawn = [begin(draw, drawing) for drawing in shown]
        frames = list(frame_rows(record))
        unreadable = ""
    except RecordError as error:
        drawn, still, frames, unreadable = [], [], [], str(error)
    found = verify(record.folder, chain=record.chain)
    steps, left_out = step_rows(document["steps"])
    requirements = requirement_rows(document, wordings(record))
    return {
        "name": document["sequence"] + (f", case {document['case']}" if document["case"] else ""),
        "title": document["title"] or document["sequence"],
        "purpose": document["purpose"],
        "simulated": bool(record.header["simulated"]),
        "date": str((record.manifest or {}).get("started_utc", ""))[:10],
        "verdict": document["verdict"],
        "reason": document["reason"],
        "warnings": _warnings(record, found, unreadable),
        "facts": _facts(document, record, found),
        "counted": _counted([row["verdict"] for row in requirements]),
        "requirements": requirements,
        "steps": steps,
        "left_out": left_out,
        "faults": _faults(record),
        "still": still,
        "photos": [photo._asdict() for photo in photos(record)],
        "invariants": invariant_rows(document),
        "frames": frames,
        "raw": _raw(record),
        "files": file_rows(record),
        "instruments": instrument_rows(record),
        "software": _software(record),
        "cautions": CAUTIONS,
        "plots": [figure()._asdict() for figure in drawn],
    }


def signature_text(record: Record, found: Verification) -> str:
    """What a reader may believe about who closed the record."""
    if found.signed_by:
        return f"signed with the key {found.signed_by}; compare this fingerprint with the one that you were given"
    if record.manifest is None:
        return "none: the run was never closed"
    if any(finding.startswith("manifest") for finding in found.findings):
        return "wrong: it does not belong to this record"
    return "not signed; hashes alone show accidents, not intent"


def overrides(record: Record) -> list[str]:
    """What was overridden, and the reason given for it."""
    entries = (record.manifest or {}).get("overrides") or []
    return [
        f"{plain(entry.get('what'))}. The reason given: {plain(entry.get('reason'))}"
        if isinstance(entry, Mapping) else plain(entry) for entry in entries
    ]  # fmt: skip


def stage_text(record: Record) -> str:
    """The energy stage of the run in one word."""
    return plain((record.manifest or {}).get("stage")) or ("simulated" if record.header["simulated"] else _UNKNOWN)


def _facts(document: Mapping[str, Any], record: Record, found: Verification) -> list[tuple[str, str]]:
    manifest = record.manifest or {}
    stage = stage_text(record)
    if manifest.get("opened_by"):
        stage += f", after record {manifest['opened_by']}"
    if document["energy"]:
        stage += f" (the sequence may run up to {document['energy']})"
    if record.header["simulated"]:
        origin = "Everything here is simulated. Nothing was measured on hardware, and no energy stage is opened by it."
    else:
        origin = "Measured on a real bench."
    firmware = manifest.get("firmware")
    digest = firmware.get("sha256") if isinstance(firmware, Mapping) else None
    run = " to ".join(utc_text(manifest[key]) for key in ("started_utc", "ended_utc") if manifest.get(key))
    facts = [
        ("Box", plain(manifest.get("box")) or _UNKNOWN),
        ("Firmware", (firmware_text(firmware) or _UNKNOWN) + (f", SHA-256 {digest}" if digest else "")),
        ("The box says", plain(manifest.get("firmware_said"))),
        ("Controller", _controller(manifest.get("controller"))),
        ("Faults asked for", plain(manifest.get("faults"))),
        ("Bench", record.header["bench"]),
        ("People", plain(manifest.get("people")) or _UNKNOWN),
        ("Date", run or _UNKNOWN),
        ("Energy stage", stage),
        ("Overrides", "; ".join(overrides(record)) or "none"),
        ("Limits of the team's own", "; ".join(map(_other_limit, document.get("other_limits") or ()))),
        ("Signature", signature_text(record, found)),
        ("Origin", origin),
        ("Local rules", _acknowledged(manifest.get("acknowledgement"))),
        ("Decision rule", _RULES.get(record.header["rule"], record.header["rule"])),
        ("Wiring to look at", ", then ".join(map(str, document["wiring"]))),
        ("Simulated with", plain(manifest.get("parameters"))),
        ("Run time", "" if document["virtual_s"] is None else f"{seconds(document['virtual_s'])} s"),
    ]
    return [fact for fact in facts if fact[1]]


def _other_limit(entry: Mapping[str, Any]) -> str:
    instead = f" instead of {entry['instead_of']}" if entry.get("instead_of") else ""
    return f"{entry.get('requirement')}: {entry.get('limit')}{instead}, because: {plain(entry.get('reason'))}"


def _controller(fields: Any) -> str:
    """What ran in the simulated box."""
    if not isinstance(fields, Mapping) or not fields:
        return ""
    digest = fields.get("sha256")
    return f"{plain(fields.get('class'))}" + (f", source SHA-256 {digest}" if digest else ", the tool's own")


def _acknowledged(fields: Any) -> str:
    """Which local rules were acknowledged, by whom and when; '' where none were."""
    if not isinstance(fields, Mapping):
        return ""
    people = " and ".join(map(plain, fields.get("by") or ()))
    rules = f"{plain(fields.get('rules'))} (SHA-256 {plain(fields.get('sha256'))[:16]}…)"
    return f"{rules}, {plain(fields.get('lines'))} lines acknowledged by {people} at {plain(fields.get('at_utc'))}"


def _warnings(record: Record, found: Verification, unreadable: str) -> list[tuple[str, list[str]]]:
    """(headline, findings) for what a reader must see before anything else."""
    own = [finding for finding in found.findings if not finding.startswith(REPORT_FILES)]
    warnings = []
    if found.level is Level.INCOMPLETE:
        warnings.append(("This record is incomplete. It proves nothing.", own))
    elif own:
        warnings.append(("This record was altered after its run. It proves nothing.", own))
    if overridden := overrides(record):
        warnings.append(("This run was made under an override.", overridden))
    if doubts := (record.manifest or {}).get("firmware_doubts"):
        told = [plain(doubt) for doubt in doubts]
        warnings.append(("The label or file of this firmware was another in earlier records.", told))
    if overdue := overdue_rows(record):
        warnings.append(("A calibration had run out before this run.", overdue))
    if unreadable:
        warnings.append(("A part of this record cannot be read.", [unreadable]))
    return warnings


def _counted(verdicts: list[str]) -> str:
    """`9 requirements shown: 8 pass, 1 fail`; '' for none."""
    counts = Counter(map(str, verdicts))
    told = ", ".join(f"{counts[word]} {word}" for word in ("fail", "inconclusive", "not-run", "pass") if counts[word])
    return f"Requirements shown here: {told}." if verdicts else ""


def _faults(record: Record) -> str:
    faults = injected_faults(record)
    told = [f"{fault} at {seconds(t)} s" for t, fault in faults[:_MOST_FAULTS]]
    more = f" and {len(faults) - _MOST_FAULTS} more" if len(faults) > _MOST_FAULTS else ""
    return ", ".join(told) + more


def _raw(record: Record) -> dict[str, str]:
    manifest = record.manifest or {}
    where = f", on {manifest['host']}" if manifest.get("host") else ""
    return {
        "lines": str(record.lines),
        "last": record.last_line_sha256,
        "written": f"Record format {record.header['format']}{where}; seed {record.header['seed']}.",
    }


def _software(record: Record) -> list[tuple[str, str]]:
    """(what, version): what ran and judged, then what made this page."""
    manifest = record.manifest or {}
    tool = manifest.get("tool")
    rows = [(f"{plain(tool.get('name'))} (ran and judged)", plain(tool.get("version")))] if tool else []
    software = manifest.get("software")
    rows += [(str(name), str(version)) for name, version in software.items()] if isinstance(software, Mapping) else []
    return [*rows, ("topbox-bench (made this page)", tool_version())]
