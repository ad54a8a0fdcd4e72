"""The statistics against scipy.stats and against what the procedures promise."""

from itertools import combinations
from math import inf, sqrt
from random import Random

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from bench.comparing.statistics import (
    Difference,
    difference,
    drift,
    holm,
    lag_1,
    performance_index,
    share_at_most,
    summary,
    tolerance_factor,
)

RANDOM = Random(5)
OLD = [RANDOM.gauss(2.36, 0.008) for _ in range(15)]
NEW = [RANDOM.gauss(2.364, 0.015) for _ in range(11)]


@pytest.mark.parametrize("margin", [0.0, 0.004, 0.01, 0.05])
def test_two_one_sided_tests_are_two_tests_of_welch(margin):
    found = difference(summary(OLD), summary(NEW), 0.0, 0.0)
    above = stats.ttest_ind([new + margin for new in NEW], OLD, equal_var=False, alternative="greater")
    below = stats.ttest_ind([new - margin for new in NEW], OLD, equal_var=False, alternative="less")
    assert found.freedom == pytest.approx(above.df, rel=1e-9)
    assert found.p_equivalent(margin) == pytest.approx(max(above.pvalue, below.pvalue), rel=1e-9)


def test_shown_to_be_beyond_is_a_shifted_test_of_welch():
    far = [new + 0.05 for new in NEW]
    found = difference(summary(OLD), summary(far), 0.0, 0.0)
    reference = stats.ttest_ind([value - 0.02 for value in far], OLD, equal_var=False, alternative="greater")
    assert found.p_beyond(0.02) == pytest.approx(reference.pvalue, rel=1e-9)
    turned = difference(summary(far), summary(OLD), 0.0, 0.0)
    assert turned.p_beyond(0.02) == pytest.approx(reference.pvalue, rel=1e-9)


def test_the_interval_of_the_difference():
    found = difference(summary(OLD), summary(NEW), 0.0, 0.0)
    interval = stats.ttest_ind(NEW, OLD, equal_var=False).confidence_interval(0.95)
    assert (found.d - found.uncertainty, found.d + found.uncertainty) == pytest.approx(tuple(interval), rel=1e-9)


def test_what_the_records_say_of_their_own_uncertainty_is_added_and_taken_as_known():
    found = difference(summary([2.0]), summary([2.003]), 0.003, 0.004)
    assert (found.u, found.freedom) == (pytest.approx(0.005), inf)
    assert found.p_equivalent(0.01) == pytest.approx(stats.norm.sf((0.01 - 0.003) / 0.005))
    wider = difference(summary(OLD), summary(NEW), 0.003, 0.004)
    assert wider.u == pytest.approx(sqrt(difference(summary(OLD), summary(NEW), 0, 0).u ** 2 + 0.005**2))
    assert wider.freedom > difference(summary(OLD), summary(NEW), 0, 0).freedom


@pytest.mark.parametrize(("d", "equivalent", "beyond"), [(0.0, 0, 1), (0.9, 0, 1), (1.0, 1, 1), (1.1, 1, 0)])
def test_without_any_uncertainty_the_difference_itself_decides(d, equivalent, beyond):
    found = Difference(d, 0.0, inf)
    assert (found.p_equivalent(1.0), found.p_beyond(1.0)) == (equivalent, beyond)


def test_two_one_sided_tests_keep_their_error_rate():
    """On the edge of the margin at most 5 % of comparisons may say equivalent, well inside nearly all (the sample size
    of 15 a side for a deviation of 8 ms and a margin of 10 ms)."""
    random, wrong, right = Random(11), 0, 0
    for _ in range(400):
        old = summary([random.gauss(0.0, 8.0) for _ in range(15)])
        edge = summary([random.gauss(10.0, 8.0) for _ in range(15)])
        same = summary([random.gauss(0.0, 8.0) for _ in range(15)])
        wrong += difference(old, edge, 0, 0).p_equivalent(10.0) <= 0.05
        right += difference(old, same, 0, 0).p_equivalent(10.0) <= 0.05
    assert wrong <= 400 * 0.09
    assert right >= 400 * 0.85


@given(st.lists(st.floats(0, 1), min_size=1, max_size=6))
def test_holm_is_the_closed_test_of_bonferroni(ps):
    """A hypothesis is rejected when every intersection that it is in is rejected by Bonferroni's inequality."""
    places = range(len(ps))
    sets = [chosen for size in range(1, len(ps) + 1) for chosen in combinations(places, size)]
    closed = [max(min(1.0, len(s) * min(ps[each] for each in s)) for s in sets if place in s) for place in places]
    assert holm(ps) == pytest.approx(closed)


def test_drift_is_the_line_of_least_squares():
    places = [0, 1, 2, 4, 5, 9]
    values = [1.0, 1.2, 1.1, 1.6, 1.5, 2.4]
    reference = stats.linregress(places, values)
    found = drift(places, values)
    assert found.slope == pytest.approx(reference.slope, rel=1e-12)
    assert found.uncertainty == pytest.approx(stats.t.ppf(0.975, 4) * reference.stderr, rel=1e-12)
    assert drift([0, 1], [1.0, 2.0]) is None


@pytest.mark.parametrize("n", [2, 7, 40, 1000])
def test_the_tolerance_factor_is_a_quantile_of_non_central_t(n):
    assert tolerance_factor(n) == pytest.approx(
        stats.nct.ppf(0.95, n - 1, stats.norm.ppf(0.95) * sqrt(n)) / sqrt(n), rel=1e-9
    )
    assert tolerance_factor(1) is None


@pytest.mark.parametrize(("fails", "n"), [(0, 20), (1, 20), (7, 20), (19, 20)])
def test_the_share_of_fails(fails, n):
    reference = stats.binomtest(fails, n, alternative="less").proportion_ci(0.95, "exact").high
    assert share_at_most(fails, n) == pytest.approx(reference, rel=1e-9)


def test_the_ends_of_the_share_of_fails():
    assert share_at_most(20, 20) == 1.0
    assert share_at_most(0, 0) is None


def test_without_spread_there_is_no_index_and_no_correlation():
    same = summary([2.0, 2.0, 2.0])
    assert performance_index(same) is None
    assert lag_1([2.0, 2.0, 2.0]) is None
    assert summary([1.0]).sd is None
    assert performance_index(summary([1.0, 2.0, 3.0])) == pytest.approx(2 / 3)
