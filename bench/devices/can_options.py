"""What the entry of a CAN device may say, and the interface that it describes."""

from __future__ import annotations

import re
from collections.abc import Mapping
from typing import TYPE_CHECKING, Annotated, Any

from pydantic import BeforeValidator, ConfigDict, Field

from bench.devices.can_checks import ProtectionOptions
from bench.devices.can_port import CanPort, Count, PythonCanPort
from bench.devices.options import Options, Seconds, Whole, YesNo, read_options
from bench.errors import InputError
from bench.language.units import parse_quantity

if TYPE_CHECKING:
    from bench.language.bench_file import Bench

#: Our own reader of the serial-line protocol; every other name is one of python-can's.
SERIAL_LINE = "serial-line"


def _bit_rate(value: Any) -> Any:
    if isinstance(value, str):
        try:
            quantity = parse_quantity(value)
        except InputError:
            quantity = None
        if quantity is None or quantity.unit.name not in ("", "bit/s", "kbit/s", "Mbit/s"):
            raise ValueError(f"'{value}' is no bit rate; write for example '500 kbit/s'")
        return round(quantity.value)
    return value


def _periodic(value: Any) -> Any:
    return {"every": value} if isinstance(value, str) else value


class PeriodicOptions(Options):
    """A message sent by itself: `every` (the database's cycle time if left out), signals with fixed `values`."""

    every: Seconds | None = None
    values: dict[str, str] = {}


class CanOptions(Options):
    """`delay`: how long a frame may take from the wire to us, which bounds its time stamp.

    Keys beyond these go to python-can's interface, numbers and true/false as such.
    """

    model_config = ConfigDict(extra="allow")

    interface: str
    channel: str = ""
    bitrate: Annotated[int, BeforeValidator(_bit_rate), Field(ge=5_000, le=1_000_000)] | None = None
    listen_only: YesNo = False
    bus: str = ""
    database: str = ""
    identity: str = ""
    delay: Seconds | None = None
    stamps: YesNo | None = None
    expected: dict[str, Seconds] = {}
    counters: dict[str, str] = {}
    frozen_after: Annotated[Whole, Field(ge=1, le=1000)] = 3
    protection: dict[str, ProtectionOptions] = {}
    periodic: dict[str, Annotated[PeriodicOptions, BeforeValidator(_periodic)]] = {}

    @property
    def delay_s(self) -> float:
        """The default allows for a USB serial adapter that hands over every 16 ms, else for a busy host."""
        return self.delay or (0.02 if self.interface == SERIAL_LINE else 0.005)


class SerialLineKeys(Options):
    """Further keys of our own serial-line interface."""

    baud: Annotated[Whole, Field(ge=9600, le=12_000_000)] = 2_000_000
    dtr: YesNo = True
    ask_status: YesNo = True


def can_options(device: str, options: Mapping[str, Any], bench: Bench) -> CanOptions:
    """Raises InputError."""
    read = read_options(CanOptions, device, options, bench.file)
    if read.interface == SERIAL_LINE:
        from bench.devices.serial_line_can import BIT_RATES

        read_options(SerialLineKeys, device, read.model_extra or {}, bench.file)
        if read.bitrate not in BIT_RATES:
            known = ", ".join(str(rate) for rate in BIT_RATES)
            raise InputError.at(bench.file, f"device {device}: no bit rate that the adapter has", f"one of {known}")
        if not read.channel:
            raise InputError.at(bench.file, f"device {device}: the key 'channel' is missing", "name the serial port")
    return read


def open_port(device: str, options: CanOptions, bench: Bench, count: Count) -> CanPort:
    """Raises DeviceLost, InputError."""
    extra = options.model_extra or {}
    if options.interface == SERIAL_LINE:
        from bench.devices.serial_line_can import SerialLinePort
        from bench.devices.serial_port import PortSettings

        keys = read_options(SerialLineKeys, device, extra, bench.file)
        settings = PortSettings(port=options.channel, baud=keys.baud, dtr=keys.dtr)
        return SerialLinePort(
            settings, options.bitrate or 0, options.listen_only, bool(options.stamps), keys.ask_status, count
        )
    keys = {name: typed(value) for name, value in extra.items()}
    if options.bitrate is not None:
        keys["bitrate"] = options.bitrate
    return PythonCanPort(options.interface, options.channel, keys, options.listen_only, count)


def typed(text: Any) -> Any:
    """The meaning that a key's text most likely has."""
    if not isinstance(text, str):
        return text
    if text in ("true", "false"):
        return text == "true"
    if re.fullmatch("[+-]?[0-9]+", text):
        return int(text)
    if re.fullmatch("0[xX][0-9A-Fa-f]+", text):
        return int(text, 16)
    if re.fullmatch(r"[+-]?[0-9]*\.[0-9]+", text):
        return float(text)
    return text
