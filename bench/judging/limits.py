"""One value against one limit: the verdict, the margin, and the words for it."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from math import inf, isfinite, isnan
from typing import TYPE_CHECKING

from bench.judging.deciding import decide
from bench.judging.readings import Snapshot
from bench.judging.uncertainty import Part, propagated, standard
from bench.language.units import UNITS, Unit
from bench.verdicts import Verdict

if TYPE_CHECKING:
    from bench.judging.calibrating import Calibration
    from bench.judging.judge import Judge
    from bench.judging.prediction import Prediction
    from bench.judging.watches import Crossing
    from bench.language.expressions import Condition
    from bench.language.plan import Limit


@dataclass(slots=True)
class Judged:
    """What came out. `value`, `bound`, `min`, `max`, `margin` and `uncertainty` (expanded, coverage factor 2) are in
    `unit`; margin > 0 is inside the limit. `false_accept`: probability that a pass is wrong."""

    verdict: Verdict | None  # None: carried out, nothing to judge
    value: float | None = None
    unit: str = ""
    bound: float | None = None
    min: float | None = None
    max: float | None = None
    margin: float | None = None
    reason: str = ""
    uncertainty: float | None = None
    false_accept: float | None = None
    predicted: Prediction | None = None  # where the limit could not fail
    calibration: Calibration | None = None  # where `value` is a ratio corrected by it


class CompiledLimit:
    """A limit over the channels' values; its bounds are evaluated at the instant they are asked for."""

    def __init__(self, limit: Limit, judge: Judge):
        slots = judge.readings.slots
        self._readings, self._rule = judge.readings, judge.rule
        self.unit = UNITS[limit.unit]
        self._min = self._compile(limit.min, slots)
        self._max = self._compile(limit.max, slots)
        self.channels = tuple(
            dict.fromkeys(name for bound in (limit.min, limit.max) if bound is not None for name in bound.channels)
        )

    @staticmethod
    def _compile(bound, slots) -> Callable | None:
        return None if bound is None else bound.compile(slots)

    def judge(
        self,
        value: float,
        snapshot: Snapshot,
        bound: float | None = None,
        parts: Sequence[Part] = (),
        function: Callable | None = None,
        slots: Iterable[int] = (),
        when: Crossing | None = None,
        later: Snapshot | None = None,
    ) -> Judged:
        """Judge `value` (base unit) by the rule of the run; the limit itself is inside.

        `bound` is how far the value may be off for want of sampling, in the base unit; it is stated. `parts` are of the
        value itself; where it is a `function` of the channels `slots`, read at the instant `when` if there is one and
        again `later`, what value and limit owe to the same channel counts once.
        """
        low = None if self._min is None else self._min(snapshot.values)
        high = None if self._max is None else self._max(snapshot.values)
        if any(number is not None and isnan(number) for number in (value, low, high)):
            return Judged(Verdict.INCONCLUSIVE, reason="divides by a value that is zero at this instant")
        margin = min(*([] if low is None else [value - low]), *([] if high is None else [high - value]), inf)
        inside = margin >= 0
        nearest = self._max if high is not None and high - value == margin else self._min
        shown, factor = self.unit.from_base, self.unit.factor
        judged = Judged(
            Verdict.PASS if inside else Verdict.FAIL,
            shown(value),
            self.unit.name,
            None if bound is None else bound / factor,
            None if low is None else shown(low),
            None if high is None else shown(high),
            margin / factor,
        )
        if not inside:
            below = low is not None and value < low
            word, edge = ("below", judged.min) if below else ("above", judged.max)
            name = "min" if below else "max"
            judged.reason = f"{show(judged.value, judged.unit)} is {word} the limit's {name} {show(edge, judged.unit)}"
        if nearest is None or not isfinite(margin):
            return judged

        def distance(values: list) -> float:
            return (value if function is None else function(values)) - nearest(values)

        named = dict.fromkeys((*slots, *self._readings.slots_of(self.channels)))
        at_s, when_u = (None, 0.0) if when is None else (when.t, standard(when.parts))
        own = propagated(distance, named, snapshot, self._readings, when_u, at_s, later)
        return decide(judged, (*parts, *own), self._rule, factor)


class Distance:
    """How far a condition is from being otherwise, where that hangs on quantities."""

    def __init__(self, condition: Condition, judge: Judge):
        quantities = [atom for atom in condition.atoms if atom.kind == "quantity"]
        self._readings, self._rule = judge.readings, judge.rule
        self._slots = self._readings.slots_of(condition.channels)
        self._margin = condition.compile_margin(self._readings.slots) if quantities else None
        units = [atom.unit for atom in quantities]
        one = units and all(unit is not None and unit.dimension == units[0].dimension for unit in units)
        self._unit = units[0] if one else None

    @property
    def is_there(self) -> bool:
        return self._margin is not None

    @property
    def unit(self) -> Unit | None:
        """Of the margin; None where quantities of several dimensions may decide."""
        return self._unit

    def margin(self, values: list) -> float:
        """Above 0 when the condition is true, in base units; infinite where states alone decide."""
        return self._margin(values)

    def parts(self, values: list) -> list[Part]:
        """Of the margin's uncertainty, in base units."""
        return propagated(self._margin, self._slots, Snapshot(values, [], []), self._readings)

    def decide(self, judged: Judged, snapshot: Snapshot, when: Crossing | None = None) -> Judged:
        """Give `judged`, which has the truth as its verdict, margin, uncertainty and the verdict by the rule."""
        if self._margin is None or not isfinite(margin := self._margin(snapshot.values)):
            return judged
        at_s, when_u = (None, 0.0) if when is None else (when.t, standard(when.parts))
        parts = propagated(self._margin, self._slots, snapshot, self._readings, when_u, at_s)
        factor = 1.0 if self._unit is None else self._unit.factor
        judged.margin = abs(margin) / factor if judged.verdict is Verdict.PASS else -abs(margin) / factor
        judged.unit = "" if self._unit is None else self._unit.name
        decide(judged, parts, self._rule, factor)
        if self._unit is None:
            judged.margin = judged.uncertainty = None
        return judged


def show(value: float | None, unit: str = "") -> str:
    """A number as people read it: six significant digits at most, with its unit."""
    if value is None:
        return "-"
    return f"{value:.6g} {unit}".rstrip()
