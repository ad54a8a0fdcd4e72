"""The insulation monitor on the vehicle side: reads the parallel resistance of both poles to chassis.

Its reading, as a conductance, approaches the true one with a first-order lag; the line falls when the reading is
below the response value. The instant of that is solved, not stepped.

Leaves out: the measuring pulses that shift the poles, the wait for the Y capacitors, the PWM signal and its error
states, self-test, accuracy (a real one may be off by 15 % near the response value).
"""

from __future__ import annotations

from math import exp, inf, log

#: The most that it can read, ohm.
CEILING = 50e6


class Imd:
    """Times in s, resistances in ohm. `start` when it gets supply, `stop` when it loses it."""

    def __init__(self) -> None:
        self._since, self._began, self._aim = 0.0, 0.0, 0.0  # conductances in S
        self._lag = 1.0
        self._ready_at = inf

    def start(self, t: float, startup_s: float) -> None:
        """Powered: the line stays low, and the reading 0, for `startup_s`; then the first value is a true one."""
        self._ready_at = round(t + startup_s, 6)  # an instant of the timeline
        self._since, self._began = t, self._aim

    def stop(self) -> None:
        self._ready_at = inf

    def ready(self, t: float) -> bool:
        return t >= self._ready_at - 1e-9

    def settle(self, t: float, resistance: float, lag_s: float, trip: float) -> None:
        """The true resistance is `resistance` from now on."""
        now = self._conductance(t)
        self._since, self._began, self._aim = t, now, 1.0 / resistance
        self._lag, self._trip = lag_s, 1.0 / trip if trip > 0.0 else inf
        if not self.ready(t):
            self._began = self._aim

    def _conductance(self, t: float) -> float:
        return self._aim + (self._began - self._aim) * exp(-(t - self._since) / self._lag)

    def resistance(self, t: float) -> float:
        """What it reports; 0 before its first value."""
        if not self.ready(t):
            return 0.0
        conductance = self._conductance(t)
        return min(CEILING, 1.0 / conductance) if conductance > 0.0 else CEILING

    def insulated(self, t: float) -> bool:
        """Whether the reading is above the response value."""
        return self.ready(t) and self._conductance(t) < self._trip

    def crossing(self, t: float) -> float:
        """When after `t` the reading has just passed the response value, either way; inf when it never does."""
        if self._aim == self._began:
            return inf
        share = (self._trip - self._aim) / (self._began - self._aim)
        when = self._since - self._lag * log(share) if 0.0 < share < 1.0 else inf
        return when + 1e-6 if when > t else inf
