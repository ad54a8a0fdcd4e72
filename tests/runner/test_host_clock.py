"""A host that has slept, hung or had its clock set is found, once."""

import pytest

from bench.runner.wall_loop import HostClock


class Times:
    def __init__(self):
        self.monotonic = self.wall = 1000.0

    def pass_(self, seconds, wall=None):
        self.monotonic += seconds
        self.wall += seconds if wall is None else wall


@pytest.fixture
def times():
    return Times()


def clock(times):
    return HostClock(lambda: times.monotonic, lambda: times.wall)


def test_ordinary_time_is_no_trouble(times):
    host = clock(times)
    for _ in range(1000):
        times.pass_(0.02, 0.0200001)  # a slowly adjusted wall clock
        assert host.trouble() == ""


def test_a_host_that_did_not_come_back_in_time(times):
    host = clock(times)
    times.pass_(0.7)
    assert "0.70 s" in host.trouble()
    times.pass_(0.02)
    assert host.trouble() == ""


def test_a_laptop_that_slept_while_its_monotonic_clock_stood_still(times):
    host = clock(times)
    times.pass_(0.02, 3600.0)
    assert "wall clock jumped by +3599.98 s" in host.trouble()


def test_a_wall_clock_that_was_set_back(times):
    host = clock(times)
    times.pass_(0.02, -60.0)
    assert "-60.02 s" in host.trouble()
