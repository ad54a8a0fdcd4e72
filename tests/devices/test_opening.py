"""What is wrong in a bench file's devices is found without touching a port, and said with its place."""

from __future__ import annotations

import pytest

from bench.__main__ import main
from bench.devices import opening
from bench.devices.opening import bench_in_wall_time, check_installed, devices_of
from bench.errors import BenchError, InputError
from bench.language.bench_file import bench_from_text
from bench.language.shipped import shipped_file

WHOLE = """\
bench: real
database: DATABASE
devices:
  io: {driver: board, port: /dev/no-such-port, calibrated_until: 2031-01-31}
  relays: {driver: modbus, port: /dev/no-such-port, unit: 3}
  meter: {driver: scpi, port: "socket://127.0.0.1:9", identity: {serial: "1"}}
  can: {driver: can, interface: virtual, channel: "x", calibrated_until: 2031-01-31}
  person: {driver: operator}
channels:
  loop: {device: io, direction: read, states: [open, closed], at: in 4}
  interlock: {device: relays, direction: driven, states: [open, closed], safe: open, at: coil 3}
  volts: {device: meter, direction: read, unit: V, at: "MEAS?"}
  pack: {device: can, direction: read, unit: V, signal: box_measurements.pack_voltage}
  tester: {device: person, direction: read, unit: V, range: [0 V, 10 V], may_be_silent: true}
""".replace("DATABASE", str(shipped_file("heron3.dbc")))


def places_of(text):
    with pytest.raises(InputError) as caught:
        devices_of(bench_from_text(text, "b.yaml"))
    return [(problem.line, problem.column, problem.wrong) for problem in caught.value.problems]


def test_a_good_file_makes_all_its_devices_and_opens_none():
    assert [device.name for device in devices_of(bench_from_text(WHOLE, "b.yaml"))] == [
        "io", "relays", "meter", "can", "person",
    ]  # fmt: skip


@pytest.mark.parametrize(
    ("old", "new", "line", "at", "wrong"),
    [
        ("driver: board,", "driver: bord,", 4, "io:", "no driver is called 'bord'"),
        ("unit: 3", "unit: three", 5, "three", "'three' is no whole number"),
        ("unit: 3", "units: 3", 5, "3}", "the key 'units' is not known here"),
        ("port: /dev/no-such-port, unit", "port: socket://nowhere, unit", 5, "socket", "names no port"),
        ("serial: \"1\"", "sereal: \"1\"", 6, "\"1\"", "the key 'identity.sereal' is not known here"),
        ("interface: virtual,", "interface: virtual, expected: {box_states: 50 ms},", 7, "50 ms", "'box_states'"),
        ("interface: virtual,", "interface: virtual, bitrate: 500 V,", 7, "500 V", "is no bit rate"),
        ("at: in 4", "at: inn 4", 10, "loop:", "channel loop:"),
        ("at: coil 3", "at: input 3", 11, "interlock:", "'input 3' can only be read"),
        ('at: "MEAS?"', "at: MEAS", 12, "volts:", "volts has no query"),
        ("box_measurements.pack_voltage", "box_measurements.volts", 13, "pack:", "has no signal 'volts'"),
        ("box_measurements.pack", "box_measurement.pack", 13, "pack:", "has no message 'box_measurement'"),
        (", range: [0 V, 10 V]", "", 14, "tester:", "tester has no range"),
    ],
)  # fmt: skip
def test_each_mistake_has_its_place(old, new, line, at, wrong):
    text = WHOLE.replace(old, new)
    ((found_line, column, said),) = places_of(text)
    assert wrong in said
    assert found_line == line
    assert text.splitlines()[line - 1][column - 1 :].startswith(at) or at == "io:"


def test_everything_is_said_in_one_pass():
    text = WHOLE.replace("unit: 3", "unit: three").replace("at: in 4", "at: inn 4").replace('"MEAS?"', "MEAS")
    assert [line for line, _, _ in places_of(text)] == [5, 10, 12]


def test_check_and_run_say_it_before_anything_is_asked_or_opened(tmp_path, capsys, monkeypatch):
    monkeypatch.chdir(tmp_path)
    monkeypatch.setattr(opening, "bench_in_wall_time", lambda *_: pytest.fail("nothing may be opened"))
    file = tmp_path / "real.yaml"
    file.write_text(WHOLE.replace("unit: 3", "unit: three"), encoding="utf-8")
    sequence = tmp_path / "s.yaml"
    sequence.write_text(
        "sequence: s\ntitle: S\nenergy: live\nsteps:\n  - {name: A, await: loop == 'open', within: 1 s}\n",
        encoding="utf-8",
    )
    said = "real.yaml:5:59: error: device relays: unit: 'three' is no whole number; write for example '3'"
    assert main(["check", str(file)]) == 2
    assert said in capsys.readouterr().err
    assert main(["run", str(sequence), "--bench", str(file), "--stage", "live", "--records", str(tmp_path / "r")]) == 2
    err = capsys.readouterr().err
    assert said in err and "terminal" not in err
    assert not (tmp_path / "r").exists()


def test_a_library_that_is_missing_is_named_before_anything_is_opened(monkeypatch):
    bench = bench_from_text(WHOLE, "b.yaml")
    check_installed(devices_of(bench))
    monkeypatch.setattr(opening, "find_spec", lambda module: None)
    wrong = r"device relays needs pymodbus: pip install 'topbox-bench\[modbus\]'"
    with pytest.raises(BenchError, match=wrong), bench_in_wall_time(bench):
        pass
