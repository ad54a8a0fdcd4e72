"""What the user says about all runs of one command, read and checked before anything is driven."""

from __future__ import annotations

import importlib
import inspect
import os
import sys
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from functools import lru_cache
from pathlib import Path
from typing import TYPE_CHECKING, Any

from bench.errors import InputError
from bench.language.plan import only_simulated
from bench.record.manifest import hash_file

if TYPE_CHECKING:
    from bench.language.bench_file import Bench
    from bench.language.plan import Plan
    from bench.language.register import Register
    from bench.record.firmware import Claim
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
    firmware_doubts: Sequence[str] = ()
    box: str = ""
    operator: str = ""
    people: tuple[str, ...] = ()
    selfcheck: SelfCheck | None = None
    permit: Permit | None = None
    heat: HeatMemory | None = None
    key: SigningKey | None = None

    def made_of(self, plan: Plan) -> dict[str, Any]:
        """For header and manifest: everything that makes the box what it is, as far as the user says."""
        fields: dict[str, Any] = {"firmware": dict(self.firmware)}
        if plan.bench.simulated:
            faults = [f"{name}@{t:g}" for t, name in self.injections]
            fields |= {"controller": controller_fields(self.controller), "faults": faults}
        return fields | {"parameters": {**plan.simulated, **self.parameters}}

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


def firmware_doubts(options: Options, bench: Bench) -> list[str]:
    """Where the firmware of this run contradicts what the records say of it: a label, or a file, that was another."""
    from datetime import UTC, datetime

    from bench.record.firmware import claim_of, contradictions
    from bench.record.index import Filter, Index

    fields: dict[str, Any] = {"firmware": options.firmware, "started_utc": f"{datetime.now(UTC):%Y-%m-%d}"}
    if bench.simulated:
        fields["controller"] = controller_fields(options.controller)
    claim = claim_of(fields, "this run")
    if options.records is None or not options.records.is_dir() or not (claim.label or claim.sha256):
        return []
    with Index(options.records) as index:
        about = [each for each in index.claims(Filter()) if _meets(each, claim)]
        return contradictions([*about, claim])


def _meets(one: Claim, other: Claim) -> bool:
    """Whether both are about one label or one file; nothing is never the same as nothing."""
    return "" != one.label == other.label or "" != one.sha256 == other.sha256


#: How the name of a program for a microcontroller ends.
_PROGRAMS = (".bin", ".elf", ".hex", ".s19", ".srec", ".uf2")


def firmware(texts: Iterable[str]) -> dict[str, str]:
    """`--firmware TEXT|FILE`, or both: a file is hashed, so that the record names the very binary.

    Raises InputError for two texts, two files, and a file that is not there (a slip would make its name a version).
    """
    found: dict[str, str] = {}
    for text in filter(None, texts):
        path = Path(text)
        is_file = path.is_file()
        if not is_file and path.suffix.lower() in _PROGRAMS:
            raise InputError.at(
                "--firmware", f"there is no file {text!r}", "name the file that was loaded into the box"
            )
        if ("file" if is_file else "text") in found:
            wrong = f"two {'files' if is_file else 'versions'} are given"
            raise InputError.at("--firmware", wrong, "give the version, the file, or one of each")
        try:
            found |= {"file": path.name, "sha256": hash_file(path)["sha256"]} if is_file else {"text": text}
        except OSError as error:
            raise InputError.at(
                "--firmware", f"{text!r} cannot be read: {error.strerror}", "make it readable"
            ) from error
    return found


def controller_fields(factory: Callable[[], Any] | None) -> dict[str, str]:
    """What a record says of the controller in the simulated box: its class, and the SHA-256 of its source file. The
    tool's own controller goes by the tool's version and has none."""
    if factory is None:
        return {"class": "simulators.controller:ReferenceController"}
    named = factory if inspect.isclass(factory) else type(factory)
    digest = _source_sha256(named)
    return {"class": f"{named.__module__}:{named.__qualname__}"} | ({"sha256": digest} if digest else {})


@lru_cache(maxsize=64)
def _source_sha256(named: type) -> str:
    try:
        return hash_file(Path(inspect.getsourcefile(named) or ""))["sha256"]
    except (OSError, TypeError):  # made without a file, or in C
        return ""


def controller(text: str | None, bench: Bench) -> Callable[[], Any] | None:
    """`--controller module:Class`; the current folder and PYTHONPATH are searched.

    Raises InputError when there is no such class, when its instances have no `period_s` and `step`, and for a bench
    with a box of its own.
    """
    if text is None:
        return None
    if not bench.simulated:
        raise InputError.at("--controller", "the bench is not simulated", "leave it out")
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
