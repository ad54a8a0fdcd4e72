"""Defects of the firmware on the way up: start and pre-charge."""

from __future__ import annotations

from dataclasses import replace
from math import inf

from simulators.controller import Inputs, Outputs
from simulators.defect import Catalogue, Changed

ENERGISING = Catalogue()


@ENERGISING.firmware("threshold-of-nominal-pack", "PRE-01")
class NominalPack(Changed):
    """Takes the threshold of a pack of 345.6 V, whatever is measured."""

    def _precharge(self, t: float, i: Inputs, elapsed: float) -> None:
        super()._precharge(t, replace(i, pack_voltage=345.6), elapsed)


@ENERGISING.firmware("voltage-in-tenths", "PRE-01")
class TenthsOfVolts(Changed):
    """Compares the vehicle side in tenths of a volt with the pack in volts."""

    def _is_there(self) -> bool:
        return 10.0 * sum(self._ratios) >= self.threshold * len(self._ratios)


@ENERGISING.firmware("closes-after-one-second", "PRE-01 PRE-03")
class OneSecond(Changed):
    """Closes AIR+ one second after pre-charge began, whatever the voltage."""

    def _precharge(self, t: float, i: Inputs, elapsed: float) -> None:
        if elapsed >= 1.0:
            self._enter("plus", t)


@ENERGISING.firmware("time-out-closes", "PRE-01 PRE-03")
class ClosesAtTimeOut(Changed):
    """Closes AIR+ when the time for pre-charge is over."""

    def _fail(self, cause: str, t: float) -> None:
        if cause == "pre-charge too slow":
            self._enter("plus", t)
        else:
            super()._fail(cause, t)


@ENERGISING.firmware("endless-retries", "PRE-04")
class EndlessRetries(Changed):
    """Tries a failed pre-charge again without end and without a pause."""

    def _fail(self, cause: str, t: float) -> None:
        if cause == "pre-charge too slow":
            self._enter("minus", t)
        else:
            super()._fail(cause, t)


@ENERGISING.firmware("gap-before-air-plus", "PRE-07")
class GapInPrecharge(Changed):
    """Opens the pre-charge relay before AIR+ has closed.

    The relay goes off when AIR+ is commanded, 25 ms before it makes.
    """

    def says(self, t: float, i: Inputs, out: Outputs) -> Outputs:
        return replace(out, precharge=out.precharge and not out.air_plus)


@ENERGISING.firmware("precharge-stays-on", "PRE-07")
class PrechargeStaysOn(Changed):
    """Never opens the pre-charge relay while running."""

    def says(self, t: float, i: Inputs, out: Outputs) -> Outputs:
        return replace(out, precharge=out.precharge or out.air_plus)


@ENERGISING.firmware("both-airs-at-once", "PRE-01 PRE-12")
class BothAtOnce(Changed):
    """Closes both AIRs together and pre-charges afterwards."""

    def says(self, t: float, i: Inputs, out: Outputs) -> Outputs:
        return replace(out, air_plus=out.air_minus)


@ENERGISING.firmware("starts-on-level", "ACT-02")
class StartsOnLevel(Changed):
    """Takes a start button that is held for one that is pressed."""

    def _asked_to_start(self, i: Inputs, before: Inputs) -> bool:
        return i.start_request


@ENERGISING.firmware("start-is-reset", "LAT-03 LAT-01")
class StartIsReset(Changed):
    """Takes the press of start for a reset, and starts."""

    _starts = False

    def _clears(self, i: Inputs, before: Inputs, present: list[str]) -> bool:
        self._starts = bool(self._faults) and i.start_request and not before.start_request and not present
        return self._starts or super()._clears(i, before, present)

    def _enter(self, phase: str, t: float) -> None:
        super()._enter("minus" if phase == "idle" and self._starts else phase, t)


@ENERGISING.firmware("remembers-start", "ACT-04")
class RemembersStart(Changed):
    """Carries out a start refused in discharge once the voltage is low."""

    _wanted = False

    def _asked_to_start(self, i: Inputs, before: Inputs) -> bool:
        asked = super()._asked_to_start(i, before) or self._wanted
        self._wanted = asked and i.ts_voltage >= self.low_ts_v
        return asked


@ENERGISING.firmware("starts-with-loop", "ACT-01")
class StartsWithLoop(Changed):
    """Starts again by itself when the loop closes."""

    _was_up = False

    def _asked_to_start(self, i: Inputs, before: Inputs) -> bool:
        again = self._was_up and i.ts_voltage < self.low_ts_v
        self._was_up &= not again
        return again or super()._asked_to_start(i, before)

    def says(self, t: float, i: Inputs, out: Outputs) -> Outputs:
        self._was_up |= self.last.air_plus and not i.loop_closed
        return out


