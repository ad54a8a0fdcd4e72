"""The bench description and the requirements register."""

from __future__ import annotations

import pytest

from bench.errors import InputError
from bench.language.bench_file import Bench, bench_from_text, load_bench
from bench.language.channel import Accuracy
from bench.language.register import Source, load_register, resolve_register
from bench.language.yaml_nodes import compose

STANDARD = {
    "driven": """shutdown_loop interlock start_request stop_request reset_request charger charger_interlock bms_line
        imd_line bms_messages bms_max_cell_voltage bms_min_cell_voltage bms_max_cell_temperature
        bms_min_cell_temperature supply_voltage fault_resistor_plus fault_resistor_minus""",
    "read": """loop pack_voltage ts_voltage current air_plus air_minus precharge discharge air_plus_coil air_minus_coil
        precharge_coil discharge_coil air_plus_aux air_minus_aux indicator fan_duty dcdc charging
        insulation_resistance controller_state controller_fault""",
}


MORE = {"firmware", "status_air_plus", "status_air_minus", "status_precharge"}


def bench_of(channel: str, head: str = "devices: {box: {driver: simulated}}") -> Bench:
    """A bench with one channel `x`; the channel stands in line 3, its mapping from column 20."""
    return bench_from_text(f"bench: b\n{head}\nchannels: {{    x: {{{channel}}}}}\n", "b.yaml")


def test_the_shipped_bench_has_every_standard_channel():
    bench = load_bench()
    for direction, names in STANDARD.items():
        read = {name for name, each in bench.channels.items() if each.direction == direction}
        assert read - set(names.split()) == (MORE if direction == "read" else set())
        assert set(names.split()) <= read
    assert bench.firmware == "firmware"
    assert bench.simulated
    assert bench.database.is_file()
    for channel in bench.channels.values():
        assert sum((channel.unit is not None, channel.states is not None, channel.text)) == 1
        if channel.direction == "driven":
            assert channel.safe is not None
            assert channel.initial is not None or channel.follows
    assert bench.channels["loop"].capture == "edges"
    assert bench.channels["shutdown_loop"].safe == "open"
    assert bench.channels["fault_resistor_plus"].initial == float("inf")
    state = bench.channels["controller_state"]
    assert (state.group, state.may_be_silent, state.signal) == ("box_status", True, "box_status.controller_state")


def test_texts_become_numbers_in_the_channels_unit():
    bench = bench_of(
        "direction: driven, unit: mV, safe: 1 V, range: [-1 V, 2 V], accuracy: 0.2 % + 0.05 V, resolution: 1 mV, "
        "every: 20 ms, stale_after: 0.1 s, capture: edges, time_accuracy: 50 us, group: g, note: n"
    )
    x = bench.channels["x"]
    assert (x.safe, x.initial, x.range, x.resolution) == (1000.0, 1000.0, (-1000.0, 2000.0), 1.0)
    assert x.accuracy == Accuracy(0.002, 50.0)
    assert x.accuracy.at(-1000.0) == 52.0
    assert (x.every_s, x.stale_after_s, x.time_accuracy_s) == (0.02, 0.1, 50e-6)
    assert (x.device, x.group, x.capture) == ("box", "g", "edges")


def test_defaults_of_the_file_and_options_of_a_device():
    head = "every: 5 ms\nstale_after: 1 s\ndevices: {box: {driver: board, port: COM3, list: [1, 2]}}"
    bench = bench_of("direction: read, states: [on, off]", head)
    assert (bench.channels["x"].every_s, bench.channels["x"].stale_after_s) == (0.005, 1.0)
    assert bench.devices["box"].options == {"port": "COM3", "list": ["1", "2"]}
    assert not bench.simulated
    assert bench.channels["x"].group == "box"


def test_a_temperature_channel_has_its_accuracy_in_kelvin():
    x = bench_of("direction: read, unit: degC, accuracy: 0.5 K, range: [-40 degC, 120 degC]").channels["x"]
    assert (x.accuracy, x.range) == (Accuracy(0.0, 0.5), (-40.0, 120.0))


