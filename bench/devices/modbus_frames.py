"""Modbus on the wire, as far as pymodbus does not tell: codes, checksums, and what bytes are that are no answer."""

from __future__ import annotations

from crccheck.crc import CrcModbus

#: Function codes by kind of place (Modbus application protocol V1.1b3, section 6).
READ_CODE = {"coil": 1, "input": 2, "holding": 3, "register": 4}
WRITE_CODE = {"coil": 5, "holding": 6}
RETURN_QUERY_DATA = 8
#: Exception codes (Modbus application protocol V1.1b3, section 7).
EXCEPTIONS = {1: "illegal function", 2: "illegal address", 3: "illegal value", 4: "device failure"}


def what_came(raw: bytes, unit: int, tcp: bool) -> str:
    """What the bytes are that pymodbus took for no answer, as a person would say it."""
    if not raw:
        return "no answer"
    if tcp:
        whole = len(raw) >= 8 and len(raw) >= 6 + int.from_bytes(raw[4:6], "big")
        if not whole:
            return f"only a part of an answer ({raw.hex(' ')})"
        return f"an answer from unit {raw[6]}" if raw[6] != unit else f"an answer to another question ({raw.hex(' ')})"
    if len(raw) >= 4 and CrcModbus.calc(raw[:-2]) == int.from_bytes(raw[-2:], "little"):
        return f"an answer from unit {raw[0]}" if raw[0] != unit else f"an answer to another question ({raw.hex(' ')})"
    return f"a part of an answer, or one with a wrong checksum ({raw.hex(' ')})"


def framed(data: bytes) -> bytes:
    """Unit, function and data with their checksum, as they go over a serial line."""
    return data + CrcModbus.calc(data).to_bytes(2, "little")


def answer_length(raw: bytes) -> int:
    """How long the RTU answer is that begins here: functions 1 to 4 say it themselves, exceptions have 5 bytes."""
    if len(raw) < 3 or raw[1] & 0x80:
        return 5
    return 5 + raw[2] if raw[1] <= 4 else 8
