"""Noise of the bench's own measurements, taken from the self-check's record while everything is off.

Ground loops, a missing shield and mains hum show here, before they pass for something that the box did. Half the span
between least and greatest is compared with what the bench file says of the channel's accuracy: more than that, and the
accuracy is not true. A voltage that is still going away, a few seconds after the run before, is no noise: a course that
only falls or only rises is taken out first. (Common practice, no source.)
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from math import isfinite
from pathlib import Path
from typing import TYPE_CHECKING

from bench.record.reader import read_record

if TYPE_CHECKING:
    from bench.language.bench_file import Bench

#: So long before the first step, when the box has booted and nothing is driven yet, s.
QUIET_S = 1.0
#: Fewer readings than this say nothing of noise.
LEAST_READINGS = 5
#: Fewer readings than this, and a cubic would follow the noise itself.
LEAST_FOR_A_COURSE = 20


def noise_at_rest(folder: Path | str, bench: Bench) -> dict[str, float]:
    """Channel -> half of its span at rest, in its own unit. Raises RecordError."""
    record = read_record(folder)
    found = {}
    for channel in bench.channels.values():
        if channel.direction != "read" or channel.unit is None:
            continue
        trace = record.channel(channel.name)
        quiet = [(t, value) for t, value in zip(trace.times, trace.values, strict=True) if -QUIET_S <= t < 0.0]
        if len(quiet) >= LEAST_READINGS and all(isfinite(value) for _, value in quiet):
            found[channel.name] = swing(*zip(*quiet, strict=True))
    return found


def swing(times: Sequence[float], values: Sequence[float]) -> float:
    """Half the span of the values, less a course that only falls or only rises. `times` in s."""
    span = max(values) - min(values)
    if span and len(values) >= LEAST_FOR_A_COURSE:
        import numpy as np

        course = np.polynomial.Polynomial.fit(times, values, 3)(np.asarray(times))
        steps = np.diff(course)
        if (steps <= 0).all() or (steps >= 0).all():
            span = float(np.ptp(np.asarray(values) - course))
    return span / 2


def too_noisy(noise: Mapping[str, float], bench: Bench) -> dict[str, str]:
    """Channel -> why it cannot be relied on."""
    found = {}
    for name, half in noise.items():
        channel = bench.channels[name]
        limit = channel.accuracy.at(0.0) if channel.accuracy is not None else 0.0
        if limit and half > max(limit, channel.resolution or 0.0):
            unit = channel.unit
            found[name] = f"with everything off it swings by +-{half:.3g} {unit}; its accuracy is +-{limit:.3g} {unit}"
    return found
