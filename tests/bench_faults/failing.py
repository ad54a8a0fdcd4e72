"""The stand-in bench in virtual time, one of whose four devices fails at a given instant.

The box, the engine and the judge are the real ones. What is made up is the edge between driver and bench: from the
instant on nothing of the device is read, nothing that it is told is carried out, its driver posts `Lost` when the real
driver would at the latest, and the box gets what the device does when it is left alone.

Proves: whatever a device withholds, wherever in a sequence, no verdict on the box comes of it. Does not prove that the
drivers notice in time, nor anything about bytes: that is for the tests of the drivers, and a sample over real wires in
`test_on_the_wires.py`.
"""

from __future__ import annotations

import heapq
import itertools
import re
from collections.abc import Callable, Mapping, Sequence
from typing import NamedTuple

from bench.devices.simulated import Key, SimulatedBench
from bench.events import Batch, Event, Lost, Value
from bench.language.bench_file import Bench, bench_from_text
from bench.language.shipped import shipped_file
from simulators.world import World

TEMPLATE = shipped_file("benches/stand-ins.yaml")
DEVICES = ("io", "bus", "meter", "relays")
FAULTS = ("unplugged", "hung", "rubbish")


def bench_of_four() -> Bench:
    """The bench of the stand-ins, every device simulated; cell values follow the pack, as no stand-in can."""
    head, rest = re.split(r"^devices:$", TEMPLATE.read_text(encoding="utf-8"), maxsplit=1, flags=re.MULTILINE)
    _, channels = re.split(r"^every: ", rest, maxsplit=1, flags=re.MULTILINE)
    devices = "".join(f"  {name}: {{driver: simulated}}\n" for name in DEVICES)
    channels = re.sub(r"initial: \S+ (V|degC), (?=safe: [^}]*signal: bms_cells)", "follows: cells, ",
                      channels.replace("\n     signal: bms_cells", " signal: bms_cells"))  # fmt: skip
    return bench_from_text(f"{head}devices:\n{devices}every: {channels}", str(TEMPLATE))


class Course(NamedTuple):
    """How a failure goes on, in s after it began. None: it does not.

    `lost_s`: when the driver is sure at the latest. `left_alone_s`: when the device, not hearing the bench any more,
    lets go of its outputs (the board's dead-man of 250 ms; of a board that hangs, its watchdog of 1 s) or, for the
    bus, when the frames that the bench sends as the battery management system stay away.
    """

    lost_s: float | None
    left_alone_s: float | None


COURSES: Mapping[tuple[str, str], Course] = {
    ("io", "unplugged"): Course(0.02, 0.25),
    ("io", "hung"): Course(0.30, 1.0),
    ("io", "rubbish"): Course(0.55, 0.25),
    ("bus", "unplugged"): Course(0.02, 0.0),
    ("bus", "hung"): Course(0.75, 0.0),
    ("bus", "rubbish"): Course(0.55, 0.0),
    ("meter", "unplugged"): Course(0.02, None),
    ("meter", "hung"): Course(1.6, None),
    ("meter", "rubbish"): Course(None, None),  # it answers, so it is there: only its readings are none
    ("relays", "unplugged"): Course(0.02, None),
    ("relays", "hung"): Course(1.6, None),
    ("relays", "rubbish"): Course(1.6, None),
}


class FailingBench(SimulatedBench):
    """`device` fails in the manner of `fault` at `at_s`. `truth` is what the box really does, seen or not."""

    def __init__(self, world: World, bench: Bench, device: str, fault: str, at_s: float):
        super().__init__(world, bench.database)
        self.truth: dict[str, Value] = {}
        self._bench, self._device, self._at_s = bench, device, at_s
        self._due: list[tuple[float, int, Callable[[float], Event]]] = []
        self._numbers = itertools.count()
        self._channels = {name for name, channel in bench.channels.items() if channel.device == device}
        self._groups = {bench.channels[name].group for name in self._channels}
        course = COURSES[device, fault]
        self._later(course.lost_s, lambda t: Lost(t, device, fault))
        self._later(course.left_alone_s, self._left_alone)

    def _later(self, delay_s: float | None, work: Callable[[float], Event]) -> None:
        if delay_s is not None:
            heapq.heappush(self._due, (round(self._at_s + delay_s, 6), next(self._numbers), work))

    def next_s(self) -> Key:
        world = super().next_s()
        return min((self._due[0][0], 0), world) if self._due else world

    def advance(self, until: Key) -> Event:
        if not self._due or self.world.next_s() < (self._due[0][0], 0):
            return super().advance(until)
        t, _, work = heapq.heappop(self._due)
        self.world.elapse(t)
        return work(t)

    def drive(self, t: float, changes: dict[str, Value], safe: bool = False) -> Sequence[Event]:
        return super().drive(t, {name: value for name, value in changes.items() if self._obeys(t, name)}, safe)

    def restore(self, t: float, names: tuple[str, ...]) -> Sequence[Event]:
        return super().restore(t, tuple(name for name in names if self._obeys(t, name)))

    def _obeys(self, t: float, name: str) -> bool:
        return t < self._at_s or name not in self._channels

    def _left_alone(self, t: float) -> Event:
        if self._device == "bus":
            changes: dict[str, Value] = {"bms_messages": "off"}
        else:
            driven = [self._bench.channels[name] for name in sorted(self._channels)]
            changes = {channel.name: channel.safe for channel in driven if channel.direction == "driven"}
        *_, seen = SimulatedBench.drive(self, t, changes)
        return seen

    def _try(self, t: float, work: Callable[[], list[Event]]) -> list[Event]:
        return [self._let_by(event) if type(event) is Batch else event for event in super()._try(t, work)]

    def _let_by(self, batch: Batch) -> Batch:
        self.truth.update(batch.samples)
        if batch.t < self._at_s:
            return batch
        return Batch(
            batch.t,
            tuple(pair for pair in batch.samples if pair[0] not in self._channels),
            tuple(group for group in batch.scanned if group not in self._groups),
            () if self._device == "bus" else batch.frames,
        )

    def go_on(self, seconds: float) -> None:
        """Let the box go on without the bench."""
        end = max(self.world.now, self._at_s) + seconds
        while self.next_s()[0] <= end:
            self.advance((self.next_s()[0], 9))
