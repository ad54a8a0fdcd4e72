"""Fixtures of the drivers' tests."""

import pytest
from devices.board_rig import SimulatedBoard


@pytest.fixture
def stand_in():
    with SimulatedBoard() as board:
        yield board
