"""How well a share is known that was counted: Clopper-Pearson bounds.

Source: C. J. Clopper and E. S. Pearson, Biometrika 26 (1934) 404. The bounds are solved from their definition, the
binomial tail; no distribution library is needed for that, and the tests compare with one.
"""

from __future__ import annotations

from math import exp, inf, lgamma, log, log1p

CONFIDENCE = 0.95


def share_at_most(found: int, tried: int, confidence: float = CONFIDENCE) -> float:
    """One-sided upper bound of the true share: above it, so few as `found` of `tried` have a chance below 1 - c."""
    _refuse(found, tried, confidence)
    return 1.0 if found == tried else _solve(lambda p: _tail(found, tried, p) - (1.0 - confidence))


def share_at_least(found: int, tried: int, confidence: float = CONFIDENCE) -> float:
    """One-sided lower bound of the true share."""
    return 1.0 - share_at_most(tried - found, tried, confidence)


def _tail(most: int, tried: int, p: float) -> float:
    """Chance of `most` or fewer of `tried` at share p, 0 < p < 1."""
    log_p, log_q = log(p), log1p(-p)
    ways = lgamma(tried + 1)
    return sum(
        exp(ways - lgamma(k + 1) - lgamma(tried - k + 1) + k * log_p + (tried - k) * log_q) for k in range(most + 1)
    )


def _solve(falling) -> float:
    """Where a falling function of 0 < p < 1 is zero, to the last bit that halving finds."""
    low, high = 0.0, 1.0
    while low < (middle := (low + high) / 2.0) < high:
        low, high = (middle, high) if falling(middle) > 0.0 else (low, middle)
    return middle


def _refuse(found: int, tried: int, confidence: float) -> None:
    if not (0 <= found <= tried < inf and tried > 0 and 0.0 < confidence < 1.0):
        raise ValueError(f"{found} of {tried} at confidence {confidence} is no count")
