"""From payloads to samples: agreement with cantools, and everything that must be no sample."""

import math
import random
import struct
from pathlib import Path

import cantools
import pytest
from devices.can_rig import MEASUREMENTS, STATUS, Heard, can_bus, notes, samples, scanned
from hypothesis import given, settings
from hypothesis import strategies as st

from bench.devices.can_signals import RawSignal
from bench.errors import InputError
from bench.language.shipped import shipped_file

HEAD = 'VERSION ""\nNS_ :\nBS_:\nBU_: A\n'
MUX = (
    HEAD
    + """BO_ 512 cells: 8 A
 SG_ which M : 0|8@1+ (1,0) [0|255] "" A
 SG_ voltage_1 m0 : 8|16@1+ (0.001,0) [0|5] "V" A
 SG_ voltage_2 m1 : 8|16@1+ (0.001,0) [0|5] "V" A
 SG_ beat : 56|8@1+ (1,0) [0|255] "" A
"""
)
MUX_CHANNELS = """
  beat: {direction: read, unit: "", signal: cells.beat}
  voltage_1: {direction: read, unit: V, signal: cells.voltage_1, group: cells.1}
  voltage_2: {direction: read, unit: V, signal: cells.voltage_2, group: cells.2}
"""


def one_signal(signal: str, more: str = "") -> str:
    return f"{HEAD}BO_ 512 message: 8 A\n SG_ {signal} A\n{more}"


# -- bits ------------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("name", ["box_status", "box_measurements", "bms_cells"])
@given(data=st.binary(min_size=8, max_size=8))
@settings(max_examples=100, deadline=None)
def test_bits_as_cantools_cuts_them(name, data):
    message = cantools.database.load_file(shipped_file("heron3.dbc")).get_message_by_name(name)
    due = message.decode(data, scaling=False, decode_choices=False)
    assert {s.name: RawSignal(s, 8).in_data(data) for s in message.signals} == due


