"""Defects of the hardware: parts with the wrong value, and wiring that is not as drawn."""

from __future__ import annotations

from dataclasses import replace
from math import inf

from simulators.box import Box
from simulators.circuit import Wiring
from simulators.controller import Outputs
from simulators.defect import Catalogue
from simulators.loop import Latch, ShutdownLoop

HARDWARE = Catalogue()


@HARDWARE.wiring("discharge-normally-open", "DIS-01 DIS-02")
class DischargeNormallyOpen(Box):
    """A discharge relay of the normally open kind.

    The relay makes when its coil is fed; the driver is turned round to suit.
    """

    discharge_normally_closed = False

    def _coil_voltage(self, name: str, on: bool) -> float:
        return super()._coil_voltage(name, on != (name == "discharge"))


@HARDWARE.wiring("discharge-held-by-timer", "DIS-01 DIS-05")
class DischargeHeldByTimer(Box):
    """The discharge relay is held open for 6 s after shutdown.

    The discharge coil has a supply of its own, for 6 s after the loop has opened.
    """

    _fed_until = -inf

    def _coil_voltage(self, name: str, on: bool) -> float:
        if name != "discharge":
            return super()._coil_voltage(name, on)
        now = self._timeline.now
        if on and self.loop.closed:
            self._fed_until = round(now + 6.0, 6)  # an instant of the timeline, or it would be fed for ever
            return self.supply
        if now < self._fed_until < inf and not self.loop.closed:
            self._timeline.at(self._fed_until, self._feed)
            return self.supply
        return 0.0


@HARDWARE.wiring("indicator-on-coil", "IND-01 IND-02")
class IndicatorOnCoil(Box):
    """The indicator is fed by the coil of AIR+."""

    def _feed(self, t: float) -> None:
        super()._feed(t)
        self._indicator_changed(t)

    def _indicator_changed(self, t: float) -> None:
        self._set("indicator", "on" if self._outputs.air_plus and self.loop.closed else "off")


@HARDWARE.wiring("indicator-on-supply", "IND-02")
class IndicatorOnSupply(Box):
    """The indicator is dark when the box has no supply."""

    def _supply_changed(self, t: float) -> None:
        super()._supply_changed(t)
        self._indicator_changed(t)

    def _indicator_changed(self, t: float) -> None:
        self._set("indicator", "on" if self.indicator.lit and self._powered else "off")


@HARDWARE.loop("imd-latch-clears", "LAT-01")
class ImdLatchClears(ShutdownLoop):
    """The insulation monitor's latch lets go when insulation is back."""

    def update(self, t: float, powered: bool, elements_closed: bool, bms_ok: bool, imd_ok: bool) -> bool:
        self.imd.reset(imd_ok)
        return super().update(t, powered, elements_closed, bms_ok, imd_ok)


@HARDWARE.loop("bms-latch-clears", "LAT-01")
class BmsLatchClears(ShutdownLoop):
    """The BMS latch lets go when the line is back."""

    def update(self, t: float, powered: bool, elements_closed: bool, bms_ok: bool, imd_ok: bool) -> bool:
        self.bms.reset(bms_ok)
        return super().update(t, powered, elements_closed, bms_ok, imd_ok)


@HARDWARE.loop("latches-need-supply", "LAT-02")
class LatchesNeedSupply(ShutdownLoop):
    """Both latches are lost with the supply."""

    def power_up(self, t: float, grace_s: float) -> None:
        super().power_up(t, grace_s)
        self.bms.tripped = self.imd.tripped = False


@HARDWARE.loop("reset-forces-latches", "LAT-01")
class ResetForces(ShutdownLoop):
    """The reset button lets go of the latches whatever the lines say."""

    def reset(self, bms_ok: bool, imd_ok: bool) -> None:
        self.bms, self.imd = Latch(), Latch()


