"""Controllers to test the standard sequences with: healthy ones that differ, and one broken in each way.

All stand on the public seam (`step(t, inputs) -> outputs`) around the reference controller: they change what it reads
or what it says. Use one by hand with `PYTHONPATH=tests topbox-bench run ... --controller controllers:ClosesAtEighty`.
"""

from __future__ import annotations

from collections import deque
from dataclasses import replace

from simulators.controller import Inputs, Outputs, ReferenceController

THRESHOLD = 0.955  # at which the reference controller closes AIR+
PRECHARGE_TAU_S = 470.0 * 560e-6


class Around:
    """The reference controller with something changed: `reads` what it reads, `says` what it says."""

    period_s = 0.01

    def __init__(self) -> None:
        self.inner = ReferenceController()
        self.out = Outputs()

    def step(self, t: float, inputs: Inputs) -> Outputs:
        seen = self.reads(t, inputs)
        self.out = self.says(t, inputs, self.inner.step(t, seen))
        return self.out

    def reads(self, t: float, inputs: Inputs) -> Inputs:
        return inputs

    def says(self, t: float, inputs: Inputs, out: Outputs) -> Outputs:
        return out


# -- healthy, and yet not the reference ----------------------------------------------------------------------------


class Unhurried(Around):
    """Healthy: steps every 20 ms, waits 300 ms longer at the threshold, tries a failed pre-charge three times."""

    period_s = 0.02
    settle_s = 0.3
    cool_down_s = 2.0
    attempts = 3

    def __init__(self) -> None:
        super().__init__()
        self._began_s: float | None = None  # of the pre-charge
        self._reached_s: float | None = None
        self._attempt = 1
        self._retry_at_s: float | None = None

    def reads(self, t: float, inputs: Inputs) -> Inputs:
        if self._retry_at_s is not None and t >= self._retry_at_s and inputs.ts_voltage < 20.0:
            self._retry_at_s = None
            self._attempt += 1
            self.inner = ReferenceController()
            self.inner.step(t, replace(inputs, start_request=False))
            return replace(inputs, start_request=True)
        if not (self.out.precharge and self.out.state == "precharge"):
            self._began_s = self._reached_s = None
            return inputs
        began = self._began_s = t if self._began_s is None else self._began_s
        if inputs.ts_voltage < THRESHOLD * inputs.pack_voltage:
            return inputs
        reached = self._reached_s = t if self._reached_s is None else self._reached_s
        if reached - began < PRECHARGE_TAU_S or t - reached >= self.settle_s:
            return inputs  # far too fast: that is noticed at once
        return replace(inputs, ts_voltage=0.99 * THRESHOLD * inputs.pack_voltage)

    def says(self, t: float, inputs: Inputs, out: Outputs) -> Outputs:
        if self._retry_at_s is not None and not inputs.loop_closed:
            self._retry_at_s = None
            self.inner = ReferenceController()
            return Outputs()
        if out.state == "run" or out.state == "idle":
            self._attempt = 1
        waits = out.fault.startswith("pre-charge too") and self._attempt < self.attempts
        if not waits:
            self._retry_at_s = None
            return out
        if self._retry_at_s is None:
            self._retry_at_s = t + self.cool_down_s
        return Outputs(fans=out.fans)


# -- broken, each in one way ---------------------------------------------------------------------------------------


class ClosesAtEighty(Around):
    """Closes AIR+ at 80 % of the pack voltage."""

    def reads(self, t: float, inputs: Inputs) -> Inputs:
        if self.out.state != "precharge" or not self.out.precharge:
            return inputs
        return replace(inputs, ts_voltage=inputs.ts_voltage * THRESHOLD / 0.8)


class NeverTimesOut(Around):
    """Pre-charges for ever: its clock stands still after one second of pre-charge."""

    def __init__(self) -> None:
        super().__init__()
        self._lost_s = 0.0
        self._before_s = 0.0
        self._began_s: float | None = None

    def step(self, t: float, inputs: Inputs) -> Outputs:
        charging = self.out.precharge and self.out.state == "precharge"
        self._began_s = (t if self._began_s is None else self._began_s) if charging else None
        if self._began_s is not None and t - self._began_s > 1.0:
            self._lost_s += t - self._before_s
        self._before_s = t
        return super().step(t - self._lost_s, inputs)


class NeverPullsDischarge(Around):
    """Never pulls the discharge relay open."""

    def says(self, t: float, inputs: Inputs, out: Outputs) -> Outputs:
        return replace(out, discharge_open=False)


