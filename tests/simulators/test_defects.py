"""The seeded defects: every one is a small real change, says what it breaks, and can be run."""

from collections import Counter

import pytest

from bench.runner.run import run_plan
from bench.runner.stopping import Stop
from bench.sweep.outcome import outcome_of
from bench.sweep.specimen import DEFECT, Specimen
from simulators.box import Box
from simulators.controller import ReferenceController
from simulators.defect import Changed
from simulators.defects import DEFECTS
from simulators.defects_energising import ENERGISING
from simulators.defects_hardware import HARDWARE
from simulators.defects_latching import LATCHING
from simulators.defects_stopping import STOPPING
from simulators.defects_supervising import SUPERVISING
from simulators.parameters import Settings
from tests.suite import PLANS, REGISTER

#: Defects that a sequence of before the suite grew finds, and the requirement that it names; some of each kind.
FOUND = [
    ("closes-at-80-percent", "energise-and-shutdown", "PRE-01"),
    ("threshold-of-nominal-pack", "precharge-threshold", "PRE-01"),
    ("never-gives-up", "precharge-never-there", "PRE-03"),
    ("too-fast-accepted", "precharge-too-fast", ""),
    ("start-is-reset", "bms-silence-in-run", "LAT-01"),
    ("starts-with-loop", "loop-opened-in-run", "ACT-01"),
    ("resumes-after-supply", "discharge-without-supply", "ACT-01"),
    ("stop-leaves-air-minus", "stop-request", "STP-01"),
    ("waits-for-ever-at-stop", "stop-with-stuck-current", "STP-01"),
    ("bms-line-ignored", "bms-line-in-run", "BMS-01"),
    ("imd-line-ignored-in-precharge", "imd-line-in-precharge", "IMD-03"),
    ("silence-seen-in-run-only", "bms-silence-in-precharge", "BMS-02"),
    ("never-heard-is-fresh", "bms-never-heard", "BMS-02"),
    ("lowest-cell-misread", "cell-under-voltage", "BMS-04"),
    ("temperature-unsigned", "cell-sensor-lost", "BMS-08"),
    ("air-plus-weld-unseen", "air-plus-welded", "AIR-03"),
    ("reset-forgives", "imd-line-in-run", "LAT-01"),
    ("brown-out-ignored", "brown-out", "SUP-01"),
    ("latches-need-supply", "latch-outlives-supply", "LAT-02"),
    ("reset-forces-latches", "bms-line-in-run", "LAT-01"),
    ("imd-senses-minus", "insulation-fault-plus", "IMD-01"),
    ("interlock-bridged", "interlock-in-run", "ILK-01"),
    ("air-minus-back-fed", "loop-opened-in-run", "AIR-01"),
    ("discharge-normally-open", "energise-and-shutdown", "DIS-05"),
    ("indicator-on-supply", "discharge-without-supply", "IND-02"),
    # Found by one sequence alone, or by few.
    ("rise-unseen", "precharge-relay-welded-unseen", "AIR-03"),
    ("precharge-weld-unseen", "precharge-relay-welded-unseen", "AIR-03"),
    ("says-idle-in-fault", "bms-line-in-run", "AIR-08"),
    ("says-idle-in-fault", "imd-line-in-run", "AIR-08"),
    ("says-idle-in-fault", "bms-silence-in-run", "AIR-08"),
    ("status-of-commands", "status-of-contacts", "AIR-08"),
    ("precharge-outside-loop", "hardware-alone-in-precharge", "AIR-01"),
    ("starts-at-70-volts", "restart-while-live", "PRE-08"),
    ("current-fed-back-unseen", "stop-while-feeding-back", "STP-02"),
    ("stops-at-20-amps", "stop-under-small-load", "STP-02"),
    ("stop-begins-again", "stop-pressed-again", "STP-01"),
    ("fault-expires", "no-self-reset", "LAT-01"),
    ("start-clears-quietly", "stop-is-no-reset", "LAT-01"),
    ("stop-is-reset", "stop-is-no-reset", "LAT-01"),
    ("brown-out-at-7.2-v", "brown-out", "SUP-01"),
    ("brown-out-seen-once", "trips-twice", "SUP-01"),
    ("impossible-heat-unseen", "cell-over-temperature", "BMS-05"),
    ("heat-unseen-while-charging", "hot-cell-while-charging", "BMS-05"),
    ("silence-unseen-while-stopping", "bms-silence-while-stopping", "BMS-02"),
    ("heat-seen-in-run-only", "cell-beyond-before-start", "BMS-05"),
    ("reset-begins-again", "cell-over-voltage", "LAT-01"),
    ("start-begins-again", "start-again", "ACT-03"),
    ("reset-is-stop", "start-again", "ACT-03"),
    ("lost-sensor-below-36", "cell-sensor-lost", "BMS-05"),
    ("fans-dip", "fan-curve", "AUX-02"),
    ("one-sample-closes", "noisy-sense", "PRE-11"),
]


