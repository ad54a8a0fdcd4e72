"""Uncertainty and decision rules against published numbers.

Sources: JCGM 106:2012 (role of measurement uncertainty in conformity assessment), JCGM 100:2008 (GUM),
ILAC-G8:09/2019. Where a number is from memory of the document, it says so.
"""

import math

import pytest
from scipy.stats import norm

from bench.judging.deciding import decide
from bench.judging.limits import Judged
from bench.judging.uncertainty import COVERAGE, FULL, HALF, Part, standard, tail
from bench.verdicts import Verdict


def part(u):
    return Part("accuracy", "v", u, u / HALF, "V")


def judged(value, low=None, high=None):
    margins = ([] if low is None else [value - low]) + ([] if high is None else [high - value])
    verdict = Verdict.PASS if min(margins) >= 0 else Verdict.FAIL
    return Judged(verdict, value, min=low, max=high, margin=min(margins))


def test_breakdown_voltage_of_a_zener_diode():
    """JCGM 106:2012, 7.3, example: limit -5.40 V, -5.47 V measured, u = 0.05 V: 0.92 conforming (from memory)."""
    result = decide(judged(-5.47, high=-5.40), [part(0.05)], "simple")
    assert 1 - result.false_accept == pytest.approx(0.919243, abs=1e-6)


def test_viscosity_of_an_oil():
    """JCGM 106:2012, 7.4, example: 12.5 to 16.3 mm2/s, 13.6 measured, u = 1.8: 0.66 conforming (from memory)."""
    result = decide(judged(13.6, 12.5, 16.3), [part(1.8)], "simple")
    assert 1 - result.false_accept == pytest.approx(0.662630, abs=1e-6)


def test_speed_limit():
    """JCGM 106:2012, 8.3.3, example: 100 km/h, u = 2 %, above 106.588 km/h speeding is 99.9 % sure (from memory)."""
    speed = 106.588
    assert tail(100 - speed, 0.02 * speed) == pytest.approx(0.999, abs=1e-5)


@pytest.mark.parametrize(("probability", "z"), [(0.80, 0.84), (0.90, 1.28), (0.95, 1.64), (0.99, 2.33), (0.999, 3.09)])
def test_one_sided_intervals(probability, z):
    """JCGM 106:2012, 7.3, Table 1 prints two decimals of z."""
    assert round(norm.ppf(probability), 2) == z
    assert tail(norm.ppf(probability), 1.0) == pytest.approx(1 - probability, abs=1e-12)


@pytest.mark.parametrize(
    ("share_of_u95", "risk"), [(0, 0.5), (0.83, 0.0484572), (1, 0.0227501), (1.5, 0.00134990), (3, 9.86588e-10)]
)
def test_guard_bands(share_of_u95, risk):
    """ILAC-G8:09/2019, table of guard bands: the worst risk of a false accept for w = r U, U = 2 u (w = 0 and w = U
    seen as "< 50 %" and "< 2.5 %", the others from memory)."""
    assert tail(share_of_u95 * COVERAGE, 1.0) == pytest.approx(risk, rel=1e-5)


@pytest.mark.parametrize(
    ("value", "verdict"),
    [
        (7.9, "pass"),
        (8.0, "pass"),
        (8.1, "inconclusive"),
        (10.0, "inconclusive"),
        (11.9, "inconclusive"),
        (12.1, "fail"),
    ],
)  # fmt: skip
def test_guarded_keeps_the_expanded_uncertainty(value, verdict):
    """ILAC-G8:09/2019, 4.2: pass up to TL - w, fail above TL + w; between them the two middle zones are one here."""
    assert decide(judged(value, high=10.0), [part(1.0)], "guarded").verdict == verdict


@pytest.mark.parametrize(("value", "verdict"), [(9.99, "pass"), (10.0, "pass"), (10.01, "fail")])
def test_simple_looks_at_the_value_alone(value, verdict):
    """ILAC-G8:09/2019, 4.2.1: the acceptance limit is the tolerance limit."""
    assert decide(judged(value, high=10.0), [part(1.0)], "simple").verdict == verdict


def test_end_gauge():
    """JCGM 100:2008, H.1: 25, 9.7, 2.9 and 16.6 nm (from memory) make 32 nm (printed), 31.7106 nm before rounding."""
    parts = [part(25.0), part(math.hypot(5.8, 3.9, 6.7)), part(2.9), part(16.6)]
    assert standard(parts) == pytest.approx(31.7106, abs=0.05)


def test_rectangles():
    """JCGM 100:2008, 4.3.7: u = a / sqrt(3) for half-width a, that is the full width / sqrt(12)."""
    assert pytest.approx(1 / math.sqrt(3)) == HALF
    assert pytest.approx(1 / math.sqrt(12)) == FULL
