"""When did a condition become true, and when false again: crossings, placed between the samples around them.

For quantities the crossing is the linear interpolation between the two samples, for states the middle between
them; the instant itself lies between the two samples, so within `t` +- `bound_s`. A channel whose changes are
stamped as they happen (`capture: edges`) has the stamp's own accuracy as its bound.
"""

from __future__ import annotations

from math import isfinite
from typing import TYPE_CHECKING, NamedTuple

from bench.judging.readings import NEVER, Readings, Snapshot
from bench.judging.uncertainty import FULL, HALF, Part, propagated

if TYPE_CHECKING:
    from bench.judging.invariants import OpenInvariant
    from bench.language.expressions import Condition


class Crossing(NamedTuple):
    """A condition became `truth` at `t` (s), known to +- `bound_s`.

    `at` holds the values that belong to the instant: at a contact's change those just before it, at a quantity's
    crossing the interpolated ones. Only kept for crossings to true.
    """

    t: float
    bound_s: float
    truth: bool
    at: Snapshot | None
    parts: tuple[Part, ...] = ()  # of its standard uncertainty, s


def narrowed(crossing: Crossing, from_s: float, to_s: float) -> Crossing:
    """The same, known to be not before `from_s` and not after `to_s`; nothing else is known of its instant."""
    took = to_s - from_s
    parts = tuple(part._replace(u=took * FULL, size=took) for part in crossing.parts if part.kind == "sampling")
    return crossing._replace(t=(from_s + to_s) / 2, bound_s=took / 2, parts=parts)


class Watch:
    """One condition, followed through the run. `truth` is None as long as a channel it names was never read."""

    def __init__(self, condition: Condition, readings: Readings):
        self.condition = condition
        self.slots = readings.slots_of(condition.channels)
        self.driven_only = all(readings.driven[slot] for slot in self.slots)
        self.truth: bool | None = None
        self._last_known: bool | None = None  # before a channel was forgotten
        self.truth_at_stimulus: bool | None = None
        self.was_false = False  # at any time so far
        self.crossings: list[Crossing] = []  # since the start of the last stimulus
        self.changed_s = NEVER  # when the truth last changed or became known
        self._readings = readings
        self.followers: list[OpenInvariant] = []  # rules that want to know how close it comes
        self._unknown = set(self.slots)
        self._spans_devices = len({readings.devices[slot] for slot in self.slots}) > 1
        self._value = condition.compile(readings.slots)
        self._atoms: list[_Atom] | None = None

    def stimulus_began(self) -> None:
        self.truth_at_stimulus = self._last_known if self.truth is None else self.truth
        self.crossings.clear()

    def forget(self, slot: int) -> None:
        """The channel has no known value any more."""
        self._unknown.add(slot)
        self._last_known = self.truth if self.truth is not None else self._last_known
        self.truth = None

    @property
    def was_known(self) -> bool:
        """Whether it could be evaluated at any time so far."""
        return self.truth is not None or self._last_known is not None

    def last_rise(self) -> Crossing | None:
        return next((crossing for crossing in reversed(self.crossings) if crossing.truth), None)

    def changed_after(self, t: float) -> bool:
        """Whether the present truth is younger than `t`."""
        return bool(self.crossings) and self.crossings[-1].t > t

    def true_through(self, t: float) -> bool:
        """Whether it was true an instant before `t` and stays so at `t`; `t` not before the last stimulus's start."""
        truth = self.truth_at_stimulus
        for crossing in self.crossings:
            if crossing.t >= t:
                return bool(truth) and crossing.t > t
            truth = crossing.truth
        return bool(truth)

    def first_rise_from(self, t: float) -> Crossing | None:
        return next((crossing for crossing in self.crossings if crossing.truth and crossing.t >= t), None)

    def update(self, t: float) -> bool:
        """Evaluate after a change of one of the channels; whether the truth changed or became known."""
        if self._unknown:
            self._unknown = {slot for slot in self._unknown if self._readings.values[slot] is None}
            if self._unknown:
                return False
        truth = bool(self._value(self._readings.values))
        if self._spans_devices:
            self._note_flips(t)
        if truth is self.truth:
            return False
        before = self._last_known if self.truth is None else self.truth
        self.truth, self.changed_s = truth, t
        self.was_false |= not truth
        if before is None:  # the first knowledge of it, not a change
            self.truth_at_stimulus = truth
        elif before is not truth:
            self.crossings.append(self._place(t, truth))
        return True

    def _place(self, t: float, truth: bool) -> Crossing:
        """Replay the flips of the single comparisons in the order of their instants: the last turn to `truth`."""
        readings = self._readings
        self._note_flips(t)
        truths, flips = [], []
        for place, atom in enumerate(self._atoms):
            flipped = atom.flip is not None and (self._spans_devices or atom.flip_seen_s == t)
            truths.append(atom.is_true != flipped)
            if flipped:
                flips.append((*atom.flip, place))
            atom.flip = None
        combine = self.condition.combine
        when, bound, parts, decisive = t, 0.0, (), None
        value = bool(combine(truths))
        for instant, its_bound, its_parts, place in sorted(flips, key=lambda flip: (flip[0], flip[1], flip[3])):
            truths[place] = not truths[place]
            if bool(combine(truths)) != value:
                value = not value
                if value == truth:
                    when, bound, parts, decisive = instant, its_bound, its_parts, self._atoms[place]
        at = None
        if truth:
            by_quantity = decisive is not None and decisive.kind == "quantity"
            at = readings.between(when) if by_quantity else readings.just_before()
        return Crossing(when, bound, truth, at, parts)

    def _note_flips(self, t: float) -> None:
        """Remember where each comparison last flipped. Asked for only when the whole flips, or when several devices
        are involved, whose readings may arrive in another order than they were stamped."""
        if self._atoms is None:
            self._atoms = [_Atom(atom, self._readings) for atom in self.condition.atoms]
        for atom in self._atoms:
            atom.note_flip(t)


