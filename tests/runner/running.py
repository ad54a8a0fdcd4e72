"""Helpers: run a few lines of YAML on the simulated bench, with or without a disk, with trouble at will."""

from __future__ import annotations

from collections.abc import Callable

from bench.devices.simulated import SimulatedBench
from bench.events import Batch, Event
from bench.judging.document import run_document
from bench.judging.judge import Judge
from bench.language.plan import Plan
from bench.runner.engine import Engine
from bench.runner.hands import Hands
from bench.runner.stopping import Stop
from bench.runner.virtual_loop import run_virtual
from simulators.world import World

START = """
- {name: Close the loop, drive: {shutdown_loop: closed}}
- {name: Press start, drive: {start_request: pressed}}
- {name: AIR- closes, await: air_minus == 'closed', within: 1 s}
- {name: AIR+ closes, await: air_plus == 'closed', within: 5 s}
- {name: Stays closed, hold: air_plus == 'closed', for: 500 ms}
- {name: Open the loop, drive: {shutdown_loop: open}}
- {name: Discharge, time: {from: shutdown_loop == 'open', to: ts_voltage < 60 V}, limit: {max: 5 s}}
"""


class Memory:
    """A record that is kept in memory: the events as they were written."""

    def __init__(self, at_event: Callable[[int, Event], None] | None = None):
        self.events: list[Event] = []
        self._at_event = at_event

    def batches(self, batches: list[Batch]) -> None:
        for batch in batches:
            self.event(batch)

    def tick(self) -> None:
        pass

    def add_file(self, name: str, data: bytes) -> str:
        raise AssertionError("no photo is due on the simulated bench")

    def event(self, event: Event) -> None:
        self.events.append(event)
        if self._at_event is not None:
            self._at_event(len(self.events), event)


class Run:
    """One run in virtual time. `trouble(number, event)` is called at every event written."""

    def __init__(self, plan: Plan, trouble: Callable[[Run, int, Event], None] | None = None, **engine):
        self.plan = plan
        self.world = World(plan.bench, plan.simulated, power=plan.power)
        self.judge = Judge(plan)
        self.engine = Engine(plan, self.judge, self.world.start_s, **engine)
        self.bench = SimulatedBench(self.world, plan.bench.database)
        self.memory = Memory(None if trouble is None else lambda number, event: trouble(self, number, event))
        self.stop = Stop()

    def go(self) -> dict:
        run_virtual(self.engine, self.bench, Hands(self.engine, self.bench, self.memory), self.stop)
        return run_document(self.judge, "")

    def of(self, kind: type) -> list:
        return [event for event in self.memory.events if isinstance(event, kind)]

    def outputs(self) -> dict[str, object]:
        """What the bench drove last, by channel."""
        from bench.events import Driven

        return {event.channel: event.value for event in self.of(Driven)}

    def safe_values(self) -> dict[str, object]:
        channels = self.plan.bench.channels.values()
        return {
            channel.name: channel.safe for channel in channels if channel.direction == "driven" and not channel.follows
        }
