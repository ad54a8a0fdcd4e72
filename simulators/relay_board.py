"""A simulated relay and input board that speaks Modbus, RTU on a pseudo terminal or TCP on 127.0.0.1, with trouble.

Written by hand from the protocol (Modbus application protocol V1.1b3; serial line V1.02 for the RTU frame), so that it
shares nothing with the library that the driver uses. Functions 1 to 6, and 8 with sub-function 0. Left out: gaps
between characters (a frame is told by its length and checksum), broadcast, diagnostics but for the echo, and relays
that take time.
"""

from __future__ import annotations

import struct
from collections.abc import Callable, Iterable, Mapping
from typing import TYPE_CHECKING

from crccheck.crc import CrcModbus

from bench.devices.wire_values import from_wire, to_wire
from bench.events import Value
from simulators.wire_end import WireEnd

if TYPE_CHECKING:
    from bench.language.channel import Channel

READ_KIND = {1: "coil", 2: "input", 3: "holding", 4: "register"}
WRITE_KIND = {5: "coil", 6: "holding"}
DIAGNOSTICS = 8
ILLEGAL_FUNCTION, ILLEGAL_ADDRESS, ILLEGAL_VALUE, DEVICE_FAILURE = 1, 2, 3, 4


class Exceptional(Exception):
    """An exception answer is due; its code."""


class RelayBoard(WireEnd):
    """`read(channel)` gives the value of an input (None: unknown), `write(channel, value)` takes that of an output.

    Trouble beside that of `WireEnd`: `exception` (a code that answers everything), `answers_as` (another unit),
    `stuck` (places that acknowledge and do not move, as {"coil 3"}), `frozen` (inputs stay as they were), `restart`
    (outputs fall to their safe values). `echoes` False: diagnostics are an unknown function.
    """

    def __init__(
        self,
        channels: Mapping[str, Channel],
        read: Callable[[str], Value | None],
        write: Callable[[str, Value], None],
        unit: int = 1,
        tcp: bool = False,
        extra: Mapping[str, int] | None = None,
    ):
        self.unit = unit
        self.exception = 0
        self.answers_as: int | None = None
        self.stuck: set[str] = set()
        self.frozen = False
        self.echoes = True
        self._channels = {" ".join(channel.at.split()[:2]): channel for channel in channels.values()}
        self._read, self._write = read, write
        #: What each place holds, by name ('coil 3'); `extra` are registers that no channel is at.
        self.holds: dict[str, int] = dict(extra or {})
        self._buffer = b""
        self._let_go()
        super().__init__(tcp)

    def restart(self) -> None:
        """As after a loss of its supply."""
        self._let_go()
        for place, channel in self._channels.items():
            if channel.direction == "driven":
                self._write(channel.name, from_wire(channel, self.holds[place]))

    def forget(self) -> None:
        self._buffer = b""

    def heard(self, data: bytes) -> Iterable[bytes]:
        self._buffer += data
        while frame := self._frame():
            unit, request, tid = frame
            if unit != self.unit:
                continue
            answer = self._answer(request)
            yield self._framed(self.unit if self.answers_as is None else self.answers_as, answer, tid)

    # -- frames ---------------------------------------------------------------------------------------------------

    def _frame(self) -> tuple[int, bytes, int] | None:
        """(unit, function and data, transaction) of the next whole frame."""
        if self._tcp:
            if len(self._buffer) < 8:
                return None
            tid, protocol, length = struct.unpack(">HHH", self._buffer[:6])
            if protocol != 0 or len(self._buffer) < 6 + length:
                self._buffer = b"" if protocol else self._buffer
                return None
            frame, self._buffer = self._buffer[6 : 6 + length], self._buffer[6 + length :]
            return frame[0], frame[1:], tid
        if len(self._buffer) < 8:  # all these requests are that long
            return None
        frame, self._buffer = self._buffer[:8], self._buffer[8:]
        if CrcModbus.calc(frame[:-2]) != int.from_bytes(frame[-2:], "little"):
            self._buffer = b""  # out of step: the next question comes after a silence
            return None
        return frame[0], frame[1:-2], 0

    def _framed(self, unit: int, answer: bytes, tid: int) -> bytes:
        if self._tcp:
            return struct.pack(">HHHB", tid, 0, len(answer) + 1, unit) + answer
        frame = bytes([unit]) + answer
        return frame + CrcModbus.calc(frame).to_bytes(2, "little")

    # -- what is asked for ------------------------------------------------------------------------------------------

    def _answer(self, request: bytes) -> bytes:
        function = request[0]
        try:
            if self.exception:
                raise Exceptional(self.exception)
            first, second = struct.unpack(">HH", request[1:5])
            if function in READ_KIND:
                return self._read_places(function, first, second)
            if function == DIAGNOSTICS and self.echoes and first == 0:
                return request
            if function in WRITE_KIND:
                self._write_place(f"{WRITE_KIND[function]} {first}", function, second)
                return request
            raise Exceptional(ILLEGAL_FUNCTION)
        except Exceptional as error:
            return bytes([function | 0x80, error.args[0]])

    def _read_places(self, function: int, first: int, count: int) -> bytes:
        if not 1 <= count <= (2000 if function in (1, 2) else 125):
            raise Exceptional(ILLEGAL_VALUE)
        numbers = [self._number(f"{READ_KIND[function]} {address}") for address in range(first, first + count)]
        if function in (1, 2):
            packed = sum(number << at for at, number in enumerate(numbers))
            data = packed.to_bytes((count + 7) // 8, "little")
        else:
            data = struct.pack(f">{count}H", *numbers)
        return bytes([function, len(data)]) + data

    def _write_place(self, place: str, function: int, number: int) -> None:
        if place not in self.holds:
            raise Exceptional(ILLEGAL_ADDRESS)
        if function == 5:
            if number not in (0x0000, 0xFF00):
                raise Exceptional(ILLEGAL_VALUE)
            number = 1 if number else 0
        if place in self.stuck:
            return
        self.holds[place] = number
        if place in self._channels:
            self._write(self._channels[place].name, from_wire(self._channels[place], self._signed(place, number)))

    def _number(self, place: str) -> int:
        channel = self._channels.get(place)
        if channel is not None and channel.direction == "read" and not self.frozen:
            value = self._read(channel.name)
            if value is None:
                raise Exceptional(DEVICE_FAILURE)
            self.holds[place] = self._on_wire(place, value)
        if place not in self.holds:
            raise Exceptional(ILLEGAL_ADDRESS)
        return self.holds[place]

    def _let_go(self) -> None:
        for place, channel in self._channels.items():
            if channel.direction == "driven" and channel.safe is not None:
                self.holds[place] = self._on_wire(place, channel.safe)

    def _on_wire(self, place: str, value: Value) -> int:
        channel = self._channels[place]
        low, high = (-32768, 32767) if channel.at.endswith("signed") else (0, 65535)
        return round(min(max(to_wire(channel, value), low), high)) % 65536

    def _signed(self, place: str, number: int) -> int:
        return number - 65536 if self._channels[place].at.endswith("signed") and number > 32767 else number
