"""`run` as a user meets it: exit status, documents, records, controllers of one's own, and every kind of mistake."""

import json
import os
import signal
import subprocess
import sys
from pathlib import Path
from xml.etree import ElementTree

import pytest

from bench.__main__ import main

ROOT = Path(__file__).parents[2]
STANDARD = ROOT / "sequences" / "standard"
ENERGISE = STANDARD / "energise" / "energise-and-shutdown.yaml"


@pytest.fixture
def run(tmp_path, capsys):
    """Run a command line; (exit status, standard output, standard error)."""

    def work(*arguments, command="run"):
        records = ["--records", str(tmp_path / "records")] if command == "run" else []
        status = main([command, *map(str, arguments), *records])
        return status, *capsys.readouterr()

    return work


def document_of(text):
    return json.loads(text)


def test_a_pass_and_what_its_document_says(run):
    status, out, err = run(ENERGISE, "--json")
    document = document_of(out)
    assert (status, err, document["verdict"]) == (0, "", "pass")
    (only,) = document["runs"]
    assert {"sequence", "case", "verdict", "record", "virtual_s", "steps", "invariants"} <= set(only)
    for step in only["steps"]:
        assert {"name", "kind", "verdict", "value", "unit", "limit", "requirement", "reason"} <= set(step)
    for invariant in only["invariants"]:
        assert {"rule", "verdict", "reason"} <= set(invariant)
    discharge = next(step for step in only["steps"] if step["requirement"] == "DIS-01")
    # 2.2 kohm and 560 uF from 403.2 V: RC ln(403.2/60) = 2.34707 s, plus 8 ms of relay (closed form)
    assert discharge["value"] == pytest.approx(2.34707 + 0.008, abs=0.01)


def test_the_record_is_whole_and_judged_again_the_same(run):
    _, out, _ = run(ENERGISE, "--json", "--firmware", "v1.2", "--box", "TB-07", "--operator", "A. Fell")
    record = document_of(out)["runs"][0]["record"]
    manifest = json.loads((Path(record) / "manifest.json").read_text())
    assert manifest["firmware"] == {"text": "v1.2"}
    assert manifest["box"] == "TB-07"
    assert manifest["people"] == {"operator": "A. Fell"}
    assert run(record, command="verify")[0] == 0
    status, out, _ = run(record, "--json", command="rejudge")
    assert (status, document_of(out)["same"]) == (0, True)


def test_a_firmware_file_is_named_by_its_hash(run, tmp_path):
    import hashlib

    binary = tmp_path / "box.bin"
    binary.write_bytes(b"\x00\x01firmware")
    _, out, _ = run(ENERGISE, "--json", "--firmware", binary)
    manifest = json.loads((Path(document_of(out)["runs"][0]["record"]) / "manifest.json").read_text())
    assert manifest["firmware"]["sha256"] == hashlib.sha256(binary.read_bytes()).hexdigest()


@pytest.mark.parametrize("configured", ["option", "environment"])
def test_a_configured_key_signs_the_record(run, tmp_path, monkeypatch, configured):
    assert run(tmp_path / "keys", command="keys")[0] == 0
    private, public = tmp_path / "keys/private.pem", tmp_path / "keys/public.pem"
    words = ["--key", private] if configured == "option" else []
    if configured == "environment":
        monkeypatch.setenv("TOPBOX_BENCH_KEY", str(private))
    status, out, _ = run(ENERGISE, "--json", *words)
    record = document_of(out)["runs"][0]["record"]
    assert status == 0 and run(record, "--key", public, command="verify")[0] == 0
    status, out, _ = run(record, *words, command="report")
    assert status == 0 and run(record, "--key", public, command="verify")[0] == 0
    private.chmod(0o644)
    status, _, err = run(ENERGISE, "--json", *words)
    assert status == 2 and err.startswith(f"{private}:1:1: error: this private key can be read by others")
    assert len(list((tmp_path / "records").iterdir())) == 1  # refused before anything was run


