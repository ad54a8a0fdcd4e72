"""The battery management system: cell extremes, its OK line, and its message at 10 Hz.

The cells follow the EMF of the pack. Each of the four extremes can be driven from the bench and then says what the
bench says. The line is ok from start-up on whatever the cells are: limits are judged by the control box from the
messages, and the line is broken from outside, so that each barrier can be shown alone.

Leaves out: single cells, balancing, state of charge, the drop over the cells' resistance, CRC.
"""

from __future__ import annotations

from math import inf, isfinite, nan

from simulators.messages import Decoder, encoder
from simulators.parameters import Settings

#: Driven channel -> signal of the message. V and degC.
CELL_CHANNELS: dict[str, str] = {
    "bms_max_cell_voltage": "max_cell_voltage",
    "bms_min_cell_voltage": "min_cell_voltage",
    "bms_max_cell_temperature": "max_cell_temperature",
    "bms_min_cell_temperature": "min_cell_temperature",
}
LOST_SENSOR_DEGC = -40.0  # what an open thermistor reads


class Bms:
    """The sending side. `values` are the extremes as the message carries them."""

    def __init__(self) -> None:
        self._encoder = encoder("bms_cells", "cells_counter")
        self.frame_id = self._encoder.frame_id
        self.values: dict[str, float] = {}
        self._following: dict[str, float] = {}
        self._driven: dict[str, float] = {}
        self._counter = 0

    def configure(self, settings: Settings) -> None:
        mean, half = settings["pack_emf"] / settings["cells_in_series"], settings["cell_voltage_spread"] / 2.0
        coldest = settings["cell_temperature_min"]
        self._following = {
            "max_cell_voltage": mean + half,
            "min_cell_voltage": mean - half,
            "max_cell_temperature": settings["cell_temperature_max"],
            "min_cell_temperature": coldest,
        }
        self._lost = bool(settings["bms_temperature_lost"])
        self._frozen, self._backwards = bool(settings["bms_frozen"]), bool(settings["bms_counter_backwards"])
        self._refresh()

    def drive(self, signal: str, value: float | None) -> None:
        """Say `value` instead of the simulated cells; None: follow them again."""
        if value is None:
            self._driven.pop(signal, None)
        else:
            self._driven[signal] = value
        self._refresh()

    def is_driven(self, signal: str) -> bool:
        return signal in self._driven

    def _refresh(self) -> None:
        if self._frozen and self.values:
            return  # the message keeps its content and its counter
        self.values = {**self._following, **self._driven}
        if self._lost:
            self.values["min_cell_temperature"] = LOST_SENSOR_DEGC

    def next_message(self) -> bytes:
        if not self._frozen:
            self._counter = (self._counter + (-1 if self._backwards else 1)) % 16
        return self._encoder.encode(self.values, self._counter)


class BmsReceiver:
    """The control box's side. A message is valid when its counter is one to three ahead of the one before: up to two
    may be lost; one that stands still or runs backwards is invalid. `received_s` is -inf until the first valid one."""

    def __init__(self, decoder: Decoder):
        self._decoder = decoder
        self.restart()

    def restart(self) -> None:
        """The box has powered up: nothing received yet, values unknown (nan)."""
        self.received_s = -inf
        self.values = dict.fromkeys(CELL_CHANNELS.values(), nan)
        self.refused = 0
        self._last_counter: int | None = None

    def receive(self, t: float, frame_id: int, data: bytes) -> None:
        signals = self._decoder.decode(frame_id, data)
        if signals is None or "cells_counter" not in signals:
            self.refused += 1
            return
        counter = int(signals["cells_counter"])
        ahead = 1 if self._last_counter is None else (counter - self._last_counter) % 16
        self._last_counter = counter
        if not 1 <= ahead <= 3:
            self.refused += 1
            return
        self.received_s = t
        self.values = {name: float(signals[name]) for name in self.values}

    def age(self, t: float) -> float:
        return t - self.received_s if isfinite(self.received_s) else inf
