"""The engine: events in, actions out. It does no I/O, reads no clock and starts no thread.

What may live here: the order of things (power up, steps, afterwards, safe state) and the translation of a step
into actions. What must not: how a step is judged (`bench.judging`), how an output is driven (`bench.devices`),
what time it is (every event brings its own `t`).

A loop feeds it: `take` every event of one instant, then `settle`, then carry out the actions, whose answers are
events again. A safe state does not wait for that: `drive_safe` is called as soon as it is decided, the rest of the
instant comes after it. `wake` is when it wants to hear `Passed`, if nothing else comes before.

The order in a run:
    loading, checking   nothing is driven
    powering up         every output at its initial value; until the first step
    driving             the steps, one after the other; the first one that is judged and does not pass is the last
    clearing up         `afterwards`, if there is any: each entry, whatever the one before did
    making safe         every output at its safe value, every fault out; whatever is read has been heard once more
On trouble of the bench (device lost, stop, own bug) it makes safe at once, then clears up, then makes safe again.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from typing import TYPE_CHECKING, NamedTuple

from bench import events
from bench.judging.limits import show
from bench.judging.steps import CARRY_OUT_S
from bench.language import plan as plans
from bench.record.photos import photo_name
from bench.runner.actions import Action, AskPerson, DriveOutputs, HaveRead, InjectFaults, RestoreNames, SendFrame, Write
from bench.runner.life import Life
from bench.verdicts import Verdict

if TYPE_CHECKING:
    from bench.judging.judge import Judge
    from bench.language.bench_file import Bench
    from bench.language.plan import Plan, Step
    from bench.runner.budgets import Budget

NEVER = float("inf")
SUPPLY = "supply_voltage"  # the standard channel that powers the box
_MOVING = ("powering up", "driving", "clearing up")
_STIMULI = (plans.Drive, plans.Send, plans.Inject, plans.Restore)


class Wake(NamedTuple):
    """`Passed` is due at `sharp_s` by the clock, and at `settled_s` once every reading until then has arrived."""

    sharp_s: float = NEVER
    settled_s: float = NEVER


class Engine:
    """One run of one plan. `start_s`: time of the first event; `injections`: (time, fault) put in on the way;
    `budget`: of the resistors that may have to cool before a step."""

    def __init__(
        self,
        plan: Plan,
        judge: Judge,
        start_s: float,
        injections: Sequence[tuple[float, str]] = (),
        budget: Budget | None = None,
    ):
        self.plan = plan
        self.judge = judge
        self.life = Life()
        self.t = start_s
        self.present: Step | None = None
        self.stopped_at = ""  # why the steps ended early
        self.drive_safe: Callable[[dict[str, events.Value]], None]  # the hands'; it answers at the next `take`
        self._safe = {
            channel.name: channel.safe
            for channel in plan.bench.channels.values()
            if channel.direction == "driven" and not channel.follows
        }
        self._injections = sorted(injections, reverse=True)
        self._groups = _scan_groups(plan.bench)
        self._silenced: set[str] = set()
        self._start_s = start_s
        self._look_every_s = min((limit_s for limit_s, _ in self._groups.values()), default=NEVER) / 2
        self._look_s = start_s
        self._silent_s = NEVER
        self._budget = budget
        self._cool_s = -NEVER  # until then the next step is held back
        self._walk = Walk(plan.steps)
        self._path = ""
        self._troubled = False
        self._held: set[str] = set()  # driven channels that would otherwise follow their source
        self._safe_has_left = False
        self._safe_awaited: set[str] = set()
        self._safe_began_s = self._safe_deadline_s = NEVER

    # -- what the loop calls -------------------------------------------------------------------------------

    @property
    def closed(self) -> bool:
        return self.life.state == "closed"

    @property
    def wake(self) -> Wake:
        """When `Passed` is due; inf for never. A `Passed` at that time always moves the run on.

        What only lets time pass before the next stimulus ends on time; what is judged waits for its readings.
        """
        sharp_s = self._injections[-1][0] if self._injections else NEVER
        settled_s = self._silent_s
        own_s, is_sharp = NEVER, True
        match self.life.state:
            case "powering up":
                own_s, is_sharp = max(0.0, self.t), self._stimulus_next
            case "driving" | "clearing up" if self.judge.open is not None:
                own_s = self.judge.open.deadline_s
                is_sharp = type(self.present) is plans.Pause and self._stimulus_next
            case "driving" | "clearing up":
                own_s = self._cool_s if self._cool_s > self.t else NEVER
            case "making safe" if self._safe_awaited:
                own_s, is_sharp = self._safe_deadline_s, False
        if is_sharp:
            return Wake(min(sharp_s, own_s), settled_s)
        return Wake(sharp_s, min(settled_s, own_s))

    @property
    def _stimulus_next(self) -> bool:
        return isinstance(self._walk.peek()[1], _STIMULI)

    def start(self) -> list[Action]:
        """Begin: every driven channel to its initial value; no supply for a sequence about power-up."""
        actions: list[Action] = []
        self._enter("check", actions)
        self._enter("power_up", actions)
        initial = {
            channel.name: channel.initial
            for channel in self.plan.bench.channels.values()
            if channel.direction == "driven" and not channel.follows
        }
        if self.plan.power == "off" and SUPPLY in initial:
            initial[SUPPLY] = 0.0
        self._write(events.Driving(self.t, "initial values", initial), actions)
        actions.append(DriveOutputs(initial))
        return actions

    def take(self, event: events.Event) -> None:
        """Take in one event; nothing is decided before `settle`."""
        if event.t > self.t:
            self.t = event.t
        self.judge.fold(event)
        match event:
            case events.Driven(channel=name):
                self._safe_awaited.discard(name)
                if self.plan.bench.channels[name].follows:
                    self._held.add(name)
            case events.Restored(name=name):
                self._safe_awaited.discard(name)
                self._held.discard(name)
            case events.Lost(device=device):
                channels = self.plan.bench.channels
                lost = {name for name in self._safe_awaited if name in channels and channels[name].device == device}
                self._safe_awaited -= lost

    def take_batches(self, batches: Sequence[events.Batch]) -> None:
        """As `take`, for many at a time."""
        self.judge.fold_batches(batches)
        self.t = max(self.t, self.judge.end_s)

    def settle(self) -> list[Action]:
        """All events of the instant are in: decide, and say what is to be done now."""
        self.judge.settle()
        if self._budget is not None:
            self._budget.look(self.t)
        actions: list[Action] = []
        if not self._troubled:
            self._look_for_silence(actions)
        if self.judge.trouble and not self._troubled:
            self._give_up(actions)
        while self._injections and self._injections[-1][0] <= self.t and self.life.state in _MOVING:
            actions.append(InjectFaults((self._injections.pop()[1],)))
        self._go_on(actions)
        return actions

    # -- a bench that has gone silent ------------------------------------------------------------------------

    def _look_for_silence(self, actions: list[Action]) -> None:
        """Keep `_silent_s`, the time at which some group will have been silent for too long, ahead of now."""
        if self.t < min(self._look_s, self._silent_s):
            return
        self._look_s = self.t + self._look_every_s
        self._silent_s = NEVER
        for group, (limit_s, may_be_silent) in self._groups.items():
            due_s = max(self.judge.readings.group_time(group), self._start_s) + limit_s
            if due_s > self.t:
                self._silenced.discard(group)
                self._silent_s = min(self._silent_s, due_s)
            elif group not in self._silenced and self.life.state in (*_MOVING, "making safe"):
                self._silenced.add(group)
                silence = events.Silent(self.t, group) if may_be_silent else events.Stale(self.t, group, limit_s)
                self._write(silence, actions)

    # -- the order of things -------------------------------------------------------------------------------

    def _go_on(self, actions: list[Action]) -> None:
        """Move until something has to be waited for."""
        while not actions or not _waits(actions[-1]):
            match self.life.state:
                case "powering up" if self.t >= 0.0:
                    self._enter("begin", actions)
                case "driving" if self.t < self._cool_s:
                    return
                case "driving" | "clearing up" if self.judge.open is None:
                    self._next_step(actions)
                case "driving" | "clearing up" if self.judge.open.result is not None:
                    self._end_step(actions)
                case "making safe" if self._safe_awaited and self.t >= self._safe_deadline_s:
                    self._not_confirmed(actions)
                case "making safe" if not self._safe_awaited and self._is_all_heard:
                    self._enter("close" if self._walk.peek()[1] is None else "clear_up", actions)
                case _:
                    return

    def _next_step(self, actions: list[Action]) -> None:
        path, step = self._walk.take()
        if step is None:
            if self.life.state == "driving" and self.plan.afterwards:
                self._enter("clear_up", actions)
                self._walk = Walk(self.plan.afterwards)
            else:
                self._make_safe(actions)
            return
        if self._budget is not None and type(step) is plans.Drive and self._must_cool(path, step, actions):
            return
        self.present, self._path = step, path
        self._write(events.StepBegan(self.t, path, step.name, plans.KIND_WORDS[type(step)]), actions)
        match step:
            case plans.Drive():
                self._write(events.Driving(self.t, step.name, dict(step.changes)), actions)
                actions.append(DriveOutputs(dict(step.changes)))
            case plans.Send():
                self._write(events.Driving(self.t, step.name), actions)
                actions.append(SendFrame(step))
            case plans.Inject():
                self._write(events.Driving(self.t, step.name), actions)
                actions.append(InjectFaults(step.faults))
            case plans.Restore():
                self._write(events.Driving(self.t, step.name), actions)
                actions.append(RestoreNames(step.names))
            case plans.Check() if unread := self._unread_by_people(step):
                actions.append(HaveRead(unread))
            case plans.Ask():
                question = self._question(step)
                self._write(events.Asked(self.t, question, step.answers), actions)
                photo = photo_name(path, step.name) if step.photo else ""
                actions.append(AskPerson(question, step.answers, step.simulated, step.within_s, photo))

    def _question(self, step: plans.Ask) -> str:
        told = []
        for name in step.shows:
            value = self.judge.readings.values[self.judge.readings.slots[name]]
            text = show(value, self.plan.bench.channels[name].unit or "") if isinstance(value, float) else value
            told.append(f"{name} is {text or 'not known'}")
        return "; ".join((*told, step.question))

    def _unread_by_people(self, step: plans.Check) -> tuple[str, ...]:
        """The channels of `step` that a person reads and has not read since the last stimulus."""
        bounds = (step.limit.min, step.limit.max) if step.limit is not None else ()
        named = dict.fromkeys(name for part in (step.expression, *bounds) if part is not None for name in part.channels)
        readings = self.judge.readings
        by_people = (name for name in named if self.plan.bench.channels[name].by_person)
        return tuple(name for name in by_people if readings.lacking(readings.slots_of([name])))

    def _must_cool(self, path: str, step: plans.Drive, actions: list[Action]) -> bool:
        """Whether `step` has to wait for a resistor; it is put back then. What clears up is never held back."""
        ready_s, resistor = self._budget.ready_s(self.t, step.changes)
        if ready_s <= self.t or self.life.state != "driving":
            self._budget.drives(step.changes)
            return False
        self._cool_s = round(ready_s + 5e-7, 6)  # never before it
        self._walk.put_back(path, step)
        cause = f"step {path} ({step.name}): {resistor} has to cool"
        self._write(events.HeldBack(self.t, self._cool_s, cause), actions)
        return True

    def _end_step(self, actions: list[Action]) -> None:
        judged = self.judge.open.result
        verdict = judged.verdict or ""
        is_last = self.life.state == "driving" and verdict not in ("", Verdict.PASS, Verdict.NOT_RUN)
        if is_last and not self.plan.afterwards:
            self._drive_safe()
        self._write(events.StepEnded(self.t, self._path, verdict, judged.reason), actions)
        if is_last:
            self.stopped_at = f"step {self._path} ({self.present.name}): {verdict}"
            self._walk = Walk(())

    def _give_up(self, actions: list[Action]) -> None:
        """Trouble of the bench: safe at once. What `afterwards` asks for comes then."""
        self._troubled = True
        self._silent_s = self._look_s = NEVER
        self._cool_s = -NEVER
        self.stopped_at = self.stopped_at or self.judge.trouble
        is_under_way = self.life.state in ("powering up", "driving")
        if is_under_way:
            self._drive_safe()
        if self.judge.open is not None:
            self._end_step(actions)
        if is_under_way:
            self._walk = Walk(self.plan.afterwards)
            self._make_safe(actions)

    def _drive_safe(self) -> None:
        """Before anything that `_make_safe`, which follows at this instant, has to say of it."""
        if not self._safe_has_left:
            self._safe_has_left = True
            self.drive_safe(self._safe)

    def _make_safe(self, actions: list[Action]) -> None:
        self._drive_safe()
        self._safe_has_left = False  # for the next time
        self._injections.clear()
        self._enter("make_safe", actions)
        left_in = (*self.judge.excuses, *sorted(self._held))
        self._write(events.Driving(self.t, "safe values", self._safe), actions)
        if left_in:
            actions.append(RestoreNames(left_in))
        self._safe_awaited = {*self._safe, *left_in}
        self._safe_began_s, self._safe_deadline_s = self.t, self.t + CARRY_OUT_S

    def _not_confirmed(self, actions: list[Action]) -> None:
        """Some output or fault did not follow: its device counts as lost."""
        channels = self.plan.bench.channels
        missing: dict[str, list[str]] = {}
        for name in sorted(self._safe_awaited):
            missing.setdefault(channels[name].device if name in channels else "bench", []).append(name)
        self._safe_awaited = set()
        for device, names in missing.items():
            self._write(events.Lost(self.t, device, f"the safe state was not confirmed: {', '.join(names)}"), actions)
        if not self._troubled:
            self._give_up(actions)

    @property
    def _is_all_heard(self) -> bool:
        """Whether everything that must not be silent was read after the last verdict: a bench that died just before it
        is found so, by what it no longer says."""
        return self._troubled or all(
            may_be_silent or self.judge.readings.group_time(group) > self._safe_began_s
            for group, (_, may_be_silent) in self._groups.items()
        )

    def _enter(self, trigger: str, actions: list[Action]) -> None:
        self._write(events.Life(self.t, self.life.fire(trigger), self.stopped_at), actions)

    def _write(self, event: events.Event, actions: list[Action]) -> None:
        actions.append(Write(event))
        self.judge.fold(event)


def _scan_groups(bench: Bench) -> dict[str, tuple[float, bool]]:
    """Scan group -> (its shortest staleness limit in s, whether its silence is information about the box)."""
    groups: dict[str, tuple[float, bool]] = {}
    for channel in bench.channels.values():
        if channel.direction == "read" and channel.stale_after_s:
            limit_s, may_be_silent = groups.get(channel.group, (NEVER, True))
            groups[channel.group] = min(limit_s, channel.stale_after_s), may_be_silent and channel.may_be_silent
    return groups


def _waits(action: Action) -> bool:
    return not isinstance(action, Write)


class Walk:
    """The steps that are still to be carried out: (path, step) each, in order, ('', None) after the last."""

    def __init__(self, steps: Sequence[Step]):
        self._rest = _walk(steps, ())
        self._ahead: tuple[str, Step | None] | None = None

    def take(self) -> tuple[str, Step | None]:
        following, self._ahead = self.peek(), None
        return following

    def peek(self) -> tuple[str, Step | None]:
        if self._ahead is None:
            self._ahead = next(self._rest, ("", None))
        return self._ahead

    def put_back(self, path: str, step: Step) -> None:
        """The step that was taken last comes again."""
        self._ahead = (path, step)


def _walk(steps: Sequence[Step], rounds: tuple[int, ...]) -> Iterator[tuple[str, Step]]:
    """Every step in order, repetitions counted: ('4.2#17', step)."""
    for step in steps:
        match step:
            case plans.Repeat():
                for number in range(1, step.times + 1):
                    yield from _walk(step.steps, (*rounds, number))
            case plans.Use():
                yield from _walk(step.steps, rounds)
            case _:
                yield f"{step.path}#{'.'.join(map(str, rounds))}" if rounds else step.path, step
