"""Defects of the firmware in what it makes of contacts and faults: welds, latches, reset, and what it says."""

from __future__ import annotations

from dataclasses import replace
from math import inf

from simulators.controller import Inputs, Outputs
from simulators.defect import Catalogue, Changed

LATCHING = Catalogue()


class WeldUnseen(Changed):
    """The weld of one contact is not looked for; one that does not close or drops out is."""

    contact = ""

    def _contact(self, name: str, t: float, commanded: bool, closed: bool) -> list[str]:
        causes = super()._contact(name, t, commanded, closed)
        return causes if commanded or name != self.contact else []

    def _welded(self, i: Inputs) -> list[str]:
        return [cause for cause in super()._welded(i) if not cause.startswith(self.contact)]


@LATCHING.firmware("air-plus-weld-unseen", "AIR-03")
class AirPlusWeldUnseen(WeldUnseen):
    """Does not look for a welded AIR+."""

    contact = "AIR+"


@LATCHING.firmware("air-minus-weld-unseen", "AIR-03")
class AirMinusWeldUnseen(WeldUnseen):
    """Does not look for a welded AIR-."""

    contact = "AIR-"


@LATCHING.firmware("precharge-weld-unseen", "AIR-03")
class PrechargeWeldUnseen(WeldUnseen):
    """Does not look for a welded pre-charge relay."""

    contact = "pre-charge relay"

    def _rises(self, t: float, i: Inputs) -> bool:
        return False


@LATCHING.firmware("rise-unseen", "AIR-03")
class RiseUnseen(Changed):
    """Does not notice that the voltage rises through AIR- alone."""

    def _rises(self, t: float, i: Inputs) -> bool:
        return False


@LATCHING.firmware("welds-checked-once", "AIR-03")
class WeldsOnceAfterBoot(Changed):
    """Looks for welded contacts only once after power-up.

    Contacts are looked at before the first start, and never again while they should be open.
    """

    _started = False

    def _contact(self, name: str, t: float, commanded: bool, closed: bool) -> list[str]:
        causes = super()._contact(name, t, commanded, closed)
        self._started |= commanded
        return causes if commanded or not self._started else []

    def _welded(self, i: Inputs) -> list[str]:
        return [] if self._started else super()._welded(i)


@LATCHING.firmware("false-weld", "AIR-12")
class FalseWeld(Changed):
    """Takes residual voltage for a welded contactor."""

    def _welded(self, i: Inputs) -> list[str]:
        return super()._welded(i) or (["AIR+ welded"] if i.ts_voltage > 5.0 else [])


@LATCHING.firmware("trusts-its-commands", "AIR-03 AIR-09")
class TrustsCommands(Changed):
    """Takes its own commands for the auxiliary contacts."""

    def reads(self, t: float, i: Inputs) -> Inputs:
        out = self._out
        return replace(i, air_plus_aux=out.air_plus, air_minus_aux=out.air_minus, precharge_aux=out.precharge)


@LATCHING.firmware("drives-on-after-dropout", "AIR-10")
class DrivesOnAfterDropout(Changed):
    """Goes on driving a contactor that has dropped out."""

    def _contact(self, name: str, t: float, commanded: bool, closed: bool) -> list[str]:
        return [cause for cause in super()._contact(name, t, commanded, closed) if "dropped" not in cause]


@LATCHING.firmware("waits-for-contacts", "AIR-09")
class WaitsForContacts(Changed):
    """Waits without end for a contactor that does not close."""

    contact_limit_s = inf


@LATCHING.firmware("never-latches", "LAT-01")
class NeverLatches(Changed):
    """Forgets a fault as soon as its cause is gone."""

    def _clears(self, i: Inputs, before: Inputs, present: list[str]) -> bool:
        return not present


@LATCHING.firmware("comes-back-after-fault", "LAT-01")
class ComesBack(NeverLatches):
    """Starts again by itself when the cause of a fault is gone."""

    _stopped = False

    def _asked_to_start(self, i: Inputs, before: Inputs) -> bool:
        again = self._stopped and i.ts_voltage < self.low_ts_v
        self._stopped &= not again
        return again or super()._asked_to_start(i, before)

    def says(self, t: float, i: Inputs, out: Outputs) -> Outputs:
        self._stopped |= self.last.air_plus and out.state == "fault"
        return out


@LATCHING.firmware("reset-held-counts", "LAT-03")
class ResetHeld(Changed):
    """Lets a reset button that is held suppress the latch."""

    def _clears(self, i: Inputs, before: Inputs, present: list[str]) -> bool:
        return i.reset_request and not present


