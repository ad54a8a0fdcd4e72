"""compare: what counts as equivalent, worse and undecided, and what is said first."""

import json
from math import inf
from pathlib import Path

import pytest

from bench.comparing.comparison import compare
from bench.comparing.side import Side
from bench.language.margins import load_margins
from bench.record.store import Kept

MARGINS = """\
margins:
  - {margin: 20 ms, reason: two ticks}
  - {requirement: DIS-01, margin: 50 ms, reason: 1 % of the limit}
  - {step: Apart, margin: 1 ms, reason: a step of its own}
  - {rule: closed, margin: 3 V, reason: as the meter}
"""


@pytest.fixture
def margins(tmp_path):
    path = tmp_path / "margins.yaml"
    path.write_text(MARGINS)
    return load_margins(path)


def step(name, value, verdict="pass", unit="s", low=None, high=5.0, uncertainty=0.001, requirement=None, path="1"):
    return {
        "path": path, "name": name, "kind": "time", "value": value, "unit": unit, "min": low, "max": high,
        "margin": None, "uncertainty": uncertainty, "verdict": verdict, "limit": "", "requirement": requirement,
    }  # fmt: skip


def rule(margin, verdict="pass", uncertainty=0.1, name="closed", unit="V"):
    return {"name": name, "verdict": verdict, "margin": margin, "unit": unit, "uncertainty": uncertainty}


def side(*runs, **manifest):
    """Each run a list of steps and rules of one sequence."""
    kept = []
    for entries in runs:
        steps = [entry for entry in entries if "kind" in entry]
        rules = [entry for entry in entries if "kind" not in entry]
        verdicts = [entry["verdict"] for entry in entries]
        verdict = "fail" if "fail" in verdicts else "inconclusive" if "inconclusive" in verdicts else "pass"
        document = {
            "sequence": "s", "case": "", "verdict": verdict, "rule": "simple", "steps": steps, "invariants": rules,
        }  # fmt: skip
        kept.append(Kept(Path("r"), {"document": document, "files": {}, "simulated": True} | manifest))
    return Side("x", kept, [])


def outcome_of(document, label):
    (row,) = [row for row in document["quantities"] if row["label"] == label]
    return row["outcome"]


def test_inside_the_margin_is_equivalent(margins):
    document = compare(side([step("T", 2.360)]), side([step("T", 2.365)]), margins)
    assert (document["outcome"], document["reasons"]) == ("equivalent", [])
    (row,) = document["quantities"]
    assert row["difference"] == pytest.approx(0.005)
    assert row["uncertainty"] == pytest.approx(1.96 * 0.001 / 2 * 2**0.5, rel=1e-3)
    json.dumps(document, allow_nan=False)


@pytest.mark.parametrize(("value", "outcome"), [(2.5, "worse"), (2.2, "better")])
def test_shown_to_be_outside_counts_by_the_side_of_the_limit(margins, value, outcome):
    document = compare(side([step("T", 2.36)]), side([step("T", value)]), margins)
    assert outcome_of(document, "T") == outcome
    assert document["outcome"] == ("worse" if outcome == "worse" else "undecided")


def test_a_limit_from_below_turns_the_sides(margins):
    document = compare(side([step("T", 2.36, low=1.0, high=None)]), side([step("T", 2.5, low=1.0, high=None)]), margins)
    assert outcome_of(document, "T") == "better"


def test_between_two_limits_the_nearer_one_counts(margins):
    narrow = {"low": 1.0, "high": 3.0}
    document = compare(side([step("T", 1.5, **narrow)]), side([step("T", 1.9, **narrow)]), margins)
    assert outcome_of(document, "T") == "better"
    document = compare(side([step("T", 1.9, **narrow)]), side([step("T", 1.4, **narrow)]), margins)
    assert outcome_of(document, "T") == "worse"


def test_without_a_limit_nobody_knows_what_is_worse(margins):
    document = compare(side([step("T", 2.36, high=None)]), side([step("T", 2.5, high=None)]), margins)
    assert (outcome_of(document, "T"), document["outcome"]) == ("different", "undecided")


def test_no_difference_seen_is_not_equivalence(margins):
    poor = {"uncertainty": 0.1}
    document = compare(side([step("T", 2.36, **poor)]), side([step("T", 2.36, **poor)]), margins)
    assert (outcome_of(document, "T"), document["outcome"]) == ("undecided", "undecided")


def test_without_a_margin_it_is_undecided(margins):
    document = compare(side([step("R", 50.0, unit="ohm")]), side([step("R", 50.0, unit="ohm")]), margins)
    (row,) = document["quantities"]
    assert (row["outcome"], row["reason"]) == ("undecided", "no margin has been fixed for it")


def test_the_nearest_margin_counts(margins):
    names = [("T", None, 0.02), ("D", "DIS-01", 0.05), ("Apart", "DIS-01", 0.001)]
    runs = [step(name, 1.0, requirement=requirement, path=name) for name, requirement, _ in names]
    document = compare(side([*runs, rule(20.0)]), side([*runs, rule(20.0)]), margins)
    assert {row["label"]: row["margin"] for row in document["quantities"]} == {
        **{name: margin for name, _, margin in names},
        "margin of rule closed": 3.0,
    }


def test_a_margin_in_ms_for_a_value_in_s_and_the_other_way(margins):
    document = compare(
        side([step("T", 2.36)]), side([step("T", 2365.0, unit="ms", high=5000.0, uncertainty=1.0)]), margins
    )
    (row,) = document["quantities"]
    assert (row["unit"], row["margin"], row["outcome"]) == ("s", 0.02, "equivalent")
    assert row["difference"] == pytest.approx(0.005)


