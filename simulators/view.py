"""What the bench sees of the simulated box: scans, edges stamped when they happen, decoded frames.

Each channel of the bench file that the simulated box serves is read in one of three ways: by `signal` from CAN frames,
by `capture: edges` the moment it changes, or at the scans of its group. Values are in the channel's own unit, rounded
to its resolution. A silent I/O board keeps everything back until it speaks again.

Leaves out: transport delay of the I/O board, skew between the channels of one scan, converter non-linearity.
"""

from __future__ import annotations

import difflib
import math
from collections.abc import Callable, Iterable
from random import Random
from typing import TYPE_CHECKING

from bench.devices.can_database import EXTENDED
from bench.devices.can_decoding import Decoding
from bench.errors import InputError
from bench.events import Batch, Frame, Value
from bench.language.units import UNITS
from simulators.bms import CELL_CHANNELS
from simulators.box import QUANTITY_DRIVEN, TWO_STATE_DRIVEN, Box
from simulators.messages import SHIPPED
from simulators.parameters import Settings
from simulators.timeline import SCANS, Timeline

if TYPE_CHECKING:
    from bench.language.bench_file import Bench
    from bench.language.channel import Channel

DRIVABLE: tuple[str, ...] = (*TWO_STATE_DRIVEN, *QUANTITY_DRIVEN, *CELL_CHANNELS)
DISCRETE: tuple[str, ...] = (
    "loop", "air_plus", "air_minus", "precharge", "discharge", "air_plus_coil", "air_minus_coil", "precharge_coil",
    "discharge_coil", "air_plus_aux", "air_minus_aux", "precharge_aux", "indicator", "fan_duty", "dcdc", "charging",
    "controller_state", "controller_fault", "firmware",
)  # fmt: skip
ANALOGUE: tuple[str, ...] = (
    "pack_voltage", "ts_voltage", "current", "insulation_resistance", "ts_plus_voltage", "ts_minus_voltage",
    "precharge_energy", "discharge_energy",
)  # fmt: skip

_DEFAULT_SCAN_S = 0.01


class View:
    """Collects, per instant, what the bench would read. `collect` hands it over as a Batch."""

    def __init__(self, bench: Bench, timeline: Timeline, settings: Settings, random: Random):
        self._timeline, self._settings, self._random = timeline, settings, random
        served = {name: channel for name, channel in bench.channels.items() if _is_simulated(bench, channel)}
        for name, channel in served.items():
            known = DRIVABLE if channel.direction == "driven" else DISCRETE + ANALOGUE
            if name not in known and not channel.signal:
                _refuse(name, channel.direction, known)
        self.driven = {name: channel for name, channel in served.items() if channel.direction == "driven"}
        self._read = {name: channel for name, channel in served.items() if channel.direction == "read"}
        self._rounding = {name: _rounder(channel) for name, channel in served.items() if _has_unit(channel)}
        self._edges = {name for name, channel in self._read.items() if channel.capture == "edges"}
        self._edges |= {name for name in self.driven if name in CELL_CHANNELS}  # they follow the cells until driven
        self._shown: dict[str, Value] = {}
        self._pending: dict[str, Value] = {}  # discrete channels: what the next scan will find
        self._samples: dict[str, Value] = {}
        self._scanned: list[str] = []
        self._frames: list[Frame] = []
        self._meters: dict[str, Meter] = {}
        self._silent = False
        self._messages = Decoding(bench.database or SHIPPED, self._read, bench).messages

    def connect(self, box: Box) -> None:
        """Begin to scan `box`, from now on."""
        self._box = box
        self._meters = {name: Meter(name, box, self._random) for name in ANALOGUE if name in self._read}
        self.configure()
        groups: dict[str, list[str]] = {}
        for name, channel in self._read.items():
            if not channel.signal:
                groups.setdefault(channel.group, []).append(name)
        now = self._timeline.now
        for group, names in groups.items():
            period = min(self._read[name].every_s or _DEFAULT_SCAN_S for name in names)
            self._timeline.every(period, now, self._scan_of(group, names), SCANS)

    def configure(self) -> None:
        """Parameters of the bench's own measurements, or their faults, have changed."""
        self._silent = bool(self._settings["bench_io_silent"])
        for meter in self._meters.values():
            meter.configure(self._timeline.now, self._settings)

    def told(self, name: str, value: Value) -> None:
        """A discrete quantity of the box has changed."""
        if name in self._rounding:
            value = self._rounding[name](value)
        if name in self._edges and not self._silent:
            self._samples[name] = value
            self._pending.pop(name, None)
        elif name in self._read and not self._read[name].signal:
            self._pending[name] = value

    def drove(self, name: str, value: Value) -> None:
        """The bench has set this channel itself, so that is what it has seen last (channel's unit)."""
        self._shown[name] = value

    def hear(self, frames: Iterable[Frame]) -> None:
        """Frames on the bus, as bytes; decoded with the bench's database, as on a real bench."""
        for frame in frames:
            self._frames.append(frame)
            message = self._messages.get(frame.id | EXTENDED if frame.extended else frame.id)
            if message is not None:
                news, groups = message.news(frame.data), message.all_groups
                if news is None:
                    reading = message.reading(frame.data)
                    news, groups = reading.samples, reading.groups
                    message.forget()
                self._scanned += groups
                self._samples.update(news)

    def collect(self, t: float) -> Batch:
        """All that was seen at `t`; samples only where they differ from what was seen last."""
        samples: tuple[tuple[str, Value], ...] = ()
        if self._samples:
            shown = self._shown
            samples = tuple(pair for pair in self._samples.items() if shown.get(pair[0]) != pair[1])
            shown.update(samples)
            self._samples = {}
        batch = Batch(t, samples, tuple(self._scanned), tuple(self._frames))
        self._scanned, self._frames = [], []
        return batch

    def _scan_of(self, group: str, names: list[str]) -> Callable[[float], None]:
        meters = [(name, self._meters[name], self._rounding[name]) for name in names if name in self._meters]
        discrete = [name for name in names if name not in self._meters]

        def scan(t: float) -> None:
            if self._silent:
                return
            self._scanned.append(group)
            samples, pending = self._samples, self._pending
            for name, meter, rounded in meters:
                samples[name] = rounded(meter.read(t))
            if pending:
                for name in discrete:
                    if name in pending:
                        samples[name] = pending.pop(name)

        return scan