@ENERGISING.firmware("highest-voltage-held", "PRE-01")
class VoltageHeld(Changed):
    """Holds the highest vehicle-side voltage of the start before."""

    def _precharge(self, t: float, i: Inputs, elapsed: float) -> None:
        if elapsed > 0.4:  # past the check for a pre-charge that is too fast
            self.memory["held"] = max(self.memory.get("held", 0.0), i.ts_voltage)
            i = replace(i, ts_voltage=self.memory["held"])
        super()._precharge(t, i, elapsed)


@ENERGISING.firmware("pack-of-0-v-accepted", "SNS-01 SNS-02")
class ZeroPackAccepted(Changed):
    """Takes a pack voltage of zero for a ratio that is high enough."""

    def _implausible(self, i: Inputs) -> list[str]:
        return []

    def _precharge(self, t: float, i: Inputs, elapsed: float) -> None:
        endless = 1e9 if elapsed > 0.5 else 0.0  # past the check for a pre-charge that is too fast
        super()._precharge(t, replace(i, ts_voltage=endless) if i.pack_voltage < 1.0 else i, elapsed)


@ENERGISING.firmware("pack-not-compared", "SNS-02")
class PackNotCompared(Changed):
    """Does not compare the pack voltage with the sum of the cells."""

    def _implausible(self, i: Inputs) -> list[str]:
        return []


@ENERGISING.firmware("resumes-after-supply", "RST-01 ACT-01")
class Resumes(Changed):
    """Goes on after a loss of supply where it was."""

    def __init__(self) -> None:
        super().__init__()
        self._resumes = self.memory.get("up", False)

    def _asked_to_start(self, i: Inputs, before: Inputs) -> bool:
        resumes = self._resumes and i.bms_age_s < self.bms_age_limit_s and i.ts_voltage < self.low_ts_v
        self._resumes &= not resumes
        return resumes or super()._asked_to_start(i, before)

    def says(self, t: float, i: Inputs, out: Outputs) -> Outputs:
        self.memory["up"] = out.air_plus
        return out


@ENERGISING.firmware("coil-pulse-at-power-up", "SUP-04")
class PulsesAtPowerUp(Changed):
    """Pulses the pre-charge coil for 30 ms at power-up."""

    def says(self, t: float, i: Inputs, out: Outputs) -> Outputs:
        return replace(out, precharge=out.precharge or t < 0.03)


@ENERGISING.firmware("starts-on-release", "ACT-02")
class StartsOnRelease(Changed):
    """Starts when the button is let go of."""

    def _asked_to_start(self, i: Inputs, before: Inputs) -> bool:
        return before.start_request and not i.start_request


@ENERGISING.firmware("starts-charged", "PRE-08")
class NoCheckOfVoltageBeforeStart(Changed):
    """Starts with any voltage on the vehicle side."""

    def _start(self, t: float, i: Inputs) -> None:
        super()._start(t, replace(i, ts_voltage=min(i.ts_voltage, self.low_ts_v - 1.0)))


@ENERGISING.firmware("start-begins-again", "ACT-03")
class StartBeginsAgain(Changed):
    """Begins anew when start is pressed again in pre-charge."""

    _held = True

    def _go_on(self, t: float, i: Inputs, stop: bool) -> None:
        if self._phase == "charging" and i.start_request and not self._held:
            self._enter("minus", t)
        self._held = i.start_request
        super()._go_on(t, i, stop)


@ENERGISING.firmware("reset-is-stop", "ACT-03")
class ResetIsStop(Changed):
    """Takes the press of reset for one of stop."""

    def reads(self, t: float, i: Inputs) -> Inputs:
        return replace(i, stop_request=i.stop_request or i.reset_request)


@ENERGISING.firmware("loop-is-reset", "LAT-03 LAT-01")
class LoopTakenForReset(Changed):
    """Clears what is latched when the loop closes again."""

    def _clears(self, i: Inputs, before: Inputs, present: list[str]) -> bool:
        closes = i.loop_closed and not before.loop_closed
        return (closes or super()._clears(i, before, present)) and not present


ENERGISING.numbers("starts-at-70-volts", "PRE-08", "Starts with up to 70 V on the vehicle side.", low_ts_v=70.0)
ENERGISING.numbers("closes-at-80-percent", "PRE-01", "Closes AIR+ at 80 % of the pack voltage.", threshold=0.8)
ENERGISING.numbers("closes-at-92-percent", "PRE-01", "Closes AIR+ at 92 % of the pack voltage.", threshold=0.92)
ENERGISING.numbers(
    "never-gives-up", "PRE-03 PRE-04", "Waits for pre-charge for ever, with the resistor in the circuit.", too_slow=inf
)
ENERGISING.numbers(
    "gives-up-late", "PRE-03", "Gives pre-charge up after twelve times the expected time.", too_slow=12.0
)
ENERGISING.numbers("too-fast-accepted", "PRE-05", "Does not mind a pre-charge that is far too fast.", too_fast=0.0)
ENERGISING.numbers(
    "one-sample-closes", "PRE-11", "Closes AIR+ on a single sample above the threshold.", ratio_samples=1
)
