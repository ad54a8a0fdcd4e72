"""The run's document (`run --json` gives the same), from the manifest; every key is there afterwards."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from bench.errors import RecordError
from bench.events import Injected, StepBegan, StepEnded
from bench.record.reader import Record
from bench.verdicts import Verdict

_RUN: dict[str, Any] = {
    "sequence": "", "case": "", "title": "", "purpose": "", "energy": "", "verdict": "", "reason": "",
    "virtual_s": None, "steps": [], "invariants": [], "proves": [], "wiring": [],
}  # fmt: skip
_STEP: dict[str, Any] = {
    "path": "", "name": "", "kind": "", "verdict": "", "value": None, "unit": "", "bound": None, "limit": None,
    "min": None, "max": None, "margin": None, "requirement": "", "reason": "", "began_s": None, "ended_s": None,
    "uncertainty": None, "rule": "", "calibration": None,
}  # fmt: skip
_INVARIANT: dict[str, Any] = {
    "name": "", "rule": "", "requirement": None, "verdict": "", "reason": "", "at_s": None, "excused": [],
}  # fmt: skip


def run_document(record: Record) -> dict[str, Any]:
    """What was judged. A run that was never closed has no document: its steps come from the events, and its
    verdict is `inconclusive`."""
    kept = (record.manifest or {}).get("document")
    if not isinstance(kept, Mapping):
        kept = _rebuilt(record)
    document = _RUN | {"sequence": record.header["sequence"], "case": record.header["case"]} | _present(kept)
    document["steps"] = [_STEP | _present(step) for step in document["steps"]]
    document["invariants"] = [_INVARIANT | _present(rule) for rule in document["invariants"]]
    return document


def injected_faults(record: Record) -> list[tuple[float, str]]:
    """Time in s and name of every fault that was put in. What stands behind an unreadable line is not there."""
    found = []
    try:
        for event in record.marks():
            if type(event) is Injected:
                found.append((event.t, event.fault))
    except RecordError:
        pass
    return found


def _present(fields: Mapping[str, Any]) -> dict[str, Any]:
    return {key: value for key, value in fields.items() if value is not None}


def _rebuilt(record: Record) -> dict[str, Any]:
    steps: dict[str, dict[str, Any]] = {}
    last = 0.0
    reason = "the record is incomplete: the run was never closed"
    try:
        for event in record.events():
            last = event.t
            if type(event) is StepBegan:
                steps[event.path] = {
                    "path": event.path,
                    "name": event.name,
                    "kind": event.step_kind,
                    "began_s": event.t,
                }
            elif type(event) is StepEnded:
                steps[event.path] |= {"verdict": event.verdict, "reason": event.reason, "ended_s": event.t}
    except (RecordError, KeyError) as error:
        reason = f"the record cannot be read to its end: {error}"
    for step in steps.values():
        if "ended_s" not in step:
            step |= {"verdict": Verdict.INCONCLUSIVE, "reason": "the record ends in this step", "ended_s": last}
    header = {key: record.header.get(key) for key in ("title", "energy")}
    return header | {"verdict": Verdict.INCONCLUSIVE, "reason": reason, "steps": list(steps.values())}
