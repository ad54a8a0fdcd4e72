"""Whether a frame may be believed: its message counter goes on, its checksum is right. Also makes both, for sending.

The sums come from crccheck, by their names in the catalogue of CRC algorithms ('CRC-8/SAE-J1850'). End-to-end profile 1
of AUTOSAR (PRS E2E): CRC-8 with polynomial 0x1D, start and final value 0 net, over the data identifier's bytes and then
the data without the sum; the counter is the low half of byte 1, runs from 0 to 14, and 15 is invalid.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Annotated, Any, Literal, NamedTuple

from pydantic import BeforeValidator, Field, model_validator

from bench.devices.can_signals import RawSignal
from bench.devices.options import Options, Whole

E2E_COUNTS = 15
_MOST_KEPT = 1024


def _number(value: Any) -> Any:
    """A whole number, decimal or hexadecimal with 0x."""
    if isinstance(value, str):
        try:
            return int(value, 16 if value[:2] in ("0x", "0X") else 10)
        except ValueError:
            raise ValueError(f"'{value}' is no number; write for example '0x1A2'") from None
    return value


Number = Annotated[int, BeforeValidator(_number)]


class ProtectionOptions(Options):
    """How one message is protected. Either `crc` (a name of the catalogue, 8 or 16 bits) or `profile: e2e-1`.

    `byte`: where the sum is (16 bits: high byte first). `data_id`: identifier that is summed, too, before the data.
    `mode`: which of its bytes profile 1 sums: both, the low one, one after the other by the counter, or the low one
    with the high one's low half in the frame.
    """

    crc: str = ""
    profile: Literal["", "e2e-1"] = ""
    byte: Annotated[Whole, Field(le=63)] = 0
    data_id: Annotated[Number, Field(ge=0, le=0xFFFF)] | None = None
    mode: Literal["both", "low", "alternating", "nibble"] = "both"

    @model_validator(mode="after")
    def _agrees(self) -> ProtectionOptions:
        if bool(self.crc) == bool(self.profile):
            raise ValueError("one of 'crc' and 'profile' is due; give exactly one")
        if self.profile and self.data_id is None:
            raise ValueError("profile e2e-1 needs the message's data identifier; add 'data_id: 0x123'")
        if self.crc:
            _sum_called(self.crc)
        return self


class Protection:
    """The checksum of one message."""

    def __init__(self, options: ProtectionOptions, length: int):
        """Raises ValueError when the sum does not fit into `length` bytes."""
        self._options = options
        self.end_to_end = bool(options.profile)
        if self.end_to_end:
            from crccheck.crc import crccls

            self._crc, self._width = crccls(width=8, poly=0x1D, initvalue=0, xor_output=0).calc, 1
        else:
            found = _sum_called(options.crc)
            self._crc, self._width = found.calc, found.width() // 8
        self._at = slice(options.byte, options.byte + self._width)
        if options.byte + self._width > length or (self.end_to_end and (length < 2 or options.byte == 1)):
            raise ValueError(f"its sum at byte {options.byte} does not fit into {length} bytes; move it")

    def sum_of(self, data: bytes) -> bytes:
        """What stands, or should stand, at `byte`."""
        rest = data[: self._at.start] + data[self._at.stop :]
        return self._crc(self._before(data) + rest).to_bytes(self._width, "big")

    def is_right(self, data: bytes) -> bool:
        """Also false for end-to-end data whose counter or identifier cannot be."""
        if self.end_to_end:
            if data[1] & 0x0F == E2E_COUNTS:
                return False
            if self._options.mode == "nibble" and data[1] >> 4 != self._high & 0x0F:
                return False
        return data[self._at] == self.sum_of(data)

    def protect(self, data: bytearray, counter: int) -> None:
        """Put counter (end to end) and sum into data."""
        if self.end_to_end:
            half = self._high & 0x0F if self._options.mode == "nibble" else data[1] >> 4
            data[1] = half << 4 | counter % E2E_COUNTS
        data[self._at] = self.sum_of(bytes(data))

    @property
    def _high(self) -> int:
        return (self._options.data_id or 0) >> 8

    def _before(self, data: bytes) -> bytes:
        if self._options.data_id is None:
            return b""
        low = self._options.data_id & 0xFF
        if not self.end_to_end:
            return bytes((low, self._high))
        match self._options.mode:
            case "both":
                return bytes((low, self._high))
            case "low":
                return bytes((low,))
            case "alternating":
                return bytes((self._high if data[1] & 1 else low,))
        return bytes((low, 0))


class Counter(NamedTuple):
    """Where a message carries its counter, and how many values that has."""

    raw: Callable[[bytes], int | float]
    counts: int


def counter_of(message: Any, signal_name: str) -> Counter:
    """The counter in a signal: it runs to the signal's maximum where the database gives one."""
    signal = message.get_signal_by_name(signal_name)
    most = (1 << signal.length) - 1 if signal.maximum is None else int(signal.maximum)
    return Counter(RawSignal(signal, message.length).in_data, most + 1)


