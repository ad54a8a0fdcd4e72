"""One channel read at two instants: its accuracy is one unknown error, not two.

Sources: JCGM 100:2008 (GUM) 5.2.2, equations (13) and (16) and the example of the resistors, from memory of the
document; JCGM 101:2008, 7.2 to 7.6: a model evaluated with draws from the distributions of its inputs.
"""

import numpy as np
import pytest

from bench.judging.readings import Readings, Snapshot
from bench.judging.uncertainty import FULL, HALF, propagated, standard
from bench.language.bench_file import bench_from_text

BENCH = """\
bench: two-meters
devices: {meter: {driver: scpi}}
every: 10 ms
channels:
  ts_voltage: {device: meter, direction: read, unit: V, accuracy: TS}
  pack_voltage: {device: meter, direction: read, unit: V, accuracy: PACK}
"""


def combined(function, first, second, ts="0 % + 0 V", pack="0 % + 0 V"):
    """Combined standard uncertainty of a function of (ts, pack) at two instants."""
    readings = Readings(bench_from_text(BENCH.replace("TS", ts).replace("PACK", pack), "bench.yaml"))
    one, other = (Snapshot([float(value) for value in values], [], []) for values in (first, second))
    return standard(propagated(function, (0, 1), one, readings, later=other))


def ratio_of_ratios(values):
    ts, pack, ts_later, pack_later = values
    return (ts / pack) / (ts_later / pack_later)


def test_values_that_share_one_error_add_up_and_not_their_squares():
    """GUM 5.2.2, example: ten resistors of 1000 ohm compared with one standard of u = 0.1 ohm; in series u is
    10 * 0.1 ohm = 1 ohm and not 0.32 ohm. Here two readings of one meter: 2 u and not 1.41 u."""
    u = 0.1
    width = u / HALF
    found = combined(lambda v: v[0] + v[2], (1000, 1), (1000, 1), ts=f"0 % + {width:.12f} V")
    assert found == pytest.approx(2 * u, rel=1e-9)


def test_against_equation_13_with_the_whole_matrix():
    """u^2 = g V g', g the gradient and V the covariance of (ts, pack, ts later, pack later): within one channel a
    common offset, between channels nothing. Independent resolution adds to the diagonal."""
    ts, pack, ts_later, pack_later = 385.0, 403.0, 402.0, 402.5
    offset_ts, offset_pack, step = 0.5, 0.3, 0.1
    gradient = ratio_of_ratios((ts, pack, ts_later, pack_later)) * np.array(
        [1 / ts, -1 / pack, -1 / ts_later, 1 / pack_later]
    )
    covariance = np.zeros((4, 4))
    for at, offset in ((0, offset_ts), (1, offset_pack)):
        covariance[np.ix_((at, at + 2), (at, at + 2))] = (offset * HALF) ** 2
    covariance += np.eye(4) * (step * FULL) ** 2
    expected = np.sqrt(gradient @ covariance @ gradient)
    found = combined(
        ratio_of_ratios, (ts, pack), (ts_later, pack_later),
        f"0 % + {offset_ts} V, resolution: {step} V", f"0 % + {offset_pack} V, resolution: {step} V",
    )  # fmt: skip
    assert found == pytest.approx(expected, rel=2e-3)


def test_against_monte_carlo():
    """Gains of 1 %, offsets of 0.2 and 0.4 V (rectangles, drawn once for both instants), resolution of 0.1 V (drawn
    each time), 4e5 draws: the spread of the standard deviation is 0.1 %."""
    ts, pack, pack_later = 384.0, 403.0, 402.5
    chance, draws = np.random.default_rng(101), 400_000
    gain_ts, gain_pack = chance.uniform(-0.01, 0.01, (2, draws))
    offset_ts, offset_pack = chance.uniform(-0.2, 0.2, draws), chance.uniform(-0.4, 0.4, draws)

    def seen(value, gain, offset):
        return value * (1 + gain) + offset + chance.uniform(-0.05, 0.05, draws)

    outcome = (seen(ts, gain_ts, offset_ts) / seen(pack, gain_pack, offset_pack)) / (
        seen(pack_later, gain_ts, offset_ts) / seen(pack_later, gain_pack, offset_pack)
    )
    found = combined(
        ratio_of_ratios, (ts, pack), (pack_later, pack_later),
        "1 % + 0.2 V, resolution: 0.1 V", "1 % + 0.4 V, resolution: 0.1 V",
    )  # fmt: skip
    assert found == pytest.approx(np.std(outcome), rel=0.01)
    assert np.mean(outcome) == pytest.approx(ts / pack, abs=1e-6)  # the gains leave no bias
    uncalibrated = np.std(seen(ts, gain_ts, offset_ts) / seen(pack, gain_pack, offset_pack))
    assert found < uncalibrated / 50


def test_a_gain_that_does_not_cancel_is_counted_in_full():
    """A difference of two readings of one meter, 400 V and 200 V: the gain moves it by 1 % of 200 V, the offset by
    nothing. A sum: by 1 % of 600 V and twice the offset, which add up as they do for one reading."""
    difference = combined(lambda v: v[0] - v[2], (400, 1), (200, 1), ts="1 % + 0.5 V")
    assert difference == pytest.approx(2.0 * HALF, rel=1e-9)
    total = combined(lambda v: v[0] + v[2], (400, 1), (200, 1), ts="1 % + 0.5 V")
    assert total == pytest.approx((6.0 + 1.0) * HALF, rel=1e-9)
    chance, draws = np.random.default_rng(5), 200_000
    errors = chance.uniform(-0.01, 0.01, draws) * 600 + 2 * chance.uniform(-0.5, 0.5, draws)
    assert np.std(errors) < total  # never less than where gain and offset are independent
