"""The harness: the example bench's table and checklist as people read them, and everything that can look wrong."""

from pathlib import Path

import pytest

from bench.__main__ import main
from bench.devices.registry import driver_class
from bench.language.bench_file import bench_from_text, load_bench
from bench.language.shipped import shipped_file
from bench.wiring.checklist import checklist_text, in_wiring_order
from bench.wiring.harness import harness_of
from bench.wiring.telling import table_text

HERE = Path(__file__).parent
FIRST_BENCH = shipped_file("benches/first-bench.yaml")


@pytest.fixture
def first():
    return harness_of(load_bench(FIRST_BENCH))


def bench_of(*channels, devices="io: {driver: board}, bus: {driver: can}, person: {driver: operator}"):
    lines = "\n".join(f"  {channel}" for channel in channels)
    return bench_from_text(f"bench: b\ndevices: {{{devices}}}\nchannels:\n{lines}\n", "b.yaml")


def problems_of(*channels, **more):
    return list(harness_of(bench_of(*channels, **more)).problems)


# -- what people read --------------------------------------------------------------------------------------------


def test_the_table_of_the_example(first):
    assert table_text(first) == (HERE / "first-bench-table.txt").read_text(encoding="utf-8")


def test_the_checklist_of_the_example(first):
    file = first.bench.file
    told = checklist_text(first).replace(file, "first-bench.yaml")
    assert told == (HERE / "first-bench-checklist.txt").read_text(encoding="utf-8")


def test_every_channel_is_in_the_table_once(first):
    told = [name for row in first.rows for name in row.names] + [name for name, _ in first.without_wire]
    assert sorted(told) == sorted(first.bench.channels)


def test_the_checklist_goes_from_mild_to_dangerous_and_keeps_the_loop_late(first):
    ordered = in_wiring_order(first.rows)
    assert sorted(map(id, ordered)) == sorted(map(id, first.rows))
    hazards = [row.wire.hazard for row in ordered]
    assert hazards == sorted(hazards, key=["low-voltage", "high-current", "hot", "high-voltage"].index)
    low = [row.direction for row in ordered if row.wire.hazard == "low-voltage"]
    assert low == sorted(low, key=["out", "both", "in"].index)
    names = [name for row in ordered for name in row.names]
    assert all(names.index("shutdown_loop") > names.index(name) for name in ("start_request", "imd_line", "loop"))


@pytest.mark.parametrize("name", ["io", "bus"])
def test_the_drivers_accept_the_example(first, name):
    device = first.bench.devices[name]
    channels = {channel.name: channel for channel in first.bench.channels.values() if channel.device == name}
    assert driver_class(device.driver, first.bench.file)(name, device.options, channels, first.bench).name == name


def test_the_example_is_in_order_and_carries_the_standard_run(capsys):
    energise = shipped_file("standard/energise/energise-and-shutdown.yaml")
    assert main(["check", str(FIRST_BENCH)]) == 0
    assert main(["check", str(energise), "--bench", str(FIRST_BENCH)]) == 0
    assert capsys.readouterr().err == ""


# -- what looks wrong --------------------------------------------------------------------------------------------

SWITCH = "direction: driven, states: [open, closed], safe: open"


@pytest.mark.parametrize(
    ("channels", "words"),
    [
        ([f"a: {{device: io, {SWITCH}}}"], ["a: a driven channel without a terminal"]),
        ([f"a: {{device: io, {SWITCH}, at: do1}}"], ["a: no pin of the box is given"]),
        (
            [f"{name}: {{device: io, {SWITCH}, at: do1, wire: {{pin: {pin}}}}}" for name, pin in ("aA", "bB")],
            ["a and b: 2 channels on terminal do1 of io"],
        ),
        (
            [f"{name}: {{device: io, {SWITCH}, at: do{number}, wire: {{pin: X1}}}}" for name, number in ("a1", "b2")],
            ["a and b: 2 outputs on pin X1 of the box"],
        ),
        (
            ["a: {device: io, direction: driven, states: [open, closed], safe: closed, at: do1, wire: {pin: X1}}"],
            ["its safe value 'closed' keeps the output energised, and without the bench it falls to 'open'"],
        ),
        (
            [f"a: {{device: io, {SWITCH}, invert: true, at: do1, wire: {{pin: X1}}}}"],
            ["its safe value 'open' keeps the output energised, and without the bench it falls to 'closed'"],
        ),
        (
            ["v: {device: io, direction: read, unit: V, at: ai1, wire: {pin: X3, hazard: high-voltage}}"],
            ["v: high voltage on io, which does not say that it is isolated"],
        ),
        (
            ["v: {device: io, direction: read, unit: V, range: [0 V, 0.5 kV], at: ai1, wire: {pin: X3}}"],
            ["v: up to 500 V, yet its wire is low-voltage; say 'hazard: high-voltage'"],
        ),
        (["c: {device: bus, direction: read, text: true, signal: m.s}"], ["bus: a bus without a terminal"]),
        (
            [
                "c: {device: bus, direction: read, text: true, signal: m.s, wire: {terminal: T, pin: X1}}",
                "d: {device: bus, direction: read, text: true, signal: m.t, wire: {terminal: T, pin: X2}}",
            ],
            ["bus: its channels describe the wires of one bus differently"],
        ),
    ],
)  # fmt: skip
def test_what_looks_wrong(channels, words):
    found = problems_of(*channels)
    assert len(found) == len(words)
    for problem, expected in zip(found, words, strict=True):
        assert expected in problem