BAD_CHANNELS = [
    ("direction: read", 16, "x has no unit; give one of"),
    ("direction: read, unit: V, text: true", 16, "x has unit and text"),
    ("direction: red, unit: V", 31, "did you mean 'read'?"),
    ("direction: read, unit: Volt", 43, "write 'V'"),
    ("direction: read, states: [on]", 45, "add an entry"),
    ("direction: read, states: [on, on]", 46, "listed twice"),
    ("direction: read, text: yes", 43, "'yes' is neither true nor false; write true"),
    ("direction: read, text: maybe", 43, "write true or false"),
    ("direction: read, unit: V, every: 10", 53, "'10' is a plain number, not a time"),
    ("direction: read, unit: V, every: 1:30", 53, "'90 s'"),
    ("direction: read, unit: V, every: 0 s", 53, "write a time above 0 s"),
    ("direction: read, unit: V, stale_after: 5 V", 59, "'5 V' is a voltage, not a time"),
    ("direction: read, unit: V, accuracy: 0.2 % + 5 A", 64, "'5 A' is a current, not a voltage"),
    ("direction: read, unit: V, accuracy: good", 56, "not a quantity"),
    ("direction: read, states: [on, off], accuracy: 5 V", 66, "for channels with a unit"),
    ("direction: read, unit: V, range: [5 V, 1 V]", 54, "write the lower end first"),
    ("direction: read, unit: V, range: [5 V]", 16, "a range has two ends"),
    ("direction: read, unit: V, range: [0 V, .nan V]", 59, "finite"),
    ("direction: read, unit: V, safe: 5 V", 52, "a channel that is read has no 'safe'"),
    ("direction: driven, unit: V", 16, "has no safe value"),
    ("direction: driven, unit: V, safe: 5 V, range: [0 V, 1 V]", 54, "5 V is outside 0 V to 1 V"),
    ("direction: driven, states: [on, off], safe: of", 64, "did you mean 'off'?"),
    ("direction: driven, unit: V, safe: 5", 54, "'5' is a plain number, not a voltage"),
    ("direction: read, unit: V, device: bx", 54, "did you mean 'box'?"),
    ("direction: read, unit: V, capture: edge", 55, "did you mean 'edges'?"),
    ("direction: read, text: true, signal: abc", 57, "write MESSAGE.SIGNAL"),
    ("direction: read, unit: V, acuracy: 5 V", 46, "did you mean 'accuracy'?"),
    ("unit: V", 19, "the key 'direction' is missing"),
]


@pytest.mark.parametrize(("channel", "column", "says"), BAD_CHANNELS, ids=lambda value: str(value)[:50])
def test_a_bad_channel(channel, column, says):
    with pytest.raises(InputError) as caught:
        bench_of(channel)
    first = str(caught.value.problems[0])
    assert first.startswith(f"b.yaml:3:{column}: error: ")
    assert says in first


def test_two_devices_must_be_told_apart():
    with pytest.raises(InputError, match="x does not say its device; add 'device: a or b'"):
        bench_of("direction: read, unit: V", "devices: {a: {driver: p}, b: {driver: q}}")


def test_the_shipped_register():
    register = load_register()
    assert register["DIS-01"].limit.max == "5 s"
    assert all(requirement.text and requirement.title for requirement in register.values())


def test_a_requirement_in_full():
    text = """requirements:
  - {id: A-1, title: t, text: x, limit: {min: 1 V}, always: true, shown_by: inspection,
     sources: [{document: d, edition: e, clause: c}, {document: d2, note: from memory}]}
"""
    register = resolve_register(compose(text, "r.yaml"), "r.yaml", text)
    assert register["A-1"].sources == (Source("d", "e", "c", ""), Source("d2", "", "", "from memory"))
    assert (register["A-1"].always, register["A-1"].shown_by, register["A-1"].limit.max) == (True, "inspection", None)


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("requirements: []", "1:15: error: the list is empty"),
        ("requirements: [{id: A, title: t}]", "1:16: error: the key 'text' is missing"),
        (
            "requirements: [{id: A, title: t, text: x}, {id: A, title: t, text: x}]",
            "1:49: error: a second requirement 'A'",
        ),
        ("requirements: [{id: A, title: t, text: x, limit: {}}]", "1:21: error: the limit of A is empty"),
        (
            "requirements: [{id: A, title: t, text: x, always: on}]",
            "1:51: error: 'on' is neither true nor false; write true",
        ),
        ("requirements: [{id: A, title: t, text: x, sources: [{dokument: d}]}]", "did you mean 'document'?"),
    ],
)
def test_a_bad_register(text, says):
    with pytest.raises(InputError) as caught:
        resolve_register(compose(text, "r.yaml"), "r.yaml", text)
    assert says in str(caught.value)


FIRMWARE_BENCH = """\
bench: b
devices: {box: {driver: simulated}, person: {driver: operator}}
firmware: {channel: CHANNEL}
channels:
  version: {device: box, direction: read, text: true}
  loop: {device: box, direction: driven, states: [open, closed], safe: open}
  label: {device: person, direction: read, unit: V, at: What does the label say?}
"""


@pytest.mark.parametrize(
    ("channel", "error"),
    [
        ("versoin", "b.yaml:3:21: error: no channel is called 'versoin'; did you mean 'version'?"),
        (
            "loop",
            "b.yaml:3:21: error: loop is not read from the box; name a channel with 'direction: read' on which the box "
            "says its version",
        ),
        (
            "label",
            "b.yaml:3:21: error: label is not read from the box; name a channel with 'direction: read' on which the "
            "box says its version",
        ),
    ],
)
def test_where_the_box_says_its_version(channel, error):
    assert bench_from_text(FIRMWARE_BENCH.replace("CHANNEL", "version"), "b.yaml").firmware == "version"
    with pytest.raises(InputError) as caught:
        bench_from_text(FIRMWARE_BENCH.replace("CHANNEL", channel), "b.yaml")
    assert [str(problem) for problem in caught.value.problems] == [error]
