"""Defects of the firmware in what it supervises: lines, messages, cells, supply, sensors, fans."""

from __future__ import annotations

from dataclasses import replace
from math import inf, isinf

from simulators.controller import Inputs
from simulators.defect import Catalogue, Changed

SUPERVISING = Catalogue()


class IgnoresLine(Changed):
    """Leaves a line to the hardware: always, when it falls while pre-charging, or for a minute after power-up."""

    line, when = "bms_ok", "always"
    _fell_then = False

    def reads(self, t: float, i: Inputs) -> Inputs:
        then = {"always": True, "pre-charge": self._out.state == "precharge", "first minute": t < 60.0}[self.when]
        self._fell_then = (self._fell_then or then) and not getattr(i, self.line)
        return replace(i, **{self.line: True}) if self._fell_then else i


@SUPERVISING.firmware("bms-line-ignored", "BMS-01", "hardware")
class BmsLineIgnored(IgnoresLine):
    """Leaves a fault of the BMS line to the hardware."""

    line = "bms_ok"


@SUPERVISING.firmware("imd-line-ignored", "IMD-03", "hardware")
class ImdLineIgnored(IgnoresLine):
    """Leaves a fault of the insulation monitor's line to the hardware."""

    line = "imd_ok"


@SUPERVISING.firmware("bms-line-ignored-in-precharge", "BMS-01", "hardware")
class BmsLineIgnoredInPrecharge(IgnoresLine):
    """Misses a BMS line that falls while pre-charging."""

    line = "bms_ok"
    when = "pre-charge"


@SUPERVISING.firmware("imd-line-ignored-in-precharge", "IMD-03", "hardware")
class ImdLineIgnoredInPrecharge(IgnoresLine):
    """Misses a line of the insulation monitor that falls while pre-charging."""

    line = "imd_ok"
    when = "pre-charge"


@SUPERVISING.firmware("imd-line-ignored-at-first", "IMD-03", "hardware")
class ImdLineIgnoredAtFirst(IgnoresLine):
    """Misses a line of the insulation monitor that falls within 60 s of power-up."""

    line = "imd_ok"
    when = "first minute"


@SUPERVISING.firmware("lines-seldom-read", "BMS-01 IMD-03", "hardware")
class LinesSeldomRead(Changed):
    """Looks at both lines only when it switches something on."""

    def _lines(self, t: float, i: Inputs) -> list[str]:
        return super()._lines(t, i) if t == self._phase_began and self._phase not in ("idle", "fault") else []


@SUPERVISING.firmware("silence-ignored", "BMS-02")
class IgnoresSilence(Changed):
    """Does not mind when BMS messages stop."""

    def _messages(self, t: float, i: Inputs) -> list[str]:
        return []


@SUPERVISING.firmware("silence-seen-in-run-only", "BMS-02")
class SilenceInRunOnly(Changed):
    """Supervises BMS messages only once it runs."""

    def _messages(self, t: float, i: Inputs) -> list[str]:
        return super()._messages(t, i) if self._phase == "on" else []


@SUPERVISING.firmware("never-heard-is-fresh", "BMS-02")
class NeverHeardIsFresh(Changed):
    """Takes messages that never came for fresh ones."""

    def reads(self, t: float, i: Inputs) -> Inputs:
        return replace(i, bms_age_s=0.0) if isinf(i.bms_age_s) else i


@SUPERVISING.firmware("age-begins-with-state", "BMS-02")
class AgeBeginsWithState(Changed):
    """Begins to count the age of messages anew with every change of state."""

    def _messages(self, t: float, i: Inputs) -> list[str]:
        return super()._messages(t, replace(i, bms_age_s=min(i.bms_age_s, t - self._phase_began)))


@SUPERVISING.firmware("silence-overwritten", "BMS-02")
class SilenceOverwritten(Changed):
    """Loses a silence noticed within 20 ms after the change to run.

    Silence is an event; one that comes within 20 ms of the change to run is overwritten by it.
    """

    _silent = False

    def _messages(self, t: float, i: Inputs) -> list[str]:
        before, causes = self._silent, super()._messages(t, i)
        self._silent = bool(causes)
        overwritten = self._phase == "on" and t - self._phase_began < 0.0201
        return causes if causes and not before and not overwritten else []


class Reads(Changed):
    """A cell value that is read wrong."""

    def reads(self, t: float, i: Inputs) -> Inputs:
        return replace(i, **self.read_wrong(i))

    def read_wrong(self, i: Inputs) -> dict[str, float]:
        raise NotImplementedError


@SUPERVISING.firmware("highest-cell-misread", "BMS-04")
class LowestForHighest(Reads):
    """Compares the lowest cell with the limit for over-voltage."""

    def read_wrong(self, i: Inputs) -> dict[str, float]:
        return {"max_cell_voltage": i.min_cell_voltage}


