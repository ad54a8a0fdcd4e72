"""Limits on the vehicle side's voltage that cannot fail because the pack, or its stand-in, does not have as much."""

import json
from pathlib import Path

import pytest
from folding import begin, drive, fold, judge_of, outcome, read

from bench.__main__ import main
from bench.events import Passed

WHY = "nothing above 50 V has been read in this run, so a limit of 60 V cannot fail"
NOT_RUN, PASS = ("not-run", WHY), ("pass", "")


def judged(tmp_path, step, pack=50.0, ts=0.0, earlier=()):
    """What the step comes to in a quiet run with this voltage of the pack; `ts` is read while the step is open."""
    judge = judge_of(tmp_path, f"- {step}")
    fold(judge, *(read(-1.0, ts_voltage=value, pack_voltage=pack) for value in earlier))
    fold(judge, read(-0.5, ts_voltage=0, pack_voltage=pack, air_plus="open"), *drive(0.0, shutdown_loop="closed"))
    events = [read(n / 100, ts_voltage=ts, pack_voltage=pack, air_plus="open") for n in range(1, 102)]
    result = outcome(judge, begin(0.0), *events, Passed(1.01))
    return result.verdict, result.reason


CHECK = "{name: C, check: ts_voltage, limit: {max: 60 V}}"
CONDITION = "{name: C, check: ts_voltage < 60 V}"
HOLD = "{name: H, hold: ts_voltage < 60 V, for: 1 s}"
AWAIT = "{name: A, await: ts_voltage < 60 V, within: 1 s, requirement: DIS-01}"


@pytest.mark.parametrize("step", [CHECK, CONDITION, HOLD, AWAIT])
def test_below_sixty_volts_with_a_supply_of_fifty(step, tmp_path):
    assert judged(tmp_path, step) == NOT_RUN
    assert judged(tmp_path, step, pack=403.2) == PASS


@pytest.mark.parametrize("step", [CHECK, CONDITION, HOLD, AWAIT])
def test_a_vehicle_side_that_has_been_higher_may_be_again(step, tmp_path):
    assert judged(tmp_path, step, earlier=(80.0,)) == PASS


def test_a_wait_that_names_no_requirement_shows_nothing_and_stays_a_wait(tmp_path):
    assert judged(tmp_path, AWAIT.replace(", requirement: DIS-01", "")) == PASS


@pytest.mark.parametrize("step", [CHECK, CONDITION, HOLD])
def test_what_is_broken_fails_all_the_same(step, tmp_path):
    """A vehicle side above a pack of 50 V is none that cannot be."""
    verdict, _ = judged(tmp_path, step, ts=70.0)
    assert verdict == "fail"


@pytest.mark.parametrize("step", [
    "{name: C, check: ts_voltage, limit: {max: 45 V}}",  # 50 V are above it
    "{name: C, check: ts_voltage, limit: {max: 450 V}}",  # no full pack reaches it: the author's own
    "{name: C, check: ts_voltage, limit: {min: 0 V, max: 60 V}}",  # the min can fail
    "{name: C, check: ts_voltage, limit: {max: 0.2 * pack_voltage}}",
    "{name: C, check: ts_voltage + 5 V, limit: {max: 60 V}}",
    "{name: C, check: pack_voltage, limit: {max: 60 V}}",  # the supply's own fault would show
    "{name: C, check: ts_voltage < 60 V and air_plus == 'open'}",  # a contact can fail
    "{name: C, check: ts_voltage >= 0 V}",
    "{name: C, check: bms_max_cell_voltage, limit: {max: 60 V}}",
])  # fmt: skip
def test_what_can_fail_is_judged(step, tmp_path):
    judge = judge_of(tmp_path, f"- {step}")
    fold(judge, *drive(-0.1, bms_max_cell_voltage=4.0))
    assert outcome(judge, begin(0.0), read(0.01, ts_voltage=0, pack_voltage=50, air_plus="open")).verdict == "pass"


def test_a_pack_that_was_never_read_is_not_known(tmp_path):
    judge = judge_of(tmp_path, f"- {CHECK}")
    assert outcome(judge, begin(0.0), read(0.01, ts_voltage=0)).verdict == "pass"


def test_the_voltage_at_an_instant_cannot_fail_either(tmp_path):
    step = "{name: C, check: ts_voltage, at: air_plus == 'closed', limit: {max: 60 V}}"
    judge = judge_of(tmp_path, f"- {step}")
    before = [*drive(0.0, shutdown_loop="closed"), begin(0.0)]
    before.append(read(0.01, ts_voltage=48, pack_voltage=50, air_plus="open"))
    result = outcome(judge, *before, read(0.02, air_plus="closed"))
    assert (result.verdict, result.reason, result.value) == ("not-run", WHY, None)


def test_a_run_at_fifty_volts_says_it_in_its_document_and_is_judged_again_the_same(tmp_path, capsys):
    sequence = Path(tmp_path, "low.yaml")
    sequence.write_text(
        "sequence: low\ntitle: Nothing at 50 V\nenergy: reduced\nsteps:\n"
        "  - {name: Dead, check: ts_voltage, limit: {max: 60 V}}\n"
        "  - {name: Stays dead, hold: ts_voltage < 60 V, for: 1 s}\n"
        "  - {name: Contactors, check: air_plus == 'open'}\n"
        "afterwards:\n  - {name: Finally, await: ts_voltage < 60 V, within: 6 s}\n"
    )
    assert main(["run", str(sequence), "--json", "--set", "pack_emf=50 V", "--records", str(tmp_path / "r")]) == 3
    (document,) = json.loads(capsys.readouterr().out)["runs"]
    assert [step["verdict"] for step in document["steps"]] == ["not-run", "not-run", "pass", "pass"]
    assert document["verdict"] == "not-run"
    assert document["reason"] == f"step 1 (Dead): {WHY}"
    assert main(["rejudge", document["record"], "--json"]) == 3
    assert json.loads(capsys.readouterr().out)["same"]
