"""The report: one self-contained HTML page of one record, the same bytes each time it is made."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any

from bench.errors import RecordError
from bench.record.manifest import MANIFEST_FILE, SIGNATURE_FILE, hash_file
from bench.record.reader import Record
from bench.record.verifying import Level, verify
from bench.report.document import injected_faults, run_document
from bench.report.plots import plots
from bench.report.register import Wording, limit_text, wordings
from bench.verdicts import Verdict, worst

NBSP = "\N{NO-BREAK SPACE}"
_MOST_ROWS = 400
_REPORT_FILES = ("report.html", "report.pdf")


def report_page(record: Record) -> str:
    """The page's text. Raises RecordError if there is nothing to report on."""
    from jinja2 import Environment, FileSystemLoader, StrictUndefined
    from markupsafe import Markup

    here = Path(__file__).parent
    environment = Environment(
        loader=FileSystemLoader(here), autoescape=True, undefined=StrictUndefined, trim_blocks=True, lstrip_blocks=True
    )
    document = run_document(record)
    manifest = record.manifest or {}
    shown, left_out = _rows(document["steps"])
    try:
        drawn, still = plots(record, document["steps"])
        frames = list(_frame_rows(record))
        unreadable = ""
    except RecordError as error:
        drawn, still, frames, unreadable = [], [], [], str(error)
    return environment.get_template("template.html").render(
        css=Markup((here / "page.css").read_text(encoding="utf-8")),
        document=document,
        manifest=manifest,
        record=record,
        facts=_facts(document, record),
        warnings=_warnings(record, unreadable),
        requirements=_requirement_rows(document, wordings(record)),
        steps=[_step_row(step) for step in shown],
        left_out=left_out,
        plots=[plot._replace(svg=Markup(plot.svg)) for plot in drawn],
        still=still,
        faults=injected_faults(record),
        frames=frames,
        files=_file_rows(record),
        number=number,
        seconds=seconds,
        plain=plain,
    )


def number(value: Any, unit: str = "", sign: bool = False) -> str:
    """A value as people read it: five significant digits, its unit, a real minus sign."""
    if value is None or value == "":
        return ""
    if isinstance(value, int | float) and not isinstance(value, bool):
        value = f"{value:+.5g}" if sign else f"{value:.5g}"
        value = value.replace("-", "−")
    return f"{value}{NBSP}{unit}" if unit else str(value)


def seconds(value: float | None) -> str:
    return "" if value is None else f"{value:.3f}".replace("-", "−")


def plain(value: Any) -> str:
    """A text, a list or a mapping from the manifest, on one line."""
    if isinstance(value, Mapping):
        return ", ".join(
            f"{key} {plain(item)}" if key != "text" else plain(item) for key, item in value.items() if plain(item)
        )
    if isinstance(value, list | tuple):
        return "; ".join(map(plain, value))
    return "" if value is None else str(value)


def _facts(document: Mapping[str, Any], record: Record) -> list[tuple[str, str]]:
    manifest = record.manifest or {}
    unknown = "not stated"
    stage = plain(manifest.get("stage")) or ("simulated" if record.header["simulated"] else unknown)
    if manifest.get("opened_by"):
        stage += f", after record {manifest['opened_by']}"
    if document["energy"]:
        stage += f" (the sequence may run up to {document['energy']})"
    if record.header["simulated"]:
        origin = "Everything here is simulated. Nothing was measured on hardware, and no energy stage is opened by it."
    else:
        origin = "Measured on a real bench."
    rule = {
        "simple": "simple: the measured value alone decides",
        "guarded": "guarded: inconclusive inside the guard band",
    }
    facts = [
        ("Box", plain(manifest.get("box")) or unknown),
        ("Firmware", plain(manifest.get("firmware")) or unknown),
        ("People", plain(manifest.get("people")) or unknown),
        ("Energy stage", stage),
        ("Overrides", "; ".join(_overrides(record)) or "none"),
        ("Local rules", _acknowledged(manifest.get("acknowledgement"))),
        ("Origin", origin),
        ("Bench", record.header["bench"]),
        ("Decision rule", rule.get(record.header["rule"], record.header["rule"])),
    ]
    facts = [fact for fact in facts if fact[1]]
    if manifest.get("parameters"):
        facts.append(("Simulated with", plain(manifest["parameters"])))
    if manifest.get("started_utc"):
        facts.append(("Run", f"{manifest['started_utc']} to {manifest.get('ended_utc', unknown)}"))
    if document["virtual_s"] is not None:
        facts.append(("Run time", f"{seconds(document['virtual_s'])} s"))
    return facts


def _overrides(record: Record) -> list[str]:
    """What was overridden, and the reason given for it."""
    entries = (record.manifest or {}).get("overrides") or []
    return [
        f"{plain(entry.get('what'))}. The reason given: {plain(entry.get('reason'))}"
        if isinstance(entry, Mapping) else plain(entry) for entry in entries
    ]  # fmt: skip


def _acknowledged(fields: Any) -> str:
    """Which local rules were acknowledged, by whom and when; '' where none were."""
    if not isinstance(fields, Mapping):
        return ""
    people = " and ".join(map(plain, fields.get("by") or ()))
    rules = f"{plain(fields.get('rules'))} (SHA-256 {plain(fields.get('sha256'))[:16]}…)"
    return f"{rules}, {plain(fields.get('lines'))} lines acknowledged by {people} at {plain(fields.get('at_utc'))}"


