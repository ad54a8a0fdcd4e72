"""Every physical quantity of the simulated box, by name, in base units (V, A, s, ohm, F, degC).

`--set name=value` and a case's `simulated:` change PARAMETERS. SWITCHES say what is broken at the moment
(0 = sound); only faults move them. `Settings` keeps the user's values and, above them, what faults that are
in change, so that faults may go in and come out in any order.

Leaves out: drift with temperature or age; a value is what it is for the whole run. Tolerance bands are in
simulators/tolerances.py.
"""

from __future__ import annotations

import difflib
import math
from collections.abc import Iterator, Mapping
from typing import NamedTuple

from bench.errors import InputError


class Parameter(NamedTuple):
    """`unit` is a base unit, '' for a plain number. Values below `least` are refused."""

    unit: str
    default: float
    meaning: str
    least: float = 0.0


_ANY = -math.inf

PARAMETERS: dict[str, Parameter] = {
    # Pack
    "pack_emf": Parameter("V", 403.2, "open-circuit voltage of the pack; the cells follow it"),
    "internal_resistance": Parameter("ohm", 0.1, "pack, fuse, contacts and cables together", 1e-3),
    "cells_in_series": Parameter("", 96, "cells in series", 1),
    "cell_voltage_spread": Parameter("V", 0.0, "highest cell minus lowest cell"),
    "cell_temperature_max": Parameter("degC", 27.0, "hottest cell", _ANY),
    "cell_temperature_min": Parameter("degC", 24.0, "coldest cell", _ANY),
    # High-voltage circuit, vehicle side
    "ts_capacitance": Parameter("F", 560e-6, "intermediate-circuit capacitor", 1e-9),
    "precharge_resistance": Parameter("ohm", 470.0, "pre-charge resistor"),
    "discharge_resistance": Parameter("ohm", 2200.0, "discharge resistor", 1.0),
    "load_resistance": Parameter("ohm", math.inf, "parasitic load across the vehicle side", 1e-3),
    "insulation_plus": Parameter("ohm", 2e6, "insulation of HV+ to chassis", 1.0),
    "insulation_minus": Parameter("ohm", 2e6, "insulation of HV- to chassis", 1.0),
    "y_capacitance_plus": Parameter("F", 100e-9, "Y capacitor, HV+ to chassis", 1e-12),
    "y_capacitance_minus": Parameter("F", 100e-9, "Y capacitor, HV- to chassis", 1e-12),
    "drive_current": Parameter("A", 0.0, "drawn by the inverter while both AIRs are closed", _ANY),
    "charge_current": Parameter("A", 5.0, "delivered by the charger while charging is enabled"),
    "dcdc_resistance": Parameter("ohm", 1000.0, "input of the DC-DC converter while enabled", 1.0),
    # Contactors
    "air_plus_make": Parameter("s", 0.025, "AIR+, coil on to contact closed"),
    "air_plus_release": Parameter("s", 0.015, "AIR+, coil off to contact open"),
    "air_plus_bounce": Parameter("s", 0.0, "AIR+, length of bounce after the first touch"),
    "air_plus_aux_delay": Parameter("s", 0.0, "AIR+, auxiliary contact behind the main contact"),
    "air_minus_make": Parameter("s", 0.025, "AIR-, coil on to contact closed"),
    "air_minus_release": Parameter("s", 0.015, "AIR-, coil off to contact open"),
    "air_minus_bounce": Parameter("s", 0.0, "AIR-, length of bounce after the first touch"),
    "air_minus_aux_delay": Parameter("s", 0.0, "AIR-, auxiliary contact behind the main contact"),
    "precharge_make": Parameter("s", 0.010, "pre-charge relay, coil on to contact closed"),
    "precharge_release": Parameter("s", 0.006, "pre-charge relay, coil off to contact open"),
    "precharge_bounce": Parameter("s", 0.0, "pre-charge relay, length of bounce after the first touch"),
    "precharge_aux_delay": Parameter("s", 0.0, "pre-charge relay, auxiliary contact behind the contact"),
    "discharge_make": Parameter("s", 0.010, "discharge relay, coil on to contact open (normally closed)"),
    "discharge_release": Parameter("s", 0.008, "discharge relay, coil off to contact closed"),
    "discharge_bounce": Parameter("s", 0.0, "discharge relay, length of bounce after the first touch"),
    "pull_in_voltage": Parameter("V", 8.0, "coil voltage at which a contactor pulls in"),
    "hold_voltage": Parameter("V", 4.0, "coil voltage down to which a contactor stays pulled in"),
    # Box supply, loop, indicator
    "logic_voltage": Parameter("V", 5.0, "supply below which the controller resets and all outputs are off"),
    "watchdog_time": Parameter("s", 0.1, "controller silent for so long: outputs off, and it is reset"),
    "supply_ceiling": Parameter("V", math.inf, "the supply cannot reach more than this"),
    "line_grace": Parameter("s", 6.0, "time after power-up in which a line that was never ok does not latch"),
    "indicator_threshold": Parameter("V", 60.0, "voltage-present indicator lit above"),
    # BMS and insulation monitor
    "bms_startup": Parameter("s", 0.2, "power-up to BMS line ok and first message"),
    "bms_period": Parameter("s", 0.1, "period of the BMS message", 1e-3),
    "imd_startup": Parameter("s", 1.0, "power-up to the insulation monitor's line ok"),
    "imd_response_time": Parameter("s", 3.0, "time constant of the insulation monitor's reading", 1e-3),
    "imd_trip_resistance": Parameter("ohm", 201.6e3, "response value: 500 ohm/V of 403.2 V"),
    # What the box senses: value * gain + offset, noise as standard deviation
    "pack_sense_gain": Parameter("", 1.0, "box's sense of the pack voltage, gain", _ANY),
    "pack_sense_offset": Parameter("V", 0.0, "box's sense of the pack voltage, offset", _ANY),
    "pack_sense_noise": Parameter("V", 0.0, "box's sense of the pack voltage, noise"),
    "ts_sense_gain": Parameter("", 1.0, "box's sense of the vehicle-side voltage, gain", _ANY),
    "ts_sense_offset": Parameter("V", 0.0, "box's sense of the vehicle-side voltage, offset", _ANY),
    "ts_sense_noise": Parameter("V", 0.0, "box's sense of the vehicle-side voltage, noise"),
    "current_sense_gain": Parameter("", 1.0, "box's sense of the pack current, gain", _ANY),
    "current_sense_offset": Parameter("A", 0.0, "box's sense of the pack current, offset", _ANY),
    "current_sense_noise": Parameter("A", 0.0, "box's sense of the pack current, noise"),
    "status_period": Parameter("s", 0.01, "period of the box's status message", 1e-3),
    "can_jitter": Parameter("s", 0.0, "the most that a message leaves late, evenly spread"),
    # The bench's own measurements
    "bench_pack_gain": Parameter("", 1.0, "bench's measurement of the pack voltage, gain", _ANY),
    "bench_pack_offset": Parameter("V", 0.0, "bench's measurement of the pack voltage, offset", _ANY),
    "bench_pack_noise": Parameter("V", 0.0, "bench's measurement of the pack voltage, noise"),
    "bench_ts_gain": Parameter("", 1.0, "bench's measurement of the vehicle-side voltage, gain", _ANY),
    "bench_ts_offset": Parameter("V", 0.0, "bench's measurement of the vehicle-side voltage, offset", _ANY),
    "bench_ts_noise": Parameter("V", 0.0, "bench's measurement of the vehicle-side voltage, noise"),
    "bench_current_gain": Parameter("", 1.0, "bench's measurement of the current, gain", _ANY),
    "bench_current_offset": Parameter("A", 0.0, "bench's measurement of the current, offset", _ANY),
    "bench_current_noise": Parameter("A", 0.0, "bench's measurement of the current, noise"),
}

