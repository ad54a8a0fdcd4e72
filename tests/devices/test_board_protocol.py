"""What a line of the I/O board is: at the bench's end, and at the firmware's."""

import random

import pytest
from devices.corrupting import SENT, accepted

from bench.devices.board_protocol import LONGEST, Line, Malformed, crc16, decode, encode, levels_of, stamp_of
from bench.devices.firmware import main as firmware

#: Line and bytes, for every end.
CASES = [
    (Line(0x0001, "hello"), b"0001 hello*E9FA\n"),
    (Line(0x00FF, "drive", ("3=1", "6=32768")), b"00FF drive 3=1 6=32768*8DD5\n"),
    (Line(0xFFFF, "change", ("FFFFFFFE", "4=1")), b"FFFF change FFFFFFFE 4=1*0955\n"),
]


@pytest.mark.parametrize(("line", "raw"), CASES)
def test_lines_and_their_bytes(line, raw):
    assert encode(line.number, line.word, *line.fields) == raw
    assert decode(raw[:-1]) == line
    assert firmware.parse(raw[:-1]) == (line.number, line.word, list(line.fields))


def test_every_line_comes_back():
    for number, word, *fields in SENT:
        raw = encode(number, word, *fields)
        assert decode(raw[:-1]) == Line(number, word, tuple(fields))


def test_both_ends_have_the_same_crc():
    rng = random.Random(1)
    for length in range(200):
        data = rng.randbytes(length)
        assert crc16(data) == firmware.crc16(data)
    assert (firmware.NAME, firmware.VERSION, firmware.LONGEST) == ("topbox-io", "1", LONGEST)


@pytest.mark.parametrize(
    ("raw", "says"),
    [
        (b"", "not a line"),
        (b"0001 hello", "not a line"),
        (b"0001 hello*e9fa", "not a line"),
        (b"0001  hello*E9FA", "not a line"),
        (b"1 hello*E9FA", "not a line"),
        (b"0001 hello*E9FB", "wrong CRC"),
        (b"0002 hello*E9FA", "wrong CRC"),
        (b"0001 hello*E9FA\r", "not a line"),
        (b"\xff001 hello*E9FA", "not a line"),
        (b"x" * LONGEST, "longer"),
    ],
)
def test_what_is_no_line(raw, says):
    with pytest.raises(Malformed, match=says):
        decode(raw)


@pytest.mark.parametrize("field", ["", "4", "4=", "=1", "4=-1", "4=1.5", "4=1/", "x=1", "4=\u0661"])
def test_what_is_no_level(field):
    with pytest.raises(Malformed):
        list(levels_of([field]))


def test_levels_and_stamps():
    assert list(levels_of(["4=1", "7=430/1000"])) == [(4, (1,)), (7, (430, 1000))]
    assert stamp_of("FFFFFFFF") == (1 << 32) - 1
    for field in ("FFFFFFF", "ffffffff", "0x00000F", "FFFFFFFF0"):
        with pytest.raises(Malformed):
            stamp_of(field)


def test_what_cannot_be_said():
    for number, word, fields in [
        (0, "Hello", ()),
        (0, "drive", ("3*1",)),
        (0, "drive", ("x" * 200,)),
        (1 << 16, "a", ()),
    ]:
        with pytest.raises(ValueError, match="no line of the protocol"):
            encode(number, word, *fields)


def test_corrupted_lines_are_refused():
    """A wrong line passes a 16-bit CRC once in 65,536: `tests/benchmarks/fuzz_board.py` has the full 100,000."""
    bench, board = accepted(20_000)
    assert bench <= 2
    assert board <= 2
