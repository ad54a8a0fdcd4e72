"""CAN decoding against frames worked out by hand, beside cantools.

DBC-1: the example message of cantools' own test data (motohawk.dbc, tests/test_database.py). DBC-2 and DBC-3: own
examples, computed by hand and with cantools 45.1.0. DBC-4: in a Motorola signal the start bit is the most significant
bit, counted in sawtooth order (DBC practice, from memory; DBC-3 proves it).
"""

import cantools
import pytest

from bench.language.shipped import shipped_file
from simulators.messages import decoder, encoder

HEAD = 'VERSION ""\nNS_ :\nBS_:\nBU_: A\n'
DBC_1 = (
    HEAD
    + """BO_ 496 Example: 8 A
 SG_ Temperature : 0|12@0- (0.01,250) [229.52|270.47] "K" A
 SG_ AverageRadius : 6|6@0+ (0.1,0) [0|5] "m" A
 SG_ Enable : 7|1@0+ (1,0) [0|1] "" A
"""
)
DBC_2 = (
    HEAD
    + """BO_ 512 Intel: 8 A
 SG_ pack : 0|16@1+ (0.1,0) [0|6553.5] "V" A
 SG_ current : 16|16@1- (0.01,0) [-327.68|327.67] "A" A
 SG_ cell_max : 36|12@1+ (0.001,1) [1|5.095] "V" A
 SG_ temp : 48|8@1- (1,0) [-128|127] "degC" A
"""
)
DBC_3 = (
    HEAD
    + """BO_ 513 Motorola: 8 A
 SG_ pack : 7|16@0+ (0.1,0) [0|6553.5] "V" A
 SG_ current : 23|16@0- (0.01,0) [-327.68|327.67] "A" A
 SG_ cell_max : 35|12@0+ (0.001,1) [1|5.095] "V" A
 SG_ temp : 55|8@0- (1,0) [-128|127] "degC" A
"""
)
PACK = {"pack": 403.2, "current": -12.34, "cell_max": 4.123, "temp": -5}


