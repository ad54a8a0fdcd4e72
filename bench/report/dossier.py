"""Many records in one document for the inspection: what is missing first, then which record proves which requirement.

A requirement is answered for one box with one firmware: those of the newest record that was measured on hardware (of
the newest record, where all are simulated). Of each sequence, case and energy stage the newest record counts, whatever
its verdict, so a pass never hides a later fail, nor a fail at another stage. Simulated records are shown and prove
nothing about hardware. What is altered or was never closed counts for nothing.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any, NamedTuple

from bench.errors import InputError, RecordError
from bench.record.firmware import claim_of, contradictions
from bench.record.reader import Record, read_record
from bench.record.store import record_folders
from bench.record.verifying import Level, Verification, verify
from bench.report.content import CAUTIONS, overrides, signature_text, stage_text
from bench.report.document import run_document
from bench.report.focus import focused_drawing
from bench.report.glance import glance
from bench.report.plots import draw
from bench.report.register import Wording, wordings
from bench.report.rows import requirement_rows
from bench.report.texts import firmware_text, plain, utc_text
from bench.verdicts import Verdict, worst

if TYPE_CHECKING:
    from bench.apart import Begin

_STAGES = ("simulated", "dry", "reduced", "live")
_WORST_FIRST = (Verdict.FAIL, Verdict.INCONCLUSIVE, Verdict.NOT_RUN, Verdict.PASS)
_MOST_PROOFS = 6  # printed in full for one requirement


class Source(NamedTuple):
    """One record of the dossier; `label` is how the tables name it."""

    label: str
    record: Record
    found: Verification
    document: dict[str, Any]

    @property
    def counts(self) -> bool:
        return self.found.level is Level.INTACT

    @property
    def simulated(self) -> bool:
        return bool(self.record.header["simulated"])

    @property
    def started(self) -> str:
        return str((self.record.manifest or {}).get("started_utc", ""))

    @property
    def about(self) -> tuple[str, str]:
        """Box and firmware."""
        manifest = self.record.manifest or {}
        return plain(manifest.get("box")), firmware_text(manifest.get("firmware"))


class Proof(NamedTuple):
    """A row of a record's requirements."""

    source: Source
    row: dict[str, Any]


def dossier_content(places: Iterable[Path], begin: Begin = partial) -> dict[str, Any]:
    """Everything in the dossier, as texts; `places` are records, or folders of records.

    Raises InputError for a place that holds no record.
    """
    sources, unreadable = _sources(places)
    words = {name: word for source in sources for name, word in wordings(source.record).items()}  # the newest last
    counting = [source for source in sources if source.counts]
    subject = next((s.about for s in reversed(counting) if not s.simulated), None)
    subject = subject or next((s.about for s in reversed(counting)), ("", ""))
    proofs: dict[str, list[Proof]] = {name: [] for name in words}
    for source in counting:
        for row in requirement_rows(source.document, wordings(source.record)):
            proofs.setdefault(row["id"], []).append(Proof(source, row))
    rows = [_requirement(name, words.get(name, Wording()), proofs[name], subject) for name in proofs]
    picture = glance(_verdicts(rows))
    plots = []
    for row in rows:
        best = row.pop("best")
        if best is not None and (figure := _figure(best, len(plots) + 1, row, begin)) is not None:
            plots.append(figure)
    simulated = bool(counting) and all(source.simulated for source in counting)
    useless = [f"{s.label} {s.record.folder.name}: {s.found.level}" for s in sources if not s.counts] + unreadable
    return {
        "title": f"Dossier of {subject[0] or 'a box without a name'}, firmware {subject[1] or 'not stated'}",
        "date": max((source.started[:10] for source in sources), default=""),
        "simulated": simulated,
        "warnings": _warnings(sources, simulated, useless),
        "facts": _facts(subject, sources, counting, rows),
        "contradictions": contradictions(claim_of(s.record.manifest or {}, s.label) for s in counting),
        "gaps": sorted((row for row in rows if row["gap"]), key=lambda row: row["urgency"]),
        "rows": rows,
        "picture": picture,
        "plots": [figure() for figure in plots],
        "records": [_record_row(source) for source in sources],
        "cautions": CAUTIONS,
    }


