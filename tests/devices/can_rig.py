"""A bench with one CAN bus, on a stand-in adapter or on python-can's virtual interface."""

from __future__ import annotations

import itertools
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import can
from devices.rig import Running

from bench.devices.can_bus import CanBus
from bench.events import Aligned, Batch, Noted
from bench.language.bench_file import bench_from_text
from bench.language.shipped import shipped_file

STATUS, MEASUREMENTS, CELLS = 288, 289, 384
CHANNELS = """
  controller_state: {direction: read, text: true, signal: box_status.controller_state}
  fan_duty: {direction: read, unit: "%", signal: box_status.fan_duty}
  pack_voltage: {direction: read, unit: V, range: [0 V, 600 V], signal: box_measurements.pack_voltage}
"""
SENT = """
  bms_max: {direction: driven, unit: V, safe: 3.6 V, signal: bms_cells.max_cell_voltage}
  bms_min: {direction: driven, unit: V, safe: 3.6 V, signal: bms_cells.min_cell_voltage}
  bms_messages: {direction: driven, states: ["on", "off"], safe: "on", at: send bms_cells while on}
"""
_numbers = itertools.count()


def can_bus(
    entry: str, channels: str = CHANNELS, folder: Path | None = None, database: str = "", more: str = ""
) -> CanBus:
    """A driver named 'can'; `database` is the text of a DBC, the shipped one if left out."""
    path = shipped_file("heron3.dbc")
    if database:
        path = (folder or Path()) / "bus.dbc"
        path.write_text(database)
    text = f"bench: b\ndatabase: {path}\ndevices:\n  can: {{driver: can, {entry}}}\n{more}channels:{channels}"
    bench = bench_from_text(text, str((folder or Path()) / "bench.yaml"))
    mine = {channel.name: channel for channel in bench.channels.values() if channel.device == "can"}
    return CanBus("can", bench.devices["can"].options, mine, bench)


class Other:
    """Another node of a virtual bus."""

    def __init__(self) -> None:
        self.channel = f"test {next(_numbers)}"
        self.entry = f"interface: virtual, channel: {self.channel}"
        self._bus = can.Bus(interface="virtual", channel=self.channel, ignore_config=True)

    def __enter__(self) -> Other:
        return self

    def __exit__(self, *_: object) -> None:
        self._bus.shutdown()

    def say(self, number: int, data: bytes, extended: bool = False, **more) -> None:
        self._bus.send(can.Message(arbitration_id=number, data=data, is_extended_id=extended, **more))

    def hear(self, timeout_s: float = 5.0) -> can.Message:
        message = self._bus.recv(timeout_s)
        assert message is not None, "nothing was sent"
        return message

    def hear_nothing(self) -> None:
        assert self._bus.recv(0) is None


@contextmanager
def listening(device: CanBus) -> Iterator[Running]:
    """With its threads, and past the beginning: from now on frames count."""
    with Running(device) as running:
        running.until(lambda event: isinstance(event, Aligned))
        yield running


class Heard:
    """A connected driver on a virtual bus, without threads: what it makes of frames."""

    def __init__(self, *arguments, **named):
        self.other = Other()
        entry, *rest = arguments or ("",)
        self.device = can_bus(", ".join(filter(None, (self.other.entry, entry))), *rest, **named)
        self.device.connect()
        self.device.listen(0.0)

    def __enter__(self) -> Heard:
        return self

    def __exit__(self, *_: object) -> None:
        self.device.close()
        self.other.__exit__()

    def say(self, number: int, data: bytes, extended: bool = False, **more) -> list:
        """The events that this frame makes."""
        self.other.say(number, data, extended, **more)
        return list(self.device.listen(0.0))


def samples(events) -> dict:
    return {name: value for event in events if isinstance(event, Batch) for name, value in event.samples}


def scanned(events) -> list[str]:
    return [group for event in events if isinstance(event, Batch) for group in event.scanned]


def notes(events) -> list[str]:
    return [event.text for event in events if isinstance(event, Noted)]
