"""The tables of a report, row by row and all in words: nothing is left to the templates but the layout."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any

from bench.record import MANIFEST_FILE, SIGNATURE_FILE
from bench.record.manifest import hash_file
from bench.record.reader import Record
from bench.report.register import Wording, limit_text, load_mapping
from bench.report.texts import NBSP, number, plain, seconds, uncertainty_text
from bench.verdicts import Verdict, worst

REPORT_FILES = ("report.html", "report.pdf")
_MOST_ROWS = 400


def requirement_rows(document: Mapping[str, Any], words: Mapping[str, Wording]) -> list[dict[str, Any]]:
    """One row per requirement and step name; of a repeated step the worst is shown. What the sequence proves
    without a step of its own is shown by the whole of it. `path` is the step that decided ('' for the whole)."""
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
            row = step_row(worst_step) | {"shown_by": shown_by, "verdict": verdict}
            rows.append(row | {"id": name, "wording": wording._asdict()})
        if not mine:
            row = {"id": name, "wording": wording._asdict(), "shown_by": "the whole sequence", "path": ""}
            row |= {"value": "", "limit": wording.limit, "evaluated": "", "margin": "", "uncertainty": ""}
            rows.append(row | {"verdict": document["verdict"], "reason": document["reason"]})
    return rows


def _badness(step: Mapping[str, Any]) -> tuple[int, float]:
    order = [Verdict.FAIL, Verdict.INCONCLUSIVE, Verdict.NOT_RUN, Verdict.PASS]
    margin = step["margin"]
    return order.index(Verdict(step["verdict"])), margin if isinstance(margin, int | float) else float("inf")


def step_rows(steps: list[dict[str, Any]]) -> tuple[list[dict[str, Any]], int]:
    """(steps to print, how many were left out). In a long repetition only what did not pass is printed in full."""
    shown = steps
    if len(steps) > _MOST_ROWS:
        shown = [step for place, step in enumerate(steps) if place < 100 or step["verdict"] not in ("", Verdict.PASS)]
        shown = shown[:_MOST_ROWS]
    return [step_row(step) for step in shown], len(steps) - len(shown)


def step_row(step: Mapping[str, Any]) -> dict[str, Any]:
    unit = step["unit"]
    lasted = None if None in (step["began_s"], step["ended_s"]) else step["ended_s"] - step["began_s"]
    limit = limit_text(step["limit"])
    edges = {edge: number(step[edge], unit) for edge in ("min", "max")}
    evaluated = [f"{edge} {text}" for edge, text in edges.items() if text and text.replace(NBSP, " ") not in limit]
    if step.get("rule") not in (None, "", "simple"):
        evaluated.append(f"{plain(step['rule'])} rule")
    return {
        **{key: str(step[key] or "") for key in ("path", "name", "kind", "verdict", "requirement")},
        "reason": "; ".join(filter(None, (str(step["reason"] or ""), _calibrated(step)))),
        "value": number(step["value"], unit),
        "uncertainty": uncertainty_text(step),
        "limit": limit,
        "evaluated": ", ".join(evaluated),
        "margin": number(step["margin"], unit, sign=True),
        "began": seconds(step["began_s"]),
        "lasted": seconds(lasted),
    }


def _calibrated(step: Mapping[str, Any]) -> str:
    """What a corrected ratio was made of."""
    found = step["calibration"]
    if not isinstance(found, Mapping) or step["verdict"] not in (Verdict.PASS, Verdict.FAIL):  # the reason says it
        return ""
    as_read, alike = (number(found.get(key), step["unit"]) for key in ("as_read", "alike"))
    return f"{as_read} as read, {alike} where both see the same"


def invariant_rows(document: Mapping[str, Any]) -> list[dict[str, str]]:
    rows = []
    for rule in document["invariants"]:
        reasons = [rule["reason"]] if rule["reason"] else []
        reasons += [f"excused: {plain(excuse)}" for excuse in rule["excused"]]
        name = rule["name"] if rule["name"] != rule["rule"] else ""
        row = {
            "name": " ".join(filter(None, (name, rule.get("requirement")))),
            "rule": rule["rule"],
            "verdict": rule["verdict"],
            "at": seconds(rule["at_s"]),
            "margin": number(rule.get("margin"), rule.get("unit", ""), sign=True),
            "reason": "; ".join(map(str, reasons)),
        }
        rows.append(row)
    return rows


def frame_rows(record: Record) -> Iterator[dict[str, str]]:
    """One row per bus, id and direction. Times in s."""
    rows: dict[tuple[str, int, bool, bool], list[float]] = {}
    for t, frame in record.frames():
        key = (frame.bus, frame.id, frame.extended, frame.heard)
        row = rows.get(key)
        if row is None:
            rows[key] = [1, t, t, -1.0]
        else:
            row[0] += 1
            row[3] = max(row[3], t - row[2])
            row[2] = t
    for (bus, identifier, extended, heard), (count, first, last, gap) in sorted(rows.items()):
        yield {
            "bus": bus,
            "id": f"{identifier:08X}x" if extended else f"{identifier:03X}",
            "way": "heard" if heard else "sent",
            "count": str(int(count)),
            "first": seconds(first),
            "last": seconds(last),
            "gap": seconds(gap if gap >= 0 else None),
        }


def file_rows(record: Record) -> list[tuple[str, str, str]]:
    """(name, bytes, SHA-256) of the evidence: as the manifest has it, or as it is now if there is none."""
    if record.manifest is not None:
        derived = record.manifest.get("derived", [])
        entries = {name: entry for name, entry in record.manifest["files"].items() if name not in derived}
    else:
        skipped = {MANIFEST_FILE, SIGNATURE_FILE, *REPORT_FILES}
        paths = sorted(path for path in record.folder.rglob("*") if path.is_file() and path.name not in skipped)
        entries = {path.relative_to(record.folder).as_posix(): hash_file(path) for path in paths}
    return [(name, str(entry["bytes"]), entry["sha256"]) for name, entry in entries.items()]


def instrument_rows(record: Record) -> list[dict[str, str]]:
    """What measured, and how well: each device with its identity and calibration, each channel with its accuracy."""
    bench = load_mapping(record.text("bench.yaml"))
    identities = (record.manifest or {}).get("devices")
    rows = []
    for name, options in _mappings(bench.get("devices")):
        parts = [f"driver {plain(options.get('driver'))}"] if options.get("driver") else []
        known = identities.get(name) if isinstance(identities, Mapping) else None
        parts += [plain(known)] if known else []
        rows.append({"name": name, "what": "; ".join(parts), "calibration": _calibration(options)})
    for name, options in _mappings(bench.get("channels")):
        parts = [f"{key} {plain(options[key])}" for key in ("accuracy", "resolution", "every") if options.get(key)]
        if options.get("accuracy"):
            rows.append({"name": name, "what": ", ".join(parts), "calibration": _calibration(options)})
    return rows


def overdue_rows(record: Record) -> list[str]:
    """Calibrations that had run out on the day of the run."""
    bench = load_mapping(record.text("bench.yaml"))
    day = str((record.manifest or {}).get("started_utc", ""))[:10]
    return [
        f"{name}: calibrated until {options['calibrated_until']}, used on {day}"
        for part in ("devices", "channels")
        for name, options in _mappings(bench.get(part))
        if options.get("calibrated_until") and str(options["calibrated_until"]) < day
    ]


def _mappings(data: Any) -> Iterator[tuple[str, Mapping[str, Any]]]:
    if isinstance(data, Mapping):
        yield from ((str(name), item) for name, item in data.items() if isinstance(item, Mapping))


def _calibration(options: Mapping[str, Any]) -> str:
    return ", ".join(
        f"{str(key).replace('_', ' ')} {plain(item)}" for key, item in options.items() if "calibrat" in str(key)
    )
