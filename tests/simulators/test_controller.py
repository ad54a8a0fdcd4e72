"""The healthy controller, line by line of the design page, on the simulated box."""

import dataclasses

import pytest

from simulators.controller import Inputs, Outputs, ReferenceController


def test_seam_is_as_designed():
    assert [f.name for f in dataclasses.fields(Inputs)] == [
        "loop_closed", "start_request", "stop_request", "reset_request", "charger_connected", "charger_interlock",
        "pack_voltage", "ts_voltage", "current", "air_plus_aux", "air_minus_aux", "precharge_aux", "bms_ok", "imd_ok",
        "bms_age_s", "max_cell_voltage", "min_cell_voltage", "max_cell_temperature", "min_cell_temperature",
        "supply_voltage", "fans_ok",
    ]  # fmt: skip
    assert [f.name for f in dataclasses.fields(Outputs)] == [
        "air_plus", "air_minus", "precharge", "discharge_open", "fans", "dcdc_enable", "charge_enable", "state",
        "fault",
    ]  # fmt: skip
    safe = Outputs()
    assert not (safe.air_plus or safe.air_minus or safe.precharge or safe.discharge_open or safe.fault)
    assert dataclasses.replace(safe, state="run").state == "run"
    with pytest.raises(dataclasses.FrozenInstanceError):
        safe.air_plus = True
    assert ReferenceController().period_s == 0.01


def test_order_of_energising(stand):
    s = stand().start().run(2.0)
    steps = [s.when("discharge", "open"), s.when("air_minus", "closed"), s.when("precharge", "closed"),
             s.when("air_plus", "closed"), s.when("precharge", "open", after=0.5)]  # fmt: skip
    assert None not in steps and steps == sorted(steps)
    assert 0.6 <= steps[3] - steps[2] <= 0.99
    assert 0.02 <= steps[4] - steps[3] <= 0.5
    assert s["controller_state"] == "run" and s["controller_fault"] == ""
    command = s.when("air_plus_coil", "on")
    assert s.when("dcdc", "on") >= steps[3] and s.when("controller_state", "run") - command <= 0.02


@pytest.mark.parametrize("emf", [268.9, 300.0, 345.6, 403.2])
def test_second_contactor_waits_for_95_percent(stand, emf):
    s = stand(parameters={"pack_emf": emf}).start().run(2.0)
    command, contact = s.when("air_plus_coil", "on"), s.when("air_plus", "closed")
    for instant in (command, contact):
        before = [v for t, c, v in s.seen if c == "ts_voltage" and t <= instant][-1]
        assert before >= 0.95 * emf
    assert s.world.box.circuit.pack_voltage(s.now) == pytest.approx(emf, abs=0.1)


def test_start_is_an_edge(stand):
    s = stand().drive(start_request="pressed").run(1.0).drive(shutdown_loop="closed").run(5.0)
    assert s.when("air_minus_coil", "on") is None
    assert s.drive(start_request="released").run(0.1).press("start").run(2.0)["controller_state"] == "run"


def test_start_held_from_before_power_up(stand):
    s = stand(power="off").drive(start_request="pressed", shutdown_loop="closed", supply_voltage=12.5).run(10.0)
    assert s["loop"] == "closed" and s.when("air_minus_coil", "on") is None


def test_opened_loop_needs_new_start_but_no_reset(running):
    s = running().drive(shutdown_loop="open").run(0.1)
    assert s.all_open and s["controller_state"] == "idle" and s["controller_fault"] == ""
    assert s.drive(shutdown_loop="closed").run(6.0).all_open
    assert s.press("start").run(2.0)["controller_state"] == "run"


def test_start_while_not_discharged_is_refused_and_forgotten(running):
    s = running().drive(shutdown_loop="open").run(0.5).drive(shutdown_loop="closed").press("start").run(8.0)
    assert s["ts_voltage"] < 60 and s.all_open and s["controller_fault"] == ""


@pytest.mark.parametrize(("amps", "least", "most"), [(0.0, 0.0, 0.05), (4.0, 0.0, 0.05), (50.0, 1.8, 2.03)])
def test_stop_waits_for_low_current(running, amps, least, most):
    s = running(parameters={"drive_current": amps})
    t = s.now
    s.press("stop").run(3.0)
    opened = s.when("air_plus", "open", after=t) - t
    assert least <= opened <= most
    assert s.all_open and s["discharge"] == "closed" and s["controller_state"] == "idle" and not s["controller_fault"]


def test_stop_in_precharge_opens_at_once(stand):
    s = stand().start().run(0.5)
    assert s["precharge"] == "closed"
    assert s.press("stop").all_open