def test_a_rule_that_comes_closer_is_worse(margins):
    document = compare(side([rule(26.0)]), side([rule(20.0)]), margins)
    assert (outcome_of(document, "margin of rule closed"), document["outcome"]) == ("worse", "worse")


def test_many_runs_are_judged_by_their_spread(margins):
    old = [[step("T", 2.36 + off)] for off in (-0.006, 0.002, 0.0, 0.004, -0.001, 0.003, -0.002, 0.001)]
    new = [[step("T", 2.362 + off)] for off in (0.005, -0.002, 0.0, 0.001, -0.004, 0.003, -0.003, 0.002)]
    document = compare(side(*old), side(*new), margins)
    (row,) = document["quantities"]
    assert row["outcome"] == "equivalent"
    assert row["a"]["n"] == 8 and row["a"]["sd"] > 0
    wild = [[step("T", 2.36 + off)] for off in (-0.06, 0.05, 0.0, 0.06, -0.05, 0.03, -0.02, 0.01)]
    assert compare(side(*old), side(*wild), margins)["outcome"] == "undecided"


def test_unknown_accuracy_and_one_run_show_nothing(margins):
    blind = {"uncertainty": None}
    document = compare(side([step("T", 2.36, **blind)]), side([step("T", 2.36, **blind)]), margins)
    assert outcome_of(document, "T") == "undecided"
    assert "how accurate" in document["quantities"][0]["reason"]


def test_a_verdict_that_became_a_fail_is_worse_and_comes_first(margins):
    document = compare(
        side([step("T", 2.0), step("U", 1.0, path="2")]),
        side([step("T", 2.0, "fail"), step("U", 1.0, path="2")]),
        margins,
    )
    assert document["outcome"] == "worse"
    assert document["verdicts"][0] | {"label": "T", "a": "pass", "b": "fail", "worse": True} == document["verdicts"][0]


def test_failing_more_often_is_worse(margins):
    old = [[step("T", 2.0, verdict)] for verdict in ("pass", "pass", "pass", "fail")]
    new = [[step("T", 2.0, verdict)] for verdict in ("pass", "pass", "fail", "fail")]
    assert compare(side(*old), side(*new), margins)["outcome"] == "worse"
    assert compare(side(*new), side(*old), margins)["outcome"] == "undecided"


def test_trouble_of_the_bench_is_not_worse_and_not_equivalent(margins):
    document = compare(side([step("T", 2.0)]), side([step("T", 2.0, "inconclusive")]), margins)
    assert document["outcome"] == "undecided"


def test_two_that_fail_alike_are_no_gate(margins):
    document = compare(side([step("T", 2.0, "fail")]), side([step("T", 2.0, "fail")]), margins)
    assert document["outcome"] == "undecided"


def test_a_value_that_is_missing_in_a_run(margins):
    document = compare(side([step("T", 2.0)]), side([step("T", 2.0)], [step("U", 2.0)]), margins)
    (row,) = [row for row in document["quantities"] if row["label"] == "T"]
    assert (row["outcome"], row["reason"]) == ("undecided", "B has it in 1 of 2 runs")


def test_a_step_put_in_before_changes_nothing(margins):
    document = compare(
        side([step("T", 2.0, path="3")]), side([step("New", 1.0, path="3"), step("T", 2.0, path="4")]), margins
    )
    assert outcome_of(document, "T") == "equivalent"
    assert outcome_of(document, "New") == "undecided"


def test_of_a_repeated_step_the_worst_round_stands_for_the_run(margins):
    rounds = [step("T", value, path=f"2#{number}") for number, value in enumerate((2.0, 2.9, 2.1), 1)]
    document = compare(side(rounds), side(rounds), margins)
    (row,) = document["quantities"]
    assert (row["a"]["n"], row["a"]["mean"]) == (1, 2.9)


def test_two_steps_of_one_name_are_two_quantities(margins):
    runs = [step("T", 2.0, path="1"), step("T", 3.0, path="4")]
    document = compare(side(runs), side(runs), margins)
    assert [row["label"] for row in document["quantities"]] == ["T", "T (2)"]


@pytest.mark.parametrize(
    ("manifest", "what", "outcome"),
    [
        ({"stage": "live"}, "energy stage", "undecided"),
        ({"simulated": False}, "simulated", "undecided"),
        ({"box": "TB-08"}, "box", "equivalent"),
        ({"firmware": {"text": "v2"}}, "firmware", "equivalent"),
    ],
)
def test_what_the_two_sides_were_asked(margins, manifest, what, outcome):
    document = compare(side([step("T", 2.0)]), side([step("T", 2.0)], **manifest), margins)
    assert document["outcome"] == outcome
    assert [change["what"] for change in document["inputs"]] == [what]


def test_a_sequence_that_was_not_run_again(margins):
    old, new = side([step("T", 2.0)]), side([step("T", 2.0)])
    new.records[0].manifest["document"]["sequence"] = "other"
    document = compare(old, new, margins)
    assert document["outcome"] == "undecided"
    assert "s was not run for B" in document["reasons"]


def test_many_quantities_do_not_find_something_by_chance(margins):
    """One of forty that alone would be called equivalent (p = 0.03) is not when all are looked at."""
    weak = step("T", 2.0, uncertainty=2 * 0.02 / 1.881 / 2**0.5)
    assert compare(side([weak]), side([weak]), margins)["outcome"] == "equivalent"
    many = [weak | {"path": str(place)} for place in range(40)]
    document = compare(side(many), side(many), margins)
    assert {row["outcome"] for row in document["quantities"]} == {"undecided"}


def test_an_infinite_value_is_no_quantity(margins):
    document = compare(side([step("T", inf)]), side([step("T", inf)]), margins)
    assert document["quantities"] == []
    assert document["outcome"] == "undecided"