def _sources(places: Iterable[Path]) -> tuple[list[Source], list[str]]:
    """(the records, oldest first; what cannot be read at all)."""
    folders: dict[Path, None] = {}
    for place in places:
        found = record_folders(place)
        if not found:
            raise InputError.at(place, "holds no record", "name a record's folder, or a folder of them")
        folders |= dict.fromkeys(found)
    opened, unreadable = [], []
    for folder in folders:
        try:
            record = read_record(folder)
            opened.append((record, verify(folder, chain=record.chain), run_document(record)))
        except (RecordError, InputError) as error:
            unreadable.append(f"{folder.name}: {error}")
    opened.sort(key=lambda each: (str((each[0].manifest or {}).get("started_utc", "")), each[0].folder.name))
    return [Source(f"R{place}", *each) for place, each in enumerate(opened, 1)], unreadable


def _requirement(name: str, wording: Wording, proofs: list[Proof], subject: tuple[str, str]) -> dict[str, Any]:
    newest: dict[tuple[str, ...], Proof] = {}
    for proof in proofs:  # oldest first
        if proof.source.about != subject:
            continue
        document = proof.source.document
        key = (document["sequence"], document["case"], stage_text(proof.source.record), proof.row["shown_by"])
        newest[key] = proof
    measured = [proof for proof in newest.values() if not proof.source.simulated]
    deciding = measured or list(newest.values())
    verdict = str(worst(Verdict(proof.row["verdict"]) for proof in deciding)) if deciding else ""
    ordered = sorted(newest.values(), key=_importance)
    urgency, gap = _gap(wording, verdict, bool(measured), ordered, proofs)
    return {
        "id": name,
        **wording._asdict(),
        "verdict": verdict,
        "gap": gap,
        "urgency": urgency,
        "simulated": bool(ordered) and not measured,
        "proofs": [_proof_row(proof) for proof in ordered[:_MOST_PROOFS]],
        "more": _more(ordered[_MOST_PROOFS:]),
        "best": ordered[0] if ordered else None,
        "deciding": deciding,
    }


def _verdicts(rows: list[dict[str, Any]]) -> dict[str, list[tuple[str, str]]]:
    """Requirement -> (sequence, verdict) of what decides."""
    return {
        row["id"]: [(proof.source.document["sequence"], proof.row["verdict"]) for proof in row.pop("deciding")]
        for row in rows
    }


def _importance(proof: Proof) -> tuple[int, ...]:
    """First what decides: hardware before simulation, the worst verdict, a sequence that is about the requirement, a
    measured value, the highest stage."""
    stage = stage_text(proof.source.record)
    return (
        proof.source.simulated,
        _WORST_FIRST.index(Verdict(proof.row["verdict"])),
        proof.row["id"] not in proof.source.document["proves"],
        not proof.row["value"],
        -(_STAGES.index(stage) if stage in _STAGES else 0),
    )


def _gap(wording: Wording, verdict: str, measured: bool, ordered: list[Proof], all_of: list[Proof]) -> tuple[int, str]:
    """(how urgent, 0 first; what is missing before the requirement is shown on hardware, '' when nothing is)."""
    if verdict and verdict != Verdict.PASS:
        first = ordered[0]
        reason = f": {first.row['reason']}" if first.row["reason"] else ""
        return _WORST_FIRST.index(Verdict(verdict)), f"{verdict} in {first.source.label}{reason}"
    if measured:
        return 9, ""
    if ordered:
        return 5, "simulated only: nothing was measured on hardware"
    if all_of:
        box, firmware = all_of[-1].source.about
        return 3, f"shown only for box {box or 'not stated'}, firmware {firmware or 'not stated'}"
    return (6, f"to be shown by {wording.shown_by}") if wording.shown_by else (4, "no record shows it")


