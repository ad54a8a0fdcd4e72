"""`modbus`: relay and input boards over Modbus RTU (serial) or TCP, through pymodbus (extra `modbus`).

    devices:
      relays: {driver: modbus, serial_number: A10XK3, framing: 8E1, unit: 1, identity: {holding 100: 4711}}
      inputs: {driver: modbus, port: socket://192.168.1.30:502}
    channels:
      interlock: {device: relays, direction: driven, states: [open, closed], safe: open, at: coil 3}
      aux: {device: inputs, direction: read, states: [open, closed], at: input 2, every: 20 ms}
      temperature: {device: inputs, direction: read, unit: degC, at: register 5 signed, scale: 0.1}

Addresses count from 0, as on the wire. `coil` and `holding` can be driven, and are read back after each write and twice
per `silence`, so a board that has restarted or is driven by another is found. Not all boards have an identity: name the
registers that tell this one, else all that is checked is that the unit answers for every channel of the bench file.

What pymodbus does and this driver has to make up for (measured): silence, a wrong checksum and another unit's answer
look alike to it, so what really came is told from the raw bytes; a device's exception answer is returned, not raised;
it opens a lost connection again, which a run must not. A try takes at most twice `timeout`. On a serial line answers
carry no number, so a late one could be taken for the answer to the same question asked again. After a question without
an answer nothing is read before the line is known to owe none: a diagnostic question with a number of its own (function
8, sub-function 0: "return query data", V1.1b3 section 6.8) has come back, or has been refused as an unknown function. A
board that does neither is lost after `silence`.
"""

from __future__ import annotations

import logging
import random
import re
import select
import struct
import time
from collections.abc import Callable, Mapping, Sequence
from typing import TYPE_CHECKING, Annotated, Any, NamedTuple, TypeVar

from pydantic import Field

from bench.devices.base import DeviceLost
from bench.devices.modbus_frames import (
    EXCEPTIONS,
    READ_CODE,
    RETURN_QUERY_DATA,
    WRITE_CODE,
    answer_length,
    framed,
    what_came,
)  # fmt: skip
from bench.devices.options import Whole
from bench.devices.polled import Asking, NoAnswer, NoValue, PolledDevice, PolledOptions
from bench.devices.serial_port import lost, open_serial
from bench.devices.wire_values import from_wire, to_wire
from bench.events import Value

if TYPE_CHECKING:
    from bench.language.bench_file import Bench
    from bench.language.channel import Channel

T = TypeVar("T")
#: Kind of place -> (read, write) functions of the client, and how many may be read at once.
READ = {"coil": "read_coils", "input": "read_discrete_inputs", "holding": "read_holding_registers",
        "register": "read_input_registers"}  # fmt: skip
WRITE = {"coil": "write_coil", "holding": "write_register"}
BITS = ("coil", "input")
MOST = {"coil": 2000, "input": 2000, "holding": 125, "register": 125}
_PLACE = re.compile(r"(coil|input|holding|register) +([0-9]{1,5})( +signed)?")


class Place(NamedTuple):
    """One coil, input or register."""

    kind: str
    address: int
    signed: bool = False

    def __str__(self) -> str:
        return f"{self.kind} {self.address}"


class ModbusOptions(PolledOptions):
    unit: Annotated[Whole, Field(ge=1, le=255)] = 1
    identity: dict[str, Whole] = {}


