"""One plan from start to finish on the simulated bench: record, judge, engine and loop put together."""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from bench.devices.simulated import SimulatedBench
from bench.devices.wall_bench import RunClock, WallBench
from bench.errors import InputError
from bench.events import Event
from bench.judging.document import run_document
from bench.judging.judge import Judge
from bench.language.plan import Plan
from bench.record.header import header_fields
from bench.record.writer import new_record
from bench.runner.engine import Engine
from bench.runner.hands import Hands
from bench.runner.stopping import Stop
from bench.runner.virtual_loop import run_virtual
from bench.runner.wall_loop import run_wall

RULE = "simple"


@dataclass(frozen=True)
class Options:
    """What the user said about all runs. `parameters` in base units; `injections` are (time in s, fault)."""

    records: Path = Path("records")
    controller: Callable[[], Any] | None = None
    parameters: Mapping[str, float] = field(default_factory=dict)
    injections: Sequence[tuple[float, str]] = ()
    seed: int = 0
    wall_clock: bool = False
    firmware: Mapping[str, str] = field(default_factory=dict)
    box: str = ""
    operator: str = ""


def run_plan(plan: Plan, options: Options, stop: Stop, watch: Callable[[Event, Judge], None] | None = None) -> dict[str, Any]:
    """Run `plan`; the run's document. `watch` sees every event as it is recorded.

    Raises RecordError when the record cannot be begun. Whatever goes wrong later ends in the safe state and in a
    document that says so.
    """
    from simulators.world import World

    extra = {} if options.controller is None else {"controller": options.controller}
    parameters = {**plan.simulated, **options.parameters}
    world = World(plan.bench, parameters, seed=options.seed, power=plan.power, **extra)
    started = datetime.now(UTC)
    stem = "-".join(filter(None, (f"{started:%Y%m%dT%H%M%SZ}", plan.sequence, plan.case)))
    record = new_record(options.records, stem, header_fields(plan, RULE, options.seed), plan.sources, options.wall_clock)
    judge = Judge(plan)
    engine = Engine(plan, judge, world.start_s, options.injections)
    simulated = SimulatedBench(world)
    seen = None if watch is None else lambda event: watch(event, judge)
    try:
        if options.wall_clock:
            with WallBench(simulated, RunClock(world.start_s)) as bench:
                run_wall(engine, bench, Hands(engine, bench, record, seen), stop)
        else:
            run_virtual(engine, simulated, Hands(engine, simulated, record, seen), stop)
    except BaseException:
        _last_resort(plan, simulated, engine.t)
        record.abandon()
        raise
    document = run_document(judge, str(record.folder))
    record.close(
        {
            "document": document,
            "firmware": dict(options.firmware),
            "box": options.box,
            "people": {"operator": options.operator},
            "parameters": parameters,
            "wall_clock": options.wall_clock,
        }
    )
    return document


def _last_resort(plan: Plan, bench: SimulatedBench, t: float) -> None:
    """Our own bug: every output to its safe value without asking engine or life cycle."""
    driven = {name: channel for name, channel in plan.bench.channels.items() if channel.direction == "driven"}
    safe = {name: channel.safe for name, channel in driven.items() if not channel.follows}
    bench.drive(t, safe)


def firmware_identity(text: str) -> dict[str, str]:
    """`--firmware TEXT|FILE`: a file is hashed, so that the record names the very binary."""
    path = Path(text)
    if not text or not path.is_file():
        return {"text": text}
    return {"file": path.name, "sha256": hashlib.sha256(path.read_bytes()).hexdigest()}


def load_controller(text: str) -> Callable[[], Any]:
    """`--controller module:Class`; the current folder and PYTHONPATH are searched.

    Raises InputError when there is no such class, or when its instances have no `period_s` and `step`.
    """
    import importlib
    import os
    import sys

    module_name, _, class_name = text.partition(":")
    if not module_name or not class_name:
        raise InputError.at("--controller", f"{text!r} names no class", "write it as module:Class")
    if os.getcwd() not in sys.path:
        sys.path.insert(0, os.getcwd())
    try:
        found = getattr(importlib.import_module(module_name), class_name)
        trial = found()
    except Exception as error:  # a user's module may fail in any way
        raise InputError.at("--controller", f"{text}: {type(error).__name__}: {error}", "it must import and construct") from error
    if not callable(getattr(trial, "step", None)) or not getattr(trial, "period_s", 0) > 0:
        raise InputError.at("--controller", f"{text} is no controller", "it needs `period_s` in s and `step(t, inputs)`")
    return found