def test_the_same_seed_gives_the_same_bytes(run):
    records = [Path(document_of(run(ENERGISE, "--json", "--seed", "7")[1])["runs"][0]["record"]) for _ in range(2)]
    one, other = ((record / "record.jsonl").read_bytes() for record in records)
    assert records[0] != records[1]
    assert one == other


@pytest.mark.parametrize(
    ("controller", "sequence", "requirement"),
    [
        ("ClosesAtEighty", "energise/energise-and-shutdown", "PRE-01"),
        ("NeverPullsDischarge", "energise/energise-and-shutdown", "PRE-02"),
        ("IgnoresSilence", "bms/bms-silence-in-run", "BMS-02"),
    ],
)
def test_a_bad_controller_fails_with_the_right_step(run, monkeypatch, controller, sequence, requirement):
    monkeypatch.chdir(ROOT)
    status, out, _ = run(STANDARD / f"{sequence}.yaml", "--json", "--controller", f"tests.controllers:{controller}")
    assert status == 1
    failed = [
        step
        for one in document_of(out)["runs"]
        for step in one["steps"]
        if step["verdict"] == "fail" and step["requirement"] == requirement
    ]
    assert failed


def test_a_set_parameter_changes_the_physics(run):
    status, out, _ = run(ENERGISE, "--json", "--set", "discharge_resistance=5.6 kohm")
    assert status == 1
    assert "Discharge time" in document_of(out)["runs"][0]["reason"]


def test_a_fault_at_its_time(run):
    status, _, _ = run(ENERGISE, "--json", "--fault", "discharge-stuck-open@2")
    assert status == 1


def test_a_simulated_io_scan_that_stops_is_never_a_pass(run):
    status, out, _ = run(ENERGISE, "--json", "--fault", "bench-io-silent@1")
    assert (status, document_of(out)["verdict"]) == (3, "inconclusive")


def test_junit(run, tmp_path):
    run(ENERGISE, "--junit", tmp_path / "junit.xml")
    assert ElementTree.parse(tmp_path / "junit.xml").getroot().tag in ("testsuites", "testsuite")


def test_plain_lines_and_the_closing_table(run):
    _, out, _ = run(ENERGISE)
    assert "[1/1] energise-and-shutdown: pass" in out
    assert "DIS-01" in out
    assert out.rstrip().endswith("s of bench time")


def test_in_wall_time_the_verdict_is_the_same(run, tmp_path):
    short = tmp_path / "short.yaml"
    short.write_text(
        "sequence: short\ntitle: Loop only\nenergy: dry\npower: off\nsteps:\n"
        "  - {name: Close, drive: {shutdown_loop: closed}}\n"
        "  - {name: Supply, drive: {supply_voltage: 12.5 V}}\n"
        "  - {name: Feeds, await: loop == 'closed', within: 5 s}\n"
        "  - {name: Stays, hold: loop == 'closed', for: 200 ms}\n"
    )
    status, out, _ = run(short, "--json", "--wall-clock")
    assert (status, document_of(out)["verdict"]) == (0, "pass")
    status, out, _ = run(document_of(out)["runs"][0]["record"], "--json", command="rejudge")
    assert document_of(out)["same"]


# -- mistakes: one located line each, exit 2, no traceback, nothing left behind ------------------------------------


@pytest.mark.parametrize(
    "arguments",
    [
        ["nowhere.yaml"],
        [ENERGISE, "--bench", "nowhere.yaml"],
        [ENERGISE, "--set", "pack_emf=300V"],
        [ENERGISE, "--set", "pack_emv=300 V"],
        [ENERGISE, "--set", "pack_emf=300 s"],
        [ENERGISE, "--fault", "weld"],
        [ENERGISE, "--fault", "fan-failed@soon"],
        [ENERGISE, "--controller", "nowhere:Controller"],
        [ENERGISE, "--controller", "json:JSONDecoder"],
        [ENERGISE, "--controller", "nothing"],
    ],
)
def test_mistakes(run, tmp_path, arguments):
    status, out, err = run(*arguments)
    assert (status, out) == (2, "")
    lines = err.strip().splitlines()
    assert len(lines) == 1
    file, line, column, kind, message = lines[0].split(":", 4)
    assert file and int(line) >= 1 and int(column) >= 1 and kind == " error" and "; " in message
    assert not (tmp_path / "records").exists()


