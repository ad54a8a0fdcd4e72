"""never, always and when/must/within, over the whole run, with and without an excusing fault."""

import pytest

from bench.events import Batch, Driven, Driving, Injected, Restored
from bench.judging.judge import Judge
from tests.judging.folding import drive, fold, judge_of, plan_of, read

STEP = "- {name: Wait, pause: 1 s}"


def result_of(tmp_path, rule, *events):
    judge = fold(judge_of(tmp_path, STEP, f"invariants:\n  - {rule}"), *events)
    (result,) = judge.invariants()
    return result


NEVER = "{name: both, never: air_plus == 'closed' and ts_voltage < 0.9 * pack_voltage}"


def test_never_names_time_and_values(tmp_path):
    result = result_of(
        tmp_path, NEVER, read(0.0, air_plus="open", ts_voltage=10, pack_voltage=400), read(1.0, air_plus="closed")
    )
    assert result.verdict == "fail"
    assert result.at_s == 1.0
    assert "ts_voltage 10" in result.reason


def test_events_of_one_instant_are_applied_together(tmp_path):
    result = result_of(
        tmp_path,
        NEVER,
        read(0.0, air_plus="open", ts_voltage=10, pack_voltage=400),
        read(1.0, air_plus="closed", ts_voltage=399),
    )
    assert result.verdict == "pass"


def test_always(tmp_path):
    rule = "{name: loop, always: loop == 'closed'}"
    assert result_of(tmp_path, rule, read(0.0, loop="closed"), read(1.0)).verdict == "pass"
    assert result_of(tmp_path, rule, read(0.0, loop="open")).verdict == "fail"
    assert result_of(tmp_path, rule, read(0.0, loop="closed"), read(1.0, loop="open")).verdict == "fail"


def test_a_rule_that_could_never_be_evaluated_is_not_run(tmp_path):
    assert result_of(tmp_path, NEVER, read(0.0, loop="open")).verdict == "not-run"


WHEN = "{name: opens, when: loop == 'open', must: air_plus == 'open', within: 250 ms}"
CLOSED = read(0.0, loop="closed", air_plus="closed")


@pytest.mark.parametrize(
    ("events", "verdict"),
    [
        ([read(1.0, loop="open"), read(1.2, air_plus="open"), read(2.0)], "pass"),
        ([read(1.0, loop="open"), read(1.25, air_plus="open"), read(2.0)], "pass"),  # exactly the time allowed
        ([read(1.0, loop="open"), read(1.26, air_plus="open"), read(2.0)], "fail"),
        ([read(1.0, loop="open"), read(1.3)], "fail"),  # still waiting when the run ends, and too long
        ([read(1.0, loop="open"), read(1.2)], "pass"),  # still waiting, not yet too long
        ([read(1.0, loop="open"), read(1.2, loop="closed"), read(2.0)], "pass"),  # the obligation lapsed
        ([read(1.0, loop="open"), read(1.2, loop="closed"), read(1.3, loop="open"), read(1.5)], "pass"),
        ([read(1.0, loop="open", air_plus="open"), read(2.0, air_plus="closed"), read(2.3)], "fail"),
        ([read(1.0, loop="open", air_plus="open"), read(2.0, air_plus="closed"), read(2.1, air_plus="open")], "pass"),
    ],
)
def test_when_must_within(tmp_path, events, verdict):
    assert result_of(tmp_path, WHEN, CLOSED, *events).verdict == verdict


def test_an_excused_violation_is_listed_and_not_judged(tmp_path):
    late = [read(1.0, loop="open"), read(1.5, air_plus="open")]
    weld = Injected(0.5, "air_plus_welded", ("opens",))
    result = result_of(tmp_path, WHEN, CLOSED, weld, *late)
    assert result.verdict == "pass"
    assert "air_plus_welded" in result.excused[0]
    other = Injected(0.5, "air_plus_welded", ("another rule",))
    assert result_of(tmp_path, WHEN, CLOSED, other, *late).verdict == "fail"
    restored = Restored(0.9, "air_plus_welded")
    assert result_of(tmp_path, WHEN, CLOSED, weld, restored, *late).verdict == "fail"


AFTER = "{name: press, after: loop == 'open', until: start_request == 'pressed', refuse: air_minus_coil == 'on'}"
BEGAN = read(0.0, loop="closed", start_request="released", air_minus_coil="on")


@pytest.mark.parametrize(
    ("events", "verdict"),
    [
        ([read(1.0, air_minus_coil="off"), read(2.0, air_minus_coil="on")], "pass"),  # nothing has begun it
        (
            [
                read(1.0, loop="open", air_minus_coil="off"), read(2.0, loop="closed"),
                read(3.0, air_minus_coil="on"),
            ],
            "fail",
        ),
        ([read(1.0, loop="open"), read(2.0, loop="closed")], "pass"),  # was on all the time and did not turn on
        ([read(1.0, loop="open", air_minus_coil="off"), read(2.0, air_minus_coil="on")], "fail"),
        (
            [
                read(1.0, loop="open", air_minus_coil="off"), read(2.0, loop="closed"),
                read(3.0, start_request="pressed"), read(3.0 + 1e-3, air_minus_coil="on"),
            ],
            "pass",
        ),
        (
            [
                read(1.0, loop="open", air_minus_coil="off"), read(2.0, loop="closed"),
                read(3.0, start_request="pressed", air_minus_coil="on"),  # at one instant: first what ends it
            ],
            "pass",
        ),
        (
            [  # pressed while the loop was still open, and held
                read(1.0, loop="open", air_minus_coil="off"), read(1.5, start_request="pressed"),
                read(2.0, loop="closed"), read(3.0, air_minus_coil="on"),
            ],
            "fail",
        ),
    ],
)  # fmt: skip
def test_after_refuse_until(tmp_path, events, verdict):
    assert result_of(tmp_path, AFTER, BEGAN, *events).verdict == verdict


