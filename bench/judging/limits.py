"""One value against one limit: the verdict, the margin, and the words for it."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from math import inf, isnan
from typing import TYPE_CHECKING

from bench.language.units import UNITS
from bench.verdicts import Verdict

if TYPE_CHECKING:
    from bench.judging.readings import Snapshot
    from bench.language.plan import Limit


@dataclass(slots=True)
class Judged:
    """What came out: `value`, `bound`, `min`, `max` and `margin` are in `unit`; margin > 0 is inside the limit."""

    verdict: Verdict | None  # None: carried out, nothing to judge
    value: float | None = None
    unit: str = ""
    bound: float | None = None
    min: float | None = None
    max: float | None = None
    margin: float | None = None
    reason: str = ""


class CompiledLimit:
    """A limit over the channels' values; its bounds are evaluated at the instant they are asked for."""

    def __init__(self, limit: Limit, slots: Mapping[str, int]):
        self.unit = UNITS[limit.unit]
        self._min = self._compile(limit.min, slots)
        self._max = self._compile(limit.max, slots)
        self.channels = tuple(
            dict.fromkeys(name for bound in (limit.min, limit.max) if bound is not None for name in bound.channels)
        )

    @staticmethod
    def _compile(bound, slots) -> Callable | None:
        return None if bound is None else bound.compile(slots)

    def judge(self, value: float, snapshot: Snapshot, bound: float | None = None) -> Judged:
        """Judge `value` (base unit) by the rule `simple`: the value alone decides, bounds are inclusive.

        `bound` is how far the value may be off for want of sampling, in the base unit; it is stated, not judged.
        """
        low = None if self._min is None else self._min(snapshot.values)
        high = None if self._max is None else self._max(snapshot.values)
        if any(number is not None and isnan(number) for number in (value, low, high)):
            return Judged(Verdict.INCONCLUSIVE, reason="divides by a value that is zero at this instant")
        margin = min(*([] if low is None else [value - low]), *([] if high is None else [high - value]), inf)
        inside = margin >= 0
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
        return judged


def show(value: float | None, unit: str = "") -> str:
    """A number as people read it: six significant digits at most, with its unit."""
    if value is None:
        return "-"
    return f"{value:.6g} {unit}".rstrip()