def _more(proofs: list[Proof]) -> str:
    """What is not printed in full, by verdict; '' for nothing."""
    told = []
    for verdict in _WORST_FIRST:
        labels = dict.fromkeys(proof.source.label for proof in proofs if proof.row["verdict"] == verdict)
        if labels:
            told.append(f"{verdict} in {', '.join(labels)}")
    return f"and {'; '.join(told)}" if told else ""


def _proof_row(proof: Proof) -> dict[str, str]:
    source, row = proof
    stage = stage_text(source.record) + (", under an override" if overrides(source.record) else "")
    sequence = source.document["sequence"] + (f" / {source.document['case']}" if source.document["case"] else "")
    what = f"{sequence}: step {row['path']}, {row['shown_by']}" if row["path"] else f"{sequence}: the whole sequence"
    kept = {key: row[key] for key in ("value", "uncertainty", "limit", "margin", "verdict")}
    return kept | {"label": source.label, "what": what, "stage": stage, "date": source.started[:10]}


def _figure(best: Proof, place: int, row: dict[str, Any], begin: Begin) -> Callable[[], dict[str, str]] | None:
    """Begun; None where there is nothing to show."""
    source = best.source
    try:
        shown = focused_drawing(source.record, source.document["steps"], best.row["path"], place)
    except RecordError:
        return None
    if shown is None:
        return None
    drawn = begin(draw, shown)
    step = f", step {best.row['path']}" if best.row["path"] else ""
    value = f": {best.row['value']}" if best.row["value"] else ""
    marked = " (simulated)" if source.simulated else ""
    caption = f"{row['id']} {row['title']}, from {source.label}{step}{value}{marked}"

    def figure() -> dict[str, str]:
        plot = drawn()
        return plot._asdict() | {"caption": f"{caption}; {plot.caption}"}

    return figure


def _warnings(sources: list[Source], simulated: bool, useless: list[str]) -> list[tuple[str, list[str]]]:
    warnings = []
    if simulated:
        text = "Simulated records open no energy stage and are no evidence about hardware."
        warnings.append(("Everything in this dossier is simulated.", [text]))
    if useless:
        warnings.append(("These records count for nothing here.", useless))
    under = [f"{s.label} {s.record.folder.name}: {what}" for s in sources if s.counts for what in overrides(s.record)]
    if under:
        warnings.append(("These runs were made under an override.", under))
    return warnings


def _facts(
    subject: tuple[str, str], sources: list[Source], counting: list[Source], rows: list[dict[str, Any]]
) -> list[tuple[str, str]]:
    measured = sum(not source.simulated for source in counting)
    signers = {source.found.signed_by for source in counting}
    people = dict.fromkeys(filter(None, (plain((s.record.manifest or {}).get("people")) for s in counting)))
    shown = sum(not row["gap"] for row in rows)
    dates = [source.started for source in counting if source.started]
    signed = "; ".join(sorted(filter(None, signers))) + (" (not all records)" if "" in signers else "")
    return [
        ("Box", subject[0] or "not stated"),
        ("Firmware", subject[1] or "not stated"),
        ("Requirements", f"{shown} of {len(rows)} shown on hardware, {len(rows) - shown} gaps"),
        ("Records", f"{len(sources)}: {measured} measured and {len(counting) - measured} simulated count"),
        ("From, to", f"{utc_text(min(dates))} to {utc_text(max(dates))}" if dates else "not stated"),
        ("People", "; ".join(people) or "not stated"),
        ("Signed by", signed if signers - {""} else "no record is signed"),
    ]


def _record_row(source: Source) -> dict[str, str]:
    from bench.record import MANIFEST_FILE
    from bench.record.manifest import hash_file

    path = source.record.folder / MANIFEST_FILE
    sequence = source.document["sequence"] + (f" / {source.document['case']}" if source.document["case"] else "")
    return {
        "label": source.label,
        "folder": source.record.folder.name,
        "sequence": sequence,
        "box": source.about[0],
        "firmware": source.about[1],
        "stage": stage_text(source.record),
        "verdict": source.document["verdict"],
        "level": str(source.found.level),
        "manifest": hash_file(path)["sha256"] if path.is_file() else "",
        "signature": signature_text(source.record, source.found),
    }
