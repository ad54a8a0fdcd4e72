"""How each kind of step comes to its verdict. One object a running step, fed by the judge, deciding by itself.

`result` is None as long as the step is open. `settle(t)` is called when all events of the instant `t` are in,
`passed(t)` when time has reached `deadline_s` and nothing more can arrive for it. Neither reads a clock, so the
same events always give the same result.
"""

from __future__ import annotations

from itertools import chain
from math import inf
from typing import TYPE_CHECKING

from bench.judging.calibrating import Calibrating
from bench.judging.deciding import decide
from bench.judging.limits import CompiledLimit, Distance, Judged
from bench.judging.prediction import Falling
from bench.judging.reach import ceiling_v, out_of_reach
from bench.judging.readings import Snapshot
from bench.judging.watches import Crossing, narrowed
from bench.language import plan
from bench.language.expressions import Condition
from bench.verdicts import Verdict

if TYPE_CHECKING:
    from bench.events import Answered, Filed
    from bench.judging.judge import Judge

#: How long an output or a frame may take to be carried out before the bench counts as broken, s.
CARRY_OUT_S = 1.0


def inconclusive(reason: str) -> Judged:
    return Judged(Verdict.INCONCLUSIVE, reason=reason)


class OpenStep:
    """Base: a step that began at `began_s` (s on the run clock)."""

    def __init__(self, step: plan.Step, judge: Judge, began_s: float):
        self.step = step
        self.judge = judge
        self.readings = judge.readings
        self.began_s = began_s
        self.deadline_s = float("inf")
        self.rests_on: tuple[int, ...] = ()  # the channels that decide
        self.ceiling_v: float | None = None  # of the vehicle side, when a pass says no more than that it stayed below
        #: Until then (s) only news of `rests_on`, or an event that is no batch, can decide.
        self.quiet_until_s = float("-inf")
        self._result: Judged | None = None

    @property
    def result(self) -> Judged | None:
        return self._result

    @result.setter
    def result(self, judged: Judged | None) -> None:
        if judged is not None and judged.verdict is Verdict.PASS and self.ceiling_v is not None:
            why = out_of_reach(self.ceiling_v, self.judge.plan.bench.full_v, self.readings)
            judged = Judged(Verdict.NOT_RUN, reason=why) if why else judged
        self._result = judged and self.judge.calibrated(judged, self.rests_on)

    def settle(self, t: float) -> None:
        pass

    def passed(self, t: float) -> None:
        pass

    def _after_s(self, t: float) -> float:
        """How long after its beginning; what comes late may have been read before it."""
        return max(round(t - self.began_s, 9), 0.0)

    def _missing(self, slots: tuple[int, ...], t: float) -> Judged | None:
        """Inconclusive, with the reason, when one of the channels has no fresh value or an old one."""
        if name := self.readings.lacking(slots):
            return inconclusive(f"{name} was not read since the last stimulus")
        if name := self.readings.stale(slots, t):
            return inconclusive(f"the last value of {name} is older than its limit allows")
        return None


class OpenStimulus(OpenStep):
    """drive, send, inject, restore: open until everything asked for has been carried out."""

    def __init__(self, step, judge, began_s):
        super().__init__(step, judge, began_s)
        self.deadline_s = round(began_s + CARRY_OUT_S, 6)
        match step:
            case plan.Drive():
                self._awaited = set(step.changes)
            case plan.Inject():
                self._awaited = set(step.faults)
            case plan.Restore():
                self._awaited = set(step.names)
            case _:
                self._awaited = {step.bus}

    def carried_out(self, name: str) -> None:
        self._awaited.discard(name)

    def settle(self, t):
        if not self._awaited:
            self.result = Judged(None)

    def passed(self, t):
        self.result = inconclusive(f"the bench did not carry out: {', '.join(sorted(self._awaited))}")


class OpenPause(OpenStep):
    def __init__(self, step, judge, began_s):
        super().__init__(step, judge, began_s)
        self.deadline_s = round(began_s + step.for_s, 6)

    def passed(self, t):
        self.result = Judged(None)


