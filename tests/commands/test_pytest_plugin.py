"""`pytest sequences/`: each case a test, with step, value and limit in the text of a failure."""

import subprocess
import sys
from pathlib import Path

ROOT = Path(__file__).parents[2]
SEQUENCE = """\
sequence: too-strict
title: A limit that the box cannot keep
energy: dry
cases: [{name: healthy}, {name: slow, simulated: {discharge_resistance: 5.6 kohm}}]
steps:
  - {name: Close the loop, drive: {shutdown_loop: closed}}
  - {name: Press start, drive: {start_request: pressed}}
  - {name: Energised, await: air_plus == 'closed', within: 5 s}
  - {name: Open the loop, drive: {shutdown_loop: open}}
  - {name: Discharge time, time: {from: loop == 'open', to: ts_voltage < 60 V}, requirement: DIS-01}
"""


def pytest_on(*arguments):
    command = [sys.executable, "-m", "pytest", "-q", "-p", "no:cacheprovider", "-c", "/dev/null", *map(str, arguments)]
    return subprocess.run(command, capture_output=True, text=True, cwd=ROOT)


def test_cases_pass_and_fail_as_tests(tmp_path):
    (tmp_path / "too-strict.yaml").write_text(SEQUENCE)
    (tmp_path / "not-ours.yaml").write_text("name: something else\n")
    done = pytest_on(tmp_path, "--rootdir", tmp_path, "--topbox-records", tmp_path / "kept")
    assert "1 failed, 1 passed" in done.stdout
    assert "step 5 Discharge time: value 5.98" in done.stdout
    assert "limit at most 5 s" in done.stdout
    assert len(list((tmp_path / "kept").iterdir())) == 2


def test_a_broken_file_is_an_error_with_its_place(tmp_path):
    (tmp_path / "broken.yaml").write_text(SEQUENCE.replace("await:", "awiat:"))
    done = pytest_on(tmp_path, "--rootdir", tmp_path)
    assert done.returncode == 2
    assert "broken.yaml:8:" in done.stdout and "await" in done.stdout
