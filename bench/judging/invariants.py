"""Rules that hold from the first to the last event of a run.

A fault may excuse an invariant (no controller could keep it while the fault is in): what happens then is listed,
not judged. `when A must B within T` is violated when A has been true for longer than T without B.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from bench.verdicts import Verdict

if TYPE_CHECKING:
    from bench.judging.judge import Judge
    from bench.language.plan import Invariant


@dataclass(slots=True)
class InvariantResult:
    """`at_s`: first violation that counts (s on the run clock). `excused`: violations under an excusing fault."""

    name: str
    rule: str
    verdict: Verdict
    reason: str = ""
    at_s: float | None = None
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
        self._late_s = judge.late_s
        self._since_s = 0.0
        self._excused_by: set[str] = set()
        self._reported = False
        self._blind = False

    def settle(self, t: float) -> None:
        """All events of the instant `t` are in, and one of the watches changed or this one is running."""
        if self.must is None:
            broken = self.condition.truth is (self.invariant.kind == "never")
            if broken and not self._reported:
                self._since_s = self._changed_at(t)
                self._excused_by = self._faults()
                self._report(self._since_s, self._values(t))
            self._reported = broken
            return
        due = self.condition.truth is True and self.must.truth is not True
        if due and not self.running:
            self.running, self._reported, self._since_s = True, False, self._changed_at(t)
            self._excused_by = set()
        if not self.running:
            return
        self._excused_by |= self._faults()
        end = t if due else self._changed_at(t)
        within = self.invariant.within_s
        patience = self._late_s if due else 0.0  # what ends it may have been read already
        if end - self._since_s > within + patience and not self._reported:
            self._reported = True
            if self.must.truth is None:
                self._blind = True
            else:
                text = f"{self.must.condition.text} was not true for {end - self._since_s:.4g} s, allowed {within:g} s"
                self._report(self._since_s + within, text)
        self.running = due

    def close(self, t: float) -> InvariantResult:
        """The run has ended at `t`."""
        if self.running:
            self.settle(t)
        overdue = self.running and not self._reported and t - self._since_s > self.invariant.within_s
        if self.result.verdict is Verdict.PASS:
            if not self.condition.was_known:
                self.result.verdict = Verdict.NOT_RUN
                self.result.reason = "a channel it names was never read"
            elif self._blind:
                self.result.verdict = Verdict.INCONCLUSIVE
                self.result.reason = "a channel it names was not read while the rule was due"
            elif overdue:
                self.result.verdict = Verdict.INCONCLUSIVE
                self.result.reason = (
                    f"the run ended before it was known whether {self.must.condition.text} came in time"
                )
        return self.result

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
        elif self.result.verdict is not Verdict.FAIL:
            self.result.verdict, self.result.at_s = Verdict.FAIL, at_s
            self.result.reason = f"at {at_s:.4f} s: {text}"


def _short(value: object) -> str:
    return f"{value:.5g}" if isinstance(value, float) else repr(value)
