"""The closing table of a run, on a narrow and on a wide screen: nothing of a reason is lost."""

import re

import pytest

from bench.runner.table import WIDE, print_outcome
from bench.verdicts import Verdict

REASON = "the calibration of voltage-meter ran out after 2026-11-01; know the accuracy of ts_voltage to 0.1 V instead"


@pytest.mark.parametrize("width", [80, 140])
def test_a_long_reason_is_told_whole(capsys, monkeypatch, width):
    monkeypatch.setattr("rich.console.Console.is_terminal", True)
    monkeypatch.setenv("COLUMNS", str(width))
    step = {
        "path": "13", "name": "Both sides have the same voltage at the end of pre-charge", "value": 0.5, "unit": "V",
        "uncertainty": 0.99, "limit": "at most 1 % * pack_voltage", "margin": 4.032, "verdict": "inconclusive",
        "requirement": "PRE-01", "reason": REASON, "began_s": 1.0,
    }  # fmt: skip
    document = {
        "sequence": "energise", "case": "", "verdict": "inconclusive", "steps": [step], "invariants": [], "record": "r",
        "virtual_s": 7.0, "wiring": [], "tags": [], "reason": "",
    }  # fmt: skip
    print_outcome([document], Verdict.INCONCLUSIVE, 1)
    lines = [re.sub(r"\x1b\[[0-9;?]*[a-zA-Z]", "", line) for line in capsys.readouterr().out.splitlines()]
    if width < WIDE:
        assert f"{step['path']} {step['name']}: {REASON}" in lines
        return
    assert all(len(line) <= width for line in lines)
    left = next(line for line in lines if "reason" in line).index("reason")
    assert REASON in " ".join(line[left:].strip() for line in lines)
