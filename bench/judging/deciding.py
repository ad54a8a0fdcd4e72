"""From a value, its limit and its uncertainty to a verdict, by the decision rule of the run.

`simple` (ILAC-G8:09/2019, 4.2.1): the value alone decides. `guarded` (JCGM 106:2012, 8.3; ILAC-G8:09/2019, 4.2): a pass
and a fail both keep the expanded uncertainty between value and limit; in between it is `inconclusive`, with what better
measurement would settle it. Whatever the rule, uncertainty and the probability of a false accept are stated.
"""

from __future__ import annotations

from collections.abc import Sequence
from math import floor, hypot, inf, isfinite, log10, sqrt
from typing import TYPE_CHECKING

from bench.judging.uncertainty import COVERAGE, Part, standard, tail
from bench.verdicts import Verdict

if TYPE_CHECKING:
    from bench.judging.limits import Judged

RULES = ("simple", "guarded")
#: A part that would have to become smaller than this share of what it is cannot be the way out.
LEAST_SHARE = 1e-3


def decide(judged: Judged, parts: Sequence[Part], rule: str, factor: float = 1.0) -> Judged:
    """Give `judged`, which has its margin and the verdict of the value alone, uncertainty and the verdict by `rule`.

    `parts` are in the base unit, `factor` base units make one of `judged.unit`.
    """
    known = [part for part in parts if part.u != inf]
    unsaid = [part for part in parts if part.u == inf]
    u = standard(known) / factor
    if judged.margin is None or judged.verdict not in (Verdict.PASS, Verdict.FAIL):
        return judged
    if isfinite(judged.margin):
        judged.uncertainty = None if unsaid else COVERAGE * u
    if judged.verdict is Verdict.PASS and judged.uncertainty:
        judged.false_accept = _false_accept(judged, u)
    if rule != "guarded":
        return judged
    if unsaid:
        names = ", ".join(dict.fromkeys(part.of for part in unsaid))
        judged.verdict = Verdict.INCONCLUSIVE
        judged.reason = f"nobody has said how accurate {names} is; add 'accuracy:' to the bench file"
    elif abs(judged.margin) < COVERAGE * u:
        judged.verdict = Verdict.INCONCLUSIVE
        judged.reason = (
            f"{_number(abs(judged.margin), judged.unit)} from the limit, inside the uncertainty of "
            f"{_number(COVERAGE * u, judged.unit)}; {advice(known, abs(judged.margin) * factor)}"
        )
    return judged


def advice(parts: Sequence[Part], margin: float) -> str:
    """What better measurement would settle it: the largest part made small enough for `margin` (base unit)."""
    largest = max(parts, key=lambda part: part.u)
    rest = hypot(*(part.u for part in parts if part is not largest))
    left = (margin / COVERAGE) ** 2 - rest**2
    share = sqrt(left) / largest.u if left > 0 else 0.0
    if share < LEAST_SHARE:
        return f"most of it is {largest.kind} of {largest.of}, but better {largest.kind} alone would not settle it"
    wanted = f"{_time_or(_rounded_down(share * largest.size), largest.unit)}"
    instead = f"instead of {_time_or(largest.size, largest.unit)}"
    match largest.kind:
        case "sampling":
            return f"sample {largest.of} every {wanted} {instead}"
        case "resolution":
            return f"read {largest.of} in steps of {wanted} {instead}"
        case _:
            return f"know the {largest.kind} of {largest.of} to {wanted} {instead}"


def _false_accept(judged: Judged, u: float) -> float:
    """Probability that the true value is outside, for a normal distribution (JCGM 106:2012, 7.2 to 7.4)."""
    if judged.value is None or (judged.min is None and judged.max is None):
        return tail(judged.margin, u)
    below = 0.0 if judged.min is None else tail(judged.value - judged.min, u)
    above = 0.0 if judged.max is None else tail(judged.max - judged.value, u)
    return min(below + above, 1.0)


def _rounded_down(size: float) -> float:
    """To 1, 2 or 5 times a power of ten."""
    power = 10.0 ** floor(log10(size))
    return power * next(step for step in (5, 2, 1) if step * power <= size * (1 + 1e-9))


def _time_or(size: float, unit: str) -> str:
    return _number(1000 * size, "ms") if unit == "s" and size < 1 else _number(size, unit)


def _number(value: float, unit: str) -> str:
    return f"{value:.3g} {unit}".rstrip()
