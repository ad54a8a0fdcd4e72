"""Fewer points for a plot, without losing a minimum or a maximum."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    import numpy as np

POINTS = 2000


def decimate(times: np.ndarray, values: np.ndarray, points: int = POINTS) -> tuple[np.ndarray, np.ndarray]:
    """At most `points` (even, at least 4) of the given ones, in order: first, last, and of every bucket the lowest
    and the highest. Infinite values and NaN come back as NaN: a plot shows a gap there."""
    import numpy as np

    finite = np.isfinite(values)
    whole = bool(finite.all())
    values = values if whole else np.where(finite, values, np.nan)
    if len(values) <= points:
        return times, values
    edges = np.linspace(1, len(values) - 1, points // 2).astype(int)  # points // 2 - 1 buckets between the two ends
    sizes = np.diff(edges)
    width = int(sizes.max())
    places = np.minimum(edges[:-1, None] + np.arange(width), edges[1:, None] - 1)
    buckets = values[places]
    lowest = (buckets if whole else np.where(np.isnan(buckets), np.inf, buckets)).argmin(axis=1)
    highest = (buckets if whole else np.where(np.isnan(buckets), -np.inf, buckets)).argmax(axis=1)
    rows = np.arange(len(sizes))
    kept = np.concatenate(([0], places[rows, lowest], places[rows, highest], [len(values) - 1]))
    kept.sort()
    return times[kept], values[kept]
