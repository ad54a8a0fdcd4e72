"""How close a rule came, and for how long it was broken; against an outside reference on random traces."""

import random
import sys
import warnings

import pytest

from bench.events import Injected
from tests.judging.folding import fold, judge_of, read

STEP = "- {name: Wait, pause: 1 s}"


def result_of(tmp_path, rule, *events):
    (result,) = fold(judge_of(tmp_path, STEP, f"invariants:\n  - {rule}"), *events).invariants()
    return result


def voltages(*values):
    return [read(number / 10, ts_voltage=value) for number, value in enumerate(values)]


def test_a_rule_that_was_kept_says_how_close_it_came(tmp_path):
    result = result_of(tmp_path, "{name: r, never: ts_voltage > 60 V}", *voltages(10, 55, 20))
    assert (result.verdict, result.margin, result.unit) == ("pass", 5.0, "V")
    assert result.uncertainty == pytest.approx(2 * ((0.001 * 55 + 0.2) ** 2 / 3 + 0.1**2 / 12) ** 0.5)


def test_a_rule_that_was_broken_says_how_often_how_long_and_how_far(tmp_path):
    result = result_of(tmp_path, "{name: r, always: ts_voltage <= 60 V}", *voltages(0, 70, 70, 50, 90, 0))
    assert (result.verdict, result.violations, result.margin) == ("fail", 2, -30.0)
    first_s = (0.3 - 10 / 200) - (0.1 * 60 / 70)  # straight lines between the samples
    second_s = (0.4 + 0.1 * 30 / 90) - (0.3 + 0.1 * 10 / 40)
    assert result.violated_s == pytest.approx(first_s + second_s, abs=1e-6)
    assert result.at_s == pytest.approx(0.1 * 60 / 70)


def test_where_states_alone_decide_there_is_no_margin(tmp_path):
    result = result_of(tmp_path, "{name: r, never: air_plus == 'closed'}", read(0.0, air_plus="open"))
    assert (result.margin, result.unit) == (None, "")


def test_a_state_beside_a_quantity_says_when_it_counts(tmp_path):
    rule = "{name: r, never: air_plus == 'closed' and ts_voltage < 0.9 * pack_voltage}"
    events = [
        read(0.0, air_plus="open", ts_voltage=0, pack_voltage=400),  # open: however low, it does not count
        read(0.1, ts_voltage=380),
        read(0.2, air_plus="closed"),
        read(0.3, ts_voltage=399),
    ]
    assert result_of(tmp_path, rule, *events).margin == pytest.approx(20.0)


def test_an_obligation_says_how_much_time_was_left(tmp_path):
    rule = "{name: r, when: loop == 'open', must: air_plus == 'open', within: 250 ms}"
    events = [
        read(0.0, loop="closed", air_plus="closed"), read(1.0, loop="open"), read(1.03, air_plus="open"),
        read(2.0, loop="closed"), read(2.1, air_plus="closed"), read(3.0, loop="open"), read(3.2, air_plus="open"),
    ]  # fmt: skip
    result = result_of(tmp_path, rule, *events)
    assert (result.verdict, round(result.margin, 6), result.unit) == ("pass", 0.05, "s")
    late = [*events[:-1], read(3.4, air_plus="open")]
    result = result_of(tmp_path, rule, *late)
    assert (result.verdict, result.violations, round(result.margin, 6)) == ("fail", 1, -0.15)
    assert result.violated_s == pytest.approx(0.15)


def test_what_a_fault_excuses_is_not_how_close_it_came(tmp_path):
    rule = "{name: r, never: ts_voltage > 60 V}"
    fault = Injected(0.05, "air_plus_welded", ("r",))
    result = result_of(tmp_path, rule, read(0.0, ts_voltage=10), fault, *voltages(10, 90)[1:])
    assert (result.verdict, result.margin, result.violations) == ("pass", 50.0, 0)
    assert len(result.excused) == 1


@pytest.mark.skipif(sys.version_info >= (3, 12), reason="the reference library needs a module that Python 3.12 lost")
@pytest.mark.parametrize(
    ("ours", "theirs"),
    [
        ("never: ts_voltage > 60 V", "always(not(x > 60))"),
        ("always: ts_voltage < 60 V or pack_voltage > 300 V", "always((x < 60) or (y > 300))"),
        ("never: ts_voltage > 60 V and not (pack_voltage >= 300 V and ts_voltage < 350 V)",
         "always(not((x > 60) and not((y >= 300) and (x < 350))))"),
        ("always: ts_voltage - pack_voltage < 100 V and pack_voltage > -20 V",
         "always(((x - y) < 100) and (y > -20))"),
    ],
)  # fmt: skip
def test_the_margin_is_the_robustness_of_signal_temporal_logic(tmp_path, ours, theirs):
    """Reference: rtamt, discrete time."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", DeprecationWarning)
        import rtamt
    chance = random.Random(ours)
    for _ in range(10):
        x = [round(chance.uniform(-50, 450), 3) for _ in range(30)]
        y = [round(chance.uniform(-50, 450), 3) for _ in range(30)]
        reference = rtamt.StlDiscreteTimeSpecification()
        for name in ("x", "y", "out"):
            reference.declare_var(name, "float")
        reference.spec = f"out = {theirs}"
        reference.parse()
        robustness = reference.evaluate({"time": list(range(30)), "x": x, "y": y})[0][1]
        events = [read(t / 10, ts_voltage=a, pack_voltage=b) for t, (a, b) in enumerate(zip(x, y, strict=True))]
        result = result_of(tmp_path, f"{{name: r, {ours}}}", *events)
        assert result.margin == pytest.approx(robustness, abs=1e-9)
