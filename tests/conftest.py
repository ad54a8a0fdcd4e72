"""How many processes run the tests."""

import os

import pytest


@pytest.hookimpl
def pytest_xdist_auto_num_workers() -> int:
    """One more than there are cores: some hundred tests wait for wires and time-outs, and leave theirs to others."""
    return (os.cpu_count() or 1) + 1