@LATCHING.firmware("reset-remembered", "LAT-03 LAT-01")
class ResetRemembered(Changed):
    """Remembers a press of reset for the next fault.

    A press of reset while nothing is wrong or the cause is there clears the next fault as soon as it can.
    """

    _armed = False

    def _clears(self, i: Inputs, before: Inputs, present: list[str]) -> bool:
        self._armed |= i.reset_request and not before.reset_request
        clears = self._armed and bool(self._faults) and not present
        self._armed &= not clears
        return clears


@LATCHING.firmware("fault-expires", "LAT-01")
class FaultExpires(Changed):
    """Forgets a fault 30 s after its cause has gone."""

    _well = 0.0

    def _clears(self, i: Inputs, before: Inputs, present: list[str]) -> bool:
        self._well = 0.0 if present or not self._faults else self._well + self.period_s
        return self._well >= 30.0 or super()._clears(i, before, present)


@LATCHING.firmware("start-clears-quietly", "LAT-01")
class StartClearsQuietly(Changed):
    """Takes a press of start for a reset, and the next one for a start."""

    def _clears(self, i: Inputs, before: Inputs, present: list[str]) -> bool:
        return (self._asked_to_start(i, before) or super()._clears(i, before, present)) and not present


@LATCHING.firmware("reset-begins-again", "LAT-01")
class ResetBeginsAgain(Changed):
    """Clears a fault at the press of reset and only then looks whether a cell is still beyond its limit."""

    _reset = False

    def _causes(self, t: float, i: Inputs) -> list[str]:
        if i.reset_request and not self._reset:
            self._began.pop("cells", None)
            self._began.pop("heat", None)
        self._reset = i.reset_request
        return super()._causes(t, i)


@LATCHING.firmware("stop-is-reset", "LAT-01")
class StopTakenForReset(Changed):
    """Takes the press of stop for a reset, too."""

    def _clears(self, i: Inputs, before: Inputs, present: list[str]) -> bool:
        pressed = i.stop_request and not before.stop_request
        return (pressed or super()._clears(i, before, present)) and not present


@LATCHING.firmware("reset-forgives", "LAT-03 LAT-01")
class ResetForgives(Changed):
    """Clears a fault whose cause is still there at the press of reset."""

    _forgiven: tuple[str, ...] = ()
    _held = False

    def _causes(self, t: float, i: Inputs) -> list[str]:
        causes = super()._causes(t, i)
        pressed, self._held = i.reset_request and not self._held, i.reset_request
        if pressed and self._faults:
            self._faults.clear()
            self._forgiven = tuple(causes)
        self._forgiven = tuple(cause for cause in self._forgiven if cause in causes)
        return [cause for cause in causes if cause not in self._forgiven]


@LATCHING.firmware("first-fault-only", "LAT-04")
class FirstFaultOnly(Changed):
    """Stores one fault and forgets a weld seen together with it.

    One fault is stored and later ones are not; a weld is noticed when it happens and never again.
    """

    _told: frozenset[str] = frozenset()

    def _causes(self, t: float, i: Inputs) -> list[str]:
        causes = super()._causes(t, i)
        stored = self._faults[:1]
        return [cause for cause in causes if cause in stored or (not stored and cause == causes[0])]

    def _clears(self, i: Inputs, before: Inputs, present: list[str]) -> bool:
        clears = super()._clears(i, before, present)
        if clears:
            self._told = frozenset(self._began)
        return clears

    def _contact(self, name: str, t: float, commanded: bool, closed: bool) -> list[str]:
        causes = super()._contact(name, t, commanded, closed)
        return [] if name in self._told else causes

    def _welded(self, i: Inputs) -> list[str]:
        return []


@LATCHING.firmware("names-no-fault", "BMS-01 BMS-04 IMD-03")
class NamesNothing(Changed):
    """Does everything right and names no fault."""

    def says(self, t: float, i: Inputs, out: Outputs) -> Outputs:
        return replace(out, fault="")


@LATCHING.firmware("says-idle-in-fault", "AIR-08")
class SaysIdleInFault(Changed):
    """Calls the faulty state idle."""

    def says(self, t: float, i: Inputs, out: Outputs) -> Outputs:
        return replace(out, state="idle") if out.state == "fault" else out


@LATCHING.firmware("says-run-early", "AIR-08")
class SaysRunEarly(Changed):
    """Calls pre-charge run."""

    def says(self, t: float, i: Inputs, out: Outputs) -> Outputs:
        return replace(out, state="run") if out.state == "precharge" else out


@LATCHING.firmware("brown-out-not-latched", "LAT-01")
class BrownOutNotLatched(Changed):
    """Forgets a low supply when the supply is back."""

    def _clears(self, i: Inputs, before: Inputs, present: list[str]) -> bool:
        return super()._clears(i, before, present) or (self._faults == ["low supply"] and i.supply_voltage > 11.0)
