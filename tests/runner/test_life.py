"""The life cycle's table: every row works, nothing else does, and the safe state is never far."""

import pytest
from transitions import MachineError

from bench.runner.life import STATES, TRANSITIONS, Life


def at(state: str) -> Life:
    life = Life()
    life._machine.set_state(state)
    return life


@pytest.mark.parametrize(("trigger", "source", "target"), TRANSITIONS)
def test_every_row(trigger, source, target):
    assert at(source).fire(trigger) == target


@pytest.mark.parametrize("state", STATES)
def test_what_the_table_does_not_have_raises_and_leaves_the_state_alone(state):
    allowed = {trigger for trigger, source, _ in TRANSITIONS if source == state}
    for trigger in {trigger for trigger, _, _ in TRANSITIONS} - allowed:
        life = at(state)
        with pytest.raises(MachineError):
            life.fire(trigger)
        assert life.state == state


def test_every_state_that_drives_leads_to_making_safe_without_driving_on():
    towards_safe = {source for trigger, source, target in TRANSITIONS if target == "making safe"}
    assert towards_safe == {"checking", "powering up", "driving", "clearing up"}


def test_closed_is_the_end_and_is_reached_only_without_outputs_driven_or_from_the_safe_state():
    assert not [row for row in TRANSITIONS if row[1] == "closed"]
    assert {source for _, source, target in TRANSITIONS if target == "closed"} == {"loading", "checking", "making safe"}
