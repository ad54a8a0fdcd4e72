"""Rules that hold from the first to the last event of a run.

A fault may excuse an invariant (no controller could keep it while the fault is in): what happens then is listed,
not judged. `when A must B within T` is violated when A has been true for longer than T without B. `after A refuse B
until C within T` begins whenever A is true and is violated when B turns true; it ends when C turns true with A false,
and when A has been false for longer than T.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from math import inf
from typing import TYPE_CHECKING

from bench.verdicts import Verdict

if TYPE_CHECKING:
    from bench.judging.judge import Judge
    from bench.judging.watches import Watch
    from bench.language.plan import Invariant


@dataclass(slots=True)
class InvariantResult:
    """`at_s`: first violation that counts (s on the run clock). `excused`: violations under an excusing fault."""

    name: str
    rule: str
    verdict: Verdict
    reason: str = ""
    at_s: float | None = None
    requirement: str = ""
    excused: list[str] = field(default_factory=list)


class OpenInvariant:
    """One invariant being watched: `never` and `always`. `running` is True while a `when` waits for its `must`."""

    def __init__(self, invariant: Invariant, judge: Judge):
        self.invariant = invariant
        self.condition = judge.watch(invariant.condition)
        self.watches = [judge.watch(condition) for condition in invariant.conditions]
        self.result = InvariantResult(invariant.name, invariant.rule, Verdict.PASS, requirement=invariant.requirement)
        self.running = False
        self._readings = judge.readings
        self._excuses = judge.excuses
        self._excused_by: set[str] = set()
        self._reported = False

    def settle(self, t: float) -> None:
        """All events of the instant `t` are in, and one of the watches changed or this one is running."""
        broken = self.condition.truth is (self.invariant.kind == "never")
        if broken and not self._reported:
            self._excused_by = self._faults()
            self._report(self._changed_at(t), self._values(self.condition))
        self._reported = broken

    def close(self, t: float) -> InvariantResult:
        """The run has ended at `t`."""
        if self.result.verdict is Verdict.PASS and not self.condition.was_known:
            self.result.verdict = Verdict.NOT_RUN
            self.result.reason = "a channel it names was never read"
        return self.result

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
        elif self.result.verdict is not Verdict.FAIL:
            self.result.verdict, self.result.at_s = Verdict.FAIL, at_s
            self.result.reason = f"at {at_s:.4f} s: {text}"


class OpenWhen(OpenInvariant):
    """`when A must B within T`."""

    def __init__(self, invariant: Invariant, judge: Judge):
        super().__init__(invariant, judge)
        self.must = judge.watch(invariant.must)
        self._late_s = judge.late_s
        self._since_s = 0.0
        self._blind = False

    def settle(self, t: float) -> None:
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
        if self.running:
            self.settle(t)
        super().close(t)
        if self.result.verdict is Verdict.PASS and self._blind:
            self.result.verdict = Verdict.INCONCLUSIVE
            self.result.reason = "a channel it names was not read while the rule was due"
        return self.result


class OpenAfter(OpenInvariant):
    """`after A refuse B until C within T`: what happens at one instant is looked at in the order C, B, A."""

    def __init__(self, invariant: Invariant, judge: Judge):
        super().__init__(invariant, judge)
        self.refuse = judge.watch(invariant.refuse)
        self.until = judge.watch(invariant.until) if invariant.until is not None else None
        self._armed = False
        self._fell_s = inf  # since when A has been false again
        self._before: tuple[bool | None, bool | None] = (None, None)  # truths of B and C

    def settle(self, t: float) -> None:
        after, refuse = self.condition.truth, self.refuse.truth
        until = self.until.truth if self.until is not None else None
        refuse_before, until_before = self._before
        self._before = refuse, until
        if until and until_before is False and not after:
            self._armed = False
        if refuse and refuse_before is False and self._armed:
            at_s = self.refuse.crossings[-1].t if self.refuse.crossings else t
            if round(at_s - self._fell_s, 9) <= self.invariant.within_s:
                self._excused_by = self._faults()
                self._report(at_s, self._values(self.refuse))
        if after:
            self._armed, self._fell_s = True, inf
        elif after is False and self._armed and self._fell_s == inf:
            self._fell_s = self.condition.crossings[-1].t if self.condition.crossings else t


RULES: dict[str, type[OpenInvariant]] = {
    "never": OpenInvariant, "always": OpenInvariant, "when": OpenWhen, "after": OpenAfter,
}  # fmt: skip


def _short(value: object) -> str:
    return f"{value:.5g}" if isinstance(value, float) else repr(value)
