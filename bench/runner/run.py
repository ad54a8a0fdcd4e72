"""One plan from start to finish on the simulated bench: record, judge, engine and loop put together."""

from __future__ import annotations

from collections.abc import Callable
from datetime import UTC, datetime
from typing import Any

from bench.devices.simulated import SimulatedBench
from bench.devices.wall_bench import RunClock, WallBench
from bench.errors import RecordError
from bench.events import Event
from bench.judging.document import run_document
from bench.judging.judge import Judge
from bench.language.plan import Plan
from bench.record.header import header_fields
from bench.record.writer import new_record
from bench.runner.engine import Engine
from bench.runner.hands import Hands
from bench.runner.options import Options
from bench.runner.stopping import Stop
from bench.runner.virtual_loop import run_virtual
from bench.runner.wall_loop import run_wall
from bench.verdicts import Verdict, worst

RULE = "simple"


def run_plan(
    plan: Plan, options: Options, stop: Stop, watch: Callable[[Event, Judge], None] | None = None
) -> dict[str, Any]:
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
    record = new_record(
        options.records, stem, header_fields(plan, RULE, options.seed), plan.sources, options.wall_clock
    )
    judge = Judge(plan)
    engine = Engine(plan, judge, world.start_s, options.injections)
    simulated = SimulatedBench(world, plan.bench.database)
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
    manifest = {
        "document": document,
        "firmware": dict(options.firmware),
        "box": options.box,
        "people": {"operator": options.operator},
        "parameters": parameters,
        "wall_clock": options.wall_clock,
    }
    try:
        record.close(manifest)
    except RecordError as error:  # no verdict without its record
        verdict = worst([Verdict(document["verdict"]), Verdict.INCONCLUSIVE])
        document |= {"verdict": str(verdict), "reason": str(error)}
    return document


def _last_resort(plan: Plan, bench: SimulatedBench, t: float) -> None:
    """Our own bug: every output to its safe value without asking engine or life cycle."""
    driven = {name: channel for name, channel in plan.bench.channels.items() if channel.direction == "driven"}
    safe = {name: channel.safe for name, channel in driven.items() if not channel.follows}
    bench.drive(t, safe)
