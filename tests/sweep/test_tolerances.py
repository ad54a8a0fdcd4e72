"""No false alarms: healthy boxes from their tolerances pass, a share of the suite on each, the whole suite in turns."""

import json
from random import Random

import pytest

from bench.__main__ import main
from bench.sweep.specimen import DRAW, Specimen, tolerances
from simulators.parameters import PARAMETERS
from simulators.tolerances import FACTORS, VALUES, draw
from tests.suite import BENCH, PLANS, STANDARD

DRAWS, RUNS = 35, 8


@pytest.mark.timeout(300)
def test_healthy_boxes_pass(capfd):
    """One draw runs about eight runs of the suite, the next draw the next eight: 35 draws go over the suite
    once. The whole suite on each, and 1000 of them: `topbox-bench sweep sequences/standard --tolerances 1000`."""
    status = main(["sweep", str(STANDARD), "--tolerances", str(DRAWS), "--runs", str(RUNS), "--json"])
    document = json.loads(capfd.readouterr().out)
    failed = [(case["draw"], case["sequence"], case["case"], case["reason"]) for case in document["cases"]
              if case["verdict"] != "pass"]  # fmt: skip
    assert failed == []
    assert (status, document["tolerances"]["draws"]) == (0, DRAWS)
    run = {(case["sequence"], case["case"]) for case in document["cases"]}
    assert run == {(plan.sequence, plan.case) for plan in PLANS}  # each at least once


def test_a_draw_stays_in_its_bands_and_uses_their_width():
    drawn = [draw(Random(n), {"ts_voltage": (0.001, 0.2)}) for n in range(300)]
    for name, (low, high) in VALUES.items():
        values = [each.parameters[name] for each in drawn]
        assert low <= min(values) < low + 0.05 * (high - low) and high - 0.05 * (high - low) < max(values) <= high
    for name, (low, high) in FACTORS.items():
        factors = [each.parameters[name] / PARAMETERS[name].default for each in drawn]
        assert low - 1e-12 <= min(factors) and max(factors) <= high + 1e-12
    for each in drawn:
        cells = each.parameters["pack_emf"] / 96, each.parameters["cell_voltage_spread"] / 2
        assert cells[0] - cells[1] >= 2.80 - 1e-9 and cells[0] + cells[1] <= 4.20 + 1e-9
        assert 0.005 <= each.period_s <= 0.020 and each.controller()().period_s == each.period_s
        assert each.parameters["bench_pack_gain"] == 1.0  # no accuracy was given for it
        assert abs(each.parameters["bench_ts_gain"] - 1.0) <= 0.001


def test_the_accuracy_of_the_bench_is_that_of_its_file():
    drawn = [tolerances(BENCH, 1, n).parameters for n in range(100)]
    accuracy = BENCH.channels["ts_voltage"].accuracy
    widest = max(abs(each["bench_ts_offset"]) for each in drawn)
    assert 0.9 * accuracy.absolute < widest <= accuracy.absolute


def test_what_a_case_says_stands_over_the_draw():
    plan = next(plan for plan in PLANS if "ts_capacitance" in plan.simulated)
    options = Specimen(DRAW, "3").options(plan, None)
    assert not set(options.parameters) & set(plan.simulated)
    assert "air_plus_make" in options.parameters
