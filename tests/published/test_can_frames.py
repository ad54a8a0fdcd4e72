"""Lengths of CAN frames with stuff bits, by a bit builder of our own.

Format and rule of stuffing: ISO 11898-1, from start of frame to the end of the CRC sequence, after five equal bits, a
stuff bit counting for the next run. Worst case with the 3 bits of interframe space: 8 n + 47 + floor((34 + 8 n - 1)/4)
for 11-bit identifiers (Davis, Burns, Bril, Lukkien, "Controller Area Network (CAN) schedulability analysis", 2007;
formula from memory), 8 n + 67 + floor((54 + 8 n - 1)/4) for 29 bits (from memory). The lengths of the three example
frames are computed (one implementation).
"""

import itertools

import pytest


def bits_of(value: int, width: int) -> list[int]:
    return [value >> place & 1 for place in range(width - 1, -1, -1)]


def crc_15(bits: list[int]) -> int:
    value = 0
    for bit in bits:
        value = (value << 1 ^ (0x4599 if (value >> 14 & 1) ^ bit else 0)) & 0x7FFF
    return value


def stuffed_part(number: int, data: bytes, extended: bool = False) -> tuple[list[int], int]:
    """Bits from start of frame to the CRC sequence, not stuffed, and the CRC."""
    if extended:
        head = [0, *bits_of(number >> 18, 11), 1, 1, *bits_of(number & 0x3FFFF, 18), 0, 0, 0]
    else:
        head = [0, *bits_of(number, 11), 0, 0, 0]
    bits = [*head, *bits_of(len(data), 4), *(bit for byte in data for bit in bits_of(byte, 8))]
    crc = crc_15(bits)
    return bits + bits_of(crc, 15), crc


def stuff_bits(bits: list[int]) -> int:
    count, run, last = 0, 0, None
    for bit in bits:
        run = run + 1 if bit == last else 1
        last = bit
        if run == 5:
            count, run, last = count + 1, 1, 1 - bit
    return count


def length(number: int, data: bytes, extended: bool = False) -> int:
    """With CRC delimiter, acknowledge (2), end of frame (7) and interframe space (3)."""
    bits, _ = stuffed_part(number, data, extended)
    return len(bits) + stuff_bits(bits) + 1 + 2 + 7 + 3


def worst(n: int, extended: bool = False) -> int:
    head = 54 if extended else 34
    return 8 * n + head + 13 + (head + 8 * n - 1) // 4


@pytest.mark.parametrize(
    ("number", "data", "crc", "stuffed", "whole"),
    [
        (0x1F0, "C006E00000000000", 0x2123, 13, 124),
        (0x000, "0000000000000000", 0x145B, 16, 127),
        (0x123, "", 0x6858, 1, 48),
    ],
)
def test_example_frames(number, data, crc, stuffed, whole):
    bits, found = stuffed_part(number, bytes.fromhex(data))
    assert (found, stuff_bits(bits), length(number, bytes.fromhex(data))) == (crc, stuffed, whole)


def test_crc_15_check_value():
    """CRC-15/CAN of "123456789" is 0x059E (catalogue of CRC algorithms)."""
    assert crc_15([bit for byte in b"123456789" for bit in bits_of(byte, 8)]) == 0x059E


def test_lengths_without_and_with_most_stuffing():
    assert (worst(0), worst(8), worst(8, True)) == (55, 135, 160)
    assert (8 * 0 + 47, 8 * 8 + 47, 8 * 8 + 67) == (47, 111, 131)


@pytest.mark.parametrize("extended", [False, True])
def test_no_frame_is_longer_than_the_worst_case(extended):
    """Runs of equal bits, and the pattern that makes a stuff bit begin the next run (1111 0000 ...)."""
    patterns = [bytes(8), b"\xff" * 8, b"\x78" * 8, b"\x87" * 8, b"\x0f" * 8, b"\xf0" * 8, b"\x3c" * 8, b"\xc3" * 8]
    for number, pattern, n in itertools.product((0, 0x7FF, 0x078, 0x787, 0x123), patterns, range(9)):
        assert length(number, pattern[:n], extended) <= worst(n, extended)


def test_frames_a_second_of_a_full_bus():
    """The rates that the benchmark of CAN intake is run at."""
    assert pytest.approx(9009.01, abs=0.01) == 1e6 / 111
    assert pytest.approx(7407.41, abs=0.01) == 1e6 / 135
    assert pytest.approx(4504.50, abs=0.01) == 5e5 / 111
    assert pytest.approx(10638.3, abs=0.05) == 5e5 / 47
