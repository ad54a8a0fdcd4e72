"""`run --plan`: what a run would do, told from the plan alone. Opens no device, drives nothing, makes no record.

The value that an output goes from is known because only the plan moves it: at first the initial value, then whatever
was driven last. In a repetition the first round is told; where a later round begins from another value, that is told
beside it. A run that ends early drives less: only what is safe at the end is driven whatever happens.
"""

from __future__ import annotations

import json
from collections.abc import Iterable, Sequence
from itertools import groupby
from math import isinf
from textwrap import wrap
from typing import TYPE_CHECKING, Any

from bench.judging.limits import show
from bench.language import plan as plans
from bench.language.loading import plans_from_text
from bench.language.plan import each_step
from bench.language.wire_entry import STAGES
from bench.runner.clearing import clearing_text
from bench.runner.engine import SUPPLY
from bench.runner.run import POWERED_BEFORE_S
from bench.runner.selfcheck import SUPPLIED_S, known_bad_text, needed, walk_text

if TYPE_CHECKING:
    from bench.events import Value
    from bench.language.bench_file import Bench
    from bench.language.plan import Plan, Step
    from bench.language.register import Register


def plan_text(
    planned: Sequence[Plan],
    bench: Bench,
    register: Register,
    injections: Sequence[tuple[float, str]] = (),
    repeat: int = 1,
    as_json: bool = False,
) -> str:
    """The plan of a whole command, as text or as one JSON document. `injections`: (time in s, fault); each run comes
    `repeat` times."""
    document = plan_document(planned, bench, register, injections, repeat)
    return json.dumps(document, indent=1, ensure_ascii=False) if as_json else "\n".join(_lines(document))


def plan_document(
    planned: Sequence[Plan],
    bench: Bench,
    register: Register,
    injections: Sequence[tuple[float, str]] = (),
    repeat: int = 1,
) -> dict[str, Any]:
    """What would be done, run by run. On hardware the bench's check of itself is the first to drive anything, and
    `between_runs` comes between any two of the others."""
    pauses = len(planned) * repeat - 1

    def own(name: str, text: str, powered_before_s: float) -> dict[str, Any]:
        (plan,) = plans_from_text(text, f"{name}.yaml", bench, register)
        return _run(plan, (), powered_before_s)

    first, between = [], None
    if not bench.simulated:
        first.append(own("bench-selfcheck", walk_text(bench), POWERED_BEFORE_S))
        first.append(own("bench-known-bad", known_bad_text(bench), SUPPLIED_S))
        if pauses and (text := clearing_text(bench)):
            between = own("bench-clearing", text, SUPPLIED_S)
    asked_for = [_run(plan, injections) for plan in planned]
    least_s = sum(map(_takes_s, first)) + repeat * sum(map(_takes_s, asked_for))
    runs = [*first, *asked_for]
    return {
        "plan_only": True,
        "bench": bench.name,
        "simulated": bench.simulated,
        "highest_energy": max((run["energy"] for run in runs), key=STAGES.index),
        "at_least_s": round(least_s + (pauses * _takes_s(between) if between else 0.0), 6),
        "repeat": repeat,
        "runs": runs,
        "between_runs": between,
    }


def _takes_s(run: dict[str, Any]) -> float:
    return run["at_least_s"] + run["powered_before_s"]


def _run(
    plan: Plan, injections: Sequence[tuple[float, str]], powered_before_s: float = POWERED_BEFORE_S
) -> dict[str, Any]:
    driven = [channel for channel in plan.bench.channels.values() if channel.direction == "driven"]
    initial = {channel.name: channel.initial for channel in driven if not channel.follows}
    if plan.power == "off" and SUPPLY in initial:
        initial[SUPPLY] = 0.0
    teller = _Teller(plan.bench)
    at_start = [teller.change(name, value) for name, value in initial.items() if value is not None]
    steps, least_s = teller.steps(plan.steps)
    afterwards, later_s = teller.steps(plan.afterwards)
    safe = {channel.name: channel.safe for channel in driven if not channel.follows}
    requirements = [step.requirement.id for step in each_step(plan.steps) if step.requirement is not None]
    people = [name for name in needed(plan) if plan.bench.channels[name].by_person]
    return {
        "sequence": plan.sequence,
        "case": plan.case,
        "title": plan.title,
        "file": plan.file,
        "energy": plan.energy,
        "requirements": list(dict.fromkeys([*plan.proves, *requirements])),
        "powered_before_s": powered_before_s if plan.power == "on" else 0.0,
        "at_start": at_start,
        "steps": steps,
        "afterwards": afterwards,
        "injections": [{"at_s": t, "fault": fault} for t, fault in sorted(injections)],
        "read_by_a_person": sorted(people),
        "at_the_end": [_Teller(plan.bench).change(name, value) for name, value in safe.items()],
        "at_least_s": round(least_s + later_s, 6),
    }


