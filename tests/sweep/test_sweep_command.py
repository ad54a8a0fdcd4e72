"""`sweep` as a user meets it."""

import json
import os
import re
import signal
import subprocess
import sys
from pathlib import Path
from xml.etree import ElementTree

import pytest

from bench.__main__ import main

ROOT = Path(__file__).parents[2]
STANDARD = ROOT / "sequences" / "standard"
STOP = STANDARD / "shutdown" / "stop-request.yaml"
ENERGISE = STANDARD / "energise" / "energise-and-shutdown.yaml"
RULES_BROKEN = """
sequence: too-strict
title: Asks for what no healthy box does
energy: dry
proves: [PRE-01]
steps:
  - {name: Never starts, drive: {shutdown_loop: closed}}
  - {name: Cannot be, check: loop == 'open', requirement: ACT-01}
"""


@pytest.fixture
def sweep(capfd):
    """Run a sweep; (exit status, standard output, standard error)."""

    def work(*arguments):
        status = main(["sweep", *map(str, arguments), "--workers", "2"])
        return status, *capfd.readouterr()

    return work


def test_found_defects_pass_and_the_document_says_where(sweep, tmp_path):
    picture = tmp_path / "found.svg"
    status, out, err = sweep(STOP, ENERGISE, "--defects", "ignores-stop,closes-at-80-percent", "--json",
                             "--picture", picture)  # fmt: skip
    document = json.loads(out)
    assert (status, document["verdict"], document["windows"]) == (0, "pass", [])
    assert re.search(r"defects: 2 of 2, \d+:\d\d gone, about 0:00 left", err)
    rows = {row["defect"]: row for row in document["defects"]}
    assert rows["ignores-stop"]["named"] == ["STP-01"]
    assert {catch["sequence"] for catch in rows["ignores-stop"]["caught_by"]} == {"stop-request"}
    first = rows["closes-at-80-percent"]["caught_by"][0]["findings"][0]
    assert first.keys() == {"where", "requirement", "at_s", "after_s", "reason"}
    cases = {(case["sequence"], case["case"], case["fault"]): case["verdict"] for case in document["cases"]}
    assert len(cases) == 4 and cases["energise-and-shutdown", "", "ignores-stop"] == "pass"
    assert "ignores-stop" in ElementTree.parse(picture).getroot().itertext()


def test_undetected_defects_fail_and_come_first(sweep):
    status, out, _ = sweep(STOP, "--defects", "ignores-stop,cold-trips,bms-line-ignored")
    assert status == 1
    lines = [line.split()[:2] for line in out.splitlines() if line.startswith((" ✗", " ●"))]
    assert lines == [["✗", "cold-trips"], ["✗", "bms-line-ignored"], ["●", "ignores-stop"]]
    assert (
        "✗ undetected: bms-line-ignored: Leaves a fault of the BMS line to the hardware. (hidden by the hardware)"
        in out
    )
    assert re.search(r"✗ fail: 1 of 3 defects found \(at least 1\.7% of such defects, 95% one-sided\)", out)


def test_what_fails_on_the_healthy_box_is_not_believed(sweep, tmp_path):
    (tmp_path / "too-strict.yaml").write_text(RULES_BROKEN, encoding="utf-8")
    status, out, _ = sweep(tmp_path, STOP, "--defects", "ignores-stop,cold-trips", "--json")
    document = json.loads(out)
    assert (status, document["verdict"]) == (1, "fail")
    assert [unsound["sequence"] for unsound in document["unsound"]] == ["too-strict"]
    assert {case["sequence"] for case in document["cases"]} == {"stop-request"}
    assert {row["defect"]: row["standing"] for row in document["defects"]} == {
        "cold-trips": "undetected", "ignores-stop": "found",
    }  # fmt: skip


def test_first_leaves_a_defect_when_it_is_settled(sweep):
    _, out, _ = sweep(STANDARD / "shutdown", "--defects", "ignores-stop", "--first", "--json")
    cases = json.loads(out)["cases"]
    assert cases[-1]["sequence"].startswith("stop-") and cases[-1]["verdict"] == "fail"
    assert [case["verdict"] for case in cases].count("fail") == 1


def test_records_are_kept_on_request_only(sweep, tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    sweep(ENERGISE, "--defects", "closes-at-80-percent", "--json")
    assert list(tmp_path.iterdir()) == []
    sweep(ENERGISE, "--defects", "closes-at-80-percent", "--records", tmp_path / "kept", "--json")
    (record,) = (tmp_path / "kept" / "closes-at-80-percent").iterdir()
    assert main(["verify", str(record)]) == 0


@pytest.mark.parametrize("arguments, line", [
    ([STOP, "--defects", "ignores-stops"], "--defects:1:1: error: no defect is called 'ignores-stops'; did you mean"),
    ([STOP, "--tolerances", "2", "--first"], "--first:1:1: error: it goes with --defects; leave it out"),
    ([STOP, "--defects", "--runs", "2"], "--runs:1:1: error: it goes with --tolerances; leave it out"),
    ([STOP, "--defects", "--picture", "no/where.svg"], "--picture:1:1: error: there is no folder no"),
])  # fmt: skip
def test_mistakes_are_told_before_anything_is_run(sweep, arguments, line):
    status, out, err = sweep(*arguments)
    assert (status, out) == (2, "")
    assert err.startswith(line)


def test_ctrl_c_ends_the_sweep_with_what_there_is():
    paths = [str(STANDARD / "energise"), "--defects", "--json", "--workers", "1"]
    command = [sys.executable, "-m", "bench", "sweep", *paths]
    process = subprocess.Popen(
        command, cwd=ROOT, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, start_new_session=True,
        env={**os.environ, "PYTHONUNBUFFERED": "1"},
    )  # fmt: skip
    for line in process.stderr:
        if line.startswith("healthy box: 1 of 1"):
            break
    os.killpg(process.pid, signal.SIGINT)  # as the terminal does: to all of them
    out, err = process.communicate(timeout=60)
    document = json.loads(out)
    assert "Traceback" not in err
    assert len(document["defects"]) < 5
    assert (process.returncode, document["verdict"]) in {(3, "not-run"), (1, "fail")}


def test_a_draw_is_the_same_for_the_same_seed_and_names_what_failed(sweep, tmp_path):
    (tmp_path / "too-strict.yaml").write_text(RULES_BROKEN, encoding="utf-8")
    status, out, _ = sweep(tmp_path, "--tolerances", "2", "--seed", "5", "--json")
    document = json.loads(out)
    found = document["tolerances"]
    assert (status, found["false_fails"], found["share_at_most"]) == (1, 2, 1.0)
    assert [row["draw"] for row in found["not_passed"]] == [0, 1]
    _, again, _ = sweep(tmp_path, "--tolerances", "2", "--seed", "5", "--json")
    _, other, _ = sweep(tmp_path, "--tolerances", "2", "--seed", "6", "--json")
    assert json.loads(again) == document != json.loads(other)
    _, table, _ = sweep(tmp_path, "--tolerances", "2", "--seed", "5")
    value = found["not_passed"][0]["parameters"]["ts_capacitance"]
    assert f"ts_capacitance={value:.6g}" in table
    assert "✗ fail: 2 of 2 healthy boxes failed in 2 runs, seed 5; at most 100.00% of them do" in table