def test_any_place_any_length_both_byte_orders():
    chance = random.Random(7)
    for _ in range(300):
        length, big, signed = chance.randrange(1, 33), chance.random() < 0.5, chance.random() < 0.5
        first = chance.randrange(0, 64 - length)
        start = 8 * (first // 8) + 7 - first % 8 if big else first
        sign = "-" if signed else "+"
        text = one_signal(f's : {start}|{length}@{0 if big else 1}{sign} (1,0) [0|0] ""')
        message = cantools.database.load_string(text, "dbc").messages[0]
        data = chance.randbytes(8)
        assert RawSignal(message.signals[0], 8).in_data(data) == message.decode(data)["s"]


def test_float_signals(tmp_path):
    text = one_signal('s : 0|32@1- (1,0) [0|0] "V"', "SIG_VALTYPE_ 512 s : 1;\n")
    channels = "\n  v: {direction: read, unit: V, signal: message.s}\n"
    with Heard("", channels, folder=tmp_path, database=text) as bus:
        assert samples(bus.say(512, struct.pack("<f", 1.5) + bytes(4))) == {"v": 1.5}
        for bad in (math.nan, math.inf):
            events = bus.say(512, struct.pack("<f", bad) + bytes(4))
            assert samples(events) == {} and scanned(events) == []


# -- what is a sample ------------------------------------------------------------------------------------------------


def test_only_what_is_new_is_told_and_the_group_is_fresh():
    with Heard() as bus:
        first = bus.say(STATUS, bytes([1, 0, 40, 0, 0, 0, 0, 0]))
        assert samples(first) == {"controller_state": "precharge", "fan_duty": 20.0}
        again = bus.say(STATUS, bytes([1, 0, 40, 0, 0, 0, 0, 1]))  # another counter
        assert samples(again) == {} and scanned(again) == ["box_status"]
        assert samples(bus.say(STATUS, bytes([2, 0, 40, 0, 0, 0, 0, 2]))) == {"controller_state": "run"}


def test_value_that_changes_and_comes_back_is_told_both_times():
    """Also over a frame of trouble in between, whose other channels were told."""
    with Heard() as bus:
        bus.say(STATUS, bytes([1, 0, 40, 0, 0, 0, 0, 0]))
        middle = bus.say(STATUS, bytes([7, 0, 60, 0, 0, 0, 0, 0]))  # state 7 has no name
        assert samples(middle) == {"fan_duty": 30.0} and scanned(middle) == []
        after = bus.say(STATUS, bytes([1, 0, 40, 0, 0, 0, 0, 0]))
        assert samples(after) == {"controller_state": "precharge", "fan_duty": 20.0} and scanned(after) == [
            "box_status"
        ]


def test_each_wanted_message_is_a_group_of_its_own():
    with Heard() as bus:
        assert scanned(bus.say(MEASUREMENTS, bytes(8))) == ["box_measurements"]


def test_frames_that_nobody_wants_are_only_logged():
    with Heard() as bus:
        (batch,) = bus.say(0x18FF50E5, b"\x01", extended=True)
        assert batch.samples == () and batch.scanned == ()
        assert batch.frames[0][:5] == ("can", 0x18FF50E5, b"\x01", True, True)


def test_the_same_number_as_29_bit_identifier_is_another_message():
    with Heard() as bus:
        assert scanned(bus.say(STATUS, bytes(8), extended=True)) == []


# -- what is none ----------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("number", "data", "text", "lacking"),
    [
        (STATUS, bytes(7), "box_status has 7 bytes instead of 8", {"controller_state", "fan_duty"}),
        (STATUS, b"", "box_status has 0 bytes instead of 8", {"controller_state", "fan_duty"}),
        (STATUS, bytes([7, 0, 0, 0, 0, 0, 0, 0]), "box_status.controller_state is 7, which is none of idle, precharge",
         {"controller_state"}),
        (STATUS, bytes([0, 0, 255, 0, 0, 0, 0, 0]), "box_status.fan_duty is 127.5, outside its range", {"fan_duty"}),
        (MEASUREMENTS, (7000).to_bytes(2, "big") + bytes(6), "pack_voltage is 700 V, outside its range",
         {"pack_voltage"}),
    ],
)  # fmt: skip
def test_what_cantools_lets_pass(number, data, text, lacking):
    """Needs 29: no sample, told once for as long as it lasts, and told when it is over."""
    with Heard() as bus:
        events = bus.say(number, data)
        assert text in notes(events)[0]
        assert not lacking & set(samples(events)) and scanned(events) == []
        assert notes(bus.say(number, data)) == []
        assert "good again" in notes(bus.say(number, bytes(8)))[0]


def test_a_longer_frame_is_refused(tmp_path):
    text = HEAD + 'BO_ 512 short: 2 A\n SG_ s : 0|8@1+ (1,0) [0|255] "V" A\n'
    with Heard("", "\n  v: {direction: read, unit: V, signal: short.s}\n", folder=tmp_path, database=text) as bus:
        assert samples(bus.say(512, bytes([5, 0]))) == {"v": 5.0}
        assert samples(bus.say(512, bytes([6, 0, 0]))) == {}


def test_a_number_with_a_name_is_not_a_quantity(tmp_path):
    text = one_signal('s : 0|8@1+ (1,0) [0|255] "V"', 'VAL_ 512 s 255 "no value" ;\n')
    with Heard("", "\n  v: {direction: read, unit: V, signal: message.s}\n", folder=tmp_path, database=text) as bus:
        assert samples(bus.say(512, bytes([9] + [0] * 7))) == {"v": 9.0}
        assert "'no value', not a number" in notes(bus.say(512, bytes([255] + [0] * 7)))[0]


