"""Rules that hold from the first to the last event of a run.

A fault may excuse an invariant (no controller could keep it while the fault is in): what happens then is listed,
not judged. `when A must B within T` is violated when A has been true for longer than T without B.

Each rule also says how close it came: for `never` and `always` the least distance of its quantities from breaking it
(the robustness of signal temporal logic), for `when` the least time that was left.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from math import inf, isfinite
from typing import TYPE_CHECKING

from bench.judging.deciding import decide
from bench.judging.limits import Distance, Judged
from bench.verdicts import Verdict

if TYPE_CHECKING:
    from bench.judging.judge import Judge
    from bench.judging.uncertainty import Part
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
    violations: int = 0
    violated_s: float = 0.0
    margin: float | None = None
    unit: str = ""
    uncertainty: float | None = None
    excused: list[str] = field(default_factory=list)


class OpenInvariant:
    """One invariant being watched. `running` is True while a `when` waits for its `must`."""

    def __init__(self, invariant: Invariant, judge: Judge):
        self.invariant = invariant
        self.condition = judge.watch(invariant.condition)
        self.must = judge.watch(invariant.must) if invariant.must is not None else None
        self.result = InvariantResult(invariant.name, invariant.rule, Verdict.PASS)
        self.running = False
        self._readings = judge.readings
        self._excuses = judge.excuses
        self._rule = judge.rule
        self._late_s = judge.late_s
        self._since_s = 0.0
        self._since_parts: tuple[Part, ...] = ()
        self._excused_by: set[str] = set()
        self._broken_from_s: float | None = None
        self._blind = False
        self._least = inf  # margin so far: base unit, or s for `when`
        self._least_parts: tuple[Part, ...] = ()
        self._least_values: list = []
        self._distance = Distance(invariant.condition, judge)
        if self.must is None and self._distance.is_there:
            self.condition.followers.append(self)
        self._sign = -1.0 if invariant.kind == "never" else 1.0

    def look(self, t: float) -> None:
        """A quantity of a `never` or `always` has been read: how close is it?"""
        if self.condition.truth is None or (self._excuses and self._faults()):
            return
        margin = self._sign * self._distance.margin(self._readings.values)
        if margin < self._least:
            self._least, self._least_values = margin, self._readings.values.copy()

    def settle(self, t: float) -> None:
        """All events of the instant `t` are in, and one of the watches changed or this one is running."""
        if self.must is None:
            self._settle_state(t)
        else:
            self._settle_obligation(t)

    def _settle_state(self, t: float) -> None:
        broken = self.condition.truth is (self.invariant.kind == "never")
        if broken and self._broken_from_s is None:
            self._broken_from_s = self._changed_at(t)
            self._excused_by = self._faults()
            self._report(self._broken_from_s, self._values(t))
        elif not broken:
            self._mended(self._changed_at(t))

    def _settle_obligation(self, t: float) -> None:
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
            ended = self.must.crossings[-1].parts if self.must.crossings else ()
            self._left(within - (end - self._since_s), ended)
            self._mended(end)
        self.running = due

    def _left(self, left_s: float, parts: tuple[Part, ...]) -> None:
        if left_s < self._least and not self._excused_by:
            self._least, self._least_parts = left_s, (*self._since_parts, *parts)

    def _mended(self, t: float) -> None:
        if self._broken_from_s is not None:
            if not self._excused_by:
                self.result.violated_s += max(t - self._broken_from_s, 0.0)
            self._broken_from_s = None

    def close(self, t: float, doubt_from_s: float) -> InvariantResult:
        """The run has ended at `t`; what is seen after `doubt_from_s` may be the bench's doing."""
        if self.running:
            self.settle(t)
            if self.running and t - self._since_s > self.invariant.within_s:
                self._left(self.invariant.within_s - (t - self._since_s), ())
        self._mended(t)
        self._decide()
        if self.result.at_s is not None and self.result.at_s > doubt_from_s:
            self.result.verdict = Verdict.INCONCLUSIVE
            self.result.reason += "; does not count, the bench was in doubt by then"
        if self.result.verdict is Verdict.PASS:
            if not self.condition.was_known:
                self.result.verdict = Verdict.NOT_RUN
                self.result.reason = "a channel it names was never read"
            elif self._blind:
                self.result.verdict = Verdict.INCONCLUSIVE
                self.result.reason = "a channel it names was not read while the rule was due"
        return self.result

    def _decide(self) -> None:
        """The margin, its uncertainty, and what the rule of the run makes of them."""
        result = self.result
        result.violated_s = round(result.violated_s, 6)
        if not isfinite(self._least):
            return
        if self.must is None:
            unit = self._distance.unit
            factor, name = (1.0, "") if unit is None else (unit.factor, unit.name)
            parts = self._distance.parts(self._least_values)
        else:
            factor, name, parts = 1.0, "s", list(self._least_parts)
        judged = decide(Judged(result.verdict, margin=self._least / factor, unit=name), parts, self._rule, factor)
        if judged.verdict is not result.verdict:
            result.verdict, result.reason = judged.verdict, judged.reason
        if name:
            result.margin, result.unit, result.uncertainty = judged.margin, name, judged.uncertainty

    def _faults(self) -> set[str]:
        return {fault for fault, excused in self._excuses.items() if self.invariant.name in excused}

    def _changed_at(self, t: float) -> float:
        """The instant of the last crossing of either watch; `t` when it is only known now."""
        watches = (self.condition,) if self.must is None else (self.condition, self.must)
        return max((watch.crossings[-1].t for watch in watches if watch.changed_s == t and watch.crossings), default=t)

    def _values(self, t: float) -> str:
        values, names = self._readings.values, self._readings.names
        return ", ".join(f"{names[slot]} {_short(values[slot])}" for slot in self.condition.slots)

    def _report(self, at_s: float, text: str) -> None:
        if self._excused_by:
            self.result.excused.append(f"at {at_s:.4f} s, under {', '.join(sorted(self._excused_by))}: {text}")
            return
        self.result.violations += 1
        if self.result.verdict is not Verdict.FAIL:
            self.result.verdict, self.result.at_s = Verdict.FAIL, at_s
            self.result.reason = f"at {at_s:.4f} s: {text}"


def _short(value: object) -> str:
    return f"{value:.5g}" if isinstance(value, float) else repr(value)