def end_to_end_counter() -> Counter:
    return Counter(lambda data: data[1] & 0x0F, E2E_COUNTS)


class FrameCheck:
    """Follows one message. `frozen`: its counter has stood still, so that it counts as silent."""

    def __init__(self, name: str, length: int, counter: Counter | None, protection: Protection | None, most: int):
        """`most`: so many frames with the same counter, one after the other, are believed."""
        self._name, self._length, self._protection, self._most = name, length, protection, most
        self._raw, self._counts = (counter.raw, counter.counts) if counter else (None, 1)
        self._kept: dict[bytes, bool] = {}
        self._last: float | None = None
        self._due: float | None = None  # what comes next when all is well; None: it has to be looked at closely
        self._same = 0
        self.frozen = False

    def accept(self, data: bytes, count: Callable[[str, int], None]) -> bool:
        """Whether the frame may be decoded. What is to be told goes to `count`, as text and number of times."""
        if len(data) != self._length:
            return True  # the decoding's business
        if self._protection is not None and not self._is_right(data):
            count(f"{self._name}: wrong checksum, frame not used", 1)
            return False
        if self._raw is None:
            return True
        now = self._raw(data)
        if now == self._due:
            self._last, self._due = now, (now + 1) % self._counts
            return True
        last, self._last = self._last, now
        if now == last:
            self._due = None
            return self._stands_still(now, count)
        self._same, self._due = 0, (now + 1) % self._counts
        if self.frozen:
            self.frozen = False
            count(f"{self._name}: counter moves again", 1)
        if last is not None:
            missing = int(now - last - 1) % self._counts
            if missing:
                count(f"{self._name}: frames lost", missing)
        return True

    def _is_right(self, data: bytes) -> bool:
        """Whether the checksum is right; kept, because the sum in Python costs more than all the rest."""
        right = self._kept.get(data)
        if right is None:
            if len(self._kept) >= _MOST_KEPT:
                self._kept.clear()
            right = self._kept[data] = self._protection.is_right(data)
        return right

    def _stands_still(self, now: float, count: Callable[[str, int], None]) -> bool:
        self._same += 1
        if self._same >= self._most and not self.frozen:
            self.frozen = True
            count(f"{self._name}: counter stands still at {now}, counts as silent", 1)
        return not self.frozen


def _sum_called(name: str) -> Any:
    """The class of a CRC by its name in the catalogue. Raises ValueError."""
    from crccheck.crc import ALLCRCCLASSES

    plain = name.replace("-", "").replace("/", "").lower()  # crccheck's own rule for its class names
    for found in ALLCRCCLASSES:
        if found.__name__.lower() == plain and found.width() in (8, 16):
            return found
    raise ValueError(f"no 8- or 16-bit CRC is called '{name}'; write for example 'CRC-8/SAE-J1850'")


def check_of(message: Any, counter: Counter | None, protection: Protection | None, most: int) -> FrameCheck | None:
    """A check for this message, or None when nothing of it is to be checked."""
    if counter is None and protection is None:
        return None
    return FrameCheck(message.name, message.length, counter, protection, most)
