"""The numbers behind repeated runs and comparisons.

Sums are exact (the standard library's `statistics`); quantiles of t, non-central t and beta come from `scipy.special`,
which loads in a third of the time of `scipy.stats`. Confidence is 95 % throughout.
"""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise
from math import fsum, inf, sqrt
from statistics import mean, stdev
from typing import NamedTuple

CONFIDENCE = 0.95
COVERED = 0.95  # share of all runs that a tolerance bound is about


class Summary(NamedTuple):
    """Of n values: `sd` has the divisor n - 1 and is None for a single value."""

    n: int
    mean: float
    sd: float | None
    least: float
    most: float


def summary(values: Sequence[float]) -> Summary:
    """Raises StatisticsError for no value."""
    sd = stdev(values) if len(values) > 1 else None
    return Summary(len(values), mean(values), sd, min(values), max(values))


def lag_1(values: Sequence[float]) -> float | None:
    """Correlation of each value with the one before it (NIST StRD, r(1)); None where all are the same."""
    middle = mean(values)
    off = [value - middle for value in values]
    square = fsum(each * each for each in off)
    return fsum(a * b for a, b in pairwise(off)) / square if square else None


class Drift(NamedTuple):
    """Slope of the least-squares line over the repetitions, per repetition; `uncertainty` is half the width of its
    95 % interval."""

    slope: float
    uncertainty: float


def drift(places: Sequence[float], values: Sequence[float]) -> Drift | None:
    """`values` against the numbers of their repetitions; None for fewer than three."""
    n = len(values)
    if n < 3:
        return None
    from scipy.special import stdtrit

    middle, level = mean(places), mean(values)
    square = fsum((place - middle) ** 2 for place in places)
    slope = fsum((place - middle) * (value - level) for place, value in zip(places, values, strict=True)) / square
    left = [value - level - slope * (place - middle) for place, value in zip(places, values, strict=True)]
    error = sqrt(fsum(each * each for each in left) / (n - 2) / square)
    return Drift(slope, float(stdtrit(n - 2, (1 + CONFIDENCE) / 2)) * error)


def performance_index(distances: Summary) -> float | None:
    """Ppk on one side: the mean distance from the limit over three standard deviations; None without spread."""
    return distances.mean / (3 * distances.sd) if distances.sd else None


def tolerance_factor(n: int) -> float | None:
    """One-sided k: with 95 % confidence 95 % of a normal population lie on the near side of mean + k sd."""
    if n < 2:
        return None
    from scipy.special import nctdtrit, ndtri

    return float(nctdtrit(n - 1, ndtri(COVERED) * sqrt(n), CONFIDENCE)) / sqrt(n)


def share_at_most(fails: int, n: int) -> float | None:
    """Upper 95 % bound (Clopper-Pearson) of the share of fails, after `fails` in `n`; None for n = 0."""
    if n == 0 or fails == n:
        return 1.0 if n else None
    from scipy.special import betaincinv

    return float(betaincinv(fails + 1, n - fails, CONFIDENCE))


class Difference(NamedTuple):
    """B less A. `u` is the standard uncertainty of it, with `freedom` degrees of freedom (inf: taken as known)."""

    d: float
    u: float
    freedom: float

    @property
    def uncertainty(self) -> float:
        """Expanded: half the width of the 95 % interval."""
        from scipy.special import stdtrit

        return self.u * float(stdtrit(self.freedom, (1 + CONFIDENCE) / 2)) if self.u else 0.0

    def p_beyond(self, margin: float) -> float:
        """Of the one-sided test, on the side of `d`: small when the difference is shown to be larger than `margin`."""
        return _upper_tail(abs(self.d) - margin, self.u, self.freedom)

    def p_equivalent(self, margin: float) -> float:
        """Of the two one-sided tests (Schuirmann 1987), the larger p: small when `d` is shown to be inside
        +- `margin`."""
        return max(
            _upper_tail(margin - self.d, self.u, self.freedom), _upper_tail(margin + self.d, self.u, self.freedom)
        )


def difference(a: Summary, b: Summary, u_a: float, u_b: float) -> Difference:
    """The spread of the runs counts as in Welch's test; `u_a` and `u_b` (standard, of a single value) are added in
    full, because what all values of a side share does not average out. Degrees of freedom: JCGM 100:2008, G.4.1,
    which is Welch's formula where `u_a` and `u_b` are 0."""
    spread = [(side.sd**2 / side.n, side.n - 1) for side in (a, b) if side.sd]
    square = fsum([u_a**2, u_b**2, *(variance for variance, _ in spread)])
    shares = fsum((variance / square) ** 2 / freedom for variance, freedom in spread) if square else 0.0
    return Difference(b.mean - a.mean, sqrt(square), 1 / shares if shares else inf)


def _upper_tail(distance: float, u: float, freedom: float) -> float:
    """P(T >= distance / u); without uncertainty it is known which side it is on, and on the edge nothing is shown."""
    if not u:
        return 0.0 if distance > 0 else 1.0
    from scipy.special import stdtr

    return float(stdtr(freedom, -distance / u))


def holm(probabilities: Sequence[float]) -> list[float]:
    """The p-values adjusted for their number (Holm 1979), in the order given."""
    order = sorted(range(len(probabilities)), key=probabilities.__getitem__)
    adjusted, largest = [0.0] * len(order), 0.0
    for rank, place in enumerate(order):
        largest = max(largest, min(1.0, (len(order) - rank) * probabilities[place]))
        adjusted[place] = largest
    return adjusted