class HoldsDischargeOpen(Around):
    """Keeps the discharge relay pulled open whenever it can."""

    def says(self, t: float, inputs: Inputs, out: Outputs) -> Outputs:
        return replace(out, discharge_open=True)


class OpensLate(Around):
    """Keeps the coils of AIR+ and AIR- on for 400 ms too long."""

    late_s = 0.4

    def __init__(self) -> None:
        super().__init__()
        self._wanted_s = float("-inf")

    def says(self, t: float, inputs: Inputs, out: Outputs) -> Outputs:
        if out.air_plus:
            self._wanted_s = t
        late = t - self._wanted_s < self.late_s
        return replace(out, air_plus=out.air_plus or late, air_minus=out.air_minus or late) if late else out


class IgnoresStop(Around):
    """Does not stop when asked to."""

    def reads(self, t: float, inputs: Inputs) -> Inputs:
        return replace(inputs, stop_request=False)


class StartsOnLevel(Around):
    """Takes a start button that is held for one that is pressed, again and again."""

    def __init__(self) -> None:
        super().__init__()
        self._pulse = False

    def reads(self, t: float, inputs: Inputs) -> Inputs:
        self._pulse = inputs.start_request and not self._pulse
        return replace(inputs, start_request=self._pulse)


class NeverLatches(Around):
    """Forgets a fault as soon as its cause is gone."""

    def __init__(self) -> None:
        super().__init__()
        self._pulse = False

    def reads(self, t: float, inputs: Inputs) -> Inputs:
        self._pulse = not self._pulse
        return replace(inputs, reset_request=self._pulse)


class ComesBack(NeverLatches):
    """Starts again by itself once the fault has gone or the loop is closed."""

    def __init__(self) -> None:
        super().__init__()
        self._asked = False

    def reads(self, t: float, inputs: Inputs) -> Inputs:
        self._asked |= inputs.start_request
        return replace(super().reads(t, inputs), start_request=self._asked and self._pulse)


class IgnoresLines(Around):
    """Leaves the BMS and IMD lines to the hardware; hidden, because the loop opens all the same."""

    def reads(self, t: float, inputs: Inputs) -> Inputs:
        return replace(inputs, bms_ok=True, imd_ok=True)


class NamesNoFault(Around):
    """Does everything right and says nothing."""

    def says(self, t: float, inputs: Inputs, out: Outputs) -> Outputs:
        return replace(out, fault="")


class IgnoresSilence(Around):
    """Takes the last BMS message for a fresh one, however old it is."""

    def reads(self, t: float, inputs: Inputs) -> Inputs:
        return replace(inputs, bms_age_s=0.0)


class TripsAtOneLostMessage(Around):
    """Takes one late BMS message for silence."""

    def reads(self, t: float, inputs: Inputs) -> Inputs:
        return replace(inputs, bms_age_s=4.0 * inputs.bms_age_s)


class IgnoresVoltages(Around):
    """Believes that the cells always have 3.6 V."""

    def reads(self, t: float, inputs: Inputs) -> Inputs:
        return replace(inputs, max_cell_voltage=3.6, min_cell_voltage=3.6)


class IgnoresTemperatures(Around):
    """Believes that the cells always have 25 degC."""

    def reads(self, t: float, inputs: Inputs) -> Inputs:
        return replace(inputs, max_cell_temperature=25.0, min_cell_temperature=25.0)


class IgnoresWelds(Around):
    """Trusts its own commands, 50 ms later, instead of the auxiliary contacts."""

    def __init__(self) -> None:
        super().__init__()
        self._commanded = deque([Outputs()] * 5, maxlen=5)

    def reads(self, t: float, inputs: Inputs) -> Inputs:
        then = self._commanded[0]
        self._commanded.append(self.out)
        return replace(inputs, air_plus_aux=then.air_plus, air_minus_aux=then.air_minus, precharge_aux=then.precharge)


class IgnoresBrownOut(Around):
    """Believes that the supply is always full."""

    def reads(self, t: float, inputs: Inputs) -> Inputs:
        return replace(inputs, supply_voltage=12.5)


class TripsAtCrankingVoltage(Around):
    """Takes 9 V for a brown-out."""

    def reads(self, t: float, inputs: Inputs) -> Inputs:
        return replace(inputs, supply_voltage=inputs.supply_voltage - 2.0)


class ConvertsTooEarly(Around):
    """Switches the DC-DC converter on as soon as pre-charge begins."""

    def says(self, t: float, inputs: Inputs, out: Outputs) -> Outputs:
        return replace(out, dcdc_enable=out.dcdc_enable or out.precharge)