def run(name, plan):
    return run_plan(plan, Specimen(DEFECT, name).options(plan, None), Stop())


def test_there_are_enough_of_both_kinds_and_for_both_barriers():
    kinds = Counter(defect.kind for defect in DEFECTS.values())
    assert kinds["firmware"] >= 80 and kinds["hardware"] >= 30 and set(kinds) == {"firmware", "hardware"}
    assert {defect.hidden_by for defect in DEFECTS.values()} == {"", "hardware", "firmware"}
    assert len(DEFECTS) == sum(map(len, (ENERGISING, STOPPING, SUPERVISING, LATCHING, HARDWARE)))  # no name twice


def test_every_defect_names_requirements_of_the_register():
    assert {id for defect in DEFECTS.values() for id in defect.breaks} - set(REGISTER) == set()


@pytest.mark.parametrize("defect", DEFECTS.values(), ids=DEFECTS)
def test_a_defect_says_in_one_sentence_what_it_is_and_changes_something(defect):
    assert defect.meaning[0].isupper() and defect.meaning.endswith(".") and ". " not in defect.meaning
    assert defect.breaks
    changed = defect.change is not ReferenceController, defect.hardware is not Box, bool(defect.parameters)
    assert sum(changed) == 1
    assert changed[0] == (defect.kind == "firmware")
    for name in defect.parameters:
        assert Settings(defect.parameters)[name] != Settings({})[name]


@pytest.mark.parametrize("name", DEFECTS)
def test_every_defect_runs_to_a_verdict_on_the_box(name):
    """A defect is of the box: whatever it does, it never is a trouble of the bench."""
    plan = next(plan for plan in PLANS if plan.sequence == "loop-opened-in-run")
    document = run(name, plan)
    assert document["trouble"] == ""
    assert document["verdict"] in ("pass", "fail")


@pytest.mark.parametrize(("name", "sequence", "requirement"), FOUND)
def test_a_defect_is_found_where_its_requirement_is_named(name, sequence, requirement):
    outcomes = [outcome_of(run(name, plan)) for plan in PLANS if plan.sequence == sequence]
    findings = [finding for outcome in outcomes for finding in outcome.findings]
    assert requirement in {finding.requirement for finding in findings}


def test_memory_outlives_the_supply_and_not_the_run():
    defect = DEFECTS["resumes-after-supply"]
    first, second = defect.controller(), defect.controller()
    first.memory["up"] = True
    assert first()._resumes and not second()._resumes
    assert Changed.memory == {}


def test_what_was_commanded_is_what_is_supervised():
    """A controller that leaves AIR- on does not then take its closed contact for a weld."""
    plan = next(plan for plan in PLANS if (plan.sequence, plan.case) == ("stop-request", ""))
    assert not any("welded" in step["reason"] for step in run("stop-leaves-air-minus", plan)["steps"])