@SUPERVISING.firmware("lowest-cell-misread", "BMS-04")
class HighestForLowest(Reads):
    """Compares the highest cell with the limit for under-voltage."""

    def read_wrong(self, i: Inputs) -> dict[str, float]:
        return {"min_cell_voltage": i.max_cell_voltage}


@SUPERVISING.firmware("temperature-unsigned", "BMS-08")
class Unsigned(Reads):
    """Reads temperatures without sign: -10 degC is 246 degC."""

    def read_wrong(self, i: Inputs) -> dict[str, float]:
        names = ("max_cell_temperature", "min_cell_temperature")
        return {name: value + 256.0 for name in names if (value := getattr(i, name)) < 0.0}


@SUPERVISING.firmware("temperature-offset", "BMS-05")
class OffsetForgotten(Reads):
    """Forgets an offset of 40 degC: trips at 100 degC."""

    def read_wrong(self, i: Inputs) -> dict[str, float]:
        return {"max_cell_temperature": i.max_cell_temperature - 40.0}


@SUPERVISING.firmware("hottest-cell-misread", "BMS-05")
class ColdestOnly(Reads):
    """Looks at the coldest cell only."""

    def read_wrong(self, i: Inputs) -> dict[str, float]:
        return {"max_cell_temperature": i.min_cell_temperature}


@SUPERVISING.firmware("fans-stop-when-blind", "AUX-03")
class FansStopWhenBlind(Changed):
    """Stops the fans when the temperature is lost."""

    def _fans(self, i: Inputs) -> float:
        known = i.bms_age_s <= self.bms_age_limit_s and i.min_cell_temperature > self.coldest_cell_degc
        return super()._fans(i) if known else 0.0


@SUPERVISING.firmware("fans-turned-round", "AUX-02")
class FansTurnedRound(Changed):
    """Slows the fans down as the cells get hotter."""

    def _fans(self, i: Inputs) -> float:
        return round(1.2 - super()._fans(i), 2)


@SUPERVISING.firmware("brown-out-seen-once", "SUP-01")
class BrownOutSeenOnce(Changed):
    """Notices a low supply only once since power-up."""

    _seen = False

    def _others(self, t: float, i: Inputs) -> list[str]:
        causes = super()._others(t, i)
        if self._seen and "low supply" not in self._faults:
            return [cause for cause in causes if cause != "low supply"]
        self._seen = self._seen or "low supply" in causes
        return causes


@SUPERVISING.firmware("heat-unseen-while-charging", "BMS-05")
class HeatUnseenWhileCharging(Changed):
    """Does not look at the cells' temperatures while it charges."""

    def _cells(self, t: float, i: Inputs) -> list[str]:
        causes = super()._cells(t, i)
        return [c for c in causes if "temperature" not in c] if self._charge else causes


@SUPERVISING.firmware("heat-seen-in-run-only", "BMS-05")
class HeatSeenInRunOnly(Changed):
    """Looks at the cells' temperatures only once it runs."""

    def _cells(self, t: float, i: Inputs) -> list[str]:
        causes = super()._cells(t, i)
        return causes if self._phase == "on" or self._faults else [c for c in causes if "temperature" not in c]


@SUPERVISING.firmware("silence-unseen-while-stopping", "BMS-02")
class SilenceUnseenWhileStopping(Changed):
    """Does not supervise BMS messages while it waits for the current to fall."""

    def _messages(self, t: float, i: Inputs) -> list[str]:
        return [] if self._phase == "stopping" else super()._messages(t, i)


@SUPERVISING.firmware("impossible-heat-unseen", "BMS-05")
class ImpossibleHeatUnseen(Changed):
    """Takes a temperature above 150 degC for one that is not measured."""

    def _cells(self, t: float, i: Inputs) -> list[str]:
        causes = super()._cells(t, i)
        return causes if i.max_cell_temperature <= 150.0 else [c for c in causes if "temperature" not in c]


@SUPERVISING.firmware("fans-dip", "AUX-02")
class FansDip(Changed):
    """Slows the fans down between 45 and 48 degC."""

    def _fans(self, i: Inputs) -> float:
        duty = super()._fans(i)
        return duty - 0.25 if 45.0 < i.max_cell_temperature < 48.0 else duty


@SUPERVISING.firmware("fans-slow-down-in-silence", "AUX-03")
class FansSlowDownInSilence(Changed):
    """Has the two cases the wrong way round: full while the messages come, by the last temperature when they stop."""

    def _fans(self, i: Inputs) -> float:
        return super()._fans(replace(i, bms_age_s=0.0)) if i.bms_age_s > self.bms_age_limit_s else 1.0


