"""Uncertainty from samples to verdict: what each part is, what decides, and what would settle a close one."""

import random

import pytest
from uncertainties import ufloat

from bench.events import Aligned
from bench.judging.judge import Judge
from bench.judging.readings import Snapshot
from bench.judging.uncertainty import propagated
from bench.language.bench_file import bench_from_text, load_bench
from bench.language.expressions import parse
from bench.language.loading import plans_from_text
from bench.language.register import load_register
from tests.judging.folding import begin, drive, fold, outcome, read

BENCH = """\
bench: measured
devices: {meter: {driver: scpi}, box: {driver: board}}
every: 100 ms
channels:
  ts_voltage: {device: meter, direction: read, unit: V, ACCURACY}
  pack_voltage: {device: meter, direction: read, unit: V, accuracy: 0.1 % + 0.2 V}
  shutdown_loop: {device: box, direction: driven, states: [open, closed], safe: open}
  air_plus: {device: box, direction: read, states: [open, closed], capture: edges, time_accuracy: 2 ms}
"""
EXACT = "accuracy: 0 % + 0 V"


def judge(step, accuracy=EXACT, rule="simple", overdue=None):
    bench = bench_from_text(BENCH.replace("ACCURACY", accuracy), "bench.yaml")
    text = f"sequence: s\ntitle: T\nenergy: dry\nsteps:\n  - {step}\n"
    (plan,) = plans_from_text(text, "s.yaml", bench, load_register(None))
    return Judge(plan, rule=rule, overdue=overdue)


DISCHARGE = "{name: D, time: {from: shutdown_loop == 'open', to: ts_voltage < 60 V}, limit: {max: 5 s}}"


def discharge(crossing_s, every_s=0.1, slope=-50.0):
    """The loop opens at 0, then samples of a line that goes through 60 V at `crossing_s`."""
    yield from drive(-1.0, shutdown_loop="closed")
    yield from drive(0.0, shutdown_loop="open")
    yield begin(0.0)
    for number in range(int(crossing_s / every_s) - 5, int(crossing_s / every_s) + 2):
        t = round(number * every_s, 6)
        yield read(t, "meter", ts_voltage=60.0 + slope * (t - crossing_s))


def test_a_discharge_of_4_93_s_sampled_every_100_ms_against_5_s():
    """The example of the documentation: 70 ms are left. Sampling alone is u = 100 ms / sqrt(12) = 28.9 ms, U = 57.7 ms,
    a pass. +- 1 V (u = 0.577 V) on a slope of 50 V/s adds 11.5 ms: U = 62.2 ms, still one. With +- 2 V U is 74 ms."""
    result = outcome(judge(DISCHARGE, rule="guarded"), *discharge(4.93))
    assert (result.verdict, round(result.value, 6)) == ("pass", 4.93)
    assert result.uncertainty == pytest.approx(2 * 0.1 / 12**0.5)
    result = outcome(judge(DISCHARGE, "accuracy: 0 % + 1 V", "guarded"), *discharge(4.93))
    assert result.verdict == "pass"
    assert result.uncertainty == pytest.approx(2 * ((0.1**2 / 12) + (1 / 3**0.5 / 50) ** 2) ** 0.5, rel=1e-6)
    result = outcome(judge(DISCHARGE, "accuracy: 0 % + 2 V", "guarded"), *discharge(4.93))
    assert result.verdict == "inconclusive"
    assert "sample ts_voltage every 50 ms instead of 100 ms" in result.reason


def test_what_is_advised_settles_it():
    result = outcome(judge(DISCHARGE, "accuracy: 0 % + 2 V", "guarded"), *discharge(4.93, every_s=0.05))
    assert result.verdict == "pass"


def test_the_value_alone_decides_by_the_simple_rule_and_the_risk_is_stated():
    result = outcome(judge(DISCHARGE, "accuracy: 0 % + 2 V"), *discharge(4.93))
    assert result.verdict == "pass"
    assert 0.02 < result.false_accept < 0.04  # 70 ms are 1.89 standard uncertainties


def test_stamps_and_clocks_are_parts_of_a_time():
    step = "{name: T, time: {from: shutdown_loop == 'open', to: air_plus == 'open'}, limit: {max: 250 ms}}"
    closed = [read(-0.5, "box", air_plus="closed"), *drive(-1.0, shutdown_loop="closed")]
    events = [*closed, *drive(0.0, shutdown_loop="open"), begin(0.0), read(0.02, "box", air_plus="open")]
    result = outcome(judge(step), *events)
    assert result.uncertainty == pytest.approx(2 * 2.0 / 3**0.5)  # ms
    result = outcome(judge(step), Aligned(-2.0, "box", 0.0, 0.0, 0.003), *events)
    # the stamp of what was driven has no part of its own; both ends rest on the clock of the box
    assert result.uncertainty == pytest.approx(2 * ((2.0**2 + 3.0**2 + 3.0**2) / 3) ** 0.5)


