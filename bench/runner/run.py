"""One plan from start to finish: bench, record, judge, engine and loop put together."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from datetime import UTC, date, datetime
from typing import Any

from bench.devices.simulated import SimulatedBench
from bench.devices.wall_bench import WallBench
from bench.errors import RecordError
from bench.events import Event
from bench.judging.document import run_document
from bench.judging.judge import Judge
from bench.language.plan import Plan
from bench.record.header import header_fields
from bench.record.unrecorded import Unrecorded
from bench.record.writer import new_record
from bench.runner.budgets import begin_budget
from bench.runner.collector import short_pauses
from bench.runner.engine import Engine
from bench.runner.hands import Hands
from bench.runner.options import Options
from bench.runner.stopping import Stop
from bench.runner.virtual_loop import run_virtual
from bench.runner.wall_loop import run_wall
from bench.verdicts import Verdict, worst

#: How long the box has its supply before the first step, s: time to boot.
POWERED_BEFORE_S = 3.0


def run_plan(
    plan: Plan,
    options: Options,
    stop: Stop,
    watch: Callable[[Event, Judge], None] | None = None,
    opened: WallBench | None = None,
    powered_before_s: float = POWERED_BEFORE_S,
) -> dict[str, Any]:
    """Run `plan`; the run's document. `watch` sees every event as it is recorded; `opened` is the real bench.
    `powered_before_s`: how long the box has its supply before the first step, where the sequence does not say.

    Raises RecordError when the record cannot be begun. Whatever goes wrong later ends in the safe state and in a
    document that says so.
    """
    start_s = -powered_before_s if plan.power == "on" else 0.0
    with _bench_for(plan, options, opened, start_s) as bench:
        in_wall_time = isinstance(bench, WallBench)
        late_s = bench.late_s if in_wall_time else 0.0
        late_days = {name: day.isoformat() for name, day in plan.bench.overdue(date.today()).items()}
        stem = "-".join(filter(None, (f"{datetime.now(UTC):%Y%m%dT%H%M%SZ}", plan.sequence, plan.case)))
        made_of = options.made_of(plan)
        header = header_fields(plan, options.rule, options.seed, late_s, late_days, made_of)
        judge = Judge(plan, late_s, options.rule, late_days, options.firmware)
        budget = begin_budget(plan, judge.readings, start_s, options.heat)
        if options.records is None:
            record = Unrecorded()
        else:
            record = new_record(options.records, stem, header, plan.sources, in_wall_time, options.key)
        engine = Engine(plan, judge, start_s, options.injections, budget)
        hands = Hands(engine, bench, record, None if watch is None else lambda event: watch(event, judge))
        try:
            if in_wall_time:
                with short_pauses():
                    bench.begin(start_s)
                    run_wall(engine, bench, hands, stop)
            else:
                run_virtual(engine, bench, hands, stop)
        except BaseException:
            _last_resort(plan, bench, engine.t)
            record.abandon()
            raise
        if budget is not None and options.heat is not None:
            options.heat.end_run(budget.joules(engine.t))
        document = run_document(judge, str(record.folder or ""))
        manifest = {
            "document": document,
            **made_of,
            "firmware_said": judge.firmware_said,
            "firmware_doubts": list(options.firmware_doubts),
            "box": options.box,
            "people": options.named_people(),
            "wall_clock": in_wall_time,
            "devices": dict(bench.identities),
            "selfcheck": options.selfcheck.as_document() if options.selfcheck is not None else None,
            **(options.permit.fields(plan) if options.permit is not None else {}),
        }
        try:
            record.close(manifest)
        except RecordError as error:  # no verdict without its record
            verdict = worst([Verdict(document["verdict"]), Verdict.INCONCLUSIVE])
            document |= {"verdict": str(verdict), "reason": str(error)}
    return document


@contextmanager
def _bench_for(
    plan: Plan, options: Options, opened: WallBench | None, start_s: float
) -> Iterator[SimulatedBench | WallBench]:
    """What the plan runs on: the opened real bench, or the simulated one in virtual or in wall time."""
    if opened is not None:
        yield opened
        return
    from simulators.world import World

    swapped = {"controller": options.controller, "hardware": options.hardware}
    swapped = {part: given for part, given in swapped.items() if given is not None}
    parameters = {**plan.simulated, **options.parameters}
    world = World(plan.bench, parameters, seed=options.seed, power=plan.power, **swapped)
    simulated = SimulatedBench(world, plan.bench.database)
    if not options.wall_clock:
        yield simulated
        return
    from bench.devices.realtime import RealTimeBench

    with WallBench([RealTimeBench(plan.bench, simulated, start_s)]) as bench:
        yield bench


def _last_resort(plan: Plan, bench: SimulatedBench | WallBench, t: float) -> None:
    """Our own bug: every output to its safe value without asking engine or life cycle."""
    driven = {name: channel for name, channel in plan.bench.channels.items() if channel.direction == "driven"}
    bench.drive(t, {name: channel.safe for name, channel in driven.items() if not channel.follows}, safe=True)