def test_a_device_said_not_to_be_isolated():
    volts = "v: {device: m, direction: read, unit: V, at: x, wire: {pin: X3, hazard: high-voltage%s}}"
    assert "which is not isolated" in problems_of(volts % "", devices="m: {driver: scpi, isolated: false}")[0]
    assert problems_of(volts % "", devices="m: {driver: scpi, isolated: true}") == []
    assert problems_of(volts % ", isolated: true", devices="m: {driver: scpi, isolated: false}") == []
    assert "is not isolated" in problems_of(volts % ", isolated: false", devices="m: {driver: scpi, isolated: true}")[0]


@pytest.mark.parametrize(
    "channels",
    [
        ["a: {device: io, direction: read, states: ['off', 'on'], at: di1, wire: {pin: X1}}"],
        # one input, two readings of it
        [f"{n}: {{device: io, direction: read, unit: '%', at: pwm1, wire: {{pin: X1}}}}" for n in "ab"],
        # an output and its own reading back
        [f"a: {{device: io, {SWITCH}, at: do1, wire: {{pin: X1}}}}",
         "b: {device: io, direction: read, states: [open, closed], at: di1, wire: {pin: X1}}"],
        ["p: {device: person, direction: read, unit: V, range: [0 V, 1000 V]}"],
    ],
)  # fmt: skip
def test_what_is_right(channels):
    assert problems_of(*channels) == []


def test_the_first_wire_of_a_bus_speaks_for_all_channels_on_it():
    driven = "d: {device: bus, direction: driven, unit: V, safe: 1 V, signal: m.t}"
    read = "c: {device: bus, direction: read, text: true, signal: m.s, wire: {terminal: H/L, pin: X9}}"
    (row,) = harness_of(bench_of(driven, read)).rows
    assert (row.names, row.direction, row.terminal, row.wire.pin) == (("d", "c"), "both", "H/L", "X9")


# -- the command -------------------------------------------------------------------------------------------------


def test_the_command(tmp_path, capsys):
    drawing = tmp_path / "harness.svg"
    assert main(["wiring", str(FIRST_BENCH), "--svg", str(drawing), "--checklist"]) == 0
    out = capsys.readouterr().out
    assert out.index("box pin") < out.index("Checklist to wire by")
    assert drawing.read_text(encoding="utf-8").startswith("<?xml")


def test_a_harness_with_a_problem_ends_with_2(tmp_path, capsys):
    file = tmp_path / "bench.yaml"
    file.write_text(f"bench: b\ndevices: {{io: {{driver: board}}}}\nchannels: {{a: {{{SWITCH}}}}}\n")
    assert main(["wiring", str(file)]) == 2
    assert "1 problem:\n  ! a: a driven channel without a terminal" in capsys.readouterr().out


def test_mistakes_of_the_user(tmp_path, capsys):
    assert main(["wiring", str(shipped_file("bench.yaml"))]) == 2
    assert "nothing in this bench has a wire" in capsys.readouterr().err
    assert main(["wiring", str(FIRST_BENCH), "--svg", str(tmp_path / "no" / "folder.svg")]) == 2
    assert "cannot be written" in capsys.readouterr().err
    file = tmp_path / "bench.yaml"
    line = f"channels: {{a: {{{SWITCH}, wire: {{hazard: hv}}}}}}"
    file.write_text(f"bench: b\ndevices: {{io: {{driver: board}}}}\n{line}\n")
    assert main(["wiring", str(file)]) == 2
    expected = f":3:{line.index('hv') + 1}: error: 'hv' is not known here; write 'low-voltage'"
    assert expected in capsys.readouterr().err
