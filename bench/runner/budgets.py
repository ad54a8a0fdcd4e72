"""Energy budgets of resistors: how hot each one is, and when the next cycle may begin.

The model errs on the warm side: a cycle puts its whole energy in at once, and what is in leaves evenly over the
cooling time, although it would really leave fastest while it is hot. Who does not know assumes that the resistor is
full: a first run, a damaged memory, a clock that went backwards, a bench that was killed in the middle of a run.

`Budget` follows one run and knows no clock but the run's. `HeatMemory` carries the heat from run to run and over
restarts, in a small file beside the records; it is for boxes that stay, real ones and stand-ins. The box of the
simulated bench is a new one in every run, so it begins cold.
"""

from __future__ import annotations

import json
import math
import time
from collections.abc import Callable, Mapping, Sequence
from contextlib import suppress
from pathlib import Path
from typing import TYPE_CHECKING, Any, NamedTuple

from bench.errors import RecordError
from bench.language import plan as plans

if TYPE_CHECKING:
    from bench.events import Value
    from bench.judging.readings import Readings
    from bench.language.bench_file import Bench
    from bench.language.expressions import Condition
    from bench.language.plan import Plan
    from bench.language.resistors import Resistor

HEAT_FILE = "resistors.json"
_ROUNDING = 1e-6  # of a capacity: times are rounded to 1 us, and a wake-up must never come just too early
_COUNT_S = 0.2


class Heat(NamedTuple):
    """`joules` are in the resistor at `t` (s on whatever clock the owner uses)."""

    joules: float
    t: float

    def at(self, t: float, resistor: Resistor) -> float:
        """J still in it at `t`, at most what it may hold."""
        left = self.joules - max(t - self.t, 0.0) * resistor.capacity_j / resistor.cools_in_s
        return min(max(left, 0.0), resistor.capacity_j)

    def ready_s(self, t: float, resistor: Resistor) -> float:
        """When the next cycle may begin; `t` when it may now."""
        excess = self.at(t, resistor) + resistor.energy_j - resistor.capacity_j
        if excess <= resistor.capacity_j * _ROUNDING:
            return t
        return t + excess * resistor.cools_in_s / resistor.capacity_j


class Budget:
    """One run's resistors, from `joules` at `t` (s on the run clock). Fed with readings, asked before each drive."""

    def __init__(self, resistors: Sequence[Resistor], readings: Readings, t: float, joules: Mapping[str, float]):
        self._readings = readings
        self._watched = [_Watched(resistor, readings, Heat(joules[resistor.name], t)) for resistor in resistors]

    def look(self, t: float) -> None:
        """All events of the instant `t` are in: has a cycle begun?"""
        values = self._readings.values
        for watched in self._watched:
            watched.look(t, values)

    def ready_s(self, t: float, changes: Mapping[str, Value]) -> tuple[float, str]:
        """When these outputs may be driven (s on the run clock, `t` for now), and which resistor says so."""
        times = [(each.heat.ready_s(t, each.resistor), each.resistor.name) for each in self._heated_by(changes)]
        return max(times, default=(t, ""))

    def drives(self, changes: Mapping[str, Value]) -> None:
        """These outputs are being driven: a cycle that they lead to counts even if the run ends before it is seen."""
        for watched in self._heated_by(changes):
            watched.owed = True

    def joules(self, t: float) -> dict[str, float]:
        """What is in each resistor at the end of the run."""
        return {watched.resistor.name: watched.joules(t) for watched in self._watched}

    def _heated_by(self, changes: Mapping[str, Value]) -> list[_Watched]:
        before = self._readings.values
        after = before.copy()
        for name, value in changes.items():
            after[self._readings.slots[name]] = value
        return [watched for watched in self._watched if watched.begins(before, after)]


class _Watched:
    def __init__(self, resistor: Resistor, readings: Readings, heat: Heat):
        self.resistor = resistor
        self.heat = heat
        self.owed = False  # a drive has led to a cycle that has not been seen
        self._cycle = truth(resistor.cycle, readings.slots)
        self._begun_by = truth(resistor.begun_by, readings.slots) if resistor.begun_by else None
        self._in_cycle = False

    def look(self, t: float, values: list[Value | None]) -> None:
        now = self._cycle(values)
        if now and not self._in_cycle:
            self._add(t)
        self._in_cycle = now

    def begins(self, before: list[Value | None], after: list[Value | None]) -> bool:
        return self._begun_by is not None and self._begun_by(after) and not self._begun_by(before)

    def joules(self, t: float) -> float:
        if self.owed:
            self._add(t)
        return self.heat.at(t, self.resistor)

    def _add(self, t: float) -> None:
        self.heat = Heat(self.heat.at(t, self.resistor) + self.resistor.energy_j, t)
        self.owed = False


def truth(condition: Condition, slots: Mapping[str, int]) -> Callable[[list[Value | None]], bool]:
    """The condition over a list of values; what nobody has read yet makes it false."""
    needed = [slots[name] for name in condition.channels]
    holds = condition.compile(slots)
    return lambda values: all(values[slot] is not None for slot in needed) and bool(holds(values))


def memory_for(bench: Bench, stage: str, records: Path, box: str) -> HeatMemory | None:
    """The memory of a bench whose box stays from run to run and gets hot: not in dry, where nothing is energised."""
    if bench.simulated or not bench.resistors or (bench.real and stage == "dry"):
        return None
    return HeatMemory(records, box, bench.resistors)