@pytest.mark.parametrize(("back_s", "verdict"), [(1.05, "fail"), (1.1, "fail"), (1.101, "pass"), (2.0, "pass")])
def test_after_refuse_within(tmp_path, back_s, verdict):
    rule = "{name: chatter, after: air_plus == 'closed', refuse: air_plus == 'closed', within: 100 ms}"
    result = result_of(
        tmp_path, rule, read(0.0, air_plus="open"), read(0.5, air_plus="closed"), read(1.0, air_plus="open"),
        read(back_s, air_plus="closed"),
    )  # fmt: skip
    assert result.verdict == verdict
    assert verdict == "pass" or result.at_s == back_s


@pytest.mark.parametrize(("back_s", "verdict"), [(1.003, "pass"), (1.0099, "pass"), (1.01, "fail"), (1.05, "fail")])
def test_the_bounce_of_a_contact_is_no_violation(tmp_path, back_s, verdict):
    rule = "{name: c, after: air_plus == 'closed', refuse: air_plus == 'closed', within: 100 ms, bounce: 10 ms}"
    events = [read(0.0, air_plus="open"), read(0.5, air_plus="closed"), read(1.0, air_plus="open")]
    assert result_of(tmp_path, rule, *events, read(back_s, air_plus="closed")).verdict == verdict


LATCH = "{name: latch, after: bms_line == 'fault', until: reset_request == 'pressed', refuse: loop == 'closed'}"
LATCHED = [*drive(0.0, bms_line="fault", reset_request="released"), read(0.1, loop="open"), *drive(1.0, bms_line="ok")]
PRESS = Driving(2.0, "press reset", {"reset_request": "pressed"})


@pytest.mark.parametrize(
    ("events", "verdict"),
    [
        ([PRESS, read(2.001, loop="closed"), Driven(2.002, "reset_request", "pressed")], "pass"),
        ([PRESS, Driven(2.002, "reset_request", "pressed"), read(2.003, loop="closed")], "pass"),
        ([read(1.999, loop="closed"), PRESS, Driven(2.002, "reset_request", "pressed")], "fail"),  # before the press
        ([PRESS, read(2.001, loop="closed")], "fail"),  # the press never came about
        ([PRESS, read(2.001, loop="closed"), Driven(2.002, "reset_request", "released"), read(3.0)], "fail"),
        ([Driving(2.0, "", {"imd_line": "fault"}), read(2.001, loop="closed"), read(3.0)], "fail"),  # another output
    ],
)
def test_what_a_press_brings_about_may_be_seen_before_the_press_is_confirmed(tmp_path, events, verdict):
    """A latch of relays closes within a millisecond or two; a board's answer takes as long, over USB much longer."""
    result = result_of(tmp_path, LATCH, *LATCHED, *events, read(4.0))
    closed_s = next(event.t for event in events if isinstance(event, Batch) and event.samples)
    assert (result.verdict, result.at_s) == (verdict, None if verdict == "pass" else closed_s)


@pytest.mark.parametrize(("loop", "verdict"), [("closed", "pass"), ("open", "fail")])
def test_what_an_output_under_way_decides_is_looked_at_once_it_is_confirmed(tmp_path, loop, verdict):
    """The loop closes before the bench knows that its own contact in it has."""
    rule = "{name: fed, never: loop == 'closed' and shutdown_loop == 'open'}"
    result = result_of(
        tmp_path, rule, *drive(0.0, shutdown_loop="open"), read(0.5, loop="open"),
        Driving(1.0, "", {"shutdown_loop": "closed"}), read(1.001, loop="closed"),
        Driven(1.002, "shutdown_loop", loop), read(2.0),
    )  # fmt: skip
    assert (result.verdict, result.at_s) == (verdict, None if verdict == "pass" else 1.001)


def test_an_excused_after_is_listed(tmp_path):
    events = [read(1.0, loop="open", air_minus_coil="off"), read(2.0, air_minus_coil="on")]
    result = result_of(tmp_path, AFTER, BEGAN, Injected(0.5, "controller-held", ("press",)), *events)
    assert result.verdict == "pass" and "controller-held" in result.excused[0]


def test_a_rule_names_its_requirement(tmp_path):
    rule = "{name: loop, requirement: SDC-01, always: loop == 'closed'}"
    assert result_of(tmp_path, rule, read(0.0, loop="closed")).requirement == "SDC-01"


@pytest.mark.parametrize(
    ("ends_s", "verdict"),
    [(1.2, "pass"), (1.3, "inconclusive"), (1.5, "inconclusive"), (1.8, "fail")],  # 250 ms, and 500 ms for readings
)
def test_at_the_end_of_a_run_readings_may_still_be_on_their_way(tmp_path, ends_s, verdict):
    judge = Judge(plan_of(tmp_path, STEP, f"invariants:\n  - {WHEN}"), late_s=0.5)
    (result,) = fold(judge, CLOSED, read(1.0, loop="open"), read(ends_s)).invariants()
    assert result.verdict == verdict
    assert ("the run ended before it was known" in result.reason) is (verdict == "inconclusive")
