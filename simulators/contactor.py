"""One contactor or relay: coil, moving time, contact, auxiliary contact, and the ways in which it breaks.

Leaves out: economiser (PWM) drive, coil current and its temperature, arc, wear, a release time that depends on the
suppression. Power that returns before the contact has moved means that it never moved.
"""

from __future__ import annotations

from collections.abc import Callable
from math import inf

from simulators.parameters import Settings
from simulators.timeline import Timeline


class Contactor:
    """`moved(t)` is called whenever the contact or its auxiliary contact may have changed.

    `closed` is what the contact really does, `aux_closed` what is reported. Times in s, coil voltage in V.
    """

    def __init__(self, name: str, timeline: Timeline, moved: Callable[[float], None], normally_closed: bool = False):
        self.name = name
        self._timeline, self._moved, self._normally_closed = timeline, moved, normally_closed
        self.closed = self.aux_closed = normally_closed
        self._pulled = False  # the coil has enough voltage
        self._armature = False  # where the armature has got to
        self._due = inf  # when it moves next
        self._aux_moves: list[tuple[float, bool]] = []  # late auxiliary contact: what is still to come
        self._aux_armature = self._aux_heads_for = normally_closed

    def configure(self, t: float, settings: Settings) -> None:
        """Take over changed times and damages."""
        name = self.name
        self._make, self._release = settings[f"{name}_make"], settings[f"{name}_release"]
        self._bounce = settings[f"{name}_bounce"]
        self._aux_delay = settings.get(f"{name}_aux_delay", 0.0)
        self._pull_in, self._hold = settings["pull_in_voltage"], settings["hold_voltage"]
        self._welded, self._dead = bool(settings[f"{name}_welded"]), bool(settings[f"{name}_dead"])
        self._aux_stuck_open = bool(settings.get(f"{name}_aux_open", 0.0))
        self._aux_stuck_closed = bool(settings.get(f"{name}_aux_closed", 0.0))
        self._aux_unlinked = bool(settings.get(f"{name}_aux_unlinked", 0.0))
        self._wire_broken = bool(settings[f"{name}_wire_broken"])
        self._show(t)

    def feed(self, t: float, volts: float) -> None:
        """The coil now sees `volts`."""
        if self._wire_broken:
            volts = 0.0
        pulled = volts >= (self._hold if self._pulled else self._pull_in)
        if pulled == self._pulled:
            return
        self._pulled = pulled
        if pulled == self._armature:
            self._due = inf
        else:
            self._due = round(t + (self._make if pulled else self._release), 6)
            self._timeline.at(self._due, self._arrive)

    def _arrive(self, t: float) -> None:
        if t != self._due:
            return  # called off
        self._due = inf
        self._armature = self._pulled
        self._show(t)
        if self._bounce > 0.0 and self._pulled:
            # Apart again, then closed for good.
            self._timeline.at(t + 0.25 * self._bounce, lambda t: self._rebound(t, False))
            self._timeline.at(t + self._bounce, lambda t: self._rebound(t, True))

    def _rebound(self, t: float, together: bool) -> None:
        if self._pulled and self._due == inf:
            self._armature = together
            self._show(t)

    def _show(self, t: float) -> None:
        """Work out contact and auxiliary contact from armature and damages; tell when one has changed."""
        moved = self._armature != self._normally_closed
        closed = self._welded if self._welded or self._dead else moved
        aux = moved if self._aux_unlinked else closed
        before = self.closed, self.aux_closed
        if aux != self._aux_heads_for and self._aux_delay > 0.0:
            due = round(t + self._aux_delay, 6)
            self._aux_moves.append((due, aux))
            self._timeline.at(due, self._aux_arrives)
        elif not self._aux_moves:
            self._aux_armature = aux
        self._aux_heads_for = aux
        self.closed = closed
        self.aux_closed = (self._aux_armature or self._aux_stuck_closed) and not self._aux_stuck_open
        if before != (self.closed, self.aux_closed):
            self._moved(t)

    def _aux_arrives(self, t: float) -> None:
        while self._aux_moves and self._aux_moves[0][0] <= t:
            self._aux_armature = self._aux_moves.pop(0)[1]
        self._show(t)
