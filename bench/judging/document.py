"""The one machine-readable document of a run, made from a judge that has seen everything.

`run --json`, `rejudge --json`, the manifest, the report and the tables all show this and nothing else.
"""

from __future__ import annotations

from typing import Any

from bench.judging.judge import Judge, StepResult, verdict_of
from bench.language import plan as plans
from bench.language.plan import Step
from bench.verdicts import Verdict


def run_document(judge: Judge, record: str) -> dict[str, Any]:
    """Close the judge and describe the run. Values are in the unit named beside them, times in s on the run clock.

    `record` is the path of the record folder. A step that was carried out but has nothing to judge has the verdict
    None; one that was never reached is `not-run`.
    """
    plan = judge.plan
    invariants = judge.invariants()
    reached = {result.path.partition("#")[0] for result in judge.results}
    left = [step for step in plans.each_step(plan.steps) if step.path not in reached]
    steps = [_step(result) for result in judge.results]
    why = f"not reached: {judge.trouble}" if judge.trouble else "not reached: an earlier step did not pass"
    after = next((place for place, step in enumerate(steps) if step["path"].startswith("afterwards.")), len(steps))
    steps[after:after] = [_not_reached(step, why) for step in left]
    verdict = verdict_of(judge, invariants, bool(left))
    return {
        "sequence": plan.sequence,
        "case": plan.case,
        "title": plan.title,
        "energy": plan.energy,
        "proves": list(plan.proves),
        "verdict": str(verdict),
        "rule": judge.rule,
        "other_limits": _other_limits(plan),
        "reason": _headline(judge, steps, invariants),
        "trouble": judge.trouble,
        "wiring": judge.wiring() if verdict in (Verdict.FAIL, Verdict.INCONCLUSIVE) else [],
        "tags": list(plan.tags),
        "record": record,
        "virtual_s": round(judge.end_s, 6),
        "steps": steps,
        "invariants": [
            {
                "name": invariant.name,
                "rule": invariant.rule,
                "requirement": invariant.requirement or None,
                "verdict": str(invariant.verdict),
                "reason": invariant.reason,
                "at_s": invariant.at_s,
                "violations": invariant.violations,
                "violated_s": invariant.violated_s,
                "margin": invariant.margin,
                "unit": invariant.unit,
                "uncertainty": invariant.uncertainty,
                "excused": invariant.excused,
            }
            for invariant in invariants
        ],
    }


def _other_limits(plan: plans.Plan) -> list[dict[str, Any]]:
    """Requirements that this run judges by a limit of the team's own."""
    named = {step.requirement.id: step.requirement for step in plans.each_step(plan.steps) if step.requirement}
    return [
        {
            "requirement": requirement.id,
            "limit": str(requirement.limit),
            "instead_of": str(requirement.other.instead_of or ""),
            "reason": requirement.other.reason,
        }
        for requirement in named.values()
        if requirement.other is not None
    ]


def _step(result: StepResult) -> dict[str, Any]:
    judged = result.judged
    return {
        **_identity(result.path, result.step),
        "verdict": None if judged.verdict is None else str(judged.verdict),
        "value": judged.value,
        "unit": judged.unit,
        "bound": judged.bound,
        "min": judged.min,
        "max": judged.max,
        "margin": judged.margin,
        "uncertainty": judged.uncertainty,
        "false_accept": judged.false_accept,
        "predicted": None if judged.predicted is None else judged.predicted._asdict(),
        "calibration": None if judged.calibration is None else judged.calibration._asdict(),
        "reason": judged.reason,
        "began_s": result.began_s,
        "ended_s": result.ended_s,
    }


def _not_reached(step: Step, why: str) -> dict[str, Any]:
    measured = ("value", "bound", "min", "max", "margin", "uncertainty", "false_accept", "predicted", "calibration")
    blank = dict.fromkeys((*measured, "began_s", "ended_s"))
    return {**_identity(step.path, step), **blank, "unit": "", "verdict": "not-run", "reason": why}


def _identity(path: str, step: Step) -> dict[str, Any]:
    match step:
        case plans.Await() | plans.Ask():
            limit = f"within {step.within_s:g} s"
        case plans.Hold():
            limit = f"for {step.for_s:g} s"
        case plans.Check() | plans.Time() | plans.Count() if step.limit is not None:
            limit = step.limit.text
        case plans.Time():
            limit = f"within {step.to_within_s:g} s"
        case _:
            limit = ""
    requirement = step.requirement.id if step.requirement is not None else None
    return {
        "path": path,
        "name": step.name,
        "kind": plans.KIND_WORDS[type(step)],
        "limit": limit,
        "requirement": requirement,
    }


def _headline(judge: Judge, steps: list[dict], invariants: list) -> str:
    if judge.trouble:
        return judge.trouble
    for step in steps:
        if step["verdict"] in ("fail", "inconclusive"):
            return f"step {step['path']} ({step['name']}): {step['reason']}"
    for invariant in invariants:
        if invariant.verdict != "pass":
            return f"invariant {invariant.name}: {invariant.reason}"
    for step in steps:
        if step["verdict"] == "not-run":
            return f"step {step['path']} ({step['name']}): {step['reason']}"
    return ""


def refused_document(plan: plans.Plan, reason: str) -> dict[str, Any]:
    """The document of a run that was not begun, with the reason: `not-run`, without a record."""
    return run_document(Judge(plan), "") | {"reason": reason, "virtual_s": 0.0}
