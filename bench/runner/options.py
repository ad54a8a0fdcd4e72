"""What the user says about all runs of one command, read and checked before anything is driven."""

from __future__ import annotations

import hashlib
import importlib
import os
import sys
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any

from bench.errors import InputError
from bench.language.plan import only_simulated

if TYPE_CHECKING:
    from bench.language.bench_file import Bench
    from bench.language.plan import Plan
    from bench.language.register import Register
    from bench.record.keys import SigningKey
    from bench.runner.budgets import HeatMemory
    from bench.runner.selfcheck import SelfCheck
    from bench.runner.stages import Permit
    from simulators.box import Box


@dataclass(frozen=True)
class Options:
    """`parameters` in base units; `injections` are (time in s on the run clock, fault); `hardware` is the simulated
    box around the controller. Without `records` nothing is written, and there is no evidence but the document."""

    records: Path | None = Path("records")
    controller: Callable[[], Any] | None = None
    hardware: type[Box] | None = None
    parameters: Mapping[str, float] = field(default_factory=dict)
    injections: Sequence[tuple[float, str]] = ()
    seed: int = 0
    rule: str = "simple"
    wall_clock: bool = False
    firmware: Mapping[str, str] = field(default_factory=dict)
    box: str = ""
    operator: str = ""
    people: tuple[str, ...] = ()
    selfcheck: SelfCheck | None = None
    permit: Permit | None = None
    heat: HeatMemory | None = None
    key: SigningKey | None = None

    def named_people(self) -> dict[str, Any]:
        """For the manifest."""
        return {"operator": self.operator} | ({"present": list(self.people)} if self.people else {})

    def reason_not_to_run(self, plan: Plan) -> str:
        """Why the bench must not run `plan`; '' when it may."""
        return only_simulated(plan) or (self.selfcheck.objection(plan) if self.selfcheck is not None else "")


def chosen(plans: Sequence[Plan], proves: Sequence[str], tags: Sequence[str], register: Register) -> list[Plan]:
    """The plans that prove one of these requirements and carry one of these tags; all where none is asked for.

    Raises InputError for an unknown requirement or tag, and when nothing is left to run.
    """
    from bench.language.located import suggestion

    known_tags = sorted({tag for plan in plans for tag in plan.tags})
    for option, given, known in (("--proves", proves, register), ("--tag", tags, known_tags)):
        for name in given:
            if name not in known:
                raise InputError.at(option, f"{name!r} is not known", suggestion(name, known, "known"))
    left = [
        plan for plan in plans
        if (not proves or set(proves) & set(plan.proves)) and (not tags or set(tags) & set(plan.tags))
    ]  # fmt: skip
    if not left:
        raise InputError.at("--proves, --tag", "no sequence is left to run", "name fewer, or a folder with more")
    return left


def parameters(texts: Iterable[str], bench: Bench) -> dict[str, float]:
    """`--set NAME=VALUE`, in base units. Raises InputError naming every one that is wrong."""
    from bench.language.collecting import Problems
    from bench.language.constants import simulated_parameters
    from bench.language.expressions import Scope
    from bench.language.located import Place, Text

    given = {}
    for text in texts:
        if not bench.simulated:
            raise InputError.at("--set", "the bench is not simulated", "leave it out")
        name, _, value = text.partition("=")
        given[Text(name.strip(), Place("--set"))] = Text(value.strip(), Place("--set", 1, len(name) + 2))
    problems = Problems()
    values = simulated_parameters(given, Scope(), problems)
    problems.raise_if_any()
    return values


def injections(texts: Iterable[str]) -> list[tuple[float, str]]:
    """`--fault NAME[@SECONDS]`: (time in s, fault); without a time at the first step."""
    from bench.language.located import suggestion
    from bench.language.surroundings import known_faults

    found = []
    for text in texts:
        name, _, seconds = text.partition("@")
        if name not in known_faults():
            raise InputError.at("--fault", f"no fault is called {name!r}", suggestion(name, known_faults()))
        try:
            t = float(seconds or 0)
        except ValueError:
            t = -1.0
        if not 0 <= t < 1e6:
            raise InputError.at("--fault", f"{seconds!r} is no time in s", f"write for example {name}@1.5")
        found.append((round(t, 6), name))
    return found


def firmware(text: str) -> dict[str, str]:
    """`--firmware TEXT|FILE`: a file is hashed, so that the record names the very binary."""
    path = Path(text)
    if not text or not path.is_file():
        return {"text": text} if text else {}
    return {"file": path.name, "sha256": hashlib.sha256(path.read_bytes()).hexdigest()}


def controller(text: str | None) -> Callable[[], Any] | None:
    """`--controller module:Class`; the current folder and PYTHONPATH are searched.

    Raises InputError when there is no such class, or when its instances have no `period_s` and `step`.
    """
    if text is None:
        return None
    module_name, _, class_name = text.partition(":")
    if not module_name or not class_name:
        raise InputError.at("--controller", f"{text!r} names no class", "write it as module:Class")
    if os.getcwd() not in sys.path:
        sys.path.insert(0, os.getcwd())
    try:
        found = getattr(importlib.import_module(module_name), class_name)
        trial = found()
        ready = callable(getattr(trial, "step", None)) and 0 < trial.period_s < float("inf")
    except Exception as error:  # a user's module may fail in any way
        wrong = f"{text}: {type(error).__name__}: {error}"
        raise InputError.at("--controller", wrong, "it must import, and construct without arguments") from error
    if not ready:
        raise InputError.at(
            "--controller", f"{text} is no controller", "it needs `period_s` in s and `step(t, inputs)`"
        )
    return found
