"""The discharge time from the full voltage, predicted from a low one; and limits that cannot fail."""

import json
from dataclasses import replace
from math import exp, log
from pathlib import Path
from random import Random

import numpy as np
import pytest
from folding import begin, drive, fold, judge_of, outcome, read
from scipy.optimize import curve_fit

from bench.__main__ import main
from bench.events import Passed
from bench.judging.prediction import Prediction, fit, predict
from simulators.controller import ReferenceController

TAU_S = 2200 * 560e-6  # 1.232 s: 2.2 kohm and 560 uF
DISCHARGE = "- {name: T, time: {from: shutdown_loop == 'open', to: ts_voltage < 60 V}, limit: {max: 5 s}}"
SCALE = 403.2 / 50.0


class ForFiftyVolts(ReferenceController):
    """The reference with what it measures scaled up, so that a 50 V supply is a pack to it."""

    def step(self, t, inputs):
        cells = {name: getattr(inputs, name) * SCALE for name in ("max_cell_voltage", "min_cell_voltage")}
        scaled = replace(
            inputs, pack_voltage=inputs.pack_voltage * SCALE, ts_voltage=inputs.ts_voltage * SCALE, **cells
        )
        return super().step(t, scaled)


def curve(noise=0.0, start=50.0, seed=3, tau=TAU_S, until=3.2):
    random = Random(seed)
    times = [round(0.01 * n, 6) for n in range(round(100 * until))]
    return times, [start * exp(-max(t - 0.02, 0.0) / tau) + random.gauss(0.0, noise) for t in times]


def test_the_fit_is_that_of_scipy():
    times, values = curve(noise=0.2)
    times, values = times[20:250], values[20:250]
    reference, covariance = curve_fit(
        lambda t, a, tau: a * np.exp(-t / tau), np.subtract(times, times[0]), values, (50, 1)
    )
    found = fit(times, values)
    assert (found.amplitude, found.tau_s) == pytest.approx(tuple(reference), rel=1e-6)
    assert found.u_s == pytest.approx(covariance[1, 1] ** 0.5, rel=1e-4)


def test_from_fifty_volts_to_the_full_pack():
    """RC ln(403.2/60) = 2.34707 s: closed form of the design's circuit."""
    found = predict(*curve(), 403.2, 60.0, 0.2)
    assert isinstance(found, Prediction)
    assert found.value == pytest.approx(TAU_S * log(403.2 / 60), abs=1e-5)
    assert found.tau_s == pytest.approx(TAU_S, abs=1e-5)
    assert 0.01 < found.uncertainty < 0.06  # 0.2 V of 50 V may be an offset


def test_the_stated_uncertainty_holds():
    """Of 200 noisy curves with an offset anywhere within the accuracy about 95 % or more cover the truth."""
    random, covered = Random(9), 0
    for seed in range(200):
        times, values = curve(noise=0.1, seed=seed)
        offset = random.uniform(-0.2, 0.2)
        found = predict(times, [value + offset for value in values], 403.2, 60.0, 0.2)
        covered += abs(found.value - TAU_S * log(403.2 / 60)) <= found.uncertainty
    assert covered >= 185


@pytest.mark.parametrize(
    ("samples", "full", "offset", "why"),
    [
        (curve(), None, 0.2, "states no full_voltage"),
        (curve(), 50.0, 0.2, "not above 60 V"),
        (curve(), 403.2, None, "how accurate"),
        (curve(until=2.0), 403.2, 0.2, "not followed"),
        (([0.0, 0.1], [50.0, 1.0]), 403.2, 0.2, "not followed"),
        (([], []), 403.2, 0.2, "not followed"),
        (([0.01 * n for n in range(300)], [0.0] * 300), 403.2, 0.2, "not followed"),
        (([0.01 * n for n in range(300)], [50.0 - n / 6 for n in range(300)]), 403.2, 0.2, "not the exponential"),
    ],
)
def test_no_prediction_is_better_than_a_wrong_one(samples, full, offset, why):
    assert why in predict(*samples, full, 60.0, offset)


