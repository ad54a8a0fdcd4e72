"""Corrupted bytes before every driver: no crash, and no more accepted than the protocol's own check lets through.

    protocol          its check           of N corrupted, at most
    board lines       CRC-16              N / 65536 expected; 4 of 20,000 is the limit here
    Modbus RTU        CRC-16              the same
    serial-line CAN   none                whatever is a line of the format; see below
    SCPI, line        none                whatever is a number

The CRC on the bus does not cover the way from the adapter to the bench, so on serial-line CAN one corrupted line in 25
is still a frame of its message, a wrong one. The message's own counter tells of every ninth of those; its CRC-8, where
it has one and the bench file says so, lets one in 256 through. On the last two nothing but the shape of a number, the
range of the channel in the self-check, and a second source (`trusted_while`) is there. Seeds are fixed.

100,000 board lines as a benchmark: tests/benchmarks/fuzz_board.py.
"""

import random
from itertools import islice

import pytest
from crccheck.crc import CrcModbus
from devices.corrupting import accepted
from devices.wire_rig import LINES, METER, driver_on
from pymodbus.framer import FramerRTU
from pymodbus.pdu import DecodePDU

from bench.devices.can_checks import Counter, FrameCheck, Protection, ProtectionOptions
from bench.devices.modbus import answer_length
from bench.devices.polled import NoValue, finish
from bench.devices.scpi import parse_identity, scpi_number
from bench.devices.serial_line_can import frame_of, line_of

COUNT = 20_000
MOST = 4  # P(more) < 1e-5 where 20000 / 65536 = 0.31 are expected


def corrupted(raw: bytes, chance: random.Random) -> bytes:
    """As a bad line leaves it: bits turned, bytes lost, doubled or put in, the end cut off."""
    came = bytearray(raw)
    while bytes(came) == raw:
        for _ in range(chance.choice((1, 1, 2, 4))):
            at = chance.randrange(len(came)) if came else 0
            match chance.randrange(5):
                case 0 if came:
                    came[at] ^= 1 << chance.randrange(8)
                case 1:
                    del came[at : at + 1]
                case 2:
                    came[at:at] = came[at : at + chance.choice((1, 2))]
                case 3:
                    came.insert(at, chance.randrange(256))
                case _:
                    came = came[: chance.randrange(len(came) + 1)]
    return bytes(came)


def test_board_lines():
    bench, board = accepted(COUNT, seed=3)
    assert max(bench, board) <= MOST


def test_modbus_answers():
    """By what the driver asks of an answer: pymodbus finds a frame in it, and it is as long as it says, no longer."""
    chance = random.Random(4)
    framer = FramerRTU(DecodePDU(False))
    bodies = [
        b"\x03\x01\x01\x01",
        b"\x03\x03\x02\x12\x67",
        b"\x03\x04\x04\xff\x85\x00\x10",
        b"\x03\x05\x00\x03\xff\x00",
    ]
    wrong = 0
    for _ in range(COUNT):
        body = chance.choice(bodies)
        raw = corrupted(body + CrcModbus.calc(body).to_bytes(2, "little"), chance)
        _, unit, _, data = framer.decode(raw)
        wrong += bool(data) and unit == 3 and len(raw) == answer_length(raw)
    assert wrong <= MOST


def lines_of_a_message(protection, chance):
    """(the frame of one message as it left, its line as it came), for ever; the counter is in byte 1."""
    count = 0
    while True:
        data = bytearray(8)
        data[1], data[2:] = count % 16, chance.randbytes(6)
        if protection is not None:
            protection.protect(data, count)
        yield (0x120, bytes(data)), corrupted(line_of(0x120, bytes(data))[:-1], chance)
        count += 1


@pytest.mark.parametrize("protected", [False, True])
def test_frames_of_the_serial_line(protected):
    """`believed` are wrong frames that would be decoded, `unnoticed` those of them whose counter fits as well."""
    chance = random.Random(5)
    protection = Protection(ProtectionOptions(crc="CRC-8/SAE-J1850", byte=0), 8) if protected else None
    counter = Counter(lambda data: data[1] & 0x0F, 16)
    told = []
    frames = believed = unnoticed = 0
    for (key, data), came in islice(lines_of_a_message(protection, chance), COUNT):
        frame = frame_of(came)
        if frame is None or frame[0] != key:  # another identifier is another message, or nobody's
            continue
        frames += 1
        check = FrameCheck("m", 8, counter, protection, 3)
        assert check.accept(the_one_before(data, protection), lambda *_: None)
        told.clear()
        if check.accept(frame[1], lambda text, times: told.append(text)) and len(frame[1]) == 8 and frame[1] != data:
            believed += 1
            unnoticed += not told
    assert frames > COUNT / 50
    if protected:
        assert believed <= 3 * frames / 256
    else:
        assert unnoticed < 0.95 * believed


def the_one_before(data, protection):
    """The same message one count earlier."""
    before = bytearray(data)
    before[1] = (data[1] - 1) % 16
    if protection is not None:
        protection.protect(before, before[1])
    return bytes(before)


def texts(answers, seed):
    chance = random.Random(seed)
    for _ in range(COUNT // 2):
        yield corrupted(chance.choice(answers).encode(), chance).decode("latin-1")


def test_answers_of_instruments():
    """Refused with a reason or a number: whatever else came would end the test."""
    numbers = 0
    for text in texts(["+4.02100000E+02", "9.91E37", "-1.5", "+9.90000000E+37", "12.5"], 6):
        try:
            assert abs(scpi_number(text)) < 9.9e37
            numbers += 1
        except ValueError as error:
            assert str(error)
    assert 0 < numbers < COUNT / 3
    for text in texts(["Tarn Instruments,DM-600,0001,1.04"], 7):
        try:
            assert len(parse_identity(text)) == 4
        except NoValue as error:
            assert str(error)


@pytest.mark.parametrize(("bench", "channel", "answer"), [(METER, "volts", "+4.021E+02"), (LINES, "heat", "T=21.5C")])
def test_values_of_text_devices(bench, channel, answer):
    """The drivers' own way from an answer to a value."""
    device = driver_on(bench, "none")
    taken = 0
    for text in texts([answer], 8):
        device.ask = lambda question, text=text: answered(text.strip())
        try:
            assert isinstance(finish(device.ask_value(channel)), float)
            taken += 1
        except NoValue as error:
            assert str(error)
    assert 0 < taken < COUNT / 4


def answered(text):
    return text
    yield
