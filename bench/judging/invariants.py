"""Rules that hold from the first to the last event of a run.

A fault may excuse an invariant (no controller could keep it while the fault is in): what happens then is listed,
not judged. `when A must B within T` is violated when A has been true for longer than T without B. `after A refuse B
until C within T` begins whenever A is true and is violated when B turns true; it ends when C turns true with A false,
and when A has been false for longer than T. What comes sooner than `bounce` after A turned false is no violation.

An output changes at some time between being asked for and being confirmed, and what it brings about may be seen before
it is confirmed. What an output under way decides is therefore looked at once it is confirmed.

Each rule also says how close it came: for `never` and `always` the least distance of its quantities from breaking it
(the robustness of signal temporal logic), for `when` the least time that was left.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from math import inf, isfinite
from typing import TYPE_CHECKING

from bench.judging.deciding import decide
from bench.judging.limits import Distance, Judged
from bench.verdicts import Verdict

if TYPE_CHECKING:
    from bench.judging.judge import Judge
    from bench.judging.uncertainty import Part
    from bench.judging.watches import Watch
    from bench.language.plan import Invariant


@dataclass(slots=True)
class InvariantResult:
    """`at_s`: first violation that counts (s on the run clock); `violations` of them, `violated_s` in all, s.
    `margin` and its expanded `uncertainty` in `unit`: how close it came, below 0 when broken; None where only states
    decide or quantities of several dimensions. `excused`: violations under an excusing fault."""

    name: str
    rule: str
    verdict: Verdict
    reason: str = ""
    at_s: float | None = None
    requirement: str = ""
    violations: int = 0
    violated_s: float = 0.0
    margin: float | None = None
    unit: str = ""
    uncertainty: float | None = None
    excused: list[str] = field(default_factory=list)


class OpenInvariant:
    """`never C` or `always C`, being watched. `running` is True while a rule waits for time to pass."""

    def __init__(self, invariant: Invariant, judge: Judge):
        self.invariant = invariant
        self.condition = judge.watch(invariant.condition)
        self.watches = [judge.watch(condition) for condition in invariant.conditions]
        self.result = InvariantResult(invariant.name, invariant.rule, Verdict.PASS, requirement=invariant.requirement)
        self.running = False
        self._readings = judge.readings
        self._excuses = judge.excuses
        self._rule = judge.rule
        self._excused_by: set[str] = set()
        self._broken_from_s: float | None = None
        self._perhaps_s: float | None = None  # it is broken since then, unless an output under way mends it
        self._least = inf  # margin so far, in base units
        self._least_values: list = []
        self._distance = Distance(invariant.condition, judge)
        self._sign = -1.0 if invariant.kind == "never" else 1.0
        if invariant.kind in ("never", "always") and self._distance.is_there:
            self.condition.followers.append(self)

    def look(self, t: float) -> None:
        """A quantity has been read: how close is it?"""
        if self.condition.truth is None or (self._excuses and self._faults()):
            return
        margin = self._sign * self._distance.margin(self._readings.values)
        if margin < self._least:
            self._least, self._least_values = margin, self._readings.values.copy()

    def settle(self, t: float) -> None:
        """All events of the instant `t` are in, and one of the watches changed or this one is running."""
        broken = self.condition.truth is (self.invariant.kind == "never")
        if broken and self._broken_from_s is None:
            if self._perhaps_s is None:
                self._perhaps_s, self._excused_by = self._changed_at(t), self._faults()
            self.running = self._is_under_way(self.condition)
            if not self.running:
                self._break()
        elif not broken:
            self._perhaps_s, self.running = None, False
            self._mended(self._changed_at(t))

    def _break(self) -> None:
        self._broken_from_s, self._perhaps_s = self._perhaps_s, None
        self._report(self._broken_from_s, self._values(self.condition))

    def _is_under_way(self, watch: Watch) -> bool:
        return not self._readings.under_way.isdisjoint(watch.slots)

    def close(self, t: float, doubt_from_s: float) -> InvariantResult:
        """The run has ended at `t`; what is seen after `doubt_from_s` may be the bench's doing."""
        if self._perhaps_s is not None:
            self._break()
        self._mended(t)
        result = self.result
        result.violated_s = round(result.violated_s, 6)
        if isfinite(self._least):
            self._decide()
        if result.at_s is not None and result.at_s > doubt_from_s:
            result.verdict = Verdict.INCONCLUSIVE
            result.reason += "; does not count, the bench was in doubt by then"
        if result.verdict is Verdict.PASS and not self.condition.was_known:
            result.verdict, result.reason = Verdict.NOT_RUN, "a channel it names was never read"
        return result

    def _decide(self) -> None:
        unit = self._distance.unit
        factor, name = (1.0, "") if unit is None else (unit.factor, unit.name)
        self._decide_by(factor, name, self._distance.parts(self._least_values))

    def _decide_by(self, factor: float, unit: str, parts: Sequence[Part]) -> None:
        """The margin, its uncertainty, and what the rule of the run makes of them."""
        result = self.result
        judged = decide(Judged(result.verdict, margin=self._least / factor, unit=unit), parts, self._rule, factor)
        if judged.verdict is not result.verdict:
            result.verdict, result.reason = judged.verdict, judged.reason
        if unit:
            result.margin, result.unit, result.uncertainty = judged.margin, unit, judged.uncertainty

    def _mended(self, t: float) -> None:
        if self._broken_from_s is not None:
            if not self._excused_by:
                self.result.violated_s += max(t - self._broken_from_s, 0.0)
            self._broken_from_s = None

    def _faults(self) -> set[str]:
        return {fault for fault, excused in self._excuses.items() if self.invariant.name in excused}

    def _changed_at(self, t: float) -> float:
        """The instant of the last crossing of a watch that changed; `t` when it is only known now."""
        changed = (watch for watch in self.watches if watch.changed_s == t and watch.crossings)
        return max((watch.crossings[-1].t for watch in changed), default=t)

    def _values(self, watch: Watch) -> str:
        values, names = self._readings.values, self._readings.names
        return ", ".join(f"{names[slot]} {_short(values[slot])}" for slot in watch.slots)

    def _report(self, at_s: float, text: str) -> None:
        if self._excused_by:
            self.result.excused.append(f"at {at_s:.4f} s, under {', '.join(sorted(self._excused_by))}: {text}")
            return
        self.result.violations += 1
        if self.result.verdict is not Verdict.FAIL:
            self.result.verdict, self.result.at_s = Verdict.FAIL, at_s
            self.result.reason = f"at {at_s:.4f} s: {text}"