class OpenAsk(OpenStep):
    def __init__(self, step, judge, began_s):
        super().__init__(step, judge, began_s)
        self.deadline_s = round(began_s + step.within_s, 6)
        self._said: Judged | None = None  # by the answer alone, while the photo is due

    def answered(self, event: Answered) -> None:
        if self._said is not None:
            return
        right = event.answer == self.step.expect
        reason = f"{event.by} answered {event.answer!r}" + ("" if right else f", {self.step.expect!r} is right")
        judged = Judged(Verdict.PASS if right else Verdict.FAIL, reason=reason)
        if self.step.photo and self.judge.plan.bench.real:
            self._said = judged
            self.deadline_s = round(event.t + self.step.within_s, 6)
            return
        if self.step.photo:
            judged.reason += "; simulated, no photo is due"
        self.result = judged

    def filed(self, event: Filed) -> None:
        if self._said is None:
            return
        if event.file:
            self._said.reason += f"; photo {event.file}, SHA-256 {event.sha256[:16]}…"
            self.result = self._said
        else:
            self._lacking("no photo was given")

    def passed(self, t):
        if self._said is None:
            self.result = inconclusive("nobody answered in time")
        else:
            self._lacking("no photo was given in time")

    def _lacking(self, text: str) -> None:
        """What was answered wrong stays wrong; what was answered right is not shown."""
        reason = f"{self._said.reason}, but {text}"
        self.result = inconclusive(reason) if self._said.verdict is Verdict.PASS else self._said
        self.result.reason = reason


class OpenAwait(OpenStep):
    def __init__(self, step, judge, began_s):
        super().__init__(step, judge, began_s)
        self.deadline_s = round(began_s + step.within_s, 6)
        self.watch = judge.watch(step.condition)
        self.rests_on = self.watch.slots
        if step.requirement is not None:  # otherwise it is there to wait and shows nothing
            self.ceiling_v = ceiling_v(step.condition, None, self.readings)

    def settle(self, t):
        in_time = t <= self.deadline_s and not self.watch.changed_after(self.deadline_s)
        if self.watch.truth and in_time and self._missing(self.watch.slots, t) is None:
            judged = Judged(Verdict.PASS, self._after_s(t), "s", max=self.step.within_s)
            judged.margin = self.step.within_s - judged.value
            rise = self.watch.last_rise() if self.watch.changed_after(self.began_s) else None
            self.result = decide(judged, rise.parts if rise is not None else (), self.judge.rule)

    def passed(self, t):
        text = f"{self.step.condition.text} did not come true within {self.step.within_s:g} s"
        self.result = self._missing(self.watch.slots, t) or Judged(
            Verdict.FAIL, max=self.step.within_s, unit="s", reason=text
        )


class OpenCheck(OpenStep):
    def __init__(self, step, judge, began_s):
        super().__init__(step, judge, began_s)
        self.deadline_s = round(began_s + step.within_s, 6)
        self.at = judge.watch(step.at) if step.at is not None else None
        self.limit = CompiledLimit(step.limit, judge) if step.limit is not None else None
        self.value = step.expression.compile(self.readings.slots)
        names = dict.fromkeys((*step.expression.channels, *(self.limit.channels if self.limit else ())))
        self.slots = self.readings.slots_of(names)
        self.calibrating = Calibrating(step, judge, self.value, self.slots) if step.calibrated is not None else None
        watched = (each.slots for each in (self.at, self.calibrating) if each is not None)
        self.rests_on = (*self.slots, *chain.from_iterable(watched))
        self._read_by: dict[str, None] = {}
        self._distance = Distance(step.expression, judge) if isinstance(step.expression, Condition) else None
        self.ceiling_v = ceiling_v(step.expression, step.limit, self.readings)

    def answered(self, event: Answered) -> None:
        """A person has read one of the channels; its value follows."""
        self._read_by[event.by] = None

    def settle(self, t):
        if self.at is not None:
            if self._awaits_calibration:
                self._calibrate(t)
            elif (rise := self.at.last_rise()) and rise.t <= self.deadline_s:
                self._judge_at(rise, t)
        elif t <= self.deadline_s and self._missing(self.slots, t) is None:
            self.result = self._judge(self.readings.now(), None)

    def passed(self, t):
        if self.at is None:
            self.result = self._missing(self.slots, t) or inconclusive("no value to check")
            return
        if self._awaits_calibration:
            self.result = self._missing(self.rests_on, t) or self.calibrating.never(self.limit)
            return
        text = f"{self.step.at.text} did not come true within {self.step.within_s:g} s"
        self.result = self._missing(self.at.slots, t) or Judged(Verdict.FAIL, reason=text)

    @property
    def _awaits_calibration(self) -> bool:
        return self.calibrating is not None and self.calibrating.rise is not None

    def _calibrate(self, t: float) -> None:
        if t <= self.deadline_s and self._missing(self.rests_on, t) is None:
            self.result = self.calibrating.judged(self.limit)

    def _judge_at(self, rise: Crossing, t: float) -> None:
        for slot in self.slots:
            too_old = rise.t - rise.at.times[slot] > self.readings.stale_after[slot]
            if not self.readings.driven[slot] and (rise.at.values[slot] is None or too_old):
                self.result = inconclusive(f"no recent value of {self.readings.names[slot]} at {self.step.at.text}")
                return
        if self.calibrating is None:
            self.result = self._judge(rise.at, rise)
            return
        self.calibrating.rise = rise
        self.deadline_s = round(max(rise.t, self.began_s) + self.step.within_s, 6)
        self._calibrate(t)

    def _judge(self, snapshot: Snapshot, when: Crossing | None) -> Judged:
        value = self.value(snapshot.values)
        read_by = f"read by {', '.join(self._read_by)}" if self._read_by else ""
        if self.limit is not None:
            judged = self.limit.judge(value, snapshot, function=self.value, slots=self.slots, when=when)
            judged.reason = "; ".join(filter(None, (judged.reason, read_by)))
            return judged
        if value:
            judged = Judged(Verdict.PASS, reason=read_by)
        else:
            seen = ", ".join(f"{self.readings.names[slot]} was {snapshot.values[slot]}" for slot in self.slots)
            judged = Judged(Verdict.FAIL, reason=f"{self.step.expression.text} is not true: {seen}")
        return self._distance.decide(judged, snapshot, when)


