"""Moving times, hold-down, bounce, auxiliary contact."""

import pytest

from simulators.contactor import Contactor
from simulators.parameters import Settings
from simulators.timeline import Timeline


class Rig:
    def __init__(self, name="air_plus", **settings):
        self.timeline, self.settings, self.moves = Timeline(0.0), Settings({}), []
        self.settings.overlay("test", settings)
        self.contactor = Contactor(name, self.timeline, self.note, normally_closed=name == "discharge")
        self.contactor.configure(0.0, self.settings)

    def note(self, t):
        self.moves.append((t, self.contactor.closed, self.contactor.aux_closed))

    def feed(self, t, volts):
        self.run(t)
        self.contactor.feed(t, volts)
        return self

    def run(self, t):
        while self.timeline.next() < (t, 1):
            self.timeline.run_instant((t, 1))
        self.timeline.now = t
        return self.moves


@pytest.mark.parametrize(("name", "make", "release"), [
    ("air_plus", 0.025, 0.015), ("air_minus", 0.025, 0.015), ("precharge", 0.010, 0.006),
])  # fmt: skip
def test_make_and_release(name, make, release):
    moves = Rig(name).feed(0.0, 12.0).feed(1.0, 0.0).run(2.0)
    assert moves == [(make, True, True), (1.0 + release, False, False)]


def test_normally_closed_relay_opens_with_its_coil():
    moves = Rig("discharge").feed(0.0, 12.0).feed(1.0, 0.0).run(2.0)
    assert [(t, closed) for t, closed, _ in moves] == [(0.010, False), (1.008, True)]


def test_holds_down_to_four_volts_and_pulls_in_at_eight():
    rig = Rig().feed(0.0, 7.9)
    assert rig.run(1.0) == []
    rig.feed(1.0, 8.0).feed(2.0, 4.0).feed(3.0, 3.99)
    assert [t for t, _, _ in rig.run(4.0)] == [1.025, 3.015]


def test_power_back_before_it_moved():
    rig = Rig().feed(0.0, 12.0).feed(1.0, 0.0).feed(1.014, 12.0)
    assert rig.run(2.0) == [(0.025, True, True)]


def test_bounce():
    moves = Rig(air_plus_bounce=0.008).feed(0.0, 12.0).run(1.0)
    assert [(t, closed) for t, closed, _ in moves] == [(0.025, True), (0.027, False), (0.033, True)]


def test_late_auxiliary_contact():
    moves = Rig(air_plus_aux_delay=0.1).feed(0.0, 12.0).feed(1.0, 0.0).run(2.0)
    assert moves == [(0.025, True, False), (0.125, True, True), (1.015, False, True), (1.115, False, False)]


def test_stuck_auxiliary_contact():
    assert Rig(air_plus_aux_open=1).feed(0.0, 12.0).run(1.0) == [(0.025, True, False)]
    assert Rig(air_plus_aux_closed=1).feed(0.0, 12.0).run(1.0) == [(0.0, False, True), (0.025, True, True)]


def test_weld_moves_the_auxiliary_contact_too():
    rig = Rig()
    rig.settings.overlay("weld", {"air_plus_welded": 1})
    rig.contactor.configure(0.0, rig.settings)
    assert rig.feed(1.0, 12.0).feed(2.0, 0.0).run(3.0) == [(0.0, True, True)]
    rig.settings.lift("weld")
    rig.contactor.configure(3.0, rig.settings)
    assert rig.moves[-1] == (3.0, False, False)


def test_dead_contactor_and_broken_wire():
    assert Rig(air_plus_dead=1).feed(0.0, 12.0).run(1.0) == []
    assert Rig(air_plus_wire_broken=1).feed(0.0, 12.0).run(1.0) == []
