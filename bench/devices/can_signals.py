"""One signal of a CAN message: its bits in a payload, and the value that they give a channel."""

from __future__ import annotations

import math
import struct
from collections.abc import Callable
from typing import TYPE_CHECKING, Any, Literal, NamedTuple

from bench.devices.wire_values import from_wire
from bench.errors import InputError
from bench.events import Value
from bench.language.located import suggestion
from bench.language.units import UNITS

if TYPE_CHECKING:
    from bench.language.channel import Channel

#: First of two states that everybody takes for a one; an unnamed bit must not turn them round in silence.
_ONES = frozenset({"on", "closed", "pressed", "present", "true", "yes", "active", "enabled"})


class RawSignal:
    """The number that a signal has in a payload. Raises nothing: the payload's length is checked before."""

    def __init__(self, signal: Any, length: int):
        """`length` of the message in bytes. A big-endian start is the most significant bit, in sawtooth order."""
        self.big = signal.byte_order == "big_endian"
        self.is_float = bool(signal.is_float)
        start = signal.start
        first = 8 * (start // 8) + 7 - start % 8
        self.shift = 8 * length - first - signal.length if self.big else start
        self.mask = (1 << signal.length) - 1
        self.sign = 1 << (signal.length - 1) if signal.is_signed and not signal.is_float else 0
        self._float = {16: ">e", 32: ">f", 64: ">d"}[signal.length] if signal.is_float else ""
        shift, mask, sign, big_endian = self.shift, self.mask, self.sign, self.big
        order: Literal["big", "little"] = "big" if self.big else "little"

        def of(little: int, big: int) -> int:
            return (((big if big_endian else little) >> shift & mask) ^ sign) - sign

        def in_data(data: bytes) -> float:
            return ((int.from_bytes(data, order) >> shift & mask) ^ sign) - sign

        byte, rest = (length - 1 - shift // 8 if self.big else shift // 8), shift % 8

        def in_byte(data: bytes) -> float:
            return data[byte] >> rest & mask

        in_one = not sign and rest + signal.length <= 8  # as counters are

        #: The number, given the payload as one number low byte first and high byte first; given the payload itself.
        self.of: Callable[[int, int], float] = self._float_of if self._float else of
        self.in_data: Callable[[bytes], float] = self._float_in if self._float else in_byte if in_one else in_data

    def _float_of(self, little: int, big: int) -> float:
        raw = (big if self.big else little) >> self.shift & self.mask
        return struct.unpack(self._float, raw.to_bytes(self.mask.bit_length() // 8, "big"))[0]

    def _float_in(self, data: bytes) -> float:
        return self._float_of(int.from_bytes(data, "little"), int.from_bytes(data, "big"))


class Source(NamedTuple):
    """Python for one signal: which `word` it is cut from (little or big), its bits there, its value, and the least and
    the greatest that this can be; one that `is_kept` is looked up, and None when it cannot be."""

    word: str
    bits: int
    value: str
    is_kept: bool
    low: str = ""
    high: str = ""


class SignalReader:
    """One signal in use, for one channel. `read(little, big)` is its value, or ValueError: what is wrong with it."""

    _MOST_KEPT = 4096

    def __init__(self, message: Any, signal: Any, channel: Channel):
        self.name = channel.name
        self._what = f"{message.name}.{signal.name}"
        self._channel = channel
        self._names = {number: str(name) for number, name in (signal.choices or {}).items()}
        self._scaled: Callable[[float, bool], Any] = signal.conversion.raw_to_scaled
        half = abs(signal.scale) / 2  # a limit is met by the nearest number that the wire can carry
        self._low = -math.inf if signal.minimum is None else signal.minimum - half
        self._high = math.inf if signal.maximum is None else signal.maximum + half
        self._convert = _conversion(signal, channel)
        raw = RawSignal(signal, message.length)
        self._kept: dict[float, Value] = {}
        self._raw_of = raw.of
        #: Source of `read` for number `n` of several; None where it takes more than a call or a line of arithmetic.
        self.source: Callable[[int], Source] | None = None if raw.is_float else self._source(raw, signal)

    def _source(self, raw: RawSignal, signal: Any) -> Callable[[int], Source]:
        word = "big" if raw.big else "little"
        bits = raw.mask << raw.shift
        number = f"({word} >> {raw.shift} & {raw.mask})"
        if raw.sign:
            number = f"(({number} ^ {raw.sign}) - {raw.sign})"
        plain = self._channel.unit is not None and self._convert is float and not self._names
        if not plain or signal.length > 32 or not hasattr(signal.conversion, "offset"):
            return lambda n: Source(word, bits, f"kept{n}({number})", True)
        limits = self._channel.range or (-math.inf, math.inf)
        bounds = max(self._low, limits[0]), min(self._high, limits[1])
        low, high = (f"{min(max(bound, -1e300), 1e300)!r}" for bound in bounds)
        value = f"{number} * {float(signal.conversion.scale)!r} + {float(signal.conversion.offset)!r}"
        return lambda n: Source(word, bits, value, False, low, high)

    def read(self, little: int, big: int) -> Value:
        return self._meaning(self._raw_of(little, big))

    def meaning(self, raw: float) -> Value | None:
        """The value of a number; None: it has none, and `read` says why."""
        try:
            return self._meaning(raw)
        except ValueError:
            return None

    def _meaning(self, raw: float) -> Value:
        """What a raw number means never changes, so it is worked out once."""
        value = self._kept.get(raw)
        if value is None:
            if len(self._kept) >= self._MOST_KEPT:
                self._kept.clear()
            value = self._kept[raw] = self._value(raw)
        return value

    def _value(self, raw: float) -> Value:
        channel = self._channel
        if channel.unit is not None:
            return self._quantity(raw)
        if self._names:
            name = self._names.get(raw)
            if name is None or (channel.states and name not in channel.states):
                known = ", ".join(channel.states or self._names.values())
                raise ValueError(f"{self._what} is {name or raw}, which is none of {known}")
            return name
        if channel.states:
            try:
                return from_wire(channel, raw)
            except ValueError:
                raise ValueError(f"{self._what} is {raw}, which is none of {', '.join(channel.states)}") from None
        return str(self._scaled(raw, False))

    def _quantity(self, raw: float) -> float:
        if raw in self._names:
            raise ValueError(f"{self._what} is {self._names[raw]!r}, not a number")
        physical = self._scaled(raw, False)
        if not self._low <= physical <= self._high or physical - physical != 0:  # also not a NaN, nor infinite
            raise ValueError(f"{self._what} is {physical:g}, outside its range")
        value = self._convert(physical)
        limits = self._channel.range
        if limits is not None and not limits[0] <= value <= limits[1]:
            raise ValueError(f"{self.name} is {value:g} {self._channel.unit}, outside its range")
        return value


def _conversion(signal: Any, channel: Channel) -> Callable[[float], float]:
    """From the signal's own unit to the channel's."""
    if channel.table or channel.scale != 1.0 or channel.offset:
        return lambda physical: from_wire(channel, physical)
    own, due = UNITS.get(signal.unit or ""), UNITS.get(channel.unit or "")
    if not signal.unit or own is None or due is None or own.name == due.name:
        return float
    return lambda physical: due.from_base(own.to_base(physical))


def check_signal(signal: Any, channel: Channel, file: str) -> None:
    """What channel and signal say of each other must agree. Raises InputError."""
    names = [str(name) for name in (signal.choices or {}).values()]
    if channel.unit is not None:
        own, due = UNITS.get(signal.unit or ""), UNITS[channel.unit]
        takes_over = channel.table or channel.scale != 1.0 or channel.offset
        if signal.unit and own and own.dimension != due.dimension and not takes_over:
            wrong = f"{channel.name} is in {channel.unit}, its signal {channel.signal} in {signal.unit}"
            raise InputError.at(file, wrong, f"use a unit of {own.dimension.noun}")
    elif channel.states and names:
        for state in channel.states:
            if state not in names:
                wrong = f"{channel.name} has the state {state!r}, its signal {channel.signal} has not"
                raise InputError.at(file, wrong, suggestion(state, names))
    elif channel.states and channel.states[0] in _ONES and not channel.invert:
        wrong = f"{channel.name}: {channel.signal} has no named values, and 0 would mean '{channel.states[0]}'"
        raise InputError.at(file, wrong, "list the state that is 0 first, or add 'invert: true'")