@pytest.mark.parametrize("line", ["bms_line", "imd_line"])
@pytest.mark.parametrize("wait", [0.05, 0.5, 1.1, 3.0])
def test_line_faults(stand, line, wait):
    s = stand().start().run(wait)
    assert s["discharge_coil"] == "on"
    s.drive(**{line: "fault"}).run(0.25)
    assert s.all_open and s["loop"] == "open" and s["controller_state"] == "fault" and s["controller_fault"]
    s.press("reset").run(0.5)
    assert s["controller_state"] == "fault" and s["loop"] == "open"
    s.drive(**{line: "ok"}).run(6.0).press("start").run(2.0)
    assert s.all_open and s["loop"] == "open"
    s.press("reset").run(0.1)
    assert s["controller_state"] == "idle" and s["loop"] == "closed" and s["controller_fault"] == ""
    assert s.run(5.0).all_open
    assert s.press("start").run(2.0)["controller_state"] == "run"


def test_reset_held_through_a_fault_does_not_clear_it(running):
    s = running().drive(reset_request="pressed").run(0.5).drive(bms_line="fault").run(0.2).drive(bms_line="ok").run(1.0)
    assert s["controller_state"] == "fault" and s["loop"] == "open"


@pytest.mark.parametrize("offset", [0.0, 0.013, 0.05, 0.099])
def test_message_silence_trips_between_320_and_500_ms(running, offset):
    s = running().run(offset)
    t = s.now
    s.drive(bms_messages="off").run(1.0)
    last = max(x for x, f in s.frames if f.id == 384)
    trip = s.when("air_minus_coil", "off", after=t)
    assert 0.32 <= trip - last <= 0.5 and 0.32 <= trip - t <= 0.5
    assert s["loop"] == "closed" and s["controller_fault"]
    assert s.press("reset")["controller_state"] == "fault"
    assert s.drive(bms_messages="on").run(0.3).press("reset").run(0.1)["controller_state"] == "idle"


def test_two_lost_messages_are_ridden_through(running):
    s = running().run(0.05).drive(bms_messages="off").run(0.2).drive(bms_messages="on").run(1.0)
    assert s["controller_state"] == "run"


def test_never_received_is_not_fresh_and_late_is_normal(stand):
    s = stand(power="off").drive(bms_messages="off", supply_voltage=12.5, shutdown_loop="closed").run(5.0)
    s.press("start").run(1.0)
    assert s.when("air_minus_coil", "on") is None and s["controller_fault"] == ""
    assert s.drive(bms_messages="on").run(0.5).press("start").run(2.0)["controller_state"] == "run"


VOLTAGES, DEGREES = ("bms_max_cell_voltage", "bms_min_cell_voltage"), (
    "bms_max_cell_temperature", "bms_min_cell_temperature")  # fmt: skip


@pytest.mark.parametrize(("channel", "value"), [
    *((c, v) for c in VOLTAGES for v in (4.25, 4.3, 2.70, 0.0)),
    *((c, v) for c in DEGREES for v in (60.5, 80.0, 121.0, 150.0, -31.0, -40.0)),
])  # fmt: skip
def test_cell_limits_trip(running, channel, value):
    s = running()
    t = s.now
    s.drive(**{channel: value}).run(2.0)
    assert s.when("air_plus", "open", after=t) - t <= (0.5 if channel in VOLTAGES else 1.0)
    assert s["controller_state"] == "fault" and s["loop"] == "closed"
    assert s.press("reset")["controller_state"] == "fault"
    assert s.restore(channel).run(0.5).press("reset").run(0.1)["controller_state"] == "idle"


@pytest.mark.parametrize(("channel", "value"), [
    *((c, v) for c in VOLTAGES for v in (2.80, 4.20)), *((c, v) for c in DEGREES for v in (-20.0, 59.0)),
])  # fmt: skip
def test_cell_limits_do_not_trip(running, channel, value):
    assert running().drive(**{channel: value}).run(5.0)["controller_state"] == "run"


def test_short_over_voltage_is_ridden_through(running):
    s = running().drive(bms_max_cell_voltage=4.3).run(0.15).restore("bms_max_cell_voltage").run(2.0)
    assert s["controller_state"] == "run"


@pytest.mark.parametrize(("volts", "trips"), [(7.4, True), (6.0, True), (9.0, False)])
def test_low_supply(running, volts, trips):
    s = running()
    t = s.now
    s.drive(supply_voltage=volts).run(2.0)
    if trips:
        assert 0.0 < s.when("air_plus", "open", after=t) - t <= 0.25
        assert s["controller_fault"] and s.drive(supply_voltage=12.5).press("reset").run(0.1)["controller_fault"] == ""
    else:
        assert s["controller_state"] == "run"


def test_starts_at_nine_volts(stand):
    s = stand().drive(supply_voltage=9.0).start().run(2.0)
    assert s["controller_state"] == "run" and s["air_plus"] == "closed"


