"""A group whose silence says something about the box: its channels have no value then, neither true nor false."""

import pytest

from bench.events import Passed, Silent
from tests.judging.folding import begin, fold, judge_of, outcome, plan_of, read
from tests.runner.running import Run

STEP = "- {name: Wait, pause: 1 s}"
RULE = "invariants:\n  - {name: rule, never: controller_state == 'run' and loop == 'open'}"


def status(t, **samples):
    return read(t, "box_status", **samples)


def rule_of(judge):
    (result,) = judge.invariants()
    return result.verdict


def test_a_rule_is_not_broken_by_what_was_last_heard(tmp_path):
    judge = judge_of(tmp_path, STEP, RULE)
    fold(judge, read(0.0, loop="closed"), status(0.0, controller_state="run"), Silent(0.05, "box_status"))
    fold(judge, read(0.1, loop="open"))
    assert rule_of(judge) == "pass"


def test_a_rule_is_broken_by_what_is_heard_again_unchanged(tmp_path):
    judge = judge_of(tmp_path, STEP, RULE)
    fold(judge, read(0.0, loop="closed"), status(0.0, controller_state="run"), Silent(0.05, "box_status"))
    fold(judge, read(0.1, loop="open"), status(0.2))
    assert rule_of(judge) == "fail"


AWAIT = "- {name: Idle, await: controller_state == 'idle', within: 1 s}"


def test_an_await_needs_it_to_be_heard(tmp_path):
    heard = [status(-0.1, controller_state="idle"), begin(0.0), Silent(0.0, "box_status")]
    assert outcome(judge_of(tmp_path, AWAIT), *heard, Passed(1.0)).verdict == "inconclusive"
    assert outcome(judge_of(tmp_path, AWAIT), *heard, status(0.9)).verdict == "pass"


def test_a_change_over_the_silence_lies_somewhere_in_it(tmp_path):
    step = "- {name: T, time: {from: loop == 'open', to: controller_state == 'idle'}, limit: {max: 5 s}}"
    judge = judge_of(tmp_path, step)
    fold(judge, read(0.0, loop="closed"), status(0.0, controller_state="run"), begin(0.01), read(0.02, loop="open"))
    judged = outcome(judge, Silent(0.05, "box_status"), status(1.0, controller_state="idle"))
    assert judged.verdict == "pass"
    assert judged.value == pytest.approx(0.5 - 0.02)
    assert judged.bound == pytest.approx(0.5, abs=0.01)


def test_a_box_without_supply_is_silent_and_the_run_goes_on(tmp_path):
    steps = """
    - {name: Talks, await: controller_state == 'idle', within: 1 s}
    - {name: Supply off, drive: {supply_voltage: 0 V}}
    - {name: Nothing closes, hold: air_plus == 'open', for: 1 s}
    - {name: Supply on, drive: {supply_voltage: 12.5 V}}
    - {name: Talks again, await: controller_state == 'idle', within: 1 s}
    """
    run = Run(plan_of(tmp_path, steps))
    document = run.go()
    assert document["verdict"] == "pass", document["reason"]
    assert len(run.of(Silent)) == 1
