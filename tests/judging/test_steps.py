"""Each kind of step: when it passes, when it fails, when the bench cannot say."""

from math import hypot

import pytest

from bench.events import Aligned, Answered, Asked, Driven, Driving, Passed
from tests.judging.folding import begin, drive, end, fold, judge_of, outcome, read

LOOP_OPEN = "- {name: Loop, await: loop == 'open', within: 500 ms}"


def test_await_takes_a_condition_that_is_true_already(tmp_path):
    judged = outcome(judge_of(tmp_path, LOOP_OPEN), begin(0.0), read(0.01, loop="open"))
    assert (judged.verdict, judged.value) == ("pass", 0.01)


def test_await_does_not_take_a_value_from_before_the_stimulus(tmp_path):
    judge = judge_of(tmp_path, LOOP_OPEN)
    fold(judge, read(-0.01, loop="open"), *drive(0.0, shutdown_loop="closed"), begin(0.0))
    assert judge.open.result is None
    assert outcome(judge, read(0.01, loop="closed"), read(0.49), Passed(0.5)).verdict == "fail"


def test_await_does_not_take_a_value_read_while_the_stimulus_was_on_its_way(tmp_path):
    judge = judge_of(tmp_path, LOOP_OPEN)
    began, done = Driving(0.0, "", {"shutdown_loop": "closed"}), Driven(0.05, "shutdown_loop", "closed")
    fold(judge, read(-0.01, loop="open"), began, read(0.04), done, begin(0.05))
    assert judge.open.result is None
    assert outcome(judge, read(0.06, loop="closed"), read(0.54), Passed(0.55)).verdict == "fail"


def test_await_takes_what_the_stimulus_changed_at_once(tmp_path):
    judge = judge_of(tmp_path, LOOP_OPEN)
    fold(judge, read(-0.01, loop="closed"), *drive(0.0, shutdown_loop="open"))
    assert outcome(judge, read(0.0, "none", loop="open"), begin(0.0)).verdict == "pass"


def test_await_a_sample_at_the_deadline_counts_and_one_after_it_does_not(tmp_path):
    assert outcome(judge_of(tmp_path, LOOP_OPEN), begin(0.0), read(0.5, loop="open")).verdict == "pass"
    late = outcome(
        judge_of(tmp_path, LOOP_OPEN), begin(0.0), read(0.49, loop="closed"), read(0.51, loop="open"), Passed(0.52)
    )
    assert late.verdict == "fail"
    assert "did not come true within 0.5 s" in late.reason


def test_await_without_any_reading_is_inconclusive(tmp_path):
    judged = outcome(judge_of(tmp_path, LOOP_OPEN), begin(0.0), Passed(0.5))
    assert judged.verdict == "inconclusive"
    assert "loop was not read" in judged.reason


def test_await_on_an_old_value_is_inconclusive(tmp_path):
    judged = outcome(judge_of(tmp_path, LOOP_OPEN), begin(0.0), read(0.01, loop="closed"), Passed(0.5))
    assert judged.verdict == "inconclusive"
    assert "older than its limit" in judged.reason


RATIO = "- {name: Ratio, check: ts_voltage, at: air_plus == 'closed', limit: {min: 0.95 * pack_voltage}}"


@pytest.mark.parametrize(("before", "verdict"), [(390.0, "pass"), (380.0, "pass"), (379.9, "fail")])
def test_check_at_a_contact_uses_the_values_just_before_it(tmp_path, before, verdict):
    judge = judge_of(tmp_path, RATIO)
    fold(judge, read(0.0, ts_voltage=100, pack_voltage=400, air_plus="open"), begin(0.0), read(1.0, ts_voltage=before))
    judged = outcome(judge, read(1.01, ts_voltage=400, air_plus="closed"))
    assert judged.verdict == verdict
    assert judged.value == before
    assert judged.min == pytest.approx(380.0)