#: What is broken: 0 sound, 1 broken. Faults move these, users do not.
SWITCHES: tuple[str, ...] = (
    *(f"{name}_{damage}" for name in ("air_plus", "air_minus", "precharge", "discharge")
      for damage in ("welded", "dead", "wire_broken")),
    *(f"{name}_aux_{damage}" for name in ("air_plus", "air_minus") for damage in ("open", "closed")),
    "precharge_aux_unlinked",  # it goes with the coil, not with the contact
    "controller_hung", "controller_held",
    "loop_broken", "interlock_broken", "interlock_grounded", "bms_line_broken", "imd_line_broken", "imd_line_stuck_ok",
    "bms_silent", "bms_frozen", "bms_counter_backwards", "bms_temperature_lost", "can_silent", "status_silent",
    "ts_sense_stuck", "ts_sense_on_pack", "senses_swapped", "fan_failed",
    "bench_io_silent", "bench_ts_frozen", "bench_pack_frozen", "bench_ts_unplugged", "bench_pack_unplugged",
)  # fmt: skip


class Settings(Mapping[str, float]):
    """Present value of every parameter and switch.

    Raises InputError for a name that is no parameter, or a value that it cannot have.
    """

    def __init__(self, chosen: Mapping[str, float]):
        for name, value in chosen.items():
            _refuse_bad(name, value)
        self._own = {name: parameter.default for name, parameter in PARAMETERS.items()}
        self._own.update(dict.fromkeys(SWITCHES, 0.0))
        self._own.update(chosen)
        self._overlays: dict[str, Mapping[str, float]] = {}
        self._present = dict(self._own)

    def overlay(self, fault: str, values: Mapping[str, float]) -> None:
        """Put `values` above the present ones until `lift`; the fault that came last wins."""
        self._overlays.pop(fault, None)
        self._overlays[fault] = values
        self._present.update(values)

    def lift(self, fault: str, values: Mapping[str, float] | None = None) -> bool:
        """Take a fault's values away again; False when it is not in, or not with these very `values`."""
        if fault not in self._overlays or (values is not None and self._overlays[fault] is not values):
            return False
        del self._overlays[fault]
        self._present = dict(self._own)
        for values in self._overlays.values():
            self._present.update(values)
        return True

    def __getitem__(self, name: str) -> float:
        return self._present[name]

    def __iter__(self) -> Iterator[str]:
        return iter(self._present)

    def __len__(self) -> int:
        return len(self._present)


def _refuse_bad(name: str, value: float) -> None:
    parameter = PARAMETERS.get(name)
    if parameter is None:
        near = difflib.get_close_matches(name, PARAMETERS, 1)
        raise InputError.at(
            "simulated parameters", f"'{name}' is no parameter of the simulated box",
            f"perhaps '{near[0]}'" if near else f"one of {', '.join(PARAMETERS)}",
        )  # fmt: skip
    finite_needed = not math.isinf(parameter.default) and parameter.unit != "ohm"
    if math.isnan(value) or value < parameter.least or (finite_needed and math.isinf(value)):
        least = f" and at least {parameter.least:g}" if math.isfinite(parameter.least) else ""
        raise InputError.at(
            "simulated parameters", f"{name} cannot be {value:g} {parameter.unit}".rstrip(),
            f"it must be a {'finite ' if finite_needed else ''}number{least}",
        )  # fmt: skip
