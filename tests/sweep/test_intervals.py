"""Clopper-Pearson bounds, against a distribution library and against figures that anybody can look up."""

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import beta, binom

from bench.sweep.intervals import share_at_least, share_at_most

COUNTS = st.integers(1, 400).flatmap(lambda tried: st.tuples(st.integers(0, tried), st.just(tried)))


@given(COUNTS, st.floats(0.5, 0.999))
def test_bounds_are_those_of_the_beta_distribution(count, confidence):
    found, tried = count
    upper = 1.0 if found == tried else beta.ppf(confidence, found + 1, tried - found)
    lower = 0.0 if found == 0 else beta.ppf(1.0 - confidence, found, tried - found + 1)
    assert share_at_most(found, tried, confidence) == pytest.approx(upper, rel=1e-9)
    assert share_at_least(found, tried, confidence) == pytest.approx(lower, rel=1e-9, abs=1e-12)


@given(COUNTS)
def test_at_the_bound_so_few_are_as_rare_as_was_said(count):
    found, tried = count
    if found < tried:
        assert binom.cdf(found, tried, share_at_most(found, tried)) == pytest.approx(0.05, rel=1e-7)


def test_none_of_n_has_a_closed_form():
    """1 - (1 - c)^(1/n): 59 passes for 5 %, and the rule of three."""
    assert share_at_most(0, 59) == pytest.approx(1.0 - 0.05 ** (1.0 / 59.0), rel=1e-12)
    assert share_at_most(0, 1000) == pytest.approx(0.0030, abs=5e-5)
    assert share_at_least(80, 80) == pytest.approx(0.963, abs=5e-4)


@pytest.mark.parametrize("found, tried, confidence", [(0, 0, 0.95), (2, 1, 0.95), (-1, 5, 0.95), (1, 5, 1.0)])
def test_what_is_no_count_is_refused(found, tried, confidence):
    with pytest.raises(ValueError, match="is no count"):
        share_at_most(found, tried, confidence)
