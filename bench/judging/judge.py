"""A verdict is a pure function of the plan and the recorded events: `fold` them one by one, then ask `result`.

The runner folds live, `rejudge` folds a record; both get the same answer because nothing here reads a clock or
anything else from outside, and because it does not matter how many events are handed over at a time: each is judged at
its own time, outputs confirmed at one instant together. How a step comes to its verdict:

1. `StepBegan` opens it (`steps.OPEN` names the class of each kind).
2. Batches and driven outputs are applied to `readings`; conditions that name a changed channel are evaluated
   again (`watches`): `settle`.
3. The open step looks at watches and readings and decides, or is told that its deadline has passed.
4. `StepEnded` closes it. A step that is still open then has no result but `inconclusive`.

A device is found lost only some time after it was last good. What was judged in between, pass or fail, may rest on what
it no longer said or did, so it is taken back: `doubt_from_s` is the last instant at which all was well.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING

from bench.events import (
    Aligned,
    Answered,
    Batch,
    Driven,
    Driving,
    Event,
    Filed,
    Injected,
    Lost,
    Passed,
    Restored,
    Sent,
    Silent,
    Stale,
    StepBegan,
    StepEnded,
    Stopped,
)  # fmt: skip
from bench.judging.invariants import RULES, InvariantResult
from bench.judging.limits import Judged
from bench.judging.moving import Moving
from bench.judging.readings import Readings
from bench.judging.steps import OPEN, OpenAsk, OpenCheck, OpenStep, OpenStimulus, inconclusive
from bench.judging.watches import Watch
from bench.language.plan import Step, each_step
from bench.record.firmware import label_of, stated
from bench.verdicts import Verdict, worst

if TYPE_CHECKING:
    from bench.language.expressions import Condition
    from bench.language.plan import Plan

#: The tag of the sequences that look for what is wrong after a repair: only they watch the bench's `wiring` rules.
TRIAGE = "triage"


@dataclass(slots=True)
class StepResult:
    """A step that began: where, when (s on the run clock), and what came out."""

    path: str
    step: Step
    began_s: float
    ended_s: float
    judged: Judged


class Judge:
    """`trouble` is why the bench could not go on ('' when it could): the run is then never a pass.

    `late_s`: how late a reading may arrive after its stamp; a rule with a time waits that much longer before it
    counts as broken for want of a reading. `rule`: how uncertainty decides (`deciding.RULES`).
    `overdue`: devices whose calibration had run out, with their last good day: what rests on them is `inconclusive`
    under `guarded` and says so under `simple`.
    `firmware`: what the run was started for; where the bench has a channel on which the box itself says its version, a
    box that says another, or nothing, is not the one that was meant.
    """

    def __init__(
        self,
        plan: Plan,
        late_s: float = 0.0,
        rule: str = "simple",
        overdue: Mapping[str, str] | None = None,
        firmware: Mapping[str, str] | None = None,
    ):
        self.plan = plan
        self.rule = rule
        self.overdue = overdue or {}
        self.readings = Readings(plan.bench)
        self.excuses: dict[str, tuple[str, ...]] = {}  # faults that are in, and what each excuses
        self.results: list[StepResult] = []
        self.trouble = ""
        self.doubt_from_s = float("inf")
        self.open: OpenStep | None = None
        self.t = float("-inf")  # of the event folded last: readings may come later than they were stamped
        self.end_s = self.t
        self.late_s = late_s
        self._watches: dict[str, Watch] = {}
        self._watching: dict[int, list[Watch]] = {}
        self._steps = {step.path: step for step in each_step((*plan.steps, *plan.afterwards))}
        for step in self._steps.values():
            for condition in step.conditions:
                self.watch(condition)
        self._running = False  # some invariant waits for its `must`
        self._invariants = [RULES[rule.kind](rule, self) for rule in plan.invariants]
        self._trusted_while = [RULES[rule.kind](rule, self) for rule in plan.bench.trusted_while]
        self._wiring = [RULES[rule.kind](rule, self) for rule in plan.bench.wiring if TRIAGE in plan.tags]
        self._rules = [*self._trusted_while, *self._invariants, *self._wiring]
        self._moving = Moving(plan.bench, self.readings)
        self.firmware_said: str | None = None
        self._firmware = firmware or {}
        self._firmware_slot = self.readings.slots.get(plan.bench.firmware)  # until it has been heard

    def watch(self, condition: Condition) -> Watch:
        """The one watch on this condition."""
        key = condition.term.code(self.readings.slots)
        if key not in self._watches:
            watch = self._watches[key] = Watch(condition, self.readings)
            for slot in watch.slots:
                self._watching.setdefault(slot, []).append(watch)
        return self._watches[key]

    def calibrated(self, judged: Judged, slots: Iterable[int]) -> Judged:
        """`judged`, which rests on these channels, as it stands when calibrations are looked at."""
        if not self.overdue or judged.verdict not in (Verdict.PASS, Verdict.FAIL):
            return judged
        devices = {self.readings.devices[slot]: None for slot in slots if self.readings.quantity[slot]}
        late = [f"{device} ran out after {self.overdue[device]}" for device in devices if device in self.overdue]
        if late:
            text = f"the calibration of {' and of '.join(late)}"
            if self.rule == "guarded":
                judged.verdict, judged.reason = Verdict.INCONCLUSIVE, text
            else:
                judged.reason = "; ".join(filter(None, (judged.reason, text)))
        return judged

    # -- the fold ------------------------------------------------------------------------------------------

    def fold(self, event: Event) -> None:
        """Take in one event. After the last one, or before asking for what is decided, call `settle`."""
        kind = type(event)
        if kind is Batch:
            self.fold_batches((event,))
            return
        t = event.t
        if self.readings.changed and (t != self.t or kind is not Driven):
            self._settle()  # outputs of an instant that nothing else closed
        if kind is Passed:  # it is in no record, so nothing but a deadline may rest on it
            if self.open is not None and self.open.result is None and self.open.deadline_s <= t:
                self.open.passed(t)
            return
        self.t = t
        if t > self.end_s:
            self.end_s = t
        if self.open is not None:
            self.open.quiet_until_s = float("-inf")
        if kind is Driven:
            self.readings.put_driven(t, event.channel, event.value)
            self._carried_out(event.channel)
            return
        match event:
            case StepBegan():
                step = self._steps[event.path.partition("#")[0]]
                self.open = OPEN[type(step)](step, self, t)
            case StepEnded():
                self._end_step(event)
            case Driving(changes=changes):
                self.readings.stimulus_began(t, changes)
                for watch in self._watches.values():
                    watch.stimulus_began()
            case Injected():
                self.excuses[event.fault] = event.excuses
                self._carried_out(event.fault)
            case Restored():
                self.excuses.pop(event.name, None)
                if event.name in self.readings.slots:
                    slot = self.readings.slots[event.name]
                    self.readings.forget(slot)
                    self._forgotten(slot)
                self._carried_out(event.name)
            case Sent():
                self._carried_out(event.bus)
            case Answered():
                if isinstance(self.open, OpenAsk | OpenCheck) and self.open.result is None:
                    self.open.answered(event)
            case Filed():
                if isinstance(self.open, OpenAsk) and self.open.result is None:
                    self.open.filed(event)
            case Aligned():
                self.readings.clock_bound_s[event.device] = event.bound_s
            case Lost():
                self._give_up(f"{event.device}: {event.cause}", self.readings.device_time(event.device))
            case Silent():
                for slot in self.readings.silence(event.group):
                    self._forgotten(slot)
            case Stale():
                since_s = self.readings.group_time(event.group)
                self._give_up(f"nothing was read from {event.group} for {event.age_s:.3g} s", since_s)
            case Stopped():
                self._give_up(event.cause)
        self._settle()

    def fold_batches(self, batches: Iterable[Batch]) -> None:
        """As `fold`, for many at a time."""
        readings, moving = self.readings, self._moving
        if readings.changed:
            self._settle()  # outputs, at their own instant
        for batch in batches:
            t, samples, scanned, _ = batch
            if not samples and not scanned:  # only frames, which nothing here looks at
                continue
            self.t = t
            if t > self.end_s:
                self.end_s = t
            readings.apply(batch)
            if self._firmware_slot is not None:
                self._hear_firmware()
            if moving.slots and (frozen := moving.frozen()):
                self._give_up(*frozen)
            self._settle()

    def settle(self) -> None:
        """What has been folded is all of its instant, for now."""
        if self.readings.changed:
            self._settle()

    def _settle(self) -> None:
        """All of the instant is in: evaluate what it touched."""
        changed = self.readings.changed
        t = self.t
        news = False
        watching = self._watching
        touched: Iterable[Watch] = ()
        if not watching.keys().isdisjoint(changed):
            slots = [slot for slot in changed if slot in watching]
            touched = watching[slots[0]] if len(slots) == 1 else dict.fromkeys(w for s in slots for w in watching[s])
            for watch in touched:
                news |= watch.update(t)
                for follower in watch.followers:
                    follower.look(t)
        if news or self._running:
            for rule in self._rules:
                if news or rule.running:
                    rule.settle(t)
            self._running = any(rule.running for rule in self._rules)
            for rule in [rule for rule in self._trusted_while if rule.result.at_s is not None]:
                self._trusted_while.remove(rule)  # said once
                why = f"the bench is not to be trusted: {rule.result.name}: {rule.result.reason}"
                self._give_up(why, rule.result.at_s - rule.invariant.within_s)
        open_step = self.open
        if open_step is not None and (touched or t > open_step.quiet_until_s) and open_step.result is None:
            open_step.settle(t)
        changed.clear()

    def _forgotten(self, slot: int) -> None:
        for watch in self._watching.get(slot, ()):
            watch.forget(slot)

    def _carried_out(self, name: str) -> None:
        if isinstance(self.open, OpenStimulus):
            self.open.carried_out(name)

    def _end_step(self, event: StepEnded) -> None:
        open_step = self.open
        if open_step.result is None and open_step.deadline_s <= event.t:
            open_step.passed(event.t)
        judged = open_step.result or inconclusive(event.reason or "the step ended before it could be decided")
        self.results.append(StepResult(event.path, open_step.step, open_step.began_s, event.t, judged))
        self.open = None
        self._take_back()

    def _give_up(self, reason: str, good_until_s: float | None = None) -> None:
        """`good_until_s`: when what is in trouble was last known to be good; None: it is no matter of the bench."""
        self.trouble = self.trouble or reason
        if self.open is not None and self.open.result is None:
            self.open.result = inconclusive(reason)
        if good_until_s is not None and good_until_s < self.doubt_from_s:
            self.doubt_from_s = good_until_s
            self._take_back()

    def _hear_firmware(self) -> None:
        """The box has perhaps said its version. The first one counts: what comes later may be a garbled message."""
        value = self.readings.values[self._firmware_slot]
        if value is None or value == "":
            return
        self._firmware_slot = None
        said = self.firmware_said = f"{value:.10g}" if isinstance(value, float) else value
        wanted = label_of(self._firmware)
        if wanted and label_of(said) != wanted:
            self._give_up(f"the box says {said}, the run was started for {stated(self._firmware)}")

    def _take_back(self) -> None:
        """What was judged in doubt is neither pass nor fail."""
        for result in reversed(self.results):
            if result.ended_s <= self.doubt_from_s:
                return
            if result.judged.verdict in (Verdict.PASS, Verdict.FAIL):
                result.judged = inconclusive(f"{result.judged.verdict} does not count, the bench was in doubt by then: "
                                             f"{self.trouble}")  # fmt: skip

    # -- the outcome ---------------------------------------------------------------------------------------

    def invariants(self) -> list[InvariantResult]:
        """Close the invariants at the last event; call once, when nothing more is folded."""
        if self._firmware_slot is not None and label_of(self._firmware) and not self.plan.bench.simulated:
            meant = f"the run was started for {stated(self._firmware)}"
            self.trouble = self.trouble or f"the box never said its version on {self.plan.bench.firmware}; {meant}"
        return [invariant.close(self.end_s, self.doubt_from_s) for invariant in self._invariants]

    def wiring(self) -> list[str]:
        """The wiring groups whose rules of the bench were broken, the one that was broken first in front."""
        broken = [rule.result for rule in self._wiring if rule.result.at_s is not None]
        return list(dict.fromkeys(result.name for result in sorted(broken, key=lambda result: result.at_s)))


def verdict_of(judge: Judge, invariants: list[InvariantResult], not_run: bool) -> Verdict:
    """The verdict of the run: the worst of its judged steps, its invariants and the bench's own trouble."""
    steps = [result.judged.verdict for result in judge.results if result.judged.verdict is not None]
    if not_run:
        steps.append(Verdict.NOT_RUN)
    if judge.trouble or not steps:
        steps.append(Verdict.INCONCLUSIVE)
    return worst([*steps, *(invariant.verdict for invariant in invariants)])