@HARDWARE.loop("bms-not-in-loop", "BMS-01 RST-02", "firmware")
class BmsNotInLoop(ShutdownLoop):
    """The BMS line does not open the loop."""

    def update(self, t: float, powered: bool, elements_closed: bool, bms_ok: bool, imd_ok: bool) -> bool:
        return super().update(t, powered, elements_closed, True, imd_ok)


@HARDWARE.loop("imd-not-in-loop", "IMD-03 RST-02", "firmware")
class ImdNotInLoop(ShutdownLoop):
    """The insulation monitor's line does not open the loop."""

    def update(self, t: float, powered: bool, elements_closed: bool, bms_ok: bool, imd_ok: bool) -> bool:
        return super().update(t, powered, elements_closed, bms_ok, True)


@HARDWARE.wiring("broken-bms-line-ok", "IMD-06")
class BrokenBmsLineOk(Box):
    """A broken BMS line reads ok."""

    def _bms_line_ok(self, t: float) -> bool:
        return bool(self._settings["bms_line_broken"]) or super()._bms_line_ok(t)


@HARDWARE.wiring("broken-imd-line-ok", "IMD-06")
class BrokenImdLineOk(Box):
    """A broken line of the insulation monitor reads ok."""

    def _imd_line_ok(self, t: float) -> bool:
        return bool(self._settings["imd_line_broken"]) or super()._imd_line_ok(t)


@HARDWARE.wiring("imd-senses-plus", "IMD-01")
class ImdSensesPlus(Box):
    """The insulation monitor measures at HV+ alone."""

    def _insulation(self, wiring: Wiring) -> float:
        return super()._insulation(replace(wiring, insulation_minus=2e6))


@HARDWARE.wiring("imd-senses-minus", "IMD-01")
class ImdSensesMinus(Box):
    """The insulation monitor measures at HV- alone."""

    def _insulation(self, wiring: Wiring) -> float:
        return super()._insulation(replace(wiring, insulation_plus=2e6))


@HARDWARE.wiring("interlock-bridged", "ILK-01")
class InterlockBridged(Box):
    """The interlock's pins are bridged in a connector."""

    def _elements_closed(self) -> bool:
        return self._in["shutdown_loop"] and not self._settings["loop_broken"]


@HARDWARE.wiring("air-minus-back-fed", "AIR-01")
class AirMinusBackFed(Box):
    """A diode keeps the coil line of AIR- at 7 V.

    A status diode keeps the coil line of AIR- at 7 V: it does not pull in, but once in it stays.
    """

    def _coil_voltage(self, name: str, on: bool) -> float:
        volts = super()._coil_voltage(name, on)
        return max(volts, min(7.0, self.supply)) if name == "air_minus" else volts


class OutsideLoop(Box):
    """A coil that is fed by the supply and not by the loop."""

    coil = ""

    def _coil_voltage(self, name: str, on: bool) -> float:
        return self.supply * on if name == self.coil else super()._coil_voltage(name, on)


@HARDWARE.wiring("air-plus-outside-loop", "RST-02 AIR-01", "firmware")
class AirPlusOutsideLoop(OutsideLoop):
    """The coil of AIR+ is fed past the loop."""

    coil = "air_plus"


@HARDWARE.wiring("air-minus-outside-loop", "RST-02 AIR-01", "firmware")
class AirMinusOutsideLoop(OutsideLoop):
    """The coil of AIR- is fed past the loop."""

    coil = "air_minus"


@HARDWARE.wiring("precharge-outside-loop", "RST-02 AIR-01", "firmware")
class PrechargeOutsideLoop(OutsideLoop):
    """The coil of the pre-charge relay is fed past the loop."""

    coil = "precharge"


@HARDWARE.wiring("air-coils-swapped", "PRE-01")
class CoilsSwapped(Box):
    """The wires of the two AIR coils are swapped."""

    def _coil_voltage(self, name: str, on: bool) -> float:
        out: Outputs = self._outputs
        swapped = {"air_plus": out.air_minus, "air_minus": out.air_plus}.get(name, on)
        return super()._coil_voltage(name, swapped)