class OpenWhen(OpenInvariant):
    """`when A must B within T`. Its margin is the least time that was left, s."""

    def __init__(self, invariant: Invariant, judge: Judge):
        super().__init__(invariant, judge)
        self.must = judge.watch(invariant.must)
        self._late_s = judge.late_s
        self._since_s = 0.0
        self._since_parts: tuple[Part, ...] = ()
        self._least_parts: tuple[Part, ...] = ()
        self._blind = False

    def settle(self, t: float) -> None:
        due = self.condition.truth is True and self.must.truth is not True
        if due and not self.running:
            self.running, self._since_s = True, self._changed_at(t)
            self._since_parts = self.condition.crossings[-1].parts if self.condition.crossings else ()
            self._excused_by = set()
        if not self.running:
            return
        self._excused_by |= self._faults()
        end = t if due else self._changed_at(t)
        within = self.invariant.within_s
        patience = self._late_s if due else 0.0  # what ends it may have been read already
        if end - self._since_s > within + patience and self._broken_from_s is None:
            self._broken_from_s = self._since_s + within
            if self.must.truth is None:
                self._blind = True
            else:
                text = f"{self.must.condition.text} was not true for {end - self._since_s:.4g} s, allowed {within:g} s"
                self._report(self._broken_from_s, text)
        if not due:
            self._left(within - (end - self._since_s), self.must.crossings[-1].parts if self.must.crossings else ())
            self._mended(end)
        self.running = due

    def close(self, t: float, doubt_from_s: float) -> InvariantResult:
        overdue = False
        if self.running:
            self.settle(t)
        if self.running and t - self._since_s > self.invariant.within_s:
            overdue = self._broken_from_s is None
            if not overdue:
                self._left(self.invariant.within_s - (t - self._since_s), ())
        result = super().close(t, doubt_from_s)
        if result.verdict is Verdict.PASS and self._blind:
            result.verdict = Verdict.INCONCLUSIVE
            result.reason = "a channel it names was not read while the rule was due"
        elif result.verdict is Verdict.PASS and overdue:
            result.verdict = Verdict.INCONCLUSIVE
            result.reason = f"the run ended before it was known whether {self.must.condition.text} came in time"
        return result

    def _left(self, left_s: float, parts: tuple[Part, ...]) -> None:
        if left_s < self._least and not self._excused_by:
            self._least, self._least_parts = left_s, (*self._since_parts, *parts)

    def _decide(self) -> None:
        self._decide_by(1.0, "s", self._least_parts)


class OpenAfter(OpenInvariant):
    """`after A refuse B until C within T`: what happens at one instant is looked at in the order C, B, A."""

    def __init__(self, invariant: Invariant, judge: Judge):
        super().__init__(invariant, judge)
        self.refuse = judge.watch(invariant.refuse)
        self.until = judge.watch(invariant.until) if invariant.until is not None else None
        self._armed = False
        self._fell_s = inf  # since when A has been false again
        self._before: tuple[bool | None, bool | None] = (None, None)  # truths of B and C
        self._seen = ""  # what was refused at `_perhaps_s`

    def settle(self, t: float) -> None:
        after, refuse = self.condition.truth, self.refuse.truth
        until = self.until.truth if self.until is not None else None
        refuse_before, until_before = self._before
        self._before = refuse, until
        if until and until_before is False and not after:
            self._armed, self._perhaps_s = False, None
        if refuse and refuse_before is False and self._armed and self._perhaps_s is None:
            at_s = self.refuse.crossings[-1].t if self.refuse.crossings else t
            since_s = round(at_s - self._fell_s, 9)  # -inf while A is true
            if since_s <= self.invariant.within_s and not 0.0 <= since_s < self.invariant.bounce_s:
                self._perhaps_s, self._excused_by = at_s, self._faults()
                self._seen = self._values(self.refuse)
        self.running = self._perhaps_s is not None and self.until is not None and self._is_under_way(self.until)
        if self._perhaps_s is not None and not self.running:
            self._break()
        if after:
            self._armed, self._fell_s = True, inf
        elif after is False and self._armed and self._fell_s == inf:
            self._fell_s = self.condition.crossings[-1].t if self.condition.crossings else t

    def _break(self) -> None:
        at_s, self._perhaps_s = self._perhaps_s, None
        self._report(at_s, self._seen)


RULES: dict[str, type[OpenInvariant]] = {
    "never": OpenInvariant, "always": OpenInvariant, "when": OpenWhen, "after": OpenAfter,
}  # fmt: skip


def _short(value: object) -> str:
    return f"{value:.5g}" if isinstance(value, float) else repr(value)