def raw_intel(data: bytes, start: int, length: int, signed: bool = False) -> int:
    """By hand: bit n of the little-endian number is bit n % 8 of byte n // 8."""
    value = sum((data[n // 8] >> n % 8 & 1) << (n - start) for n in range(start, start + length))
    return value - (1 << length) if signed and value >> (length - 1) else value


def raw_motorola(data: bytes, start: int, length: int, signed: bool = False) -> int:
    """By hand: from the most significant bit down in the byte, then on from bit 7 of the next byte."""
    value, place = 0, start
    for _ in range(length):
        value = value << 1 | data[place // 8] >> place % 8 & 1
        place = place - 1 if place % 8 else place + 15
    return value - (1 << length) if signed and value >> (length - 1) else value


@pytest.mark.parametrize(
    ("text", "name", "frame", "values"),
    [
        (DBC_1, "Example", "C0 06 E0 00 00 00 00 00", {"Temperature": 250.55, "AverageRadius": 3.2, "Enable": 1}),
        (DBC_2, "Intel", "C0 0F 2E FB 30 C3 FB 00", PACK),
        (DBC_3, "Motorola", "0F C0 FB 2E 0C 33 FB 00", PACK),
    ],
    ids=["DBC-1", "DBC-2", "DBC-3"],
)
def test_cantools_agrees_with_published_frames(text, name, frame, values):
    message = cantools.database.load_string(text, "dbc").get_message_by_name(name)
    assert message.encode(values) == bytes.fromhex(frame)
    assert message.decode(bytes.fromhex(frame)) == pytest.approx(values)


def test_hand_decoding_of_published_frames():
    """DBC-1 to DBC-4 without cantools."""
    one, two, three = (
        bytes.fromhex(x) for x in ("C006E00000000000", "C00F2EFB30C3FB00", "0FC0FB2E0C33FB00")
    )  # fmt: skip
    assert (raw_motorola(one, 7, 1), raw_motorola(one, 6, 6), raw_motorola(one, 0, 12, True)) == (1, 32, 55)
    assert 250 + 0.01 * raw_motorola(one, 0, 12, True) == pytest.approx(250.55)
    assert [raw_intel(two, 0, 16), raw_intel(two, 16, 16, True), raw_intel(two, 36, 12)] == [4032, -1234, 3123]
    assert [raw_motorola(three, 7, 16), raw_motorola(three, 23, 16, True)] == [4032, -1234]
    assert raw_motorola(three, 35, 12) == 3123
    assert raw_intel(two, 48, 8, True) == raw_motorola(three, 55, 8, True) == -5


def test_heron3_status_by_hand():
    """State `run`, loop closed, all auxiliary contacts but pre-charge, coils of both AIRs and discharge, DC-DC."""
    data = bytes([0b1110_0010, 0b0011_0110, 64, 125, 0, 0, 0, 11])
    found = decoder().decode(288, data)
    assert found == {
        "controller_state": "run", "fault_present": "", "loop_closed": 1, "air_plus_aux": 1, "air_minus_aux": 1,
        "precharge_aux": 0, "air_plus_coil": 1, "air_minus_coil": 1, "precharge_coil": 0, "discharge_coil": 1,
        "dcdc": 1, "charging": 0, "fan_duty": 32.0, "supply_voltage": 12.5, "status_counter": 11,
    }  # fmt: skip
    assert raw_intel(data, 0, 4) == 2 and raw_intel(data, 24, 8) == 125 and raw_intel(data, 56, 4) == 11
    numbers = {name: value for name, value in found.items() if name != "status_counter"}
    numbers |= {"controller_state": 2, "fault_present": 0}
    assert encoder("box_status", "status_counter").encode(numbers, 11) == data


def test_heron3_measurements_by_hand():
    """High byte first: 403.2 V, 60.1 V, -12.3 A, counter 5 in the low half of the last byte."""
    data = (4032).to_bytes(2, "big") + (601).to_bytes(2, "big") + (-123).to_bytes(2, "big", signed=True) + b"\x00\x05"
    assert decoder().decode(289, data) == pytest.approx(
        {"pack_voltage": 403.2, "ts_voltage": 60.1, "pack_current": -12.3, "measurements_counter": 5}
    )
    assert raw_motorola(data, 39, 16, True) == -123 and raw_motorola(data, 59, 4) == 5


def test_heron3_cells_by_hand():
    """Little-endian; the temperatures share byte 5: 4.2 V, 2.75 V, 60.5 degC, -40 degC, counter 9."""
    whole = 42000 | 27500 << 16 | 605 << 32 | (-400 & 0xFFF) << 44 | 9 << 56
    data = whole.to_bytes(8, "little")
    values = {"max_cell_voltage": 4.2, "min_cell_voltage": 2.75, "max_cell_temperature": 60.5,
              "min_cell_temperature": -40.0}  # fmt: skip
    assert decoder().decode(384, data) == pytest.approx(values | {"cells_counter": 9})
    assert encoder("bms_cells", "cells_counter").encode(values, 9) == data
    assert raw_intel(data, 44, 12, True) == -400


def test_values_beyond_a_signal_become_its_end():
    data = encoder("bms_cells", "cells_counter").encode(
        {"max_cell_voltage": 700.0, "min_cell_voltage": -1.0, "max_cell_temperature": 1e9,
         "min_cell_temperature": -1e9}, 0,
    )  # fmt: skip
    assert raw_intel(data, 0, 16) == 65535 and raw_intel(data, 16, 16) == 0
    assert raw_intel(data, 32, 12, True) == 2047 and raw_intel(data, 44, 12, True) == -2048


def test_unknown_and_wrong_length_frames_are_no_values():
    assert decoder().decode(385, bytes(8)) is None
    assert decoder().decode(384, bytes(7)) is None
    assert decoder().decode(384, bytes(0)) is None


def test_shipped_database_says_its_periods():
    messages = {m.name: m for m in cantools.database.load_file(shipped_file("heron3.dbc")).messages}
    assert {name: m.cycle_time for name, m in messages.items()} == {
        "box_status": 10, "box_measurements": 100, "bms_cells": 100,
    }  # fmt: skip