class OpenTime(OpenStep):
    def __init__(self, step, judge, began_s):
        super().__init__(step, judge, began_s)
        self.deadline_s = round(began_s + step.from_within_s, 6)
        self.from_, self.to = judge.watch(step.from_), judge.watch(step.to)
        self.limit = CompiledLimit(step.limit, judge) if step.limit is not None else None
        self.rests_on = (*self.from_.slots, *self.to.slots)
        self.start: Crossing | None = None
        self.falling: Falling | None = None  # followed where the limit cannot fail

    def settle(self, t):
        if self.falling is not None:
            if self.falling.look() or t > self.deadline_s:
                self._not_shown()
            return
        if self.start is None:
            self._find_start()
        if self.start is not None and self.result is None:
            end = self.to.first_rise_from(self._earliest_s(self.start))
            if end is not None and end.t <= self.deadline_s:
                self._judge(end)

    def passed(self, t):
        step = self.step
        if self.falling is not None:
            self._not_shown()
            return
        if self.start is None:
            text = f"{step.from_.text} did not come true within {step.from_within_s:g} s"
            verdict = Verdict.INCONCLUSIVE if self.from_.driven_only else Verdict.FAIL
            self.result = self._missing(self.from_.slots, t) or Judged(verdict, reason=text)
            return
        text = f"{step.to.text} did not come true within {step.to_within_s:g} s of {step.from_.text}"
        failed = Judged(Verdict.FAIL, reason=text)
        if self.limit is not None:
            bounds = self.limit.judge(step.to_within_s, self.readings.now())
            failed.unit, failed.min, failed.max = bounds.unit, bounds.min, bounds.max
        self.result = self._missing(self.to.slots, t) or failed

    def _find_start(self) -> None:
        rise = self.from_.last_rise()
        if rise is None or not self.from_.truth:
            return
        self.start = rise
        self.deadline_s = round(rise.t + self.step.to_within_s, 6)
        if not self.to.true_through(self._earliest_s(rise)):
            return
        if self.to.was_false:
            self.result = inconclusive(f"{self.step.to.text} was true already at {self.step.from_.text}")
        elif Falling.is_in(self.step.to, self.readings):
            self.falling = Falling(self.step.to, self.readings)
            self.falling.look()
        else:
            self._not_shown()

    def _not_shown(self) -> None:
        """The limit could not fail in this run; where a voltage falls, what it says of the full one."""
        reason = f"{self.step.to.text} has been true from the beginning of the run, so this limit cannot fail"
        self.result = judged = Judged(Verdict.NOT_RUN, reason=reason)
        if self.falling is not None:
            found = self.falling.prediction(self.judge.plan.bench.full_v)
            judged.reason += f"; {found}"
            judged.predicted = None if isinstance(found, str) else found

    def _earliest_s(self, start: Crossing) -> float:
        """What an output brings about may be seen before the output is confirmed, and not before it was asked for."""
        if not self.from_.driven_only:
            return start.t
        return max(start.t - start.bound_s, self.readings.stimulus_began_s)

    def _judge(self, end: Crossing) -> None:
        start, earliest_s = self.start, self._earliest_s(self.start)
        if end.t < start.t + start.bound_s and earliest_s < start.t:  # no cause comes after its effect
            start = narrowed(start, earliest_s, end.t)
        value = round(end.t - start.t, 9)  # stamps are exact to 1e-6 s, their difference need not be
        bound = end.bound_s + start.bound_s
        parts = (*start.parts, *end.parts)
        if self.limit is not None:
            self.result = self.limit.judge(value, self.readings.now(), bound, parts)
        else:
            within = self.step.to_within_s
            judged = Judged(Verdict.PASS, value, "s", bound, max=within, margin=within - value)
            self.result = decide(judged, parts, self.judge.rule)