def test_a_controller_that_raises_is_no_verdict_on_the_box(run, tmp_path, monkeypatch):
    (tmp_path / "raising_box.py").write_text(
        "class Box:\n    period_s = 0.01\n    def step(self, t, inputs):\n        raise ValueError('no such pin')\n"
    )
    monkeypatch.chdir(tmp_path)
    status, out, _ = run(ENERGISE, "--json", "--controller", "raising_box:Box")
    assert (status, document_of(out)["verdict"]) == (3, "inconclusive")
    assert "no such pin" in document_of(out)["runs"][0]["reason"]


def test_a_record_folder_that_is_a_file(tmp_path, capsys):
    (tmp_path / "records").write_text("not a folder")
    assert main(["run", str(ENERGISE), "--records", str(tmp_path / "records")]) == 3
    err = capsys.readouterr().err
    assert "records" in err and "Traceback" not in err


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="this system has no /dev/full")
def test_a_full_disk_ends_the_run_safe_and_inconclusive(tmp_path, capsys, monkeypatch):
    from bench.record import growing

    real = growing.GrowingFile

    class Full(real):
        def add(self, data):
            if self._size > 20_000:
                with open("/dev/full", "wb", buffering=0) as full:
                    full.write(data)
            super().add(data)

    monkeypatch.setattr("bench.record.writer.GrowingFile", Full)
    status = main(["run", str(ENERGISE), "--records", str(tmp_path / "records"), "--json"])
    document = json.loads(capsys.readouterr().out)
    assert (status, document["verdict"]) == (3, "inconclusive")
    assert "No space left" in document["runs"][0]["reason"]


def test_ctrl_c_ends_safe_and_the_record_is_whole(tmp_path):
    code = "from bench.__main__ import main; import sys; sys.exit(main(sys.argv[1:]))"
    arguments = ["run", str(ENERGISE), str(STANDARD), "--wall-clock", "--records", str(tmp_path)]
    child = subprocess.Popen(
        [sys.executable, "-c", code, *arguments], stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, cwd=ROOT
    )
    _wait_for_a_record(tmp_path, child)
    os.kill(child.pid, signal.SIGINT)
    out, err = child.communicate(timeout=60)
    assert child.returncode == 3
    assert "SIGINT" in out and "Traceback" not in err
    (record,) = tmp_path.iterdir()
    events = [json.loads(line) for line in (record / "record.jsonl").read_text().splitlines()]
    assert [event["state"] for event in events if event["kind"] == "life"][-1] == "closed"
    assert main(["verify", str(record)]) == 0


def test_a_killed_run_leaves_a_record_that_says_it_is_incomplete(tmp_path, capsys):
    code = "from bench.__main__ import main; import sys; sys.exit(main(sys.argv[1:]))"
    arguments = ["run", str(ENERGISE), "--wall-clock", "--records", str(tmp_path)]
    child = subprocess.Popen([sys.executable, "-c", code, *arguments], stdout=subprocess.DEVNULL, cwd=ROOT)
    record = _wait_for_a_record(tmp_path, child)
    child.kill()
    child.wait()
    assert main(["verify", str(record)]) == 3
    assert "never closed" in capsys.readouterr().out
    assert main(["rejudge", str(record), "--json"]) == 3
    document = json.loads(capsys.readouterr().out)
    assert document["verdict"] == "inconclusive"


def _wait_for_a_record(folder, child):
    """Until the run has written samples, told by the file itself."""
    while child.poll() is None:
        for file in folder.glob("*/record.jsonl"):
            if file.read_bytes().count(b'"kind": "samples"') > 40:
                return file.parent
    raise AssertionError("the run ended before it had written anything")