def _warnings(record: Record, unreadable: str) -> list[tuple[str, list[str]]]:
    """(headline, findings) for what a reader must see before anything else."""
    found = verify(record.folder, chain=record.chain)
    own = [finding for finding in found.findings if not finding.startswith(_REPORT_FILES)]
    warnings = []
    if found.level is Level.INCOMPLETE:
        warnings.append(("This record is incomplete. It proves nothing.", own))
    elif own:
        warnings.append(("This record was altered after its run. It proves nothing.", own))
    if overridden := _overrides(record):
        warnings.append(("This run was made under an override.", overridden))
    if unreadable:
        warnings.append(("A part of this record cannot be read.", [unreadable]))
    return warnings


def _requirement_rows(document: Mapping[str, Any], words: Mapping[str, Wording]) -> list[dict[str, Any]]:
    """One row per requirement and step name; of a repeated step the worst is shown. What the sequence proves
    without a step of its own is shown by the whole of it."""
    together: dict[tuple[str, str], list[dict[str, Any]]] = {}
    for step in document["steps"]:
        if step["requirement"] and step["verdict"]:
            together.setdefault((step["requirement"], step["name"]), []).append(step)
    ids = dict.fromkeys([*document["proves"], *(name for name, _ in together)])
    rows = []
    for name in ids:
        wording = words.get(name, Wording())
        mine = [(step_name, steps) for (other, step_name), steps in together.items() if other == name]
        for step_name, steps in mine:
            worst_step = min(steps, key=_badness)
            shown_by = step_name if len(steps) == 1 else f"{step_name} (the worst of {len(steps)})"
            verdict = worst(Verdict(step["verdict"]) for step in steps)
            rows.append(
                _step_row(worst_step) | {"id": name, "wording": wording, "shown_by": shown_by, "verdict": verdict}
            )
        if not mine:
            verdict = document["verdict"]
            row = {"id": name, "wording": wording, "shown_by": "the whole sequence", "verdict": verdict}
            rows.append(row | {"value": "", "limit": wording.limit, "margin": ""})
    return rows


def _badness(step: Mapping[str, Any]) -> tuple[int, float]:
    order = [Verdict.FAIL, Verdict.INCONCLUSIVE, Verdict.NOT_RUN, Verdict.PASS]
    margin = step["margin"]
    return order.index(Verdict(step["verdict"])), margin if isinstance(margin, int | float) else float("inf")


def _rows(steps: list[dict[str, Any]]) -> tuple[list[dict[str, Any]], int]:
    """(steps to print, how many were left out). In a long repetition only what did not pass is printed in full."""
    if len(steps) <= _MOST_ROWS:
        return steps, 0
    shown = [step for place, step in enumerate(steps) if place < 100 or step["verdict"] not in ("", Verdict.PASS)]
    shown = shown[:_MOST_ROWS]
    return shown, len(steps) - len(shown)


def _step_row(step: Mapping[str, Any]) -> dict[str, Any]:
    unit = step["unit"]
    value = number(step["value"], unit)
    if value and isinstance(step["bound"], int | float) and step["bound"] > 0:
        value += f" ± {number(float(format(step['bound'], '.2g')))}"
    lasted = None if None in (step["began_s"], step["ended_s"]) else step["ended_s"] - step["began_s"]
    limit = limit_text(step["limit"])
    edges = {edge: number(step[edge], unit) for edge in ("min", "max")}
    evaluated = [f"{edge} {text}" for edge, text in edges.items() if text and text.replace(NBSP, " ") not in limit]
    return dict(step) | {
        "value": value,
        "limit": limit,
        "evaluated": ", ".join(evaluated),
        "margin": number(step["margin"], unit, sign=True),
        "lasted_s": lasted,
    }


def _frame_rows(record: Record) -> Iterator[dict[str, Any]]:
    """One row per bus, id and direction. Times in s."""
    rows: dict[tuple[str, int, bool, bool], dict[str, Any]] = {}
    for t, frame in record.frames():
        key = (frame.bus, frame.id, frame.extended, frame.heard)
        row = rows.get(key)
        if row is None:
            rows[key] = {"count": 1, "first_s": t, "last_s": t, "gap_s": None}
        else:
            row["count"] += 1
            row["gap_s"] = max(row["gap_s"] or 0.0, t - row["last_s"])
            row["last_s"] = t
    for (bus, identifier, extended, heard), row in sorted(rows.items()):
        text = f"{identifier:08X}x" if extended else f"{identifier:03X}"
        yield row | {"bus": bus, "id": text, "way": "heard" if heard else "sent"}


def _file_rows(record: Record) -> list[tuple[str, int, str]]:
    """(name, bytes, SHA-256) of the evidence: as the manifest has it, or as it is now if there is none."""
    if record.manifest is not None:
        derived = record.manifest.get("derived", [])
        entries = {name: entry for name, entry in record.manifest["files"].items() if name not in derived}
    else:
        skipped = {MANIFEST_FILE, SIGNATURE_FILE, *_REPORT_FILES}
        paths = sorted(path for path in record.folder.rglob("*") if path.is_file() and path.name not in skipped)
        entries = {path.relative_to(record.folder).as_posix(): hash_file(path) for path in paths}
    return [(name, entry["bytes"], entry["sha256"]) for name, entry in entries.items()]