def test_a_moving_value_is_less_well_known_at_an_instant():
    step = "{name: R, check: ts_voltage, at: air_plus == 'closed', limit: {min: 300 V}}"
    still = [read(0.0, "box", air_plus="open"), *drive(0.1, shutdown_loop="closed"), begin(0.1)]
    moving = [read(t / 10, "meter", ts_voltage=200 + 20.0 * t, pack_voltage=400) for t in range(2, 8)]
    closing = read(0.76, "box", air_plus="closed")
    result = outcome(judge(step), *still, *moving, closing)
    slope, age_s, stamp_u = 200.0, 0.06, 0.002 / 3**0.5
    assert result.uncertainty == pytest.approx(2 * slope * (age_s**2 / 3 + stamp_u**2) ** 0.5)
    resting = [read(t / 10, "meter", ts_voltage=340, pack_voltage=400) for t in range(2, 8)]
    assert outcome(judge(step), *still, *resting, closing).uncertainty == 0.0


def test_what_value_and_limit_owe_to_one_channel_counts_once():
    step = "{name: R, check: pack_voltage, limit: {min: 0.9 * pack_voltage}}"
    result = outcome(judge(step), begin(0.0), read(0.1, "meter", pack_voltage=400, ts_voltage=0))
    assert result.uncertainty == pytest.approx(2 * 0.1 * 0.6 / 3**0.5)


def test_where_two_channels_agree_their_difference_is_as_uncertain_as_anywhere():
    step = "{name: R, check: abs(ts_voltage - pack_voltage), limit: {max: 4 V}}"
    result = outcome(judge(step), begin(0.0), read(0.1, "meter", pack_voltage=400, ts_voltage=400))
    assert result.uncertainty == pytest.approx(2 * 0.6 / 3**0.5)


def test_an_accuracy_that_nobody_has_given():
    step = "{name: V, check: ts_voltage, limit: {max: 60 V}}"
    event = read(0.1, "meter", ts_voltage=1)
    assert outcome(judge(step, "note: none"), begin(0.0), event).verdict == "pass"
    result = outcome(judge(step, "note: none", "guarded"), begin(0.0), event)
    assert (result.verdict, result.uncertainty) == ("inconclusive", None)
    assert "how accurate ts_voltage is" in result.reason


def test_a_condition_without_a_limit_is_guarded_as_well():
    step = "{name: V, check: ts_voltage < 60 V}"
    close = [begin(0.0), read(0.1, "meter", ts_voltage=59.5)]
    result = outcome(judge(step, "accuracy: 0 % + 1 V"), *close)
    assert (result.verdict, round(result.margin, 6), result.unit) == ("pass", 0.5, "V")
    assert outcome(judge(step, "accuracy: 0 % + 1 V", "guarded"), *close).verdict == "inconclusive"


def test_a_hold_is_as_good_as_its_closest_moment():
    step = "{name: H, hold: ts_voltage < 60 V, for: 1 s}"

    def verdict(highest):
        values = [read(t / 10, "meter", ts_voltage=highest if t == 5 else 10) for t in range(11)]
        opened = judge(step, "accuracy: 0 % + 1 V", "guarded")
        fold(opened, begin(0.0), *values)
        opened.open.passed(1.0)
        return opened.open.result.verdict

    assert (verdict(50), verdict(59.5)) == ("pass", "inconclusive")


@pytest.mark.parametrize(("rule", "verdict"), [("simple", "pass"), ("guarded", "inconclusive")])
def test_an_overdue_calibration(rule, verdict):
    step = "{name: V, check: ts_voltage, limit: {max: 60 V}}"
    result = outcome(
        judge(step, rule=rule, overdue={"meter": "2026-01-31"}), begin(0.0), read(0.1, "meter", ts_voltage=1)
    )
    assert result.verdict == verdict
    assert "the calibration of meter ran out after 2026-01-31" in result.reason
    state = "{name: A, check: air_plus == 'open'}"  # a contact has no calibration
    opened = judge(state, rule=rule, overdue={"box": "2026-01-31"})
    assert outcome(opened, begin(0.0), read(0.1, "box", air_plus="open")).reason == ""


def test_propagation_agrees_with_a_reference_library():
    """`uncertainties` propagates through analytic derivatives; ours are the steeper of two differences over it."""
    bench = load_bench(None)
    readings = Judge(
        plans_from_text(
            "sequence: s\ntitle: T\nenergy: dry\nsteps: [{pause: 1 s}]", "s.yaml", bench, load_register(None)
        )[0]
    ).readings
    chance = random.Random(20)
    for text, function in (
        ("ts_voltage / pack_voltage", lambda ts, pack, i: ts / pack),
        ("3 * (ts_voltage - pack_voltage)", lambda ts, pack, i: 3 * (ts - pack)),
        ("pack_voltage * current", lambda ts, pack, i: pack * i),
        ("(pack_voltage - ts_voltage) / current", lambda ts, pack, i: (pack - ts) / i),
    ):
        compiled = parse(text, bench.scope).compile(readings.slots)
        for _ in range(20):
            values = [None] * len(readings.values)
            given = {"ts_voltage": chance.uniform(50, 400), "pack_voltage": chance.uniform(50, 400),
                     "current": chance.uniform(20, 200)}  # fmt: skip
            inputs = []
            for name, value in given.items():
                slot = readings.slots[name]
                values[slot] = value
                inputs.append(
                    ufloat(value, sum(u * u for _, u, _ in readings.specifications[slot].parts(value)) ** 0.5)
                )
            parts = propagated(compiled, readings.slots_of(given), Snapshot(values, [], []), readings)
            ours = sum(part.u**2 for part in parts) ** 0.5
            assert ours == pytest.approx(function(*inputs).std_dev, rel=1e-2)
