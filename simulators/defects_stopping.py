"""Defects of the firmware on the way down: shutdown, stop, discharge, converter, charging."""

from __future__ import annotations

from dataclasses import replace
from math import inf

from simulators.controller import Inputs, Outputs
from simulators.defect import Catalogue, Changed

STOPPING = Catalogue()


@STOPPING.firmware("loop-input-slow", "AIR-02", "hardware")
class SlowLoopInput(Changed):
    """Takes commands back 500 ms after the loop has opened.

    The loop counts as open only after `debounce_s`; a contact that falls meanwhile is not noticed.
    """

    debounce_s = 0.5
    dropout_limit_s = 0.6

    def reads(self, t: float, i: Inputs) -> Inputs:
        return replace(i, loop_closed=not self._lasted("loop", t, not i.loop_closed, self.debounce_s))


@STOPPING.firmware("rides-through-dropout", "SDC-04")
class RidesThroughDropout(SlowLoopInput):
    """Stays in its state when the loop is gone for up to 60 ms."""

    debounce_s = 0.06
    dropout_limit_s = 0.15


@STOPPING.firmware("stops-under-load", "STP-02")
class StopsUnderLoad(Changed):
    """Opens the AIRs at once on a stop request, whatever the current."""

    def _unloaded(self, i: Inputs) -> bool:
        return True


@STOPPING.firmware("current-sign-turned", "STP-02")
class CurrentSignTurned(Changed):
    """Takes a current drawn for one that is fed back."""

    def _unloaded(self, i: Inputs) -> bool:
        return -i.current < 5.0


@STOPPING.firmware("current-fed-back-unseen", "STP-02")
class CurrentFedBackUnseen(Changed):
    """Takes a current that is fed back for none."""

    def _unloaded(self, i: Inputs) -> bool:
        return i.current < 5.0


@STOPPING.firmware("stops-at-20-amps", "STP-02")
class StopsAtTwentyAmps(Changed):
    """Opens on a stop request as soon as less than 20 A flow."""

    def _unloaded(self, i: Inputs) -> bool:
        return abs(i.current) < 20.0


@STOPPING.firmware("stop-begins-again", "STP-01")
class StopBeginsAgain(Changed):
    """Begins to wait anew when stop is pressed again."""

    def _go_on(self, t: float, i: Inputs, stop: bool) -> None:
        if stop and self._phase == "stopping":
            self._phase_began = t
        super()._go_on(t, i, stop)


@STOPPING.firmware("ignores-stop", "STP-01")
class IgnoresStop(Changed):
    """Does not stop when asked to."""

    def reads(self, t: float, i: Inputs) -> Inputs:
        return replace(i, stop_request=False)


@STOPPING.firmware("stop-leaves-air-minus", "STP-01")
class StopsHalf(Changed):
    """Opens AIR+ alone on a stop request.

    After an ordinary stop AIR- stays commanded until the loop opens.
    """

    _half = False

    def says(self, t: float, i: Inputs, out: Outputs) -> Outputs:
        stopped = self.last.air_plus and out.state == "idle"
        self._half = (self._half or stopped) and i.loop_closed and out.state == "idle"
        return replace(out, air_minus=True) if self._half else out


class Lingers(Changed):
    """An output stays on for a while after it should be off."""

    output, lasting_s, only_after_fault = "", 0.3, False
    _on_until = -inf

    def says(self, t: float, i: Inputs, out: Outputs) -> Outputs:
        if getattr(out, self.output):
            self._on_until = t + self.lasting_s
            return out
        lingers = t < self._on_until and not (self.only_after_fault and not out.fault)
        return replace(out, **{self.output: True}) if lingers else out


@STOPPING.firmware("precharge-coil-lingers", "AIR-02")
class PrechargeCoilLingers(Lingers):
    """Keeps the pre-charge coil on for 300 ms too long."""

    output = "precharge"


@STOPPING.firmware("discharge-lingers", "DIS-05", "hardware")
class DischargeLingers(Lingers):
    """Lets the discharge relay go 300 ms late."""

    output = "discharge_open"


@STOPPING.firmware("converter-lingers", "AUX-01")
class ConverterLingers(Lingers):
    """Switches the DC-DC converter off 300 ms late."""

    output = "dcdc_enable"


@STOPPING.firmware("converter-lingers-after-fault", "AUX-01")
class ConverterLingersAfterFault(Lingers):
    """Switches the DC-DC converter off 300 ms late after a fault only."""

    output = "dcdc_enable"
    only_after_fault = True