def test_check_at_looks_back_to_the_last_stimulus_and_not_further(tmp_path):
    closing = [read(0.0, ts_voltage=390, pack_voltage=400, air_plus="open"), read(0.1, air_plus="closed")]
    assert outcome(judge_of(tmp_path, RATIO), *closing, begin(0.2)).verdict == "pass"
    judge = judge_of(tmp_path, RATIO)
    fold(judge, *closing, *drive(0.15, start_request="released"), begin(0.2))
    assert judge.open.result is None
    assert outcome(judge, read(5.19), Passed(5.2)).verdict == "fail"


def test_check_of_a_condition_says_what_was_seen(tmp_path):
    judge = judge_of(tmp_path, "- {name: Dark, check: indicator == 'off'}")
    judged = outcome(judge, begin(0.0), read(0.01, indicator="on"))
    assert judged.verdict == "fail"
    assert "indicator was on" in judged.reason


def test_check_that_divides_by_zero_is_inconclusive(tmp_path):
    judge = judge_of(tmp_path, "- {name: Ratio, check: ts_voltage / pack_voltage, limit: {min: 95 %}}")
    judged = outcome(judge, begin(0.0), read(0.01, ts_voltage=0, pack_voltage=0))
    assert judged.verdict == "inconclusive"


DISCHARGE = "- {name: Discharge, time: {from: shutdown_loop == 'open', to: ts_voltage < 60 V}, limit: {max: 5 s}}"


def _discharging(tmp_path, step=DISCHARGE):
    return fold(_loop_opened(tmp_path, 403, step), begin(0.0))


def _loop_opened(tmp_path, ts_voltage, step=DISCHARGE):
    judge = fold(judge_of(tmp_path, step), *drive(-0.02, shutdown_loop="closed"), read(-0.01, ts_voltage=ts_voltage))
    return fold(judge, *drive(0.0, shutdown_loop="open"))


def test_time_interpolates_between_samples_and_states_the_bound(tmp_path):
    judge = _discharging(tmp_path)
    judged = outcome(judge, read(2.3, ts_voltage=62.3367), read(2.4, ts_voltage=57.4768))
    assert judged.verdict == "pass"
    assert judged.value == pytest.approx(2.34808, abs=1e-5)  # hand: 2.3 + 0.1 * 2.3367 / 4.8599
    assert judged.bound == pytest.approx(0.05192, abs=1e-5)
    assert judged.margin == pytest.approx(5 - 2.34808, abs=1e-5)


RESISTOR = "- {name: Opens, time: {from: fault_resistor_minus < 1 Mohm, to: loop == 'open'}, limit: {max: 30 s}}"
#: Asked for at 0 s, confirmed 20 ms later: from no resistor at all to one.
CONNECTED = [
    *drive(-1.0, fault_resistor_minus=float("inf")), read(-0.5, loop="closed"),
    Driving(0.0, "", {"fault_resistor_minus": 100e3}), Driven(0.02, "fault_resistor_minus", 100e3), begin(0.02),
]  # fmt: skip


def test_a_resistor_that_was_not_there_begins_between_asked_for_and_confirmed(tmp_path):
    """No straight line leads from an infinite resistance to a finite one."""
    judged = outcome(fold(judge_of(tmp_path, RESISTOR), *CONNECTED), read(1.49), read(1.5, loop="open"))
    assert (judged.verdict, judged.value) == ("pass", pytest.approx(1.5 - 0.01, abs=0.001))
    assert judged.bound >= 0.01


INTERLOCK = "- {name: Opens, time: {from: interlock == 'open', to: loop == 'open'}, limit: {max: 50 ms}}"
CLOSED = [*drive(-1.0, interlock="closed"), read(-0.5, loop="closed")]
ASKED, CONFIRMED = Driving(0.0, "", {"interlock": "open"}), [Driven(0.06, "interlock", "open"), begin(0.06)]


