"""Healthy boxes that differ as boxes do: every part somewhere in its tolerance, every sense and meter in its accuracy.

All bands are common practice, no source: capacitor +-20 %, resistors +-5 %, times of a contactor of this size with a
clamp across its coil. The pack goes from 2.80 V to 4.20 V a cell. The box's own senses are kept to 0.2 % and 0.3 V: a
box that measures much worse closes AIR+ below 95 % and is not healthy.

Leaves out: correlations (two contactors of one batch), temperature, age, a bench at the edge of its own accuracy in
every channel at once.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from random import Random

from simulators.controller import ReferenceController
from simulators.parameters import PARAMETERS

#: Factors on the parameter's default.
FACTORS: dict[str, tuple[float, float]] = {
    "ts_capacitance": (0.8, 1.2),
    "precharge_resistance": (0.95, 1.05),
    "discharge_resistance": (0.95, 1.05),
    "dcdc_resistance": (0.95, 1.05),
    "insulation_plus": (0.95, 5.0),
    "insulation_minus": (0.95, 5.0),
    "y_capacitance_plus": (0.8, 1.2),
    "y_capacitance_minus": (0.8, 1.2),
    "internal_resistance": (0.5, 2.0),
    "imd_trip_resistance": (1.0, 1.12),  # it has to respond at 500 ohm/V or above
}
#: Values in base units.
VALUES: dict[str, tuple[float, float]] = {
    "air_plus_make": (0.015, 0.035),
    "air_plus_release": (0.008, 0.025),
    "air_plus_bounce": (0.0, 0.003),
    "air_plus_aux_delay": (0.0, 0.005),
    "air_minus_make": (0.015, 0.035),
    "air_minus_release": (0.008, 0.025),
    "air_minus_bounce": (0.0, 0.003),
    "air_minus_aux_delay": (0.0, 0.005),
    "precharge_make": (0.005, 0.015),
    "precharge_release": (0.003, 0.010),
    "precharge_aux_delay": (0.0, 0.003),
    "discharge_make": (0.005, 0.015),
    "discharge_release": (0.004, 0.015),
    "pull_in_voltage": (6.5, 8.5),
    "hold_voltage": (2.5, 4.0),
    "indicator_threshold": (52.0, 59.0),
    "bms_startup": (0.1, 1.0),
    "imd_startup": (0.5, 2.5),
    "imd_response_time": (1.0, 4.0),
    "cell_temperature_min": (5.0, 25.0),
    "cell_temperature_max": (25.0, 45.0),
    "pack_sense_gain": (0.998, 1.002),
    "pack_sense_offset": (-0.3, 0.3),
    "pack_sense_noise": (0.0, 0.5),
    "ts_sense_gain": (0.998, 1.002),
    "ts_sense_offset": (-0.3, 0.3),
    "ts_sense_noise": (0.0, 0.5),
    "current_sense_gain": (0.99, 1.01),
    "current_sense_offset": (-0.5, 0.5),
    "current_sense_noise": (0.0, 0.2),
    "can_jitter": (0.0, 0.003),
}
CELL_SPREAD_V, EMPTY_CELL_V, FULL_CELL_V = (0.0, 0.03), 2.80, 4.20
PERIOD_S = (0.005, 0.020)  # of the firmware

#: The bench's meters: channel -> prefix of its parameters.
METERS = {"pack_voltage": "bench_pack", "ts_voltage": "bench_ts", "current": "bench_current"}


@dataclass(frozen=True)
class Draw:
    """One healthy box: `parameters` in base units, `period_s` of its firmware."""

    parameters: Mapping[str, float]
    period_s: float

    def controller(self) -> Callable[[], ReferenceController]:
        return type("ReferenceController", (ReferenceController,), {"period_s": self.period_s})


def draw(random: Random, accuracies: Mapping[str, tuple[float, float]]) -> Draw:
    """A box of which every part is anywhere in its band with equal chance.

    `accuracies` are those of the bench's channels: share of the value, and absolute in V or A.
    """
    found = {name: PARAMETERS[name].default * random.uniform(*band) for name, band in FACTORS.items()}
    found |= {name: random.uniform(*band) for name, band in VALUES.items()}
    spread = random.uniform(*CELL_SPREAD_V)
    mean = random.uniform(EMPTY_CELL_V + spread / 2.0, FULL_CELL_V - spread / 2.0)
    found |= {"cell_voltage_spread": spread, "pack_emf": mean * PARAMETERS["cells_in_series"].default}
    for channel, prefix in METERS.items():
        relative, absolute = accuracies.get(channel, (0.0, 0.0))
        found[f"{prefix}_gain"] = 1.0 + random.uniform(-relative, relative)
        found[f"{prefix}_offset"] = random.uniform(-absolute, absolute)
    return Draw(found, round(random.uniform(*PERIOD_S), 4))
