"""The hardware shutdown loop: elements in series, and two latches that only a person clears.

The loop feeds the coils of AIR+, AIR-, pre-charge and discharge relay. A BMS or insulation-monitor line that falls
after having been ok latches; so does one that has not come up within `line_grace` of power-up. The latches are
mechanical: they keep their state without supply.

Leaves out: the elements that this bench has no channel for (inertia switch, brake plausibility, master switches) stand
for `shutdown_loop`; contact resistance and wire length; hold-up by stored energy in the coil supply.
"""

from __future__ import annotations

from math import inf


class Latch:
    """One line (BMS or insulation monitor) with its latching relay. `passing` is what the loop sees of it."""

    def __init__(self) -> None:
        self.tripped = False
        self._seen_ok = False
        self._deadline = inf

    def power_up(self, t: float, grace_s: float) -> None:
        self._seen_ok, self._deadline = False, round(t + grace_s, 6)  # an instant of the timeline

    def watch(self, t: float, line_ok: bool) -> None:
        """The line as it is at `t`, with the box powered."""
        if line_ok:
            self._seen_ok = True
        elif self._seen_ok or t >= self._deadline - 1e-9:
            self.tripped = True

    def reset(self, line_ok: bool) -> None:
        """The reset button is pressed: clears when the line is ok."""
        self.tripped = self.tripped and not line_ok

    def passing(self, line_ok: bool) -> bool:
        return line_ok and self._seen_ok and not self.tripped


class ShutdownLoop:
    """`closed` is whether the coils are fed, after every element and latch."""

    def __init__(self) -> None:
        self.bms, self.imd = Latch(), Latch()
        self.closed = False

    def power_up(self, t: float, grace_s: float) -> None:
        self.bms.power_up(t, grace_s)
        self.imd.power_up(t, grace_s)

    def update(self, t: float, powered: bool, elements_closed: bool, bms_ok: bool, imd_ok: bool) -> bool:
        """Work the loop out anew; returns `closed`. Without supply nothing feeds the coils and no latch moves."""
        if powered:
            self.bms.watch(t, bms_ok)
            self.imd.watch(t, imd_ok)
        self.closed = powered and elements_closed and self.bms.passing(bms_ok) and self.imd.passing(imd_ok)
        return self.closed

    def reset(self, bms_ok: bool, imd_ok: bool) -> None:
        self.bms.reset(bms_ok)
        self.imd.reset(imd_ok)