class OpenHold(OpenStep):
    def __init__(self, step, judge, began_s):
        super().__init__(step, judge, began_s)
        self.deadline_s = round(began_s + step.for_s, 6)
        self.watch = judge.watch(step.condition)
        self.rests_on = self.watch.slots
        self.seen = False
        self.ceiling_v = ceiling_v(step.condition, None, self.readings)
        self._distance = Distance(step.condition, judge)
        self._least, self._closest = inf, None

    def settle(self, t):
        if t > self.deadline_s or self.watch.changed_after(self.deadline_s):
            return  # read after the end; what was read before it may still be on its way
        if not self.seen and self.readings.lacking(self.watch.slots):
            return
        if t > self.quiet_until_s:
            if self.seen and (name := self.readings.stale(self.watch.slots, t)):
                self.result = inconclusive(f"the last value of {name} is older than its limit allows")
                return
            self.quiet_until_s = self.readings.recent_until(self.watch.slots)
        self.seen = True
        if self._distance.is_there and (margin := self._distance.margin(self.readings.values)) < self._least:
            self._least, self._closest = margin, self.readings.now()
        if not self.watch.truth:
            values = ", ".join(
                f"{self.readings.names[slot]} is {self.readings.values[slot]}" for slot in self.watch.slots
            )
            after_s = self._after_s(t)
            text = f"{self.step.condition.text} ended after {after_s:.6g} s: {values}"
            judged = Judged(Verdict.FAIL, after_s, "s", min=self.step.for_s, reason=text)
            judged.margin = judged.value - self.step.for_s
            self.result = self._unless_close(judged)

    def passed(self, t):
        for_s = self.step.for_s
        judged = Judged(Verdict.PASS, for_s, "s", min=for_s)
        self.result = self._missing(self.watch.slots, t) or self._unless_close(judged)

    def _unless_close(self, judged: Judged) -> Judged:
        """`judged` is about time; where a quantity came too close to be told from the other side, it is in doubt."""
        if self._closest is not None:
            decided = self._distance.decide(Judged(judged.verdict), self._closest)
            if decided.verdict is not judged.verdict:
                judged.verdict, judged.reason = decided.verdict, decided.reason
        return judged


class OpenCount(OpenStep):
    def __init__(self, step, judge, began_s):
        super().__init__(step, judge, began_s)
        self.deadline_s = round(began_s + step.for_s, 6)
        (self.slot,) = self.readings.slots_of((step.channel,))
        self.limit = CompiledLimit(step.limit, judge)
        self.changes = 0

    def settle(self, t):
        old, *_ = self.readings.changed.get(self.slot, (None,))
        if old is not None and old != self.readings.values[self.slot] and self.began_s < t <= self.deadline_s:
            self.changes += 1

    def passed(self, t):
        self.result = self._missing((self.slot,), t) or self.limit.judge(self.changes, self.readings.now())


OPEN: dict[type[plan.Step], type[OpenStep]] = {
    plan.Drive: OpenStimulus, plan.Send: OpenStimulus, plan.Inject: OpenStimulus, plan.Restore: OpenStimulus,
    plan.Await: OpenAwait, plan.Check: OpenCheck, plan.Time: OpenTime, plan.Hold: OpenHold, plan.Count: OpenCount,
    plan.Pause: OpenPause, plan.Ask: OpenAsk,
}  # fmt: skip