@STOPPING.firmware("coils-linger", "AIR-02 BMS-02")
class CoilsLinger(Changed):
    """Keeps both AIR coils on for 400 ms too long."""

    lasting_s = 0.4
    _on_until = -inf

    def says(self, t: float, i: Inputs, out: Outputs) -> Outputs:
        if out.air_plus:
            self._on_until = t + self.lasting_s
        lingers = t < self._on_until
        return replace(out, air_plus=True, air_minus=True) if lingers else out


@STOPPING.firmware("discharge-held-open", "DIS-05")
class DischargeHeldOpen(Changed):
    """Keeps the discharge relay pulled open as long as the loop is closed."""

    def says(self, t: float, i: Inputs, out: Outputs) -> Outputs:
        return replace(out, discharge_open=i.loop_closed)


@STOPPING.firmware("discharge-never-pulled", "DIS-06")
class DischargeNeverPulled(Changed):
    """Never pulls the discharge relay open."""

    def says(self, t: float, i: Inputs, out: Outputs) -> Outputs:
        return replace(out, discharge_open=False)


@STOPPING.firmware("discharge-pulled-late", "DIS-06")
class DischargePulledLate(Changed):
    """Pulls the discharge relay open 300 ms after pre-charge began."""

    def says(self, t: float, i: Inputs, out: Outputs) -> Outputs:
        pulled = self._lasted("pull", t, out.precharge or out.air_plus, 0.3)
        return replace(out, discharge_open=out.discharge_open and pulled)


@STOPPING.firmware("discharge-before-opening", "DIS-06")
class DischargeBeforeOpening(Changed):
    """Lets the discharge relay go 80 ms before the AIRs open on a stop request."""

    def says(self, t: float, i: Inputs, out: Outputs) -> Outputs:
        last = self.last
        stopped = last.air_plus and not out.air_plus and i.loop_closed and not out.fault
        over = self._lasted("early", t, stopped, 0.08)
        return replace(last, discharge_open=False) if stopped and not over else out


@STOPPING.firmware("converter-in-precharge", "AUX-01")
class ConverterInPrecharge(Changed):
    """Switches the DC-DC converter on when pre-charge begins."""

    def says(self, t: float, i: Inputs, out: Outputs) -> Outputs:
        return replace(out, dcdc_enable=out.dcdc_enable or out.precharge)


@STOPPING.firmware("timer-wraps", "PRE-02 PRE-03")
class TimerWraps(Changed):
    """Counts milliseconds in 16 bits.

    A 16-bit counter of milliseconds: what straddles 65.536 s never lasts long enough.
    """

    def step(self, t: float, inputs: Inputs) -> Outputs:
        return super().step(t % 65.536, inputs)


@STOPPING.firmware("charges-full-cells", "CHG-03")
class ChargesFullCells(Changed):
    """Begins and goes on charging with a full cell."""

    full_cell_v = 4.22


@STOPPING.firmware("drives-while-plugged-in", "CHG-02 CHG-04")
class DrivesWhileCharging(Changed):
    """Starts to drive with a charger plugged in whose interlock is open."""

    def reads(self, t: float, i: Inputs) -> Inputs:
        return replace(i, charger_connected=i.charger_connected and i.charger_interlock)


@STOPPING.firmware("charger-interlock-ignored", "CHG-02")
class IgnoresChargerInterlock(Changed):
    """Charges with the charger's interlock open."""

    def reads(self, t: float, i: Inputs) -> Inputs:
        return replace(i, charger_interlock=True)


@STOPPING.firmware("charger-interlock-read-late", "CHG-02")
class ReadsChargerInterlockLate(Changed):
    """Reads the charger's interlock only once both AIRs are closed."""

    def reads(self, t: float, i: Inputs) -> Inputs:
        return i if self._out.air_plus else replace(i, charger_interlock=True)


@STOPPING.firmware("hangs-in-run", "RST-01 AIR-02", "hardware")
class Hangs(Changed):
    """Stands still 20 s into a run, outputs as they were, while another task goes on sending."""

    ran_s = 20.0

    def step(self, t: float, inputs: Inputs) -> Outputs:
        return self._out if self._lasted("hang", t, self._out.air_plus, self.ran_s) else super().step(t, inputs)


STOPPING.numbers("waits-for-ever-at-stop", "STP-01", "Waits without bound for the current to fall.", stop_wait_s=inf)
STOPPING.numbers("waits-4-s-at-stop", "STP-01", "Waits 4 s for the current to fall.", stop_wait_s=4.0)