class _Teller:
    """Follows the outputs through the steps; `values` is what each has now, None what it follows by itself."""

    def __init__(self, bench: Bench):
        self.bench = bench
        self.values: dict[str, Value | None] = {}

    def change(self, name: str, value: Value) -> dict[str, Any]:
        channel = self.bench.channels[name]
        before = self.values.get(name)
        self.values[name] = value
        return {
            "channel": name,
            "from": _plain(before),
            "to": _plain(value),
            "unit": channel.unit or "",
            "device": channel.device,
            "follows": channel.follows if before is None else "",
            "from_in_later_rounds": [],
        }

    def steps(self, steps: Iterable[Step]) -> tuple[list[dict[str, Any]], float]:
        """The entries of these steps, and the least time that they take, s."""
        entries: list[dict[str, Any]] = []
        least_s = 0.0
        for step in steps:
            match step:
                case plans.Use():
                    inner, inner_s = self.steps(step.steps)
                    entries += inner
                    least_s += inner_s
                case plans.Repeat():
                    entry, inner_s = self._repeat(step)
                    entries.append(entry)
                    least_s += inner_s
                case _:
                    entries.append(self._step(step))
                    least_s += _least_s(step)
        return entries, least_s

    def _repeat(self, step: plans.Repeat) -> tuple[dict[str, Any], float]:
        before = dict(self.values)
        inner, inner_s = self.steps(step.steps)
        if self.values != before:  # a round leaves what the next one begins with; from the second on all are alike
            again, _ = self.steps(step.steps)
            _add_later(inner, again)
        return {**_common(step), "times": step.times, "steps": inner}, step.times * inner_s

    def _step(self, step: Step) -> dict[str, Any]:
        entry = _common(step)
        match step:
            case plans.Drive():
                entry["drives"] = [self.change(name, value) for name, value in step.changes.items()]
            case plans.Send():
                raw = f"{step.frame_id:#x} {step.data.hex(' ')}".strip()
                signals = ", ".join(f"{name} {value}" for name, value in step.signals.items())
                entry |= {"sends": f"{step.message} {signals}".strip() or raw, "bus": step.bus}
            case plans.Inject():
                entry["injects"] = list(step.faults)
            case plans.Restore():
                entry["restores"] = list(step.names)
                for name in step.names:
                    self.values.pop(name, None)
            case plans.Ask():
                entry |= {"asks": step.question, "answers": list(step.answers), "expected": step.expect}
                entry["photo"] = step.photo
        return entry


def _plain(value: Value | None) -> Value | None:
    """JSON has no infinity."""
    return str(value) if isinstance(value, float) and isinf(value) else value


def _add_later(entries: list[dict[str, Any]], again: list[dict[str, Any]]) -> None:
    """Beside each drive, the values that it goes from in later rounds, where they are others."""
    for entry, later in zip(entries, again, strict=True):
        for drive, later_drive in zip(entry.get("drives", ()), later.get("drives", ()), strict=True):
            told = drive["from_in_later_rounds"]
            others = [later_drive["from"], *later_drive["from_in_later_rounds"]]
            told += [value for value in others if value != drive["from"] and value not in told]
        _add_later(entry.get("steps", []), later.get("steps", []))


def _common(step: Step) -> dict[str, Any]:
    return {
        "path": step.path,
        "name": step.name,
        "kind": plans.KIND_WORDS[type(step)],
        "what": _what(step),
        "requirement": step.requirement.id if step.requirement is not None else None,
    }


def _what(step: Step) -> str:
    """What a step that drives nothing waits for or judges."""
    match step:
        case plans.Await():
            return f"{step.condition.text}, within {step.within_s:g} s"
        case plans.Check():
            at = f" when {step.at.text}" if step.at is not None else ""
            calibrated = ""
            if step.calibrated is not None:
                calibrated = f", calibrated once {step.calibrated.condition.text} for {step.calibrated.for_s:g} s"
            limit = f": {step.limit.text}" if step.limit is not None else ""
            return f"{step.expression.text}{at}{calibrated}{limit}"
        case plans.Time():
            limit = f": {step.limit.text}" if step.limit is not None else f", within {step.to_within_s:g} s"
            return f"from {step.from_.text} to {step.to.text}{limit}"
        case plans.Hold():
            return f"{step.condition.text}, for {step.for_s:g} s"
        case plans.Count():
            return f"changes of {step.channel} for {step.for_s:g} s: {step.limit.text}"
        case plans.Pause():
            return f"{step.for_s:g} s"
        case plans.Repeat():
            return f"{step.times} times"
    return ""


