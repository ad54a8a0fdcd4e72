"""When did a condition become true, and when false again: crossings, placed between the samples around them.

For quantities the crossing is the linear interpolation between the two samples, for states the middle between
them; the instant itself lies between the two samples, so within `t` +- `bound_s`. A channel whose changes are
stamped as they happen (`capture: edges`) has the stamp's own accuracy as its bound.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

from bench.judging.readings import NEVER, Readings, Snapshot

if TYPE_CHECKING:
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


class Watch:
    """One condition, followed through the run. `truth` is None as long as a channel it names was never read."""

    def __init__(self, condition: Condition, readings: Readings):
        self.condition = condition
        self.slots = readings.slots_of(condition.channels)
        self.driven_only = all(readings.driven[slot] for slot in self.slots)
        self.truth: bool | None = None
        self.truth_at_stimulus: bool | None = None
        self.crossings: list[Crossing] = []  # since the start of the last stimulus
        self.changed_s = NEVER  # when the truth last changed or became known
        self._readings = readings
        self._unknown = set(self.slots)
        self._value = condition.compile(readings.slots)
        self._atoms: list[_Atom] | None = None

    def stimulus_began(self) -> None:
        self.truth_at_stimulus = self.truth
        self.crossings.clear()

    def forget(self, slot: int) -> None:
        """The channel has no known value any more."""
        self._unknown.add(slot)
        self.truth = None

    def last_rise(self) -> Crossing | None:
        return next((crossing for crossing in reversed(self.crossings) if crossing.truth), None)

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
        if truth is self.truth:
            return False
        before, self.truth, self.changed_s = self.truth, truth, t
        if before is not None:
            self.crossings.append(self._place(t, truth))
        elif self.truth_at_stimulus is None:  # the first knowledge of it, not a change
            self.truth_at_stimulus = truth
        return True

    def _place(self, t: float, truth: bool) -> Crossing:
        readings = self._readings
        if self._atoms is None:
            self._atoms = [_Atom(atom, readings) for atom in self.condition.atoms]
        earlier = readings.just_before().values
        truths = [bool(atom.truth(earlier)) for atom in self._atoms]
        combine = self.condition.compile_combine()
        flips = []
        for place, atom in enumerate(self._atoms):
            if bool(atom.truth(readings.values)) != truths[place]:
                flips.append((*atom.crossing(t, earlier), place))
        flips.sort()
        decisive = (t, 0.0, None)
        value = not truth
        for when, bound, place in flips:
            truths[place] = not truths[place]
            if bool(combine(truths)) != value:
                value = not value
                if value == truth:
                    decisive = (when, bound, self._atoms[place])
        when, bound, atom = decisive
        at = None
        if truth:
            at = readings.between(when) if atom is not None and atom.kind == "quantity" else readings.just_before()
        return Crossing(when, bound, truth, at)


class _Atom:
    """One comparison of a condition, and where between two samples it flipped."""

    def __init__(self, atom, readings: Readings):
        self.kind = atom.kind
        self._readings = readings
        self._slots = readings.slots_of(atom.channels)
        self.truth = atom.compile_truth(readings.slots)
        self._margin = atom.compile_margin(readings.slots) if atom.kind == "quantity" else None

    def crossing(self, t: float, earlier: list) -> tuple[float, float]:
        """(time, bound) in s of the flip that shows at `t`; `earlier` are the values just before."""
        readings = self._readings
        changed = [slot for slot in self._slots if slot in readings.changed]
        start = max((readings.changed[slot][1] for slot in changed), default=t)
        if self._margin is None:
            edges = [readings.edge_bound[slot] for slot in changed]
            if all(edge is not None for edge in edges):
                return t, max(edges, default=0.0)
        if start == NEVER or start >= t:
            return t, 0.0
        if self._margin is None:
            return (start + t) / 2, (t - start) / 2
        before, after = self._margin(earlier), self._margin(readings.values)
        share = min(max(before / (before - after), 0.0), 1.0) if before != after else 1.0
        when = start + (t - start) * share
        return when, max(when - start, t - when)
