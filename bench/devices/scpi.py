"""`scpi`: meters and supplies that speak SCPI, over a serial port, a raw TCP socket, or whatever PyVISA opens.

    devices:
      meter:
        driver: scpi
        port: socket://192.168.1.20:5025      # or a serial port, or 'serial_number:', or 'resource:' for PyVISA
        identity: {model: HV-6000, serial: "000123"}
        settings: [["VOLT:DC:RANG 1000", "VOLT:DC:RANG?", "1000"], ["VOLT:DC:NPLC 0.2", "VOLT:DC:NPLC?", "0.2"]]
    channels:
      ts_voltage: {device: meter, direction: read, unit: V, at: "MEAS:VOLT:DC?", every: 100 ms}
      supply_voltage: {device: supply, direction: driven, unit: V, at: "VOLT {value};:VOLT?", safe: 0 V}

An output's `at` may end with a query (`;:VOLT?`): it is asked by itself, and its answer must agree with what was set.
For a channel with states `{value}` is the state's number (0 for the first). `*IDN?` answers four fields (IEEE 488.2,
10.14). +-9.9E37 is overload and 9.91E37 not a number (SCPI-1999 volume 1, 7.2.1.4 and 7.2.1.5): both are trouble, never
a value.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from typing import TYPE_CHECKING, Any, NamedTuple

from pydantic import Field

from bench.devices.base import DeviceLost
from bench.devices.options import Options
from bench.devices.polled import Asking, NoValue
from bench.devices.text_device import TextDevice, TextOptions, quoted
from bench.devices.wire_values import from_wire, to_wire
from bench.events import Value

if TYPE_CHECKING:
    from bench.language.bench_file import Bench
    from bench.language.channel import Channel

OVERFLOW = 9.9e37
NOT_A_NUMBER = 9.91e37
#: Single-precision instruments print 9.8999999E37 and the like; nothing measurable comes near.
_NEAR = 1e-5
_NUMBER = re.compile(r"[+-]?(?:[0-9]+\.?[0-9]*|\.[0-9]+)(?:[eE][+-]?[0-9]{1,3})?")
_WORDS = {"NAN": "not a number", "INF": "overload", "+INF": "overload", "NINF": "overload", "-INF": "overload"}
#: More errors than this in a row and the queue is taken for broken.
_MOST_ERRORS = 32


class Identity(NamedTuple):
    """The four fields of the answer to `*IDN?`."""

    manufacturer: str
    model: str
    serial: str
    firmware: str


class ExpectedIdentity(Options):
    manufacturer: str = ""
    model: str = ""
    serial: str = ""
    firmware: str = ""


class InstrumentOptions(TextOptions):
    identity: ExpectedIdentity
    set_first: list[list[str]] = Field([], alias="settings")
    error_query: str = "SYST:ERR?"
    resource: str = ""


class Instrument(TextDevice):
    """One instrument. Its identity is checked before anything else is said to it."""

    options_model = InstrumentOptions
    asked_options: InstrumentOptions

    def __init__(self, name: str, options: Mapping[str, Any], channels: Mapping[str, Channel], bench: Bench):
        resource = str(options.get("resource", ""))
        given = {**options, "port": resource} if resource and "port" not in options else options
        super().__init__(name, given, channels, bench)
        self.needs = ("pyvisa", "visa") if resource else None
        if not any(self.asked_options.identity.model_dump().values()):
            raise self.wrong("'identity' names no field of *IDN?", "give for example {model: HV-6000, serial: '0123'}")
        for entry in self.asked_options.set_first:
            if len(entry) not in (1, 3):
                raise self.wrong(f"settings: {entry!r} is not [set, query, expected]", "write three texts, or one")
        for channel in channels.values():
            _check_at(self, channel)

    def open(self) -> Asking[str]:
        if self.asked_options.resource:
            from bench.devices.visa_port import VisaPort

            self.port = VisaPort(self.asked_options.resource, self.asked_options.timeout)
        else:
            self.open_port()
        answer = yield from self.ask("*IDN?")
        self._check_identity(parse_identity(answer))
        self.sync = ("*IDN?", lambda line: line == answer)
        for error in (yield from self._errors()):
            self.note(f"reported from before: {error}")
        for entry in self.asked_options.set_first:
            self.say(entry[0])
            if len(entry) == 3:
                seen = yield from self.ask(entry[1])
                if not _same(seen, entry[2]):
                    raise NoValue(f"after {entry[0]!r} it answers {seen!r} to {entry[1]!r}, not {entry[2]!r}")
            if errors := (yield from self._errors()):
                raise NoValue(f"it refuses {entry[0]!r}: {'; '.join(errors)}")
        return answer

    def ask_value(self, name: str) -> Asking[Value]:
        return (yield from self._value_of(name, self.channels[name].at))

    def _value_of(self, name: str, query: str) -> Asking[Value]:
        answer = yield from self.ask(query)
        if self.channels[name].text:
            return answer
        try:
            return from_wire(self.channels[name], scpi_number(answer))
        except ValueError as error:
            raise NoValue(f"{query} gave {quoted(answer.encode('latin-1'))}, {error}") from error

    def write(self, name: str, value: Value) -> Asking[None]:
        channel = self.channels[name]
        command, _ = split_query(channel.at)
        try:
            number = to_wire(channel, value)
        except ValueError as error:
            raise NoValue(str(error)) from error
        self.say(command.replace("{value}", f"{number:.9g}"))
        if errors := (yield from self._errors()):
            raise NoValue(f"it reports {'; '.join(errors)}")
        yield from self.confirm(name, value)

    def ask_back(self, name: str) -> tuple[str, Asking[Value]] | None:
        _, query = split_query(self.channels[name].at)
        return (query, self._value_of(name, query)) if query else None

    def _errors(self) -> Asking[list[str]]:
        """What the error queue holds; reading empties it."""
        errors: list[str] = []
        while self.asked_options.error_query and len(errors) < _MOST_ERRORS:
            answer = yield from self.ask(self.asked_options.error_query)
            code = answer.partition(",")[0]
            if not re.fullmatch(r"[+-]?[0-9]+", code):
                raise NoValue(f"{self.asked_options.error_query} gave {quoted(answer.encode('latin-1'))}")
            if int(code) == 0:
                break
            errors.append(answer)
        return errors

    def _check_identity(self, found: Identity) -> None:
        for field, expected in self.asked_options.identity.model_dump().items():
            if expected and getattr(found, field) != expected:
                assert self.port is not None
                raise DeviceLost(
                    f"{self.name}: on {self.port.name} is another device: {field} is {getattr(found, field)!r}, "
                    f"not {expected!r} ({', '.join(found)})"
                )


def parse_identity(answer: str) -> Identity:
    """The fields of an answer to `*IDN?`. Raises NoValue when there are not four."""
    fields = [field.strip() for field in answer.split(",")]
    if len(fields) != 4:
        raise NoValue(f"*IDN? gave {quoted(answer.encode('latin-1'))}, which is not four fields")
    return Identity(*fields)


def scpi_number(text: str) -> float:
    """The number that an instrument answered. Raises ValueError for overload, not-a-number, and anything else."""
    word = text.strip()
    if word.upper() in _WORDS:
        raise ValueError(_WORDS[word.upper()])
    if not _NUMBER.fullmatch(word):
        raise ValueError("which is no number")
    number = float(word)
    if abs(number - NOT_A_NUMBER) <= NOT_A_NUMBER * _NEAR:
        raise ValueError("not a number")
    if abs(number) >= OVERFLOW * (1 - _NEAR):
        raise ValueError("overload")
    return number


def split_query(at: str) -> tuple[str, str]:
    """The command of an output, and the query that reads it back ('' for none)."""
    command, _, query = at.rpartition(";")
    return (command.strip(), query.strip()) if command and query.strip().endswith("?") else (at.strip(), "")


def _same(seen: str, expected: str) -> bool:
    try:
        return abs(scpi_number(seen) - scpi_number(expected)) <= 1e-6 * abs(scpi_number(expected))
    except ValueError:
        return seen.strip('"').casefold() == expected.strip('"').casefold()


def _check_at(device: Instrument, channel: Channel) -> None:
    if channel.direction == "driven":
        if "{value}" not in split_query(channel.at)[0]:
            raise device.wrong(f"{channel.name} has no command in 'at'", "write for example at: 'VOLT {value};:VOLT?'")
        if channel.text:
            raise device.wrong(f"{channel.name} is a text, which cannot be set", "give it states or a unit")
    elif not channel.at.endswith("?"):
        raise device.wrong(f"{channel.name} has no query in 'at'", "write for example at: 'MEAS:VOLT:DC?'")
