"""Check values of the catalogue of CRC algorithms for "123456789", and AUTOSAR end-to-end profile 1.

CRC-15/CAN, CRC-8/SAE-J1850 and CRC-16/MODBUS as the catalogue gives them; CRC-8/AUTOSAR and the five that go by
"CRC-16/CCITT" are from memory, and recomputed bit by bit here. Profile 1: data identifier 0x0123, counter 0, eight
bytes of zero (AUTOSAR PRS E2E; CC and 2A agree with its example table from memory, CE is computed).
"""

import pytest

from bench.devices.can_checks import Protection, ProtectionOptions

CHECK = b"123456789"


def by_the_bit(data: bytes, width: int, poly: int, init: int, reflect: bool, xor: int) -> int:
    """The catalogue's parameters, one bit after the other."""
    value = init
    for byte in data:
        bits = range(8) if reflect else range(7, -1, -1)
        for bit in bits:
            top = value >> (width - 1) & 1
            value = (value << 1) & ((1 << width) - 1)
            if top ^ (byte >> bit & 1):
                value ^= poly
    if reflect:
        value = int(f"{value:0{width}b}"[::-1], 2)
    return value ^ xor


@pytest.mark.parametrize(
    ("name", "width", "poly", "init", "reflect", "xor", "check"),
    [
        ("CRC-15/CAN", 15, 0x4599, 0, False, 0, 0x059E),
        ("CRC-8/SAE-J1850", 8, 0x1D, 0xFF, False, 0xFF, 0x4B),
        ("CRC-8/AUTOSAR", 8, 0x2F, 0xFF, False, 0xFF, 0xDF),
        ("CRC-16/MODBUS", 16, 0x8005, 0xFFFF, True, 0, 0x4B37),
        ("CRC-16/IBM-3740", 16, 0x1021, 0xFFFF, False, 0, 0x29B1),
        ("CRC-16/XMODEM", 16, 0x1021, 0, False, 0, 0x31C3),
        ("CRC-16/KERMIT", 16, 0x1021, 0, True, 0, 0x2189),
        ("CRC-16/IBM-SDLC", 16, 0x1021, 0xFFFF, True, 0xFFFF, 0x906E),
        ("CRC-16/SPI-FUJITSU", 16, 0x1021, 0x1D0F, False, 0, 0xE5CC),
    ],
)
def test_catalogue_check_values(name, width, poly, init, reflect, xor, check):
    assert by_the_bit(CHECK, width, poly, init, reflect, xor) == check
    if width in (8, 16):
        protection = Protection(ProtectionOptions(crc=name, byte=str(len(CHECK))), len(CHECK) + width // 8)
        assert protection.sum_of(CHECK + bytes(width // 8)) == check.to_bytes(width // 8, "big")


def test_sae_j1850_without_start_and_final_value():
    """0x37, the sum that profile 1 is made of."""
    assert by_the_bit(CHECK, 8, 0x1D, 0, False, 0) == 0x37


@pytest.mark.parametrize(
    ("mode", "byte_1", "sum_"), [("both", 0x00, 0xCC), ("nibble", 0x10, 0x2A), ("low", 0x00, 0xCE)]
)
def test_end_to_end_profile_1(mode, byte_1, sum_):
    protection = Protection(ProtectionOptions(profile="e2e-1", data_id="0x0123", mode=mode), 8)
    data = bytes([sum_, byte_1, 0, 0, 0, 0, 0, 0])
    assert protection.is_right(data)
    assert not protection.is_right(bytes([sum_ ^ 1, *data[1:]]))
    made = bytearray(8)
    protection.protect(made, 0)
    assert made == data


def test_profile_1_alternates_by_the_counter():
    """Even counters sum the low byte of the identifier, odd ones the high byte."""
    protection = Protection(ProtectionOptions(profile="e2e-1", data_id="0x0123", mode="alternating"), 8)
    for counter, byte in ((0, 0x23), (1, 0x01), (2, 0x23)):
        data = bytearray(8)
        protection.protect(data, counter)
        assert data[0] == by_the_bit(bytes([byte, *data[1:]]), 8, 0x1D, 0, False, 0)


def test_profile_1_counter_15_is_invalid():
    protection = Protection(ProtectionOptions(profile="e2e-1", data_id="0x0123"), 8)
    data = bytes([0, 0x0F, 0, 0, 0, 0, 0, 0])
    right_sum = bytes([by_the_bit(b"\x23\x01" + data[1:], 8, 0x1D, 0, False, 0)]) + data[1:]
    assert not protection.is_right(right_sum)
    made = bytearray(8)
    protection.protect(made, 15)
    assert made[1] & 0x0F == 0