@pytest.mark.parametrize(
    ("opened_s", "value", "bound", "verdict"),
    [
        (0.010, 0.005, 0.005, "pass"),  # it was asked for 10 ms before: the contact moved in between
        (0.045, 0.0225, 0.0225, "pass"),
        (0.070, 0.040, 0.030, "pass"),  # the contact moved between 0 and 60 ms
        (0.100, 0.070, 0.030, "fail"),
    ],
)
def test_an_effect_that_is_seen_before_its_cause_is_confirmed(tmp_path, opened_s, value, bound, verdict):
    """A relay board on a slow bus answers long after its contact has moved; a loop opens within milliseconds."""
    opens = read(opened_s, loop="open")
    before = opened_s < 0.06
    events = [ASKED, *([opens] if before else []), *CONFIRMED, *([] if before else [opens]), read(0.2)]
    judged = outcome(fold(judge_of(tmp_path, INTERLOCK), *CLOSED, *events))
    assert judged.verdict == verdict
    assert (judged.value, judged.bound) == (pytest.approx(value * 1e3), pytest.approx(bound * 1e3 + 1))
    rectangles = hypot(bound * 1e3, 1) / 3**0.5  # GUM 4.3.7; the stamp of the loop is right to 1 ms
    assert judged.uncertainty == pytest.approx(2 * rectangles, rel=1e-3)


def test_what_was_so_before_it_was_asked_for_is_no_effect(tmp_path):
    judge = fold(judge_of(tmp_path, INTERLOCK), *CLOSED, read(-0.1, loop="open"), ASKED, *CONFIRMED, read(0.2))
    assert outcome(judge).verdict == "inconclusive"


def test_a_resistor_that_changes_nothing_ends_with_its_limit(tmp_path):
    judge = fold(judge_of(tmp_path, RESISTOR), *CONNECTED)
    assert 30.0 < judge.open.deadline_s < 32.0
    assert outcome(judge, read(31.5), Passed(31.5), end(31.5)).verdict == "fail"


def test_what_is_not_known_of_a_device_clock_is_in_the_bound(tmp_path):
    judge = fold(judge_of(tmp_path, DISCHARGE), Aligned(-0.5, "box", 3.0, 120.0, 0.004))
    fold(judge, *drive(-0.02, shutdown_loop="closed"), read(-0.01, ts_voltage=403), *drive(0.0, shutdown_loop="open"))
    judged = outcome(judge, begin(0.0), read(2.3, ts_voltage=62.3367), read(2.4, ts_voltage=57.4768))
    assert judged.bound == pytest.approx(0.05192 + 0.004 + 0.004, abs=1e-5)  # where it begins and where it ends


def test_time_that_is_too_long_fails_with_its_value(tmp_path):
    judged = outcome(_discharging(tmp_path), read(5.5, ts_voltage=61), read(5.6, ts_voltage=59))
    assert (judged.verdict, judged.value) == ("fail", pytest.approx(5.55))


def test_time_that_never_ends_fails_one_second_after_the_limit(tmp_path):
    judge = _discharging(tmp_path)
    fold(judge, *(read(round(0.05 * n, 3), ts_voltage=300) for n in range(1, 120)))
    assert judge.open.result is None
    judged = outcome(judge, read(6.0, ts_voltage=300), Passed(6.0))
    assert judged.verdict == "fail"
    assert "did not come true within 6 s" in judged.reason


def test_time_from_a_driven_channel_that_never_comes_is_inconclusive(tmp_path):
    judge = judge_of(tmp_path, DISCHARGE)
    judged = outcome(judge, begin(0.0), read(9.99, ts_voltage=300), Passed(10.0))
    assert judged.verdict == "inconclusive"


def test_time_from_a_read_channel_that_never_comes_fails(tmp_path):
    step = "- {name: T, time: {from: loop == 'open', to: ts_voltage < 60 V}, limit: {max: 5 s}}"
    judged = outcome(judge_of(tmp_path, step), begin(0.0), read(9.99, loop="closed", ts_voltage=300), Passed(10.0))
    assert judged.verdict == "fail"