@HARDWARE.wiring("status-of-commands", "AIR-08")
class StatusOfCommands(Box):
    """The status message says what is commanded, not what the contacts report."""

    def _command(self, t: float, out: Outputs, state: str) -> None:
        super()._command(t, out, state)
        self._tell_status()

    def _contacts_moved(self, t: float) -> None:
        super()._contacts_moved(t)
        self._tell_status()

    def _tell_status(self) -> None:
        out = self._outputs
        for name, on in (("air_plus", out.air_plus), ("air_minus", out.air_minus), ("precharge", out.precharge)):
            self.status.flag(f"{name}_aux", on)


HARDWARE.part(
    "discharge-resistor-5.6k",
    "DIS-01",
    "A discharge resistor of 5.6 kohm: 60 V after 5.97 s.",
    discharge_resistance=5600.0,
)
HARDWARE.part(
    "discharge-resistor-half",
    "DIS-07 DIS-01",
    "One of two parallel discharge resistors open: 4.4 kohm, 4.69 s.",
    discharge_resistance=4400.0,
)
HARDWARE.part("precharge-resistor-47", "PRE-05 PRE-02", "A pre-charge resistor of 47 ohm.", precharge_resistance=47.0)
HARDWARE.part("precharge-resistor-2k", "PRE-02", "A pre-charge resistor of 2 kohm.", precharge_resistance=2000.0)
HARDWARE.part(
    "capacitor-doubled", "DIS-01 PRE-02", "Twice the capacitor that the discharge is made for.", ts_capacitance=1250e-6
)
HARDWARE.part(
    "airs-held-up",
    "AIR-01",
    "A hold-up capacitor keeps both AIRs closed for 400 ms.",
    air_plus_release=0.4,
    air_minus_release=0.4,
)
HARDWARE.part("air-minus-releases-late", "AIR-01", "AIR- needs 300 ms to open.", air_minus_release=0.3)
HARDWARE.part(
    "plain-diodes",
    "AIR-06",
    "Plain diodes at the coils: both AIRs need 150 ms to open.",
    air_plus_release=0.15,
    air_minus_release=0.15,
)
HARDWARE.part(
    "precharge-relay-releases-late", "AIR-01", "The pre-charge relay needs 400 ms to open.", precharge_release=0.4
)
HARDWARE.part(
    "discharge-relay-releases-late", "DIS-05", "The discharge relay needs 200 ms to close.", discharge_release=0.2
)
HARDWARE.part("contactors-drop-out-early", "SUP-02", "Contactors hold only down to 9.5 V.", hold_voltage=9.5)
HARDWARE.part("contactors-pull-in-high", "SUP-03", "Contactors need 12 V to pull in.", pull_in_voltage=12.0)
HARDWARE.part("indicator-at-90-v", "IND-01", "The indicator lights from 90 V on.", indicator_threshold=90.0)
HARDWARE.part("indicator-at-30-v", "IND-03", "The indicator lights from 30 V on.", indicator_threshold=30.0)
HARDWARE.part("imd-set-low", "IMD-01", "The insulation monitor responds at 50 kohm.", imd_trip_resistance=50e3)
HARDWARE.part("imd-set-high", "IMD-04", "The insulation monitor responds at 300 kohm.", imd_trip_resistance=300e3)
HARDWARE.part("imd-slow", "IMD-01", "The insulation monitor needs a minute.", imd_response_time=60.0)
HARDWARE.part(
    "logic-resets-at-8-v", "SUP-01", "The controller resets at 8 V, before it can say why.", logic_voltage=8.0
)
HARDWARE.part("pack-sensed-low", "PRE-01", "The box senses the pack voltage 4 % low.", pack_sense_gain=0.96)
HARDWARE.part("vehicle-side-sensed-high", "PRE-01", "The box senses the vehicle side 5 % high.", ts_sense_gain=1.05)
