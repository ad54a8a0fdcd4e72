"""The ratio of two channels at an instant, calibrated in the same run.

Where both channels see the same, as on the two sides of closed contactors, the ratio that they read is their relative
gain error and nothing else; the ratio at the instant divided by it is free of both gains. What is left of the channels'
accuracies is what their offsets do differently at the two instants (`uncertainty.propagated`).
"""

from __future__ import annotations

from math import isfinite
from typing import TYPE_CHECKING, NamedTuple

from bench.judging.limits import Judged, show
from bench.language.terms import divide
from bench.verdicts import Verdict

if TYPE_CHECKING:
    from collections.abc import Callable

    from bench.judging.judge import Judge
    from bench.judging.limits import CompiledLimit
    from bench.judging.watches import Crossing
    from bench.language.plan import Check

#: Two channels that see the same and read further apart than this share are not to be calibrated: a voltage is lost
#: between them, or one of them is broken.
MOST_APART = 0.02


class Calibration(NamedTuple):
    """The ratio `as_read` at the instant, and the one that was read where both channels see the same (1 for two that
    agree), in the unit of the limit."""

    as_read: float
    alike: float


class Calibrating:
    """From the instant of a check to the reading where both channels see the same."""

    def __init__(self, step: Check, judge: Judge, ratio: Callable[[list], float], slots: tuple[int, ...]):
        self._step = step
        self._readings = judge.readings
        self._ratio, self._slots = ratio, slots
        self._alike = judge.watch(step.calibrated.condition)
        self.slots = self._alike.slots
        self.rise: Crossing | None = None  # the instant, once it is there

    def judged(self, limit: CompiledLimit) -> Judged | None:
        """The verdict; None as long as the channels have not been read where they see the same. Only fresh readings,
        none of them too old, may be there when this is called."""
        if not self._alike.truth:
            return None
        readings = self._readings
        settled_s = max(self.rise.t, self._alike.changed_s) + self._step.calibrated.for_s
        # a meter may give the mean of its whole interval, which must not reach back to before
        if any(readings.time(slot) < settled_s + readings.every_s[slot] for slot in self._slots):
            return None
        later = readings.now()
        then, apart = self._ratio(self.rise.at.values), self._ratio(later.values)
        found = Calibration(*map(limit.unit.from_base, (then, apart)))
        if not abs(apart - 1.0) <= MOST_APART:
            read, alike = (show(ratio, limit.unit.name) for ratio in found)
            reason = f"{read} as read, but {alike} where both see the same: a voltage is lost, or one reads wrong"
            return Judged(Verdict.INCONCLUSIVE, reason=reason)
        judged = limit.judge(
            divide(then, apart), self.rise.at, function=self._corrected, slots=self._slots, when=self.rise, later=later
        )
        judged.calibration = found if isfinite(then) else None
        return judged

    def never(self, limit: CompiledLimit) -> Judged:
        """The channels never saw the same: a fail of what should have come, with the value as it was read."""
        value, calibrated = self._ratio(self.rise.at.values), self._step.calibrated
        judged = limit.judge(value, self.rise.at, function=self._ratio, slots=self._slots, when=self.rise)
        text = f"{calibrated.condition.text} was not true for {calibrated.for_s:g} s within {self._step.within_s:g} s"
        judged.reason = f"{judged.reason or show(judged.value, judged.unit) + ' as read'}; {text}"
        judged.verdict, judged.false_accept = Verdict.FAIL, None
        return judged

    def _corrected(self, values: list) -> float:
        """Of the values at the instant and those of later, one list after the other."""
        half = len(values) // 2
        return divide(self._ratio(values[:half]), self._ratio(values[half:]))
