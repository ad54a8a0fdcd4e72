"""Fewer points for a plot, no lost spike."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from bench.report.decimation import decimate


@pytest.mark.parametrize("place", [0, 1, 2, 999, 1000, 50_001, 99_998, 99_999])
@pytest.mark.parametrize("spike", [-5.0, 500.0])
def test_a_spike_of_one_sample_is_kept(place, spike):
    times = np.linspace(0, 100, 100_000)
    values = np.sin(times)
    values[place] = spike
    fewer_times, fewer = decimate(times, values)
    assert len(fewer) <= 2000
    assert fewer_times[fewer == spike].tolist() == [times[place]]


@settings(max_examples=150, deadline=None)
@given(
    st.lists(st.floats(allow_nan=True, allow_infinity=True, width=32), min_size=1, max_size=300),
    st.sampled_from([4, 6, 10, 50]),
)
def test_extremes_ends_and_order_are_kept(values, points):
    values = np.array(values, dtype=float)
    times = np.arange(len(values), dtype=float)
    fewer_times, fewer = decimate(times, values, points)
    assert len(fewer) == len(fewer_times) <= max(points, 1)
    assert (np.diff(fewer_times) >= 0).all()
    assert fewer_times[0] == 0 and fewer_times[-1] == len(values) - 1
    finite = values[np.isfinite(values)]
    assert not np.isinf(fewer).any()
    if len(finite):
        assert np.nanmin(fewer) == finite.min() and np.nanmax(fewer) == finite.max()
    kept = values[fewer_times.astype(int)]
    assert np.array_equal(np.where(np.isfinite(kept), kept, np.nan), fewer, equal_nan=True)