def test_named_states_compare_as_text(tmp_path):
    """Needs 30."""
    text = one_signal('s : 0|8@1+ (1,0) [0|255] ""', 'VAL_ 512 s 0 "off" 1 "on" 2 "odd" ;\n')
    channels = '\n  s: {direction: read, states: ["off", "on"], signal: message.s}\n'
    with Heard("", channels, folder=tmp_path, database=text) as bus:
        (value,) = samples(bus.say(512, bytes([1] + [0] * 7))).values()
        assert value == "on" and type(value) is str
        assert "is odd, which is none of off, on" in notes(bus.say(512, bytes([2] + [0] * 7)))[0]


def test_states_without_names_go_by_the_order_in_the_bench_file(tmp_path):
    text = one_signal('s : 0|1@1+ (1,0) [0|1] ""')
    for states, invert, due in (('["off", "on"]', "", "on"), ('["on", "off"]', ", invert: true", "on")):
        channels = f"\n  s: {{direction: read, states: {states}, signal: message.s{invert}}}\n"
        with Heard("", channels, folder=tmp_path, database=text) as bus:
            assert samples(bus.say(512, bytes([1] + [0] * 7))) == {"s": due}


@pytest.mark.parametrize(("unit", "value"), [("mV", 4000.0), ("V", 4.0)])
def test_units_are_converted(tmp_path, unit, value):
    """Needs 33."""
    text = one_signal('s : 0|16@1+ (0.001,0) [0|10] "V"')
    with Heard(
        "", f"\n  v: {{direction: read, unit: {unit}, signal: message.s}}\n", folder=tmp_path, database=text
    ) as bus:
        assert samples(bus.say(512, (4000).to_bytes(2, "little") + bytes(6))) == {"v": pytest.approx(value)}


def test_cold_and_negative_values():
    channels = "\n  t: {direction: read, unit: degC, signal: bms_cells.min_cell_temperature}\n"
    with Heard("", channels) as bus:
        data = ((-400 & 0xFFF) << 44).to_bytes(8, "little")
        assert samples(bus.say(384, data)) == {"t": pytest.approx(-40.0)}


# -- multiplexed -----------------------------------------------------------------------------------------------------


def test_a_branch_has_values_only_when_it_came(tmp_path):
    """Needs 31: with an age of its own."""
    with Heard("", MUX_CHANNELS, folder=tmp_path, database=MUX) as bus:
        first = bus.say(512, bytes([0, 0x10, 0x0E, 0, 0, 0, 0, 1]))
        assert samples(first) == {"beat": 1.0, "voltage_1": 3.6} and set(scanned(first)) == {"cells", "cells.1"}
        other = bus.say(512, bytes([1, 0x74, 0x0E, 0, 0, 0, 0, 1]))
        assert samples(other) == {"voltage_2": 3.7} and set(scanned(other)) == {"cells", "cells.2"}
        odd = bus.say(512, bytes([7, 0, 0, 0, 0, 0, 0, 2]))
        assert samples(odd) == {"beat": 2.0} and set(scanned(odd)) == {"cells"}
        assert notes(odd) == ["cells.which is 7, for which there is no branch"]


def test_branches_in_one_group_are_refused(tmp_path):
    with pytest.raises(InputError, match="come with different frames; give each message, and each of its branches"):
        can_bus("interface: virtual", MUX_CHANNELS.replace(", group: cells.2", ", group: cells.1"), tmp_path, MUX)


