"""After a repair: a fault in any wiring group makes the triage set fail, and the right group is named."""

import json

import pytest

from bench.__main__ import main
from bench.errors import InputError
from bench.judging.rejudge import differences, rejudge
from bench.language.bench_file import bench_from_text, load_bench
from bench.language.shipped import shipped_folder
from bench.record.reader import read_record
from bench.report.content import report_content
from bench.runner.options import Options
from bench.runner.run import POWERED_BEFORE_S, run_plan
from bench.runner.stopping import Stop
from bench.runner.table import wiring_to_look_at
from tests.suite import BENCH, PLANS, STANDARD

TRIAGE = [plan for plan in PLANS if "triage" in plan.tags]
LOOP, LINES = "shutdown loop and interlock", "OK lines of BMS and insulation monitor"
AIR_PLUS, AIR_MINUS = "AIR+ coil and auxiliary contact", "AIR- coil and auxiliary contact"
PRECHARGE, DISCHARGE = "pre-charge relay and resistor", "discharge relay and resistor"
MESSAGES, SENSES = "BMS messages on the CAN bus", "voltage senses of the box"
CABLES = "voltage cables of the bench"
#: What is wrong, and where somebody who knows the circuit would look.
FAULTS = {
    "loop-broken": LOOP, "interlock-broken": LOOP, "bms-line-broken": LINES, "imd-line-broken": LINES,
    "imd-line-stuck": LINES, "air-plus-wire-broken": AIR_PLUS, "air-plus-aux-open": AIR_PLUS,
    "air-minus-wire-broken": AIR_MINUS, "air-minus-aux-open": AIR_MINUS, "precharge-dead": PRECHARGE,
    "precharge-resistor-open": PRECHARGE, "discharge-wire-broken": DISCHARGE, "discharge-resistor-open": DISCHARGE,
    "bms-silent": MESSAGES, "pack-sense-zero": SENSES, "ts-sense-zero": SENSES, "ts-sense-on-pack": SENSES,
    "senses-swapped": SENSES, "bench-ts-cable-off": CABLES, "bench-pack-cable-off": CABLES,
}  # fmt: skip
ENERGISE = STANDARD / "energise"


def run(plan, fault, records=None):
    """The fault is there as soon as the box has had its supply for a second."""
    at_s = 1.0 - POWERED_BEFORE_S if plan.power == "on" else 0.0
    with Stop() as stop:
        return run_plan(plan, Options(records=records, injections=[(at_s, fault)]), stop)


@pytest.mark.parametrize("fault", FAULTS)
def test_the_group_that_is_named_is_the_right_one(fault):
    documents = [run(plan, fault) for plan in TRIAGE]
    assert any(document["verdict"] in ("fail", "inconclusive") for document in documents)
    assert next(iter(wiring_to_look_at(documents))) == FAULTS[fault]
    assert all(document["wiring"] == [] for document in documents if document["verdict"] == "pass")


def test_each_group_of_the_bench_file_has_such_a_fault():
    assert {rule.name for rule in BENCH.wiring} == set(FAULTS.values())
    first = load_bench(shipped_folder() / "benches" / "first-bench.yaml")
    assert [(rule.name, rule.rule) for rule in first.wiring] == [(rule.name, rule.rule) for rule in BENCH.wiring]


def test_it_is_in_the_summary_the_json_the_report_and_comes_from_the_record_alone(tmp_path, capsys):
    at = "air-plus-wire-broken@0"
    command = ["run", str(ENERGISE), "--tag", "triage", "--fault", at, "--records", str(tmp_path)]
    assert main(command) == 1
    assert capsys.readouterr().out.splitlines()[-1] == f"Wiring to look at first: {AIR_PLUS} (first in 2 of 2 runs)"
    assert main([*command, "--json"]) == 1
    said = json.loads(capsys.readouterr().out)
    assert said["wiring"] == {AIR_PLUS: 2}
    document = said["runs"][0]
    assert document["wiring"][0] == AIR_PLUS
    facts = dict(report_content(read_record(document["record"]))["facts"])
    assert facts["Wiring to look at"] == ", then ".join(document["wiring"])
    again, before = rejudge(document["record"])
    assert differences(before, again) == []


def test_a_run_that_is_not_of_the_triage_set_names_none(tmp_path, capsys):
    path = str(ENERGISE / "energise-and-shutdown.yaml")
    assert main(["run", path, "--fault", "air-plus-wire-broken@0", "--records", str(tmp_path)]) == 1
    assert "iring" not in capsys.readouterr().out


def test_a_rule_without_the_name_of_a_group_is_refused():
    text = BENCH.source_text.replace(
        "wiring:\n", "wiring:\n  - {when: loop == 'open', must: dcdc == 'off', within: 1 s}\n"
    )
    with pytest.raises(InputError) as refused:
        bench_from_text(text, "bench.yaml")
    line = text[: text.index("  - {when")].count("\n") + 1
    assert str(refused.value) == (f"bench.yaml:{line}:12: error: the rule has no name; name it after a wiring group")
