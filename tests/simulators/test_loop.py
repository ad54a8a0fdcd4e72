"""Shutdown loop and latches, power-up, brown-out."""

import pytest


def test_loop_opens_with_every_element(running):
    for element in ("shutdown_loop", "interlock"):
        s = running()
        t = s.now
        s.drive(**{element: "open"}).run(0.1)
        assert s.when("loop", "open", after=t) == t
        assert s.when("air_plus", "open", after=t) - t == pytest.approx(0.015)
        assert s.when("discharge", "closed", after=t) - t == pytest.approx(0.008)


def test_line_fault_opens_the_loop_at_once_whatever_the_controller_does(running):
    s = running()
    t = s.now
    s.drive(bms_line="fault")
    assert s.when("loop", "open", after=t) == t
    s.drive(bms_line="ok").run(1.0)
    assert s["loop"] == "open", "latched by a pulse of no length"
    assert s.press("reset")["loop"] == "closed"


def test_start_up_low_does_not_latch(stand):
    s = stand(power="off", parameters={"imd_startup": 5.0}).drive(shutdown_loop="closed", supply_voltage=12.5).run(6.5)
    assert s.when("loop", "closed") == 5.0 and s["controller_fault"] == ""
    assert s.press("start").run(2.0)["controller_state"] == "run"


@pytest.mark.parametrize("line", ["bms_line", "imd_line"])
def test_line_not_up_within_six_seconds_latches(stand, line):
    s = stand(power="off").drive(**{line: "fault"}, shutdown_loop="closed", supply_voltage=12.5).run(5.9)
    assert s["loop"] == "open" and s["controller_fault"] == ""
    s.run(0.2).drive(**{line: "ok"}).run(1.0)
    assert s["loop"] == "open" and s["controller_fault"]
    assert s.press("reset").run(0.1)["loop"] == "closed" and s["controller_fault"] == ""


@pytest.mark.parametrize("line", ["bms_line", "imd_line"])
def test_latch_survives_loss_of_supply(running, line):
    s = running().drive(**{line: "fault"}).run(0.5).drive(**{line: "ok"}).run(0.5)
    s.drive(supply_voltage=0.0).run(5.0).drive(supply_voltage=12.5).run(8.0)
    assert s["loop"] == "open"
    assert s.press("reset").run(0.1)["loop"] == "closed"


def test_reset_needs_the_line_ok(running):
    s = running().drive(imd_line="fault").run(0.2).drive(reset_request="pressed").run(0.2).drive(imd_line="ok").run(1.0)
    assert s["loop"] == "open", "a reset held down is no press"


def test_brown_out_makes_a_new_controller(bench):
    from simulators.controller import ReferenceController
    from simulators.world import World

    made, first_steps = [], []

    class Watched(ReferenceController):
        def __init__(self):
            super().__init__()
            made.append(self)

        def step(self, t, inputs):
            if len(first_steps) < len(made):
                first_steps.append(t)
            return super().step(t, inputs)

    world = World(bench, controller=Watched)
    for t, volts in ((0.5, 4.9), (0.512345, 12.5), (1.0, 5.0), (2.0, 0.0), (3.0, 12.5), (4.0, 12.5)):
        while world.next_s() < (t, 1):
            world.advance((t, 1))
        world.drive(t, "supply_voltage", volts)
    while world.next_s() < (4.0, 3):
        world.advance((4.0, 3))
    assert len(made) == 3 and first_steps == [0.0, 0.0, 0.0]


@pytest.mark.parametrize("dip_ms", [1, 5, 20, 50, 500])
@pytest.mark.parametrize("volts", [0.0, 4.5])
def test_brown_out_in_run_opens_everything_and_stays_off(running, dip_ms, volts):
    s = running().drive(supply_voltage=volts)
    assert s["loop"] == "open" and s["air_plus_coil"] == "off"
    s.run(dip_ms / 1000).drive(supply_voltage=12.5).run(10.0)
    assert s.all_open and s["discharge"] == "closed" and s["controller_state"] == "idle"


def test_unpowered_box_is_silent_and_still_discharges(running):
    s = running().drive(supply_voltage=0.0)
    t = s.now
    s.run(5.0)
    assert not [x for x, _ in s.frames if x > t]
    assert s["ts_voltage"] < 60 and s["indicator"] == "off"
    lit_until = s.when("indicator", "off", after=t)
    assert lit_until - t == pytest.approx(2.347 + 0.015, abs=0.02)


@pytest.mark.parametrize("dropout", [0.001, 0.002, 0.005, 0.01, 0.02, 0.05, 0.1, 0.2])
@pytest.mark.parametrize("phase", [0.0, 0.003, 0.009])
def test_loop_dropouts_are_all_or_nothing(running, dropout, phase):
    s = running().run(phase)
    t = s.now
    s.drive(shutdown_loop="open").run(dropout).drive(shutdown_loop="closed").run(5.0)
    moved = [c for x, c, _ in s.seen if x > t and c in ("air_plus", "air_minus")]
    if moved:
        assert sorted(moved) == ["air_minus", "air_plus"] and s.all_open
    else:
        assert s["controller_state"] == "run"
