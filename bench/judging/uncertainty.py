"""How well a judged number is known: standard uncertainties of its parts, put together as in the GUM.

Every part is a standard uncertainty (JCGM 100:2008). What is known only as limits, an accuracy, a resolution, the
interval between two samples, is taken as a rectangular distribution: half-width / sqrt(3), full width / sqrt(12)
(clause 4.3.7). A function of several channels takes each part times its partial derivative (clause 5.1.2); parts are
taken as independent, with one exception: the accuracy of a channel read at two instants of one run is one unknown gain
and one unknown offset, the same at both (correlation 1, clause 5.2.2). The expanded uncertainty has the coverage factor
2 (clause 6.2).
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from math import erfc, hypot, inf, isfinite, sqrt
from typing import TYPE_CHECKING, NamedTuple

if TYPE_CHECKING:
    from bench.events import Value
    from bench.judging.readings import Readings, Snapshot
    from bench.language.channel import Channel

#: Coverage factor of every expanded uncertainty: about 95 % for a normal distribution.
COVERAGE = 2.0
HALF = 1 / sqrt(3)  # standard uncertainty of a rectangle of half-width 1
FULL = 1 / sqrt(12)  # and of one of full width 1


class Part(NamedTuple):
    """One contribution: what it comes from ('accuracy', 'resolution', 'sampling', 'stamp', 'clock'), of which channel
    or device, and its standard uncertainty in the base unit of what is judged (inf: nobody has said). `size` in `unit`
    is the half-width, step or period that it was made from."""

    kind: str
    of: str
    u: float
    size: float
    unit: str


def standard(parts: Iterable[Part]) -> float:
    """The combined standard uncertainty."""
    return hypot(*(part.u for part in parts))


def tail(distance: float, u: float) -> float:
    """Probability that a normal error of standard uncertainty `u` is larger than `distance`."""
    if u == 0.0:
        return 0.0 if distance >= 0 else 1.0
    return 0.5 * erfc(distance / u / sqrt(2))


class Specification(NamedTuple):
    """What the bench file says of a channel, in its own unit; None: it does not say."""

    relative: float | None
    absolute: float | None
    resolution: float | None

    @classmethod
    def of(cls, channel: Channel) -> Specification:
        accuracy = channel.accuracy
        relative, absolute = (None, None) if accuracy is None else (accuracy.relative, accuracy.absolute)
        return cls(relative, absolute, channel.resolution)

    def parts(self, value: float) -> list[tuple[str, float, float]]:
        """(kind, standard uncertainty, half-width or step) of a reading of `value`."""
        if not isfinite(value):
            return []
        width = inf if self.relative is None else self.relative * abs(value) + self.absolute
        found = [("accuracy", width * HALF, width)]
        if self.resolution:
            found.append(("resolution", self.resolution * FULL, self.resolution))
        return found


def propagated(
    function: Callable[[list[Value]], float],
    slots: Iterable[int],
    snapshot: Snapshot,
    readings: Readings,
    when_u: float = 0.0,
    at_s: float | None = None,
    later: Snapshot | None = None,
) -> list[Part]:
    """The parts of `function` over the channels' values, in its base unit.

    With `at_s` the values are judged at that instant, known to `when_u` (both in s): a channel that moves was last read
    some time before it, and has moved on since. With `later` the function takes the values of both, one list after the
    other; those of `later` rest.
    """
    parts = []
    values = snapshot.values if later is None else [*snapshot.values, *later.values]
    for slot in slots:
        value = snapshot.values[slot]
        if readings.driven[slot] or not readings.quantity[slot] or not isinstance(value, float):
            continue
        name, unit = readings.names[slot], readings.units[slot]
        specification = readings.specifications[slot]
        for kind, u, size in specification.parts(value):
            if later is not None and kind == "accuracy":
                parts.append(Part(kind, name, _common(function, values, slot, specification), size, unit))
                continue
            for place in (slot,) if later is None else (slot, slot + len(snapshot.values)):
                weight = 1.0 if u == inf else sensitivity(function, values, {place: 1.0}, u)
                if weight:
                    parts.append(Part(kind, name, u * weight, size, unit))
        slope = 0.0 if at_s is None else abs(snapshot.slope(slot))
        if slope:
            _, from_s, _, to_s = snapshot.moves[slot]
            u = slope * hypot(max(at_s - snapshot.times[slot], 0.0) * HALF, when_u)
            weight = sensitivity(function, values, {slot: 1.0}, u)
            parts.append(Part("sampling", name, u * weight, to_s - from_s, "s"))
    return parts


def _common(
    function: Callable[[list[Value]], float], values: Sequence[Value], slot: int, specification: Specification
) -> float:
    """The part of a channel's accuracy where `values` has it twice: its gain moves both in proportion, its offset both
    alike. As for one reading, the two add up."""
    if specification.relative is None:
        return inf
    again = slot + len(values) // 2
    gain_u, offset_u = specification.relative * HALF, specification.absolute * HALF
    gain = sensitivity(function, values, {slot: values[slot], again: values[again]}, gain_u)
    return gain * gain_u + sensitivity(function, values, {slot: 1.0, again: 1.0}, offset_u) * offset_u


def sensitivity(
    function: Callable[[list[Value]], float], values: Sequence[Value], along: Mapping[int, float], step: float
) -> float:
    """How much `function` changes for one unit along a direction, which is a share for each place of `values`, within
    `step`: the steeper side counts, as at the kink of abs() the two cancel."""
    step = step or 1e-6 * (max(abs(values[place]) for place in along) or 1.0)
    moved = list(values)
    here = function(moved)
    change = 0.0
    for way in (step, -step):
        for place, share in along.items():
            moved[place] = values[place] + way * share
        changed = abs(function(moved) - here)
        if not isfinite(changed):
            return inf
        change = max(change, changed)
    return change / step
