"""Controllers to test the standard sequences with, each broken in one way; healthy ones are in their own file.

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


class StartsLater(Around):
    """Keeps a start that was pressed while the vehicle side was live, and carries it out when the voltage has gone."""

    kept = False

    def reads(self, t: float, inputs: Inputs) -> Inputs:
        live = inputs.ts_voltage >= 60.0
        self.kept |= inputs.start_request and live and self.out.state == "idle"
        if not self.kept or live or inputs.start_request:
            return inputs
        self.kept = False
        return replace(inputs, start_request=True)


class OpensUnderLoad(Around):
    """Never sees a current."""

    def reads(self, t: float, inputs: Inputs) -> Inputs:
        return replace(inputs, current=0.0)


class MinusStaysOnStop(Around):
    """Opens AIR+ alone on an ordinary stop."""

    left = False

    def says(self, t: float, inputs: Inputs, out: Outputs) -> Outputs:
        self.left = inputs.loop_closed and out.state == "idle" and (self.left or self.out.state == "run")
        return replace(out, air_minus=True, discharge_open=False) if self.left else out


class RelayLetsGoEarly(Around):
    """Takes the pre-charge relay off as it commands AIR+."""

    def says(self, t: float, inputs: Inputs, out: Outputs) -> Outputs:
        return replace(out, precharge=out.precharge and not out.air_plus)


class RidesThroughAnything(Around):
    """Does not see a loop that is open for less than 60 ms, nor what the contacts did meanwhile."""

    def __init__(self) -> None:
        super().__init__()
        self._opened_s: float | None = None

    def reads(self, t: float, inputs: Inputs) -> Inputs:
        if self.out.dcdc_enable:
            inputs = replace(inputs, air_plus_aux=True, air_minus_aux=True)
        if inputs.loop_closed:
            self._opened_s = None
            return inputs
        self._opened_s = t if self._opened_s is None else self._opened_s
        return replace(inputs, loop_closed=t - self._opened_s < 0.06)


class ResetKeptForLater(Around):
    """A reset pressed with the loop open clears the next fault."""

    armed = False

    def reads(self, t: float, inputs: Inputs) -> Inputs:
        self.armed |= inputs.reset_request and not inputs.loop_closed and not self.out.fault
        if not (self.armed and self.out.fault and inputs.bms_ok and inputs.bms_age_s < 0.3):
            return inputs
        self.armed = False
        return replace(inputs, reset_request=True)


class ResetHeldHidesFaults(Around):
    """Sees no fault while reset is held."""

    def reads(self, t: float, inputs: Inputs) -> Inputs:
        return replace(inputs, bms_ok=True, imd_ok=True) if inputs.reset_request else inputs


class WithoutFansWhenBlind(Around):
    """Stops the fans when the temperature is lost."""

    def says(self, t: float, inputs: Inputs, out: Outputs) -> Outputs:
        return replace(out, fans=0.0) if inputs.bms_age_s > 0.43 else out


class ChargesFullCells(Around):
    """Never believes a cell to be full while a charger is there."""

    def reads(self, t: float, inputs: Inputs) -> Inputs:
        full = inputs.charger_connected and inputs.max_cell_voltage > 4.19
        return replace(inputs, max_cell_voltage=4.19) if full else inputs


class HighestVoltageSoFar(Around):
    """Compares the highest voltage seen since the last run, also that of a start that was broken off."""

    highest = 0.0

    def reads(self, t: float, inputs: Inputs) -> Inputs:
        if self.out.dcdc_enable:
            self.highest = 0.0
        if not (self.out.precharge and inputs.ts_voltage > 0.8 * inputs.pack_voltage):
            return inputs
        self.highest = max(self.highest, inputs.ts_voltage)
        return replace(inputs, ts_voltage=self.highest)


class AgeFromLastChange(Around):
    """Begins to count the age of the BMS messages anew at every change of state."""

    changed_s = 0.0
    before = ""

    def reads(self, t: float, inputs: Inputs) -> Inputs:
        if self.out.state != self.before:
            self.changed_s, self.before = t, self.out.state
        known = inputs.bms_age_s < float("inf")
        return replace(inputs, bms_age_s=min(inputs.bms_age_s, t - self.changed_s)) if known else inputs


class SixteenBitClock(Around):
    """Its clock of milliseconds begins anew after 65.536 s."""

    def step(self, t: float, inputs: Inputs) -> Outputs:
        return super().step(t % 65.536, inputs)


class OneSampleIsEnough(ReferenceController):
    """Closes AIR+ at the first sample above the threshold."""

    def _precharge(self, t: float, i: Inputs, elapsed: float) -> None:
        if elapsed > 0.45 and i.ts_voltage >= THRESHOLD * i.pack_voltage:
            self._enter("plus", t)
        else:
            super()._precharge(t, i, elapsed)


class BelievesPackSense(ReferenceController):
    """Never compares the sensed pack voltage with the cells."""

    def _start(self, t: float, i: Inputs) -> None:
        super()._start(t, replace(i, min_cell_voltage=2.8))


class ConverterOutlastsFaults(Around):
    """Switches the DC-DC converter off 200 ms after a fault has opened the contactors."""

    until_s = 0.0

    def says(self, t: float, inputs: Inputs, out: Outputs) -> Outputs:
        if self.out.state == "run" and out.state == "fault":
            self.until_s = t + 0.2
        return replace(out, dcdc_enable=True) if t < self.until_s else out


class TicksRunOut(Around):
    """Counts its steps in 16 bits and takes the overflow, after 655.36 s, for a fault of its clock."""

    def __init__(self) -> None:
        super().__init__()
        self._ticks = 0

    def says(self, t: float, inputs: Inputs, out: Outputs) -> Outputs:
        self._ticks += 1
        return out if self._ticks < 65_536 else Outputs(state="fault", fault="clock")