def test_time_finds_an_end_that_is_past_when_the_step_begins(tmp_path):
    judge = _loop_opened(tmp_path, 100)
    fold(judge, read(1.0, ts_voltage=61), read(1.1, ts_voltage=59), read(1.2, ts_voltage=70))
    assert outcome(judge, begin(2.0)).value == pytest.approx(1.05)


HOLD = "- {name: Closed, hold: air_plus == 'closed', for: 1 s}"


def test_hold_passes_when_it_is_true_to_the_end(tmp_path):
    reads = [read(round(0.1 * n, 1), **({"air_plus": "closed"} if n == 0 else {})) for n in range(11)]
    judge = fold(judge_of(tmp_path, HOLD), reads[0], begin(0.0), *reads[1:])
    assert judge.open.result is None
    assert outcome(judge, Passed(1.0)).verdict == "pass"


def test_hold_fails_at_the_first_sample_that_is_false(tmp_path):
    judge = judge_of(tmp_path, HOLD)
    judged = outcome(judge, begin(0.0), read(0.05, air_plus="closed"), read(0.1, air_plus="open"))
    assert (judged.verdict, judged.value) == ("fail", 0.1)


def test_what_is_stamped_after_the_end_of_a_hold_does_not_count(tmp_path):
    judge = fold(judge_of(tmp_path, HOLD), begin(0.0), read(0.01, air_plus="closed"))
    fold(judge, *(read(round(0.04 * n, 2)) for n in range(1, 26)))
    judged = outcome(judge, read(1.01, air_plus="open"), read(0.999), Passed(1.02))
    assert judged.verdict == "pass"


def test_hold_over_a_silence_is_inconclusive(tmp_path):
    judge = judge_of(tmp_path, HOLD)
    judged = outcome(judge, begin(0.0), read(0.05, air_plus="closed"), read(0.8), Passed(1.0))
    assert judged.verdict == "inconclusive"


def test_count_counts_changes_and_not_samples(tmp_path):
    judge = judge_of(tmp_path, "- {name: Chatter, count: air_plus, for: 1 s, limit: {max: 2}}")
    states = ["open", "open", "closed", "closed", "open", "closed"]
    fold(judge, read(-0.1, air_plus="open"), begin(0.0))
    fold(judge, *(read(0.1 * (n + 1), air_plus=state) for n, state in enumerate(states)), read(0.98))
    judged = outcome(judge, Passed(1.0))
    assert (judged.verdict, judged.value) == ("fail", 3)


ASK = "- {name: Seated, ask: Are the plugs seated?, answers: [yes, no], expect: yes, simulated: yes}"


@pytest.mark.parametrize(("answer", "verdict"), [("yes", "pass"), ("no", "fail")])
def test_ask(tmp_path, answer, verdict):
    judge = judge_of(tmp_path, ASK)
    judged = outcome(judge, begin(0.0), Asked(0.0, "?", ("yes", "no")), Answered(1.0, answer, "simulated"))
    assert judged.verdict == verdict


def test_ask_without_an_answer_is_inconclusive(tmp_path):
    assert outcome(judge_of(tmp_path, ASK), begin(0.0), Passed(600.0)).verdict == "inconclusive"


def test_a_step_cut_off_before_it_could_decide_is_inconclusive(tmp_path):
    assert outcome(judge_of(tmp_path, LOOP_OPEN), begin(0.0), end(0.1)).verdict == "inconclusive"


def test_a_drive_that_is_not_carried_out_is_inconclusive(tmp_path):
    judge = judge_of(tmp_path, "- {drive: {shutdown_loop: closed}}")
    judged = outcome(judge, begin(0.0), Passed(1.0))
    assert judged.verdict == "inconclusive"
    assert "shutdown_loop" in judged.reason