# -- databases -------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("change", "text"),
    [
        (
            lambda dbc: dbc[: dbc.index(" SG_ pack_voltage")],
            "box_measurements has 8 bytes and no signal; the file seems",
        ),
        (lambda dbc: dbc.replace("BO_ 289", "BO_ 288"), "both have the identifier 0x120"),
        (lambda dbc: dbc.replace(" : 59|4@0", " : 39|4@0"), "cannot be read"),  # overlap
        (lambda dbc: dbc.replace("7|16@0-", "63|16@0-"), "cannot be read"),  # beyond its frame
        (lambda dbc: dbc.replace(" SG_ pack_current", " SG pack_current"), "cannot be read"),
        (
            lambda dbc: dbc.replace("pack_voltage", "pack_volt"),
            "box_measurements has no signal 'pack_voltage'; did you",
        ),
        (lambda dbc: dbc.replace("box_status", "status"), "no message 'box_status'"),
        (
            lambda dbc: dbc.replace('"V" CAR', '"A" CAR'),
            "pack_voltage is in V, its signal box_measurements.pack_voltage",
        ),
    ],
)
def test_databases_that_cannot_be(tmp_path, change, text):
    """Needs 28: read strictly, and checked for what cantools does not say."""
    with pytest.raises(InputError) as caught:
        can_bus("interface: virtual", folder=tmp_path, database=change(shipped_file("heron3.dbc").read_text()))
    assert text in str(caught.value)


def test_a_database_that_is_not_there(tmp_path):
    with pytest.raises(InputError, match="cannot be read"):
        can_bus("interface: virtual, database: nowhere.dbc", folder=tmp_path)


def test_other_formats_than_dbc(tmp_path):
    database = cantools.database.load_file(shipped_file("heron3.dbc"))
    path = Path(tmp_path / "heron3.kcd")
    path.write_text(database.as_kcd_string())
    with Heard("database: heron3.kcd", folder=tmp_path) as bus:
        assert samples(bus.say(STATUS, bytes([2, 0, 40, 0, 0, 0, 0, 0])))["controller_state"] == "run"


@pytest.mark.parametrize(
    ("channels", "text"),
    [
        ('\n  s: {direction: read, states: ["idle", "running"], signal: box_status.controller_state}\n',
         "has the state 'running', its signal box_status.controller_state has not"),
        ('\n  s: {direction: read, states: ["on", "off"], signal: box_status.dcdc}\n', "0 would mean 'on'; list the"),
        ("\n  v: {direction: read, unit: V, signal: box_measurements.pack_voltage, group: io}\n"
         "  x: {direction: read, unit: V, group: io}\n", "come from CAN, x does not"),
    ],
)  # fmt: skip
def test_channels_that_do_not_fit_their_signals(channels, text):
    with pytest.raises(InputError) as caught:
        can_bus("interface: virtual", channels)
    assert text in str(caught.value)


@pytest.mark.parametrize("order", [0, 1])
def test_what_is_news_adds_up_to_the_whole_payload(order, tmp_path):
    """Only signals whose bits have changed are looked at; a state, a scaled and a signed number, both byte orders."""
    a, b, c = (0, 20, 40) if order else (2, 23, 47)
    database = f"""{HEAD}BO_ 512 m: 8 A
 SG_ a : {a}|3@{order}+ (1,0) [0|7] "" A
 SG_ b : {b}|9@{order}+ (0.5,-7) [-7|200] "V" A
 SG_ c : {c}|11@{order}- (1,0) [0|0] "A" A
VAL_ 512 a 0 "no" 1 "yes" 2 "yes" 3 "x" 4 "y" 5 "z" ;
"""
    channels = """
  a: {direction: read, text: true, signal: m.a}
  b: {direction: read, unit: V, signal: m.b}
  c: {direction: read, unit: A, signal: m.c}
"""
    ((_, each),) = can_bus("interface: virtual", channels, tmp_path, database)._followed.items()
    chance, told, data, bad = random.Random(3), {}, bytes(8), 0
    for _ in range(5000):
        number = int.from_bytes(data, "little") ^ (1 << chance.randrange(64)) * (chance.random() < 0.9)
        data = number.to_bytes(8, "little")
        news, reading = each.message.news(data), each.message.reading(data)
        assert (news is None) == bool(reading.lacking)
        if news is None:
            bad += 1
            each.message.forget()
            told = {}
        else:
            assert all(told.get(name) != value for name, value in news)
            told |= dict(news)
            assert told == dict(reading.samples)
    assert 100 < bad < 4000
