"""The seam at which controllers under test are swapped, and a healthy controller behind it.

`Controller`, `Inputs` and `Outputs` are fixed. `ReferenceController` is one state machine:

    idle -> minus -> watch -> charging -> plus -> overlap -> on -> stopping -> idle      any -> fault -> idle

    minus     AIR- commanded, its auxiliary contact awaited
    watch     AIR- alone for 100 ms: a vehicle side that rises now means a welded pre-charge relay or AIR+
    charging  pre-charge relay on, until the mean of the last 8 voltage ratios is at the threshold
    plus      AIR+ commanded, its auxiliary contact awaited; the pre-charge relay stays on
    overlap   both closed for 100 ms, then the pre-charge relay goes off
    on        `run` or `charge`
    stopping  asked to stop: waits for the current to fall, then opens

Values are the Heron 3 scenario's, put in the middle of the bands in which it may trip or not.
Leaves out: retries of a failed pre-charge (one attempt, then a fault), over-current, balancing, torque.
"""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass
from math import inf, log
from typing import Protocol


@dataclass(frozen=True, slots=True)
class Inputs:
    """What a controller reads. V, A (positive = discharging), s, degC; contacts True = closed.

    Before the first valid BMS message `bms_age_s` is inf and the cell values are nan.
    """

    loop_closed: bool
    start_request: bool
    stop_request: bool
    reset_request: bool
    charger_connected: bool
    charger_interlock: bool
    pack_voltage: float
    ts_voltage: float
    current: float
    air_plus_aux: bool
    air_minus_aux: bool
    precharge_aux: bool
    bms_ok: bool
    imd_ok: bool
    bms_age_s: float
    max_cell_voltage: float
    min_cell_voltage: float
    max_cell_temperature: float
    min_cell_temperature: float
    supply_voltage: float
    fans_ok: bool


@dataclass(frozen=True, slots=True)
class Outputs:
    """What a controller commands. Coils True = on; `discharge_open` pulls the normally-closed relay open; `fans`
    0..1; `state` is idle, precharge, run, charge or fault; `fault` is free text, '' = none."""

    air_plus: bool = False
    air_minus: bool = False
    precharge: bool = False
    discharge_open: bool = False
    fans: float = 0.0
    dcdc_enable: bool = False
    charge_enable: bool = False
    state: str = "idle"
    fault: str = ""


class Controller(Protocol):
    """Constructed with no arguments at power-up; `step` is called at t = 0 and then every `period_s`."""

    period_s: float

    def step(self, t: float, inputs: Inputs) -> Outputs: ...


CELLS_IN_SERIES = 96
PRECHARGE_TAU_S = 470.0 * 560e-6