class _Atom:
    """One comparison of a condition, and where between two samples it flipped."""

    def __init__(self, atom, readings: Readings):
        self.kind = atom.kind
        self._readings = readings
        self._slots = readings.slots_of(atom.channels)
        self._truth = atom.compile_truth(readings.slots)
        self._margin = atom.compile_margin(readings.slots) if atom.kind == "quantity" else None
        self.is_true = False
        self.flip: tuple[float, float, tuple[Part, ...]] | None = None  # instant, bound, parts of the last one
        self.flip_seen_s = NEVER

    def note_flip(self, t: float) -> None:
        """Compare with the values just before this instant."""
        earlier = self._readings.just_before_values()
        if any(earlier[slot] is None for slot in self._slots):  # the first knowledge of it, not a flip
            self.is_true = bool(self._truth(self._readings.values))
            return
        before, self.is_true = bool(self._truth(earlier)), bool(self._truth(self._readings.values))
        if before != self.is_true and self.flip_seen_s != t:
            self.flip, self.flip_seen_s = self._crossing(t, earlier), t

    def _crossing(self, t: float, earlier: list) -> tuple[float, float, tuple[Part, ...]]:
        """Time, bound and parts of the uncertainty, in s, of the flip that shows at `t`; `earlier`: values before."""
        readings = self._readings
        changed = [slot for slot in self._slots if slot in readings.changed]
        when, bound, parts = self._between_samples(t, earlier, changed)
        devices = {readings.devices[slot] for slot in changed}
        clock_s, device = max(((readings.clock_bound_s.get(name, 0.0), name) for name in devices), default=(0.0, ""))
        if clock_s:
            parts = (*parts, Part("clock", device, clock_s * HALF, clock_s, "s"))
        return when, bound + clock_s, parts

    def _between_samples(self, t: float, earlier: list, changed: list[int]) -> tuple[float, float, tuple[Part, ...]]:
        readings = self._readings
        start, latest = max(((readings.changed[slot][1], slot) for slot in changed), default=(t, 0))
        if self._margin is None:
            edges = [(readings.edge_bound[slot], slot) for slot in changed]
            if all(edge is not None for edge, _ in edges):
                edge, slot = max(edges, default=(0.0, 0))
                return t, edge, (Part("stamp", readings.names[slot], edge * HALF, edge, "s"),) if edge else ()
        if start == NEVER or start >= t:
            return t, 0.0, ()
        took = t - start
        sampling = Part("sampling", readings.names[latest], took * FULL, took, "s")
        if self._margin is None:
            return (start + t) / 2, took / 2, (sampling,)
        before, after = self._margin(earlier), self._margin(readings.values)
        if not (isfinite(before) and isfinite(after)):  # a resistor that was not there: no line leads from it
            return (start + t) / 2, took / 2, (sampling,)
        share = min(max(before / (before - after), 0.0), 1.0) if before != after else 1.0
        when = start + took * share
        slope = abs(after - before) / took
        values = readings.between(when)
        off = propagated(self._margin, self._slots, values, readings) if slope else ()
        parts = (sampling, *(part._replace(u=part.u / slope) for part in off))
        return when, max(when - start, t - when), parts
