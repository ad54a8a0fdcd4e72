"""The line protocol of the I/O board: what a line is, and what the words mean. The firmware is the other end of it.

    line   = number " " word *(" " field) "*" crc LF        at most 200 bytes of printable ASCII
    number = 4 hex digits: the sender's own count of its lines, modulo 65536
    crc    = 4 hex digits: CRC-16/IBM-3740 (polynomial 1021, initial FFFF, not reflected, no xor) of all before "*"
    stamp  = 8 hex digits: the board's own clock in us, modulo 2^32 (71.6 min)

All hex digits are capitals. Every line of the host is answered by `ok NUMBER STAMP ...` or `no NUMBER STAMP REASON`,
NUMBER being that of the line answered:

    hello                         -> NAME VERSION UNIT STATE          a new session: outputs safe, nothing armed
    pin P out SAFE                -> P=LEVEL                          a digital output and its safe level, 0 or 1
    pin P level SAFE              -> P=LEVEL                          a PWM output, 0 to 65535
    pin P in|edge|pulse [up|down] -> P=LEVEL                          inputs, with a pull resistor if named
    pin P analog                  -> P=LEVEL                          0 to 65535 of full scale
    arm DEADMAN_MS SCAN_MS        -> P=LEVEL of every output          drives are taken from now on
    drive P=LEVEL ...             -> P=LEVEL, read back
    beat                          -> nothing                          the host is alive; a round trip for the clock
    rest                          -> P=LEVEL of every output          outputs safe, nothing armed, no scans

A pin opens as an input with nothing connected and is first driven by its `pin` line, with its safe level. When no new
valid line has come for DEADMAN_MS the board drives every output safe by itself, says so in a `status` and refuses to
drive until it is armed again. Unasked the board says:

    boot CAUSE                    it has just started
    change STAMP P=LEVEL          an `edge` pin changed, at STAMP
    scan STAMP P=LEVEL ...        all inputs; a `pulse` pin has HIGH_US/PERIOD_US, period 0 for a steady level
    status STAMP STATE bad=N lost=N missed=N unsent=N
                                  idle, armed or tripped; lines of the host that made no sense or never came, changes
                                  it had no room for, lines it could not send
"""

from __future__ import annotations

import re
from binascii import crc_hqx
from collections.abc import Iterable, Iterator
from typing import NamedTuple

LONGEST = 200
NUMBERS = 1 << 16
NAME, VERSION = "topbox-io", "1"

_LINE = re.compile(rb"([0-9A-F]{4}) ([a-z]+)((?: [!-)+-~]+)*)\*([0-9A-F]{4})")
_LEVEL = re.compile(r"[0-9]+=[0-9]+(?:/[0-9]+)*")
_STAMP = re.compile(r"[0-9A-F]{8}")


class Malformed(ValueError):
    """A line that is none. The text says why."""


class Line(NamedTuple):
    number: int
    word: str
    fields: tuple[str, ...] = ()


def crc16(data: bytes) -> int:
    """CRC-16/IBM-3740."""
    return crc_hqx(data, 0xFFFF)


def encode(number: int, word: str, *fields: str) -> bytes:
    """The bytes of a line, with its end. Raises ValueError for one that the other side would not take."""
    body = " ".join((f"{number:04X}", word, *fields)).encode("ascii")
    raw = b"%s*%04X" % (body, crc16(body))
    if len(raw) >= LONGEST or not _LINE.fullmatch(raw):
        raise ValueError(f"no line of the protocol: {raw!r}")
    return raw + b"\n"


def decode(raw: bytes) -> Line:
    """What a line says; `raw` is without its end. Raises Malformed."""
    if len(raw) >= LONGEST:
        raise Malformed("longer than a line may be")
    match = _LINE.fullmatch(raw)
    if match is None:
        raise Malformed("not a line of the protocol")
    if int(match[4], 16) != crc16(raw[: match.start(4) - 1]):
        raise Malformed("wrong CRC")
    return Line(int(match[1], 16), match[2].decode(), tuple(match[3].decode().split()))


def stamp_of(field: str) -> int:
    """The stamp in us. Raises Malformed."""
    if not _STAMP.fullmatch(field):
        raise Malformed(f"{field!r} is no stamp")
    return int(field, 16)


def levels_of(fields: Iterable[str]) -> Iterator[tuple[int, tuple[int, ...]]]:
    """(pin, numbers) of fields such as `4=1` or `6=430/1000`. Raises Malformed."""
    for field in fields:
        if not _LEVEL.fullmatch(field):
            raise Malformed(f"{field!r} is no pin and level")
        pin, _, level = field.partition("=")
        yield int(pin), tuple(map(int, level.split("/")))
