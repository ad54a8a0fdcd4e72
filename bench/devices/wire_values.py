"""From the number on a device's wire to a channel's value, and back, by the channel's own keys.

States are numbered in the order in which the bench file lists them (`[open, closed]`: 0 is open, 1 is closed; `invert`
swaps the two). A quantity is `raw * scale + offset`, or a straight line between the points of `table`.
"""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Sequence
from typing import TYPE_CHECKING

from bench.events import Value

if TYPE_CHECKING:
    from bench.language.channel import Channel


def from_wire(channel: Channel, raw: float) -> Value:
    """The value in the channel's unit, or its state. Raises ValueError for a number that stands for none, and for a
    reading outside the channel's range: a meter at its stop measures nothing."""
    if channel.unit is not None:
        value = along(channel.table, raw) if channel.table else raw * channel.scale + channel.offset
        if channel.direction == "read" and channel.range is not None:
            low, high = channel.range
            if not low - tolerance(channel, value) <= value <= high + tolerance(channel, value):
                raise ValueError(f"{value:g} {channel.unit} is outside its range")
        return value
    states = channel.states or ()
    number = round(raw) if abs(raw) < 1e9 else -1
    if number != raw or not 0 <= number < len(states):
        raise ValueError(f"{raw:g} is no state of {channel.name}")
    return states[len(states) - 1 - number if channel.invert else number]


def to_wire(channel: Channel, value: Value) -> float:
    """The number that stands for a value. Raises ValueError for a state that the channel has not."""
    if channel.unit is not None:
        if channel.table:
            return along(sorted((y, x) for x, y in channel.table), float(value))
        return (float(value) - channel.offset) / channel.scale
    states = channel.states or ()
    number = states.index(str(value))
    return float(len(states) - 1 - number if channel.invert else number)


def tolerance(channel: Channel, value: Value) -> float:
    """How far a read-back may be off from what was set, in the channel's unit: resolution, else accuracy, else 1e-6."""
    if channel.unit is None:
        return 0.0
    of_channel = channel.resolution or (channel.accuracy.at(float(value)) if channel.accuracy else 0.0)
    return max(of_channel, 1e-6 * abs(float(value)))


def along(points: Sequence[tuple[float, float]], x: float) -> float:
    """Straight lines between points that rise in x; a point itself may be at infinity. Raises ValueError outside."""
    if not points[0][0] <= x <= points[-1][0]:
        raise ValueError(f"{x:g} is outside the table's {points[0][0]:g} to {points[-1][0]:g}")
    at = bisect_right([point[0] for point in points], x)
    x0, y0 = points[at - 1]
    if x == x0:
        return y0
    x1, y1 = points[at]
    return y0 + (y1 - y0) * (x - x0) / (x1 - x0)
