"""From run documents to the detection table: what counts as found, by whom, how fast, and under which name."""

import pytest

from bench.judging.document import refused_document
from bench.language.bench_file import load_bench
from bench.language.loading import load_plans
from bench.language.register import load_register
from bench.language.shipped import shipped_folder
from bench.runner.options import Options
from bench.runner.run import run_plan
from bench.runner.stopping import Stop
from bench.sweep.detection import (
    NAMED,
    UNDECIDED,
    UNDETECTED,
    UNNAMED,
    Detection,
    Detections,
    detection_document,
)
from bench.sweep.outcome import Finding, Outcome, outcome_of
from bench.sweep.specimen import DEFECT, Specimen
from simulators.defect import Defect

DEFECT_ = Defect("leaky", "hardware", "Leaks.", ("DIS-01", "DIS-05"))
STANDARD = shipped_folder() / "standard"


def outcome(sequence, verdict, *findings, proves=()):
    return Outcome(sequence, "", verdict, "", 1.0, proves, findings)


def finding(requirement="", after_s=1.0, where="step 3 (Discharge)"):
    return Finding(where, requirement, 5.0, after_s, "too slow")


def found(*outcomes):
    return Detection(DEFECT_, outcomes)


def test_a_defect_is_found_by_a_fail_and_by_nothing_else():
    assert found(outcome("a", "pass")).standing == UNDETECTED
    assert found(outcome("a", "pass"), outcome("b", "inconclusive")).standing == UNDECIDED
    assert found(outcome("a", "fail", finding("PRE-01"))).standing == UNNAMED
    assert found(outcome("a", "fail", finding("PRE-01")), outcome("b", "fail", finding("DIS-05"))).standing == NAMED


def test_a_step_names_the_requirement_before_the_sequence_does():
    claims = outcome("a", "fail", finding(""), proves=("DIS-01", "DIS-05", "PRE-01"))
    assert found(claims).named == ["DIS-01", "DIS-05"]
    assert found(claims, outcome("b", "fail", finding("DIS-05"))).named == ["DIS-05"]


def test_the_soonest_is_that_of_a_run_that_names_it():
    hasty = outcome("hasty", "fail", finding("", after_s=0.01))
    slow = outcome("slow", "fail", finding("DIS-01", after_s=4.0))
    quick = outcome("quick", "fail", finding("DIS-01", after_s=3.0), finding("", after_s=0.0))
    assert found(hasty, slow, quick).fastest == (quick, quick.findings[0])
    assert found(hasty).fastest == (hasty, hasty.findings[0])
    assert found(outcome("a", "pass")).fastest is None


@pytest.mark.parametrize("healthy, row, planned, verdict", [
    ("pass", outcome("a", "fail", finding("DIS-01")), 1, "pass"),
    ("pass", outcome("a", "fail", finding("PRE-01")), 1, "fail"),
    ("pass", outcome("a", "pass"), 1, "fail"),
    ("pass", outcome("a", "fail", finding("DIS-01")), 2, "not-run"),
    ("fail", outcome("a", "fail", finding("DIS-01")), 1, "fail"),
    ("inconclusive", outcome("a", "fail", finding("DIS-01")), 1, "inconclusive"),
])  # fmt: skip
def test_the_verdict_of_the_sweep(healthy, row, planned, verdict):
    sweep = Detections(planned, [outcome("a", healthy)], [found(row)])
    assert sweep.verdict == verdict
    document = detection_document(sweep)
    assert document["verdict"] == verdict
    assert document["cases"][0] | {"reason": ""} == {
        "sequence": "a", "case": "", "fault": "leaky", "moment": 0.0, "verdict": row.verdict, "reason": "",
    }  # fmt: skip


def test_a_sweep_that_tried_nothing_is_no_pass():
    assert Detections(1, [], []).verdict == "inconclusive"


def test_undetected_defects_come_first():
    rows = [found(outcome("a", "fail", finding("DIS-01"))), found(outcome("a", "fail", finding())),
            found(outcome("a", "inconclusive")), found(outcome("a", "pass"))]  # fmt: skip
    sweep = Detections(4, [outcome("a", "pass")], rows)
    assert [row.standing for row in sweep.rows] == [UNDETECTED, UNDECIDED, UNNAMED, NAMED]


@pytest.fixture(scope="module")
def energise():
    (plan,) = load_plans([STANDARD / "energise" / "energise-and-shutdown.yaml"], load_bench(None), load_register(None))
    return plan


def run(plan, specimen, records=None):
    return run_plan(plan, specimen.options(plan, records), Stop())


def test_findings_stand_in_the_order_of_time_with_the_time_since_the_stimulus(energise):
    document = run(energise, Specimen(DEFECT, "discharge-resistor-5.6k"))
    outcome = outcome_of(document)
    by_where = {finding.where: finding for finding in outcome.findings}
    step = next(finding for where, finding in by_where.items() if "Discharge time" in where)
    rule = by_where["rule discharged"]
    assert (step.requirement, outcome.verdict) == ("DIS-01", "fail")
    opened_s = next(step["ended_s"] for step in document["steps"] if step["name"] == "Open the loop")
    assert step.after_s == pytest.approx(step.at_s - opened_s, abs=1e-6)
    assert rule.after_s == pytest.approx(5.0, abs=0.02)
    assert [finding.at_s for finding in outcome.findings] == sorted(finding.at_s for finding in outcome.findings)


def test_a_run_that_passed_or_was_not_begun_has_no_findings(energise):
    assert outcome_of(run(energise, Specimen())).findings == ()
    assert outcome_of(refused_document(energise, "not today")).findings == ()


def test_without_a_record_the_judging_is_the_same(energise, tmp_path):
    for specimen in (Specimen(), Specimen(DEFECT, "closes-at-80-percent"), Specimen(DEFECT, "indicator-on-coil")):
        recorded, unrecorded = run(energise, specimen, tmp_path), run(energise, specimen)
        assert unrecorded["record"] == ""
        assert recorded | {"record": ""} == unrecorded
    assert run_plan(energise, Options(records=None), Stop())["verdict"] == "pass"


def test_a_run_settles_a_defect_only_by_its_requirement():
    specimen = Specimen(DEFECT, "discharge-resistor-5.6k")
    assert specimen.is_settled_by(outcome("a", "fail", finding("DIS-01")))
    assert not specimen.is_settled_by(outcome("a", "fail", finding("PRE-01"), finding("")))
    assert not Specimen().is_settled_by(outcome("a", "fail", finding("DIS-01")))