class ReferenceController:
    """A healthy controller (see the module's head). Its numbers and small methods are seams: a defect changes one."""

    period_s = 0.01
    # Pre-charge
    threshold = 0.955  # of the pack voltage, as the mean of `ratio_samples` samples
    ratio_samples = 8
    too_fast, too_slow = 0.5, 2.5  # times the expected time
    watch_s = overlap_s = 0.1
    low_ts_v = 60.0
    # Supervision
    bms_age_limit_s = 0.43
    line_grace_s = 6.0
    highest_cell_v, lowest_cell_v, cell_voltage_lasts_s = 4.225, 2.75, 0.3
    hottest_cell_degc, coldest_cell_degc, cell_temperature_lasts_s = 59.8, -25.0, 0.6
    full_cell_v = 4.1995
    contact_limit_s, dropout_limit_s = 0.25, 0.03
    measured_supply_v, low_supply_lasts_s = 8.0, 0.2
    # Stop
    stop_wait_s = 1.9

    def __init__(self) -> None:
        self._phase = "idle"
        self._phase_began = 0.0
        self._charge = False  # what the present start is for
        self._faults: list[str] = []
        self._began: dict[str, float] = {}  # supervised condition -> since when it has been true
        self._made: set[str] = set()  # contacts that have closed since they were commanded
        self._seen_ok: set[str] = set()  # lines that have been ok since power-up
        self._before: Inputs | None = None
        self._ts_at_start = 0.0
        self._ratios: deque[float] = deque(maxlen=self.ratio_samples)
        self._out = Outputs()

    def step(self, t: float, inputs: Inputs) -> Outputs:
        before = self._before or inputs  # a button held at power-up is no press
        self._before = inputs
        present = self._causes(t, inputs)
        if self._clears(inputs, before, present):
            self._faults.clear()
        self._faults += [cause for cause in present if cause not in self._faults]

        if self._faults:
            self._enter("fault", t)
        elif self._phase == "fault" or not inputs.loop_closed:
            self._enter("idle", t)
        elif self._phase == "idle":
            if self._asked_to_start(inputs, before):
                self._start(t, inputs)
        else:
            self._go_on(t, inputs, inputs.stop_request and not before.stop_request)
        return self._outputs(t, inputs)

    def _clears(self, i: Inputs, before: Inputs, present: list[str]) -> bool:
        """Whether what is latched is forgotten now; `present` is what is wrong at this moment."""
        return i.reset_request and not before.reset_request and not present

    def _asked_to_start(self, i: Inputs, before: Inputs) -> bool:
        return i.start_request and not before.start_request

    # Supervision: names of all that is wrong at this moment, whatever the phase.

    def _causes(self, t: float, i: Inputs) -> list[str]:
        return self._lines(t, i) + self._messages(t, i) + self._cells(t, i) + self._contacts(t, i) + self._others(t, i)

    def _lines(self, t: float, i: Inputs) -> list[str]:
        causes = []
        for name, ok in (("BMS line", i.bms_ok), ("IMD line", i.imd_ok)):
            if ok:
                self._seen_ok.add(name)
            elif name in self._seen_ok or t >= self.line_grace_s:
                causes.append(name)
        return causes

    def _messages(self, t: float, i: Inputs) -> list[str]:
        return ["BMS messages lost"] if self.bms_age_limit_s < i.bms_age_s < inf else []

    def _cells(self, t: float, i: Inputs) -> list[str]:
        causes = []
        lowest, highest = i.min_cell_voltage, i.max_cell_voltage
        beyond = max(lowest, highest) >= self.highest_cell_v or min(lowest, highest) <= self.lowest_cell_v
        if self._lasted("cells", t, beyond, self.cell_voltage_lasts_s):
            causes.append("cell voltage")
        coldest, hottest = i.min_cell_temperature, i.max_cell_temperature
        beyond = max(coldest, hottest) >= self.hottest_cell_degc or min(coldest, hottest) <= self.coldest_cell_degc
        if self._lasted("heat", t, beyond, self.cell_temperature_lasts_s):
            causes.append("cell temperature or its sensor")
        return causes

    def _contacts(self, t: float, i: Inputs) -> list[str]:
        out = self._out
        return (
            self._contact("AIR+", t, out.air_plus, i.air_plus_aux)
            + self._contact("AIR-", t, out.air_minus, i.air_minus_aux)
            + self._contact("pre-charge relay", t, out.precharge, i.precharge_aux)
        )

    def _contact(self, name: str, t: float, commanded: bool, closed: bool) -> list[str]:
        if commanded == closed:
            self._began.pop(name, None)
            (self._made.add if closed else self._made.discard)(name)
            return []
        dropped = commanded and name in self._made
        if not self._lasted(name, t, True, self.dropout_limit_s if dropped else self.contact_limit_s):
            return []
        return [f"{name} {'dropped out' if dropped else 'did not close' if commanded else 'welded'}"]

    def _others(self, t: float, i: Inputs) -> list[str]:
        """Supply, discharge, sensors, charger."""
        lasted, causes = self._lasted, []
        energised = self._out.air_minus
        if lasted("supply", t, energised and i.supply_voltage < self.measured_supply_v, self.low_supply_lasts_s):
            causes.append("low supply")
        if lasted("discharge", t, not energised and i.ts_voltage > self.low_ts_v, 5.5):
            causes.append("vehicle side not discharged")
        if lasted("offset", t, not energised and abs(i.current) > 10.0, 0.5):
            causes.append("current sensor offset")
        differ = self._phase == "on" and abs(i.pack_voltage - i.ts_voltage) > 0.1 * i.pack_voltage
        if lasted("senses", t, differ, 0.3):
            causes.append("pack and vehicle-side voltage disagree")
        if self._charge and energised and not (i.charger_connected and i.charger_interlock):
            causes.append("charger unplugged")
        return causes

    def _lasted(self, name: str, t: float, condition: bool, limit_s: float) -> bool:
        """Whether `condition` has been true for `limit_s`, up to now."""
        if not condition:
            self._began.pop(name, None)
            return False
        return t - self._began.setdefault(name, t) >= limit_s - 1e-9

    # The way up and down.

    def _start(self, t: float, i: Inputs) -> None:
        """Refuse quietly what may pass by itself; name what is broken."""
        fresh, supplied = i.bms_age_s <= self.bms_age_limit_s, i.supply_voltage >= self.measured_supply_v
        ready_to_charge = i.charger_interlock and i.max_cell_voltage < self.full_cell_v
        if not (fresh and supplied and i.ts_voltage < self.low_ts_v) or (i.charger_connected and not ready_to_charge):
            return
        self._faults += self._welded(i) + self._implausible(i)
        self._charge, self._ts_at_start = i.charger_connected, max(i.ts_voltage, 0.0)
        self._enter("fault" if self._faults else "minus", t)

    def _welded(self, i: Inputs) -> list[str]:
        contacts = (("AIR+", i.air_plus_aux), ("AIR-", i.air_minus_aux), ("pre-charge relay", i.precharge_aux))
        return [f"{name} welded" for name, closed in contacts if closed]

    def _implausible(self, i: Inputs) -> list[str]:
        least = max(100.0, 0.95 * CELLS_IN_SERIES * i.min_cell_voltage)
        return ["pack voltage implausible"] if i.pack_voltage < least else []

    def _go_on(self, t: float, i: Inputs, stop: bool) -> None:
        phase, elapsed = self._phase, t - self._phase_began
        full = self._charge and i.max_cell_voltage >= self.full_cell_v
        if (stop or full) and phase not in ("on", "stopping"):
            self._enter("idle", t)
        elif phase == "minus" and i.air_minus_aux:
            self._enter("watch", t)
        elif phase == "watch":
            if self._rises(t, i):
                self._fail("pre-charge relay or AIR+ welded: voltage rises through AIR- alone", t)
            elif elapsed >= self.watch_s - 1e-9:
                self._ratios.clear()
                self._enter("charging", t)
        elif phase == "charging":
            self._precharge(t, i, elapsed)
        elif phase == "plus" and i.air_plus_aux:
            self._enter("overlap", t)
        elif phase == "overlap" and elapsed >= self.overlap_s - 1e-9:
            self._enter("on", t)
        elif phase == "on" and (stop or full):
            self._enter("stopping", t)
        elif phase == "stopping" and (self._unloaded(i) or elapsed >= self.stop_wait_s - 1e-9):
            self._enter("idle", t)

    def _rises(self, t: float, i: Inputs) -> bool:
        """Whether the voltage rises while AIR- alone is closed."""
        return self._lasted("rise", t, i.ts_voltage > self._ts_at_start + 25.0, 0.02)

    def _unloaded(self, i: Inputs) -> bool:
        return abs(i.current) < 5.0

    def _precharge(self, t: float, i: Inputs, elapsed: float) -> None:
        pack = max(i.pack_voltage, 100.0)  # less is no pack: 0 over 0 is not 100 %
        ratio = i.ts_voltage / pack
        self._ratios.append(ratio)
        start = min(self._ts_at_start / pack, 0.5)
        expected = PRECHARGE_TAU_S * log((1.0 - start) / (1.0 - self.threshold))
        if elapsed < self.too_fast * expected:
            if ratio >= self.threshold:
                self._fail("pre-charge too fast", t)
        elif self._is_there():
            self._enter("plus", t)
        elif elapsed >= self.too_slow * expected:
            self._fail("pre-charge too slow", t)

    def _is_there(self) -> bool:
        """Whether the vehicle side has its voltage: by the mean, so that one noisy sample does not close AIR+."""
        samples = self.ratio_samples
        return len(self._ratios) == samples and sum(self._ratios) >= self.threshold * samples

    def _enter(self, phase: str, t: float) -> None:
        if phase != self._phase:
            self._phase, self._phase_began = phase, t
            if phase in ("idle", "fault"):
                self._charge = False

    def _fail(self, cause: str, t: float) -> None:
        self._faults.append(cause)
        self._enter("fault", t)

    # What follows from the phase.

    def _outputs(self, t: float, i: Inputs) -> Outputs:
        phase = self._phase
        up = phase not in ("idle", "fault")
        closed = phase in ("plus", "overlap", "on", "stopping")
        both = closed and i.air_plus_aux and i.air_minus_aux
        state = ("charge" if self._charge else "run") if closed else "precharge" if up else phase
        named = self._faults
        if self._lasted("fans", t, not i.fans_ok, 1.0):
            named = [*named, "fan failed"]
        out = (
            closed, up, phase in ("charging", "plus", "overlap"), up, self._fans(i), both,
            both and self._charge and phase == "on" and i.charger_connected and i.charger_interlock,
            state, "; ".join(named),
        )  # fmt: skip
        last = self._out
        if out != (
            last.air_plus, last.air_minus, last.precharge, last.discharge_open, last.fans, last.dcdc_enable,
            last.charge_enable, last.state, last.fault,
        ):  # fmt: skip
            self._out = Outputs(*out)
        return self._out

    def _fans(self, i: Inputs) -> float:
        """20 % up to 30 degC, rising to full at 50 degC; full when the temperature is not known."""
        if not i.bms_age_s <= self.bms_age_limit_s or i.min_cell_temperature <= self.coldest_cell_degc:
            return 1.0
        return round(min(1.0, max(0.2, 0.2 + 0.04 * (i.max_cell_temperature - 30.0))), 2)