class Meter:
    """One analogue measurement of the bench. Values in base units."""

    def __init__(self, name: str, box: Box, random: Random):
        circuit = box.circuit
        self._true: Callable[[float], float] = {
            "pack_voltage": circuit.pack_voltage, "ts_voltage": circuit.ts_voltage, "current": circuit.current,
            "insulation_resistance": box.imd.resistance, "ts_plus_voltage": circuit.plus_voltage,
            "ts_minus_voltage": circuit.minus_voltage, "precharge_energy": circuit.precharge_energy,
            "discharge_energy": circuit.discharge_energy,
        }[name]  # fmt: skip
        self._prefix = {"pack_voltage": "bench_pack", "ts_voltage": "bench_ts", "current": "bench_current"}.get(name)
        self._random, self._held, self._frozen = random, 0.0, False
        self.read = self._true

    def configure(self, t: float, settings: Settings) -> None:
        """Take over gain, offset (base unit), noise (its standard deviation) and damages."""
        if not self._prefix:
            return
        self._gain, self._offset, self._noise = (settings[f"{self._prefix}_{k}"] for k in ("gain", "offset", "noise"))
        frozen = bool(settings.get(f"{self._prefix}_frozen", 0.0))
        if frozen and not self._frozen:
            self._held = self.read(t)
        self._frozen = frozen
        if frozen:
            self.read = lambda t: self._held
        elif settings.get(f"{self._prefix}_unplugged", 0.0):
            self.read = lambda t: 0.0
        else:
            plain = self._gain == 1.0 and self._offset == 0.0 and self._noise == 0.0
            self.read = self._true if plain else self._measured

    def _measured(self, t: float) -> float:
        noise = self._random.gauss(0.0, self._noise) if self._noise else 0.0
        return self._true(t) * self._gain + self._offset + noise


def _is_simulated(bench: Bench, channel: Channel) -> bool:
    device = bench.devices.get(channel.device)
    return device is None or device.driver == "simulated"


def _has_unit(channel: Channel) -> bool:
    return not channel.states and not channel.text


def _rounder(channel: Channel) -> Callable[[float], float]:
    """From base unit to the channel's unit, rounded to its resolution."""
    unit, resolution = UNITS[channel.unit or ""], channel.resolution
    plain = unit.factor == 1.0
    if not resolution:
        return float if plain else unit.from_base
    per_unit = round(1.0 / resolution)
    whole = per_unit > 0 and abs(per_unit * resolution - 1.0) < 1e-9  # divide by it: 403.2, not 403.20000000000005

    def rounded(value: float) -> float:
        if not plain:
            value = unit.from_base(value)
        if math.isinf(value):
            return value
        return round(value * per_unit) / per_unit if whole else round(round(value / resolution) * resolution, 9)

    return rounded


def _refuse(name: str, what: str, known: tuple[str, ...]) -> None:
    near = difflib.get_close_matches(name, known, 1)
    raise InputError.at(
        "bench description", f"the simulated box has no {what} channel '{name}'",
        f"perhaps '{near[0]}'" if near else f"it has {', '.join(known)}",
    )  # fmt: skip