def test_discharge_relay_is_open_only_while_energised(stand):
    s = stand().start().run(2.0).press("stop").run(4.0).drive(shutdown_loop="open").run(1.0)
    commands = dict.fromkeys(("air_plus_coil", "air_minus_coil", "precharge_coil"), "off")
    since = None
    for t, channel, value in s.seen:
        commands[channel] = value
        idle = all(commands[c] == "off" for c in ("air_plus_coil", "air_minus_coil", "precharge_coil"))
        since = (t if since is None else since) if idle else None
        if channel == "discharge" and value == "closed" and t > 0.0:
            assert since is not None and t - since <= 0.1
    assert s["discharge"] == "closed"


def test_charging(stand):
    s = stand(parameters={"pack_emf": 380.0}).drive(charger="present").start().run(3.0)
    assert s.when("air_minus_coil", "on") is None, "charger interlock is open"
    s.drive(charger_interlock="closed").press("start").run(3.0)
    assert s["controller_state"] == "charge" and s["charging"] == "on" and s["current"] < 0
    assert s.when("charging", "on") >= s.when("air_plus", "closed")
    assert s.press("start").run(1.0)["controller_state"] == "charge"
    s.drive(bms_max_cell_voltage=4.2).run(0.5)
    assert s.all_open and s["charging"] == "off" and s["controller_fault"] == ""


def test_charging_refused_when_full_and_ended_when_unplugged(stand):
    assert stand().drive(charger="present", charger_interlock="closed").start().run(3.0).all_open
    s = stand(parameters={"pack_emf": 380.0}).drive(charger="present", charger_interlock="closed").start().run(3.0)
    s.drive(charger_interlock="open").run(0.1)
    assert s.all_open and s["charging"] == "off" and s["controller_state"] == "fault"
    assert s.press("reset").run(0.1)["controller_state"] == "idle"


def test_no_charging_when_plugged_in_while_in_run(running):
    s = running(parameters={"pack_emf": 380.0}).drive(charger="present", charger_interlock="closed").run(2.0)
    assert s["charging"] == "off" and s["controller_state"] == "run"


def test_fans(stand):
    duty = {}
    for degrees in (-10.0, 30.0, 40.0, 50.0, 59.0):
        duty[degrees] = stand(parameters={"cell_temperature_max": degrees}).run(0.5)["fan_duty"]
    assert list(duty.values()) == sorted(duty.values()) and duty[-10.0] < duty[40.0] < duty[50.0] == 100.0
    assert stand().drive(bms_messages="off").run(1.0)["fan_duty"] == 100.0
    failed = stand().start().run(2.0).inject("fan-failed").run(2.0)
    assert "fan" in failed["controller_fault"] and failed["controller_state"] == "run"
    assert failed.restore("fan-failed").run(1.0)["controller_fault"] == ""


def test_two_faults_are_both_named(running):
    s = running().drive(bms_line="fault").run(0.03).drive(imd_line="fault").run(0.3)
    assert "BMS" in s["controller_fault"] and "IMD" in s["controller_fault"]


@pytest.mark.parametrize(("parameters", "expected"), [
    ({"precharge_resistance": float("inf")}, "slow"), ({"load_resistance": 2200.0}, "slow"),
    ({"load_resistance": 5000.0}, "slow"), ({"precharge_resistance": 0.0}, "fast"),
    ({"precharge_resistance": 150.0}, "fast"),
])  # fmt: skip
def test_precharge_window(stand, parameters, expected):
    s = stand(parameters=parameters).start().run(15.0)
    assert expected in s["controller_fault"] and s.all_open
    assert s.when("air_plus_coil", "on") is None
    closed, opened = s.when("precharge", "closed"), s.when("precharge", "open", after=0.1)
    assert opened - closed <= 3 * 0.789
    assert [v for _, c, v in s.seen if c == "precharge"].count("closed") == 1


def test_precharge_tolerance_is_accepted(stand):
    wide = {"ts_capacitance": 1.2 * 560e-6, "precharge_resistance": 1.05 * 470}
    narrow = {"ts_capacitance": 0.8 * 560e-6, "precharge_resistance": 0.95 * 470}
    for parameters in (wide, narrow):
        assert stand(parameters=parameters).start().run(3.0)["controller_state"] == "run"


@pytest.mark.parametrize("seed", range(5))
def test_noise_near_the_threshold_closes_once_and_not_early(stand, seed):
    s = stand(parameters={"ts_sense_noise": 8.0}, seed=seed).start().run(3.0)
    assert [v for _, c, v in s.seen if c == "air_plus"].count("closed") == 1
    contact = s.when("air_plus", "closed")
    assert [v for t, c, v in s.seen if c == "ts_voltage" and t <= contact][-1] >= 0.95 * 403.2