def _opened_at(tmp_path, volts, step=DISCHARGE):
    judge = judge_of(tmp_path, step)
    fold(judge, *drive(-1.0, shutdown_loop="closed"), read(-0.5, ts_voltage=volts, air_plus="closed", indicator="off"))
    return fold(judge, *drive(0.0, shutdown_loop="open"), read(0.001, ts_voltage=volts), begin(0.001))


def test_a_limit_that_cannot_fail_is_not_run_and_the_full_voltage_is_predicted(tmp_path):
    judge = _opened_at(tmp_path, 50.0)
    assert judge.open.result is None
    fold(judge, *(read(t, ts_voltage=round(value, 1)) for t, value in zip(*curve(), strict=True) if t > 0.001))
    judged = judge.open.result
    assert (judged.verdict, judged.value, judged.margin) == ("not-run", None, None)
    assert judged.reason.startswith("ts_voltage < 60 V has been true from the beginning of the run")
    assert "predicted, not shown: 2.3" in judged.reason
    assert abs(judged.predicted.value - TAU_S * log(403.2 / 60)) < judged.predicted.uncertainty


def test_a_voltage_that_does_not_fall_predicts_nothing(tmp_path):
    judge = _opened_at(tmp_path, 50.0)
    judged = outcome(judge, *(read(round(0.05 * n, 3), ts_voltage=50) for n in range(1, 121)), Passed(6.05))
    assert (judged.verdict, judged.predicted) == ("not-run", None)
    assert "not followed" in judged.reason


def test_a_state_that_was_there_all_along_is_not_run_at_once(tmp_path):
    step = "- {name: T, time: {from: shutdown_loop == 'open', to: indicator == 'off'}, limit: {max: 5 s}}"
    judge = _opened_at(tmp_path, 50.0, step)
    judged = outcome(judge, read(0.01))
    assert (judged.verdict, judged.predicted) == ("not-run", None)


def test_what_was_false_before_is_no_limit_that_cannot_fail(tmp_path):
    judge = judge_of(tmp_path, DISCHARGE)
    fold(judge, *drive(-1.0, shutdown_loop="closed"), read(-0.9, ts_voltage=80), read(-0.5, ts_voltage=50))
    judged = outcome(judge, *drive(0.0, shutdown_loop="open"), read(0.001, ts_voltage=50), begin(0.001))
    assert judged.verdict == "inconclusive"
    assert "was true already" in judged.reason


def test_a_run_at_fifty_volts_goes_on_and_is_judged_again_the_same(tmp_path, capsys):
    sequence = Path(tmp_path, "low.yaml")
    sequence.write_text(
        "sequence: low\ntitle: Discharge at 50 V\nenergy: reduced\nsteps:\n"
        "  - {name: Close, drive: {shutdown_loop: closed}}\n  - {name: Start, drive: {start_request: pressed}}\n"
        "  - {name: Closed, await: air_plus == 'closed', within: 5 s}\n"
        "  - {name: Open, drive: {shutdown_loop: open}}\n"
        "  - {name: Discharge, time: {from: loop == 'open', to: ts_voltage < 60 V}, requirement: DIS-01}\n"
        "  - {name: Contactors, check: air_plus == 'open'}\n"
    )
    arguments = [
        "--set",
        "pack_emf=50 V",
        "--controller",
        f"{__name__}:ForFiftyVolts",
        "--records",
        str(tmp_path / "r"),
    ]
    assert main(["run", str(sequence), "--json", *arguments]) == 3
    document = json.loads(capsys.readouterr().out)["runs"][0]
    assert [step["verdict"] for step in document["steps"] if step["verdict"]] == ["pass", "not-run", "pass"]
    assert document["verdict"] == "not-run" and "cannot fail" in document["reason"]
    (predicted,) = [step["predicted"] for step in document["steps"] if step["predicted"]]
    assert abs(predicted["value"] - TAU_S * log(403.2 / 60)) < predicted["uncertainty"] < 0.08
    assert main(["rejudge", document["record"], "--json"]) == 3
    assert json.loads(capsys.readouterr().out)["same"]