def _least_s(step: Step) -> float:
    """What a step takes when everything that is waited for is there at once, s."""
    return step.for_s if isinstance(step, plans.Pause | plans.Hold | plans.Count) else 0.0


# -- as text -----------------------------------------------------------------------------------------------------


def _lines(document: dict[str, Any]) -> Iterable[str]:
    runs = document["runs"]
    yield "Plan only: no device is opened, nothing is driven, no record is made."
    headed = [(f"{number}/{len(runs)}", run) for number, run in enumerate(runs, 1)]
    if document["between_runs"]:
        headed.append(("between any two of the runs asked for", document["between_runs"]))
    for head, run in headed:
        yield ""
        yield f"[{head}] {' / '.join(filter(None, (run['sequence'], run['case'])))}: {run['title']}"
        yield f"  up to the energy stage {run['energy']}; requirements: {', '.join(run['requirements']) or 'none'}"
        powered = f"powered for {run['powered_before_s']:g} s" if run["powered_before_s"] else "without supply"
        yield f"  before the first step, the box {powered}:"
        yield from _values_by_device(run["at_start"])
        yield "  steps:"
        yield from _step_lines(run["steps"], "    ")
        if run["afterwards"]:
            yield "  afterwards, whatever happened:"
            yield from _step_lines(run["afterwards"], "    ")
        for injection in run["injections"]:
            yield f"  fault from the command line: {injection['fault']} at {injection['at_s']:g} s"
        if run["read_by_a_person"]:
            yield f"  read by a person: {', '.join(run['read_by_a_person'])}"
        yield "  at the end, whatever happened, driven safe:"
        yield from _values_by_device(run["at_the_end"])
        yield f"  takes at least {run['at_least_s']:g} s from its first step on, when every step passes"
    yield ""
    bench = "simulated bench" if document["simulated"] else "bench"
    count = f"{len(runs)} {'run' if len(runs) == 1 else 'runs'}"
    if document["repeat"] > 1:
        count += f", those asked for {document['repeat']} times each,"
    yield (
        f"{count} on the {bench} {document['bench']}; highest energy stage {document['highest_energy']}; "
        f"at least {document['at_least_s']:g} s"
    )


def _step_lines(entries: Iterable[dict[str, Any]], indent: str) -> Iterable[str]:
    for entry in entries:
        requirement = f" [{entry['requirement']}]" if entry["requirement"] else ""
        what = f": {entry['what']}" if entry["what"] else ""
        yield f"{indent}{entry['path']} {entry['name']} ({entry['kind']}){what}{requirement}"
        yield from (f"{indent}  drives {_told(change)}" for change in entry.get("drives", ()))
        if "sends" in entry:
            yield f"{indent}  sends {entry['sends']} on {entry['bus']}"
        if "injects" in entry:
            yield f"{indent}  injects {', '.join(entry['injects'])}"
        if "restores" in entry:
            yield f"{indent}  takes back {', '.join(entry['restores'])}"
        if "asks" in entry:
            photo = "; with a photo" if entry["photo"] else ""
            answers = f"{' / '.join(entry['answers'])}; right is {entry['expected']}{photo}"
            yield f"{indent}  asks: {entry['asks']} ({answers})"
        yield from _step_lines(entry.get("steps", ()), indent + "  ")


def _values_by_device(changes: Iterable[dict[str, Any]]) -> Iterable[str]:
    by_device = sorted(changes, key=lambda change: change["device"])
    for device, group in groupby(by_device, lambda change: change["device"]):
        values = (f"{change['channel']} {_value(change['to'], change['unit'])}" for change in group)
        yield from wrap(f"{device}: {', '.join(values)}", 110, initial_indent="    ", subsequent_indent="      ")


def _told(change: dict[str, Any]) -> str:
    unit = change["unit"]
    before = f"what follows {change['follows']}" if change["follows"] else _value(change["from"], unit)
    text = f"{change['channel']}: {before} -> {_value(change['to'], unit)}"
    if change["from_in_later_rounds"]:
        later = " or ".join(_value(value, unit) for value in change["from_in_later_rounds"])
        text += f" (in later rounds from {later})"
    return f"{text}  on {change['device']}"


def _value(value: Value | None, unit: str) -> str:
    return show(value, unit) if isinstance(value, float) else f"{value} {unit}".rstrip()