def begin_budget(plan: Plan, readings: Readings, t: float, memory: HeatMemory | None) -> Budget | None:
    """The budget of a run that begins at `t`; None where nothing gets hot: no resistors in the bench file, or a
    bench that stays but has no memory (dry). Raises RecordError when the memory cannot be written."""
    resistors = plan.bench.resistors
    if not resistors or (memory is None and not plan.bench.simulated):
        return None
    cold = {resistor.name: 0.0 for resistor in resistors}
    return Budget(resistors, readings, t, cold if memory is None else memory.begin_run())


def concerned(plan: Plan) -> list[Resistor]:
    """The resistors that a run of `plan` may heat: all but those whose `begun_by` it never drives."""
    channels = list(plan.bench.channels.values())
    slots = {channel.name: slot for slot, channel in enumerate(channels)}
    driven = [[channel.initial for channel in channels]]
    for step in plans.each_step(plan.steps):
        if isinstance(step, plans.Drive):
            driven.append(driven[-1].copy())
            for name, value in step.changes.items():
                driven[-1][slots[name]] = value
    found = []
    for resistor in plan.bench.resistors:
        if resistor.begun_by is None or any(map(truth(resistor.begun_by, slots), driven)):
            found.append(resistor)
    return found


class HeatMemory:
    """What is in the resistors of one box, from run to run; times are the host's wall clock, s since 1970.

    Written before a run as unknown and after it as it is: a bench that is killed in between is remembered as hot.
    """

    def __init__(self, records: Path, box: str, resistors: Sequence[Resistor], clock: Callable[[], float] = time.time):
        self._path = records / HEAT_FILE
        self._box = box
        self._resistors = {resistor.name: resistor for resistor in resistors}
        self._clock = clock
        kept, now = self._read().get(box), clock()
        self._heat = {
            name: (_heat_of(kept, name) if isinstance(kept, dict) else None) or Heat(resistor.capacity_j, now)
            for name, resistor in self._resistors.items()
        }
        self._remember()  # so that what is unknown now cools from now on, whoever looks next

    def joules(self) -> dict[str, float]:
        """What is in each resistor now."""
        return {name: self._now(name).joules for name in self._heat}

    def ready_in_s(self, names: Sequence[Resistor]) -> tuple[float, str]:
        """How long (s) until each of these has room for one cycle, and the name of the last."""
        now = self._clock()
        waits = [(self._now(r.name).ready_s(now, r) - now, r.name) for r in names]
        return max(waits, default=(0.0, ""))

    def begin_run(self) -> dict[str, float]:
        """What is in each now. Raises RecordError when that a run begins cannot be written down."""
        joules = self.joules()
        try:
            self._write(dict.fromkeys(self._heat))
        except OSError as error:
            wrong = f"{self._path}: cannot remember that the resistors get hot: {error.strerror}"
            raise RecordError(wrong) from error
        return joules

    def end_run(self, joules: Mapping[str, float]) -> None:
        """The run is over. If this cannot be written the file goes on saying unknown, which is the safe side."""
        now = self._clock()
        self._heat = {name: Heat(joules[name], now) for name in self._heat}
        self._remember()

    def _remember(self) -> None:
        with suppress(OSError):
            self._write({name: heat._asdict() for name, heat in self._heat.items()})

    def _now(self, name: str) -> Heat:
        resistor, now = self._resistors[name], self._clock()
        kept = self._heat[name]
        if now < kept.t:  # the clock was set back: nobody knows how long it has been
            kept = self._heat[name] = Heat(resistor.capacity_j, now)
        return Heat(kept.at(now, resistor), now)

    def _read(self) -> dict[str, Any]:
        """By box; empty when there is no file, or none that can be understood."""
        try:
            boxes = json.loads(self._path.read_bytes())["boxes"]
        except (OSError, ValueError, KeyError, TypeError, RecursionError):
            return {}
        return boxes if isinstance(boxes, dict) else {}

    def _write(self, entries: Mapping[str, dict[str, float] | None]) -> None:
        from bench.record.manifest import write_whole

        self._path.parent.mkdir(parents=True, exist_ok=True)
        boxes = self._read() | {self._box: dict(entries)}
        write_whole(self._path, json.dumps({"boxes": boxes}, indent=1).encode() + b"\n")


def _heat_of(entries: Mapping[str, Any], name: str) -> Heat | None:
    entry = entries.get(name)
    try:
        heat = Heat(float(entry["joules"]), float(entry["t"]))
    except (KeyError, TypeError, ValueError):
        return None
    return heat if all(map(math.isfinite, heat)) and heat.joules >= 0 else None


def wait_until_cool(
    memory: HeatMemory,
    plan: Plan,
    show: Callable[[str], None],
    stopped: Callable[[], bool],
    sleep: Callable[[float], None] = time.sleep,
) -> bool:
    """Hold a run back until its resistors have room for one cycle. False when somebody stopped the waiting."""
    resistors = concerned(plan)
    while not stopped():
        wait_s, name = memory.ready_in_s(resistors)
        if wait_s <= 0:
            return True
        show(f"held back: {name} has to cool for {math.ceil(wait_s)} s more")
        sleep(min(wait_s, _COUNT_S))
    return False
