"""The voltage-present indicator: hardware fed by the vehicle side itself, lit above its threshold.

Leaves out: flashing, brightness, hysteresis, its own current.
"""

from __future__ import annotations

from collections.abc import Callable

from simulators.circuit import Circuit
from simulators.timeline import Timeline


class Indicator:
    """`lit` changes exactly when the voltage crosses `threshold` (V); `changed(t)` is called then."""

    def __init__(self, timeline: Timeline, circuit: Circuit, changed: Callable[[float], None]):
        self._timeline, self._circuit, self._changed = timeline, circuit, changed
        self.lit = False
        self.threshold = 60.0
        self._plan = 0  # number of the plan in force; older ones are void

    def replan(self, t: float) -> None:
        """The circuit has been switched: work out when the voltage crosses next."""
        voltage = self._circuit.ts_voltage(t)
        if abs(voltage - self.threshold) > 1e-3:  # nearer than that it is in the middle of a crossing
            self._turn(t, voltage > self.threshold)
        self._expect(t)

    def _expect(self, t: float) -> None:
        self._plan += 1
        plan = self._plan
        when = self._circuit.crossing(self.threshold, not self.lit, t)
        self._timeline.at(when, lambda t: self._cross(t) if plan == self._plan else None)

    def _cross(self, t: float) -> None:
        self._turn(t, not self.lit)
        self._expect(t)

    def _turn(self, t: float, lit: bool) -> None:
        if lit != self.lit:
            self.lit = lit
            self._changed(t)