class ModbusBoard(PolledDevice):
    """One unit on one line."""

    options_model = ModbusOptions
    asked_options: ModbusOptions
    needs = ("pymodbus", "modbus")

    def __init__(self, name: str, options: Mapping[str, Any], channels: Mapping[str, Channel], bench: Bench):
        super().__init__(name, options, channels, bench)
        if self._is_tcp and not re.fullmatch(r"socket://[^:/]+:[0-9]+", self.asked_options.port):
            raise self.wrong(
                f"port: '{self.asked_options.port}' names no port", "write for example socket://192.168.1.30:502"
            )
        self._places = {channel.name: self._place(channel) for channel in channels.values()}
        self._identity = {self._parsed(text): number for text, number in self.asked_options.identity.items()}
        self._driven: dict[str, int] = {}  # channel -> what was last confirmed
        self._client: Any = None
        self._raw = b""  # what came for the present request, as far as pymodbus saw it
        self._gone = ""
        self._owed = False  # whether a question is without its answer, which may still come

    # -- a polled device ------------------------------------------------------------------------------------------

    def open(self) -> Asking[str]:
        self._client = self._opened()
        told = []
        for place, expected in self._identity.items():
            (found,) = yield from self.tried(f"identity {place}", lambda place=place: self._ask(place, 1))
            if found != expected:
                raise DeviceLost(
                    f"{self.name}: on {self.port_name} is another device: {place} is {found}, not {expected}"
                )
            told.append(f"{place} = {found}")
        for first, count in _runs(self._places.values()):
            yield from self.tried(f"read {first}", lambda first=first, count=count: self._ask(first, count))
        return f"Modbus unit {self.asked_options.unit} on {self.port_name}" + "".join(f", {each}" for each in told)

    def read(self, names: Sequence[str]) -> Asking[dict[str, Value]]:
        numbers: dict[Place, int] = {}
        for first, count in _runs(self._places[name] for name in names):
            try:
                read = yield from self.tried(f"read {first}", lambda first=first, count=count: self._ask(first, count))
            except NoValue as error:
                self.note(f"{first} has no value: {error}")
                continue
            except NoAnswer:
                break
            numbers |= {Place(first.kind, first.address + at): number for at, number in enumerate(read)}
        values = {}
        for name in names:
            place = self._places[name]
            if (raw := numbers.get(place._replace(signed=False))) is None:
                continue
            try:
                values[name] = from_wire(self.channels[name], raw - 65536 if place.signed and raw > 32767 else raw)
            except ValueError as error:
                self.note(f"{name} has no value: {error}")
        return values

    def write(self, name: str, value: Value) -> Asking[None]:
        place = self._places[name]
        number = self._number(name, value)
        function = getattr(self._client, WRITE[place.kind])
        said = bool(number) if place.kind in BITS else number
        code = WRITE_CODE[place.kind]
        echo = yield from self._request(code, lambda unit: function(place.address, said, device_id=unit))
        given = echo.bits[:1] if place.kind in BITS else echo.registers[:1]
        if echo.address != place.address or [int(each) for each in given] != [number]:
            self._owed = not self._is_tcp
            raise NoAnswer(f"an answer to another write came: {place} was set")
        (seen,) = yield from self._ask(place, 1)
        if seen != number:
            raise NoValue(f"{place} reads {seen} after {number} was set")
        self._driven[name] = number

    def alive(self) -> Asking[None]:
        if not self._driven and self.unheard_for() >= self.asked_options.silence / 2:
            first, count = next(iter(_runs(self._places.values())))
            yield from self.tried(f"read {first}", lambda: self._ask(first, count))
        for first, count in _runs(self._places[name] for name in self._driven):
            read = yield from self.tried(f"read {first}", lambda first=first, count=count: self._ask(first, count))
            seen = {Place(first.kind, first.address + at): number for at, number in enumerate(read)}
            for name, number in self._driven.items():
                place = self._places[name]._replace(signed=False)
                if seen.get(place, number) != number:
                    raise DeviceLost(
                        f"{self.name} on {self.port_name}: {place} ({name}) reads {seen[place]}, was left at {number}: "
                        "the board has restarted, or another drives it"
                    )

    def idle(self, wait_s: float) -> None:
        super().idle(wait_s)
        if self._client is None:
            return
        try:
            if self._is_tcp:
                ready = select.select([self._client.socket], [], [], 0)[0]
                gone = ready and self._client.socket.recv(1, 2) == b""  # 2 is MSG_PEEK everywhere
            else:
                gone = self._client.socket.in_waiting < 0
        except Exception as error:  # as many kinds as there are ports
            raise self._lose(lost(self.port_name, error)) from error
        if gone:
            raise self._lose(DeviceLost(f"{self.port_name} is gone: closed by the other end"))

    def close(self) -> None:
        self._closing.set()
        if self._client is not None:
            try:
                self._client.close()
            except Exception:  # a port that is gone may raise anything
                return

    # -- asking -----------------------------------------------------------------------------------------------

    def _ask(self, place: Place, count: int) -> Asking[list[int]]:
        """The numbers in `count` places from this one on. Raises NoAnswer, NoValue, DeviceLost."""
        yield from self._settle()
        function = getattr(self._client, READ[place.kind])
        code = READ_CODE[place.kind]
        answer = yield from self._request(code, lambda unit: function(place.address, count=count, device_id=unit))
        numbers = [int(each) for each in (answer.bits if place.kind in BITS else answer.registers)]
        full = -(-count // 8) * 8 if place.kind in BITS else count
        if len(numbers) != full:
            self._owed = not self._is_tcp
            raise NoAnswer(f"an answer to another question came: {len(numbers)} places, not {count}")
        return numbers[:count]

    def _request(self, code: int, call: Callable[[int], Any]) -> Asking[Any]:
        """The answer of the client's `call(unit)`, which has to be one to the function with this code."""
        from pymodbus.exceptions import ConnectionException, ModbusException

        if self._gone:
            raise DeviceLost(self._gone)  # pymodbus would open the port again
        yield
        self._drop()
        unit, tcp = self.asked_options.unit, self._is_tcp
        try:
            answer = call(unit)
        except ConnectionException as error:
            raise self._lose(DeviceLost(f"{self.port_name} is gone: unplugged or closed ({error})")) from error
        except (ModbusException, ValueError, IndexError, struct.error) as error:
            # also what its decoders raise at an answer that is too short for its kind
            self._owed = not tcp
            came = what_came(self._raw, unit, tcp)
            raise NoAnswer(f"{came} within {self.asked_options.timeout:g} s") from error
        except Exception as error:
            raise self._lose(lost(self.port_name, error)) from error
        self.heard()
        if not tcp and (len(self._raw) != answer_length(self._raw) or self._raw[1] & 0x7F != code):
            self._owed = True
            more = "more came than one answer" if self._raw[1] & 0x7F == code else "an answer to another question came"
            raise NoAnswer(f"{more} ({self._raw.hex(' ')})")
        if answer.isError():
            code = answer.exception_code
            raise NoValue(f"the device answered with exception {code} ({EXCEPTIONS.get(code, 'of its own')})")
        return answer

    def _settle(self) -> Asking[None]:
        """After a question without an answer: make sure that the next answer belongs to the next question.

        A board answers one question after the other, so whatever was owed has come before this answer, or never will.
        """
        if not self._owed:
            return
        unit, timeout_s = self.asked_options.unit, self.asked_options.timeout
        question = framed(struct.pack(">BBHH", unit, RETURN_QUERY_DATA, 0, random.randrange(1 << 16)))
        refusals = [framed(bytes((unit, RETURN_QUERY_DATA | 0x80, code))) for code in EXCEPTIONS]
        self._drop()
        self._on_port(lambda port: port.write(question))
        came, deadline = b"", time.monotonic() + timeout_s
        while not (end := next((each for each in (question, *refusals) if came.endswith(each)), b"")):
            if (left := deadline - time.monotonic()) <= 0:
                raise NoAnswer(f"no answer to a diagnostic question (function 8) within {timeout_s:g} s")
            self.idle(left)
            yield
            came += self._on_port(lambda port: port.read(port.in_waiting))
        self._owed = False
        self.heard()
        if late := came.removesuffix(end):
            self.note(f"late answer dropped: {late.hex(' ')}")

    def _drop(self) -> None:
        """What came before the question is no answer to it. (TCP numbers its answers; pymodbus drops the others.)"""
        self._raw = b""
        if not self._is_tcp and (dropped := self._on_port(lambda port: port.read(port.in_waiting))):
            self.note(f"came unasked, dropped: {dropped.hex(' ')}")

    def _on_port(self, call: Callable[[Any], T]) -> T:
        """Do something with the serial port itself. Raises DeviceLost."""
        if self._gone:
            raise DeviceLost(self._gone)
        try:
            return call(self._client.socket)
        except Exception as error:  # as many kinds as there are ports
            raise self._lose(lost(self.port_name, error)) from error

    @property
    def _is_tcp(self) -> bool:
        return self.asked_options.port.startswith("socket://")

    def _lose(self, cause: DeviceLost) -> DeviceLost:
        self._gone = str(cause)
        return cause

    # -- opening ----------------------------------------------------------------------------------------------

    def _opened(self) -> Any:
        from pymodbus.client import ModbusSerialClient, ModbusTcpClient

        logging.getLogger("pymodbus.logging").addHandler(logging.NullHandler())  # all of it is noted here
        options = self.asked_options
        common = {"timeout": options.timeout, "retries": 0, "trace_packet": self._trace}
        if self._is_tcp:
            host, _, port = options.port.removeprefix("socket://").rpartition(":")
            client: Any = ModbusTcpClient(host, port=int(port), **common)
            if not client.connect():
                raise DeviceLost(f"{options.port} cannot be opened: nobody answers there")
        else:
            opened = open_serial(options.settings(options.timeout), options.timeout)
            client = ModbusSerialClient(opened.port, baudrate=options.baud, **common)
            client.socket = opened  # so that it is opened our way: exclusively, without moving its lines
        client.set_max_no_responses(1_000_000)  # when it counts as lost is our business
        return client

    def _trace(self, sending: bool, data: bytes) -> bytes:
        if not sending:
            self._raw = data
        return data

    # -- places ---------------------------------------------------------------------------------------------------

    def _place(self, channel: Channel) -> Place:
        place = self._parsed(channel.at)
        if channel.direction == "driven" and place.kind not in WRITE:
            raise self.wrong(f"{channel.name} is driven, and {channel.at!r} can only be read", "use a coil or holding")
        if channel.text or (place.kind in BITS and len(channel.states or ()) != 2):
            raise self.wrong(f"{channel.name} at {channel.at!r} needs two states", "write for example [open, closed]")
        if channel.safe is not None:
            self._check(channel, place, channel.safe)
        return place

    def _check(self, channel: Channel, place: Place, value: Value) -> int:
        try:
            number = round(to_wire(channel, value))
            low, high = (0, 1) if place.kind in BITS else (-32768, 32767) if place.signed else (0, 65535)
            if not low <= number <= high:
                raise ValueError(f"{value} is {number} on the wire, outside {low} to {high}")
        except (ValueError, OverflowError) as error:
            raise self.wrong(f"{channel.name}: {error}", "check scale, offset, and table") from error
        return number % 65536

    def _number(self, name: str, value: Value) -> int:
        try:
            return self._check(self.channels[name], self._places[name], value)
        except Exception as error:
            raise NoValue(str(error)) from error

    def _parsed(self, text: str) -> Place:
        match = _PLACE.fullmatch(text.strip())
        if match is None or int(match[2]) > 65535:
            raise self.wrong(f"{text!r} is no place on a Modbus device", "write for example 'coil 3' or 'register 5'")
        if match[3] and match[1] in BITS:
            raise self.wrong(f"{text!r}: one bit has no sign", "take 'signed' out")
        return Place(match[1], int(match[2]), bool(match[3]))


def _runs(places: Any) -> list[tuple[Place, int]]:
    """Neighbours together, so that one question reads them all; no place is read that nobody named."""
    runs: list[tuple[Place, int]] = []
    for place in sorted({place._replace(signed=False) for place in places}):
        if runs:
            first, count = runs[-1]
            if place.kind == first.kind and place.address == first.address + count and count < MOST[place.kind]:
                runs[-1] = (first, count + 1)
                continue
        runs.append((place, 1))
    return runs
