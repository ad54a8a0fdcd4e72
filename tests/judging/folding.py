"""Helpers: a judge for a few lines of YAML on the shipped bench, and short words for events."""

from __future__ import annotations

from pathlib import Path
from textwrap import dedent, indent

from bench.events import Batch, Driven, Driving, StepBegan, StepEnded
from bench.judging.judge import Judge
from bench.judging.limits import Judged
from bench.language.bench_file import load_bench
from bench.language.loading import load_plans
from bench.language.plan import Plan
from bench.language.register import load_register


def plan_of(folder: Path, steps: str, more: str = "") -> Plan:
    """The one plan of a sequence with these steps (YAML list items)."""
    file = folder / "case.yaml"
    head = f"sequence: case\ntitle: A case\nenergy: dry\n{dedent(more).strip()}"
    text = f"{head}\nsteps:\n{indent(dedent(steps).strip(), '  ')}\n"
    file.write_text(text, encoding="utf-8")
    (plan,) = load_plans([file], load_bench(None), load_register(None))
    return plan


def judge_of(folder: Path, steps: str, more: str = "") -> Judge:
    return Judge(plan_of(folder, steps, more))


def read(t: float, *groups: str, **samples: float | str) -> Batch:
    """One scan at `t`: of the group 'io' unless others are named."""
    values = tuple((name, float(v) if isinstance(v, int) else v) for name, v in samples.items())
    return Batch(t, values, groups or ("io",))


def fold(judge: Judge, *events) -> Judge:
    for event in events:
        judge.fold(event)
    judge.settle()
    return judge


def begin(t: float, path: str = "1") -> StepBegan:
    return StepBegan(t, path, "", "")


def end(t: float, path: str = "1") -> StepEnded:
    return StepEnded(t, path, "")


def drive(t: float, **changes: float | str) -> list:
    """A stimulus that is carried out at once."""
    return [Driving(t, "", dict(changes)), *(Driven(t, name, value) for name, value in changes.items())]


def outcome(judge: Judge, *events) -> Judged:
    """What the one judged step came to."""
    fold(judge, *events)
    if judge.open is not None and judge.open.result is not None:
        return judge.open.result
    (result,) = judge.results
    return result.judged