@SUPERVISING.firmware("fan-failure-unnamed", "AUX-04")
class FanFailureUnnamed(Changed):
    """Does not name a fan that has failed."""

    def reads(self, t: float, i: Inputs) -> Inputs:
        return replace(i, fans_ok=True)


@SUPERVISING.firmware("current-offset-unseen", "SNS-04")
class OffsetUnseen(Changed):
    """Does not notice a current with all contacts open."""

    def reads(self, t: float, i: Inputs) -> Inputs:
        return i if self._out.air_minus else replace(i, current=0.0)


@SUPERVISING.firmware("offset-below-unseen", "SNS-04")
class OffsetBelowUnseen(Changed):
    """Looks only for a current that is drawn: an offset below zero is never seen."""

    def reads(self, t: float, i: Inputs) -> Inputs:
        return i if self._out.air_minus else replace(i, current=max(i.current, 0.0))


@SUPERVISING.firmware("load-taken-for-offset", "SNS-06")
class LoadTakenForOffset(Changed):
    """Looks for an offset of the current sensor with closed contacts, too."""

    def _others(self, t: float, i: Inputs) -> list[str]:
        offset = self._lasted("load", t, abs(i.current) > 10.0, 0.5)
        return super()._others(t, i) + (["current sensor offset"] if offset else [])


@SUPERVISING.firmware("senses-not-compared", "SNS-03")
class SensesNotCompared(Changed):
    """Does not compare the two voltages while both AIRs are closed."""

    def reads(self, t: float, i: Inputs) -> Inputs:
        return replace(i, ts_voltage=i.pack_voltage) if self._phase == "on" else i


SUPERVISING.numbers(
    "no-patience-at-power-up", "IMD-05", "Takes lines that are not up yet at power-up for faults.", line_grace_s=0.0
)
SUPERVISING.numbers("silence-seen-after-5-s", "BMS-02", "Takes BMS messages for lost after 5 s.", bms_age_limit_s=5.0)
SUPERVISING.numbers(
    "one-message-late-trips", "BMS-03", "Takes BMS messages for lost after 150 ms.", bms_age_limit_s=0.15
)
SUPERVISING.numbers(
    "under-voltage-never", "BMS-04", "Compares under-voltage in the wrong unit: never true.", lowest_cell_v=-inf
)
SUPERVISING.numbers("over-voltage-at-4.30", "BMS-04", "Trips at a cell voltage of 4.30 V.", highest_cell_v=4.30)
SUPERVISING.numbers("over-voltage-at-4.15", "BMS-08", "Trips at a cell voltage of 4.15 V.", highest_cell_v=4.15)
SUPERVISING.numbers("under-voltage-at-2.60", "BMS-04", "Trips at a cell voltage of 2.60 V.", lowest_cell_v=2.60)
SUPERVISING.numbers("under-voltage-at-2.90", "BMS-08", "Trips at a cell voltage of 2.90 V.", lowest_cell_v=2.90)
SUPERVISING.numbers(
    "voltage-trips-after-3-s", "BMS-04", "Lets a cell voltage beyond its limit last 3 s.", cell_voltage_lasts_s=3.0
)
SUPERVISING.numbers("temperature-at-65", "BMS-05", "Trips at 65 degC.", hottest_cell_degc=65.0)
SUPERVISING.numbers("temperature-at-50", "BMS-08", "Trips at 50 degC.", hottest_cell_degc=50.0)
SUPERVISING.numbers(
    "temperature-trips-after-5-s",
    "BMS-05",
    "Lets a temperature beyond its limit last 5 s.",
    cell_temperature_lasts_s=5.0,
)
SUPERVISING.numbers(
    "lost-sensor-unseen",
    "BMS-07",
    "Takes the reading of a lost temperature sensor for a cold cell.",
    coldest_cell_degc=-inf,
)
SUPERVISING.numbers(
    "lost-sensor-below-36", "BMS-07", "Takes a sensor for lost only below -36 degC.", coldest_cell_degc=-36.0
)
SUPERVISING.numbers("cold-trips", "BMS-08", "Takes a cold cell for a lost sensor.", coldest_cell_degc=-5.0)
SUPERVISING.numbers("brown-out-ignored", "SUP-01", "Does not notice a low supply.", measured_supply_v=0.0)
SUPERVISING.numbers("brown-out-at-6-v", "SUP-01", "Notices a low supply only below 6 V.", measured_supply_v=6.0)
SUPERVISING.numbers("brown-out-at-10-v", "SUP-02", "Takes 10 V for a low supply.", measured_supply_v=10.0)
SUPERVISING.numbers("brown-out-at-7.2-v", "SUP-01", "Notices a low supply only below 7.2 V.", measured_supply_v=7.2)
SUPERVISING.numbers("brown-out-seen-late", "SUP-01", "Lets a low supply last 2 s.", low_supply_lasts_s=2.0)
