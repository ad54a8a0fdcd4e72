"""Devices that are asked, before their stand-ins: bench files, drivers, and a small device that speaks plain lines."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from typing import Any

from bench.devices.base import Device
from bench.devices.registry import driver_class
from bench.events import Batch, Event, Noted
from bench.language.bench_file import Bench, bench_from_text
from simulators.meter import Meter
from simulators.relay_board import RelayBoard
from simulators.wire_end import WireEnd

QUICK = "timeout: 300 ms, silence: 900 ms"
METER = """\
bench: meters
devices: {meter: {driver: scpi, port: 'PORT', QUICK, identity: {serial: '0001'}OPTIONS}}
channels:
  volts: {direction: read, unit: V, at: 'MEAS:VOLT:DC?', every: 10 ms}
"""
SUPPLY = (
    METER
    + """\
  supply: {direction: driven, unit: V, safe: 0 V, at: 'VOLT {value};:VOLT?'}
  output: {direction: driven, states: ["off", "on"], safe: "off", at: 'OUTP {value};:OUTP?'}
"""
)
RELAYS = """\
bench: relays
devices: {relays: {driver: modbus, port: 'PORT', baud: 115200, QUICK, unit: 3, identity: {holding 100: 4711}OPTIONS}}
channels:
  interlock: {direction: driven, states: [open, closed], safe: open, at: coil 3}
  lamp: {direction: driven, states: [lit, dark], safe: dark, at: coil 4}
  trim: {direction: driven, unit: degC, safe: 0 degC, at: holding 7 signed, scale: 0.1}
  aux: {direction: read, states: [open, closed], at: input 2, invert: true, every: 10 ms}
  bath: {direction: read, unit: degC, at: register 5 signed, scale: 0.1, every: 10 ms}
"""
LINES = """\
bench: lines
devices:
  box:
    driver: line
    port: 'PORT'
    timeout: 300 ms
    silence: 900 ms
    end_of_line: crlf
    identify: {send: "ID?", expect: "TINY {text}"}
    channels:
      relay:
        states: {open: {send: R0, expect: OK}, closed: {send: R1, expect: OK}}
        read: {send: "R?", expect: {open: "R=0", closed: "R=1"}}
      level: {set: {send: "L {value}", expect: "OK"}, read: {send: "L?", expect: "{value} V"}}
      heat: {read: {send: "T?", expect: "T={value}C"}}
channels:
  relay: {direction: driven, states: [open, closed], safe: open}
  level: {direction: driven, unit: V, safe: 0 V}
  heat: {direction: read, unit: degC, every: 10 ms}
"""


def bench_of(text: str, port: str = "none", options: str = "") -> Bench:
    text = text.replace("PORT", port).replace("QUICK", QUICK).replace("OPTIONS", options and f", {options}")
    return bench_from_text(text, "bench.yaml")


def driver_on(text: str, port: str, options: str = "", **more: Any) -> Device:
    """The one device of a bench file, by its driver's name."""
    bench = bench_of(text, port, options)
    ((name, entry),) = bench.devices.items()
    return driver_class(entry.driver, bench.file)(name, entry.options, bench.channels, bench, **more)


class SimulatedMeter(Meter):
    """Measures `volts`; `written` is what it was set to."""

    def __init__(self, volts: float | None = 402.1, tcp: bool = False, **options: Any):
        self.volts, self.written = volts, {}
        super().__init__(lambda: self.volts, write=self.written.__setitem__, tcp=tcp, **options)


class SimulatedRelays(RelayBoard):
    """Over a plain mapping: `values` is what its inputs read, `written` what its outputs got."""

    def __init__(self, tcp: bool = False, **options: Any):
        self.values, self.written = {"aux": "closed", "bath": -12.3}, {}
        extra = {"holding 100": 4711}
        channels = bench_of(RELAYS).channels
        super().__init__(channels, self.values.get, self.written.__setitem__, unit=3, tcp=tcp, extra=extra, **options)


class TinyBox(WireEnd):
    """What `LINES` describes. `deaf` commands are confirmed and not followed."""

    def __init__(self, tcp: bool = False):
        self.holds = {"R": "0", "L": "0"}
        self.heat = 21.5
        self.deaf = False
        self._line = b""
        super().__init__(tcp)

    def forget(self) -> None:
        self._line = b""

    def heard(self, data: bytes) -> Iterable[bytes]:
        *lines, self._line = (self._line + data).split(b"\r\n")
        for line in lines:
            yield self._obey(line.decode()).encode() + b"\r\n"

    def _obey(self, line: str) -> str:
        match line:
            case "ID?":
                return "TINY 7"
            case "T?":
                return f"T={self.heat}C"
            case "R?":
                return f"R={self.holds['R']}"
            case "L?":
                return f"{self.holds['L']} V"
        if not self.deaf:
            self.holds[line[0]] = line[1:].strip()
        return "OK"


class Holding:
    """For `mangle`: keeps the first answer with `what` in it back until the next is due, which it then comes before.

    `then` is called when it is kept back: what is answered afterwards may be something else.
    """

    def __init__(self, what: bytes = b"", then: Callable[[], object] = lambda: None) -> None:
        self.held: bytes | None = None
        self.holding = True
        self._what, self._then = what, then

    def __call__(self, answer: bytes) -> bytes:
        if self.holding and self._what in answer:
            self.holding, self.held = False, answer
            self._then()
            return b""
        held, self.held = self.held or b"", None
        return held + answer


def noted(*words: str) -> Callable[[Event], bool]:
    """Wants a note with these words."""
    return lambda event: isinstance(event, Noted) and all(word in event.text for word in words)


def sample(channel: str, value: Any) -> Callable[[Event], bool]:
    """Wants a reading of this value."""
    return lambda event: isinstance(event, Batch) and (channel, value) in event.samples


def scanned(group: str) -> Callable[[Event], bool]:
    return lambda event: isinstance(event, Batch) and group in event.scanned
