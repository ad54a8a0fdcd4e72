"""`scpi` before a simulated meter and supply (needs 11, 12, 20 to 24 and 26 of the bench)."""

import pytest
from devices.conformance import CHECKS, Plug, a_second_opener_is_refused
from devices.rig import Running, eventually
from devices.wire_rig import METER, SUPPLY, Holding, SimulatedMeter, driver_on, noted, sample, scanned

from bench.devices.base import DeviceLost
from bench.errors import InputError
from bench.events import Aligned, Batch, Driven, Noted
from simulators.wire_end import half, rubbish

DRIVES = {"supply": 12.5, "output": "on"}


@pytest.fixture(params=["serial", "tcp"])
def meter(request):
    with SimulatedMeter(tcp=request.param == "tcp") as meter:
        yield meter


@pytest.mark.parametrize("check", CHECKS, ids=lambda check: check.__name__)
def test_conformance(check, meter):
    if check is a_second_opener_is_refused and meter.port.startswith("socket"):
        return  # a socket is the instrument's to refuse
    seen = {"supply": "VOLT", "output": "OUTP"}
    check(Plug(
        make=lambda: driver_on(SUPPLY, meter.port), port=meter.port, unplug=meter.unplug,
        silence=lambda: setattr(meter, "hung", True), drives=DRIVES,
        seen=lambda name: meter.written[seen[name]] if name == "supply" else ("off", "on")[int(meter.written["OUTP"])],
    ))  # fmt: skip


def test_readings_are_stamped_between_question_and_answer(meter):
    with Running(driver_on(METER, meter.port)) as running:
        assert running.identity == "Tarn Instruments,DM-600,0001,1.04"
        first = running.until(sample("volts", 402.1))
        aligned = next(event for event in running.events if isinstance(event, Aligned))
        assert 0 < aligned.bound_s < running.device.late_s
        assert first.t < aligned.t
        meter.volts = 403.2
        assert running.until(sample("volts", 403.2)).t > first.t


def test_an_unchanged_value_is_only_scanned(meter):
    with Running(driver_on(METER, meter.port)) as running:
        running.until(sample("volts", 402.1))
        assert running.until(scanned("meter")).samples == ()


@pytest.mark.parametrize("field", ["manufacturer", "model", "serial", "firmware"])
def test_another_device_is_refused(meter, field):
    wanted = METER.replace("identity: {serial: '0001'}", f"identity: {{{field}: other}}")
    with pytest.raises(DeviceLost, match=f"another device: {field} is .* not 'other'") as caught:
        driver_on(wanted, meter.port).connect()
    assert meter.port in str(caught.value)


def test_what_does_not_answer_four_fields_is_refused(meter):
    meter.identity = "Tarn Instruments DM-600"
    with pytest.raises(DeviceLost, match="not four fields"):
        driver_on(METER, meter.port).connect()


def test_settings_are_set_and_read_back(meter):
    settings = "settings: [['VOLT:DC:RANG 600', 'VOLT:DC:RANG?', '600'], ['VOLT:DC:NPLC 0.2', 'VOLT:DC:NPLC?', '2E-1']]"
    with Running(driver_on(METER, meter.port, settings)):
        assert (meter.set["VOLT:DC:RANG"], meter.set["VOLT:DC:NPLC"]) == (600, 0.2)


def test_a_setting_that_does_not_hold_is_told(meter):
    meter.stuck = True
    with pytest.raises(DeviceLost, match="it answers '1000' to 'VOLT:DC:RANG\\?', not '600'"):
        driver_on(METER, meter.port, "settings: [['VOLT:DC:RANG 600', 'VOLT:DC:RANG?', '600']]").connect()


def test_a_setting_that_is_refused_is_told(meter):
    with pytest.raises(DeviceLost, match="refuses 'VOLT:DC:NPLC 100': -222"):
        driver_on(METER, meter.port, "settings: [['VOLT:DC:NPLC 100']]").connect()


def test_errors_from_before_are_noted_and_cleared(meter):
    meter.errors.append('-113,"Undefined header"')
    with Running(driver_on(METER, meter.port)) as running:
        running.until(noted("from before", "-113"))
        assert not meter.errors


@pytest.mark.parametrize(
    ("answer", "why"),
    [("9.9E37", "overload"), ("-9.90000000E+37", "overload"), ("+9.91000000E+37", "not a number"),
     ("INF", "overload"), ("NAN", "not a number"), ("OVLD", "no number"), ("", "no number"), ("4,5", "no number")],
)  # fmt: skip
def test_trouble_is_no_value(meter, answer, why):
    with Running(driver_on(METER, meter.port)) as running:
        running.until(sample("volts", 402.1))
        meter.reading = answer
        running.until(noted("volts has no value", why))
        running.until(noted("volts has no value", why))
        seen = len(running.events)
        meter.volts, meter.reading = 380.0, None
        running.until(sample("volts", 380.0))
        batches = [event for event in running.events[seen:] if isinstance(event, Batch)]
        assert len(batches) == 1, "while there is no value nothing counts as scanned"


def test_too_much_for_the_range_is_overload(meter):
    with Running(driver_on(METER, meter.port, "settings: [['VOLT:DC:RANG 100', 'VOLT:DC:RANG?', '100']]")) as running:
        running.until(noted("volts has no value", "overload"))


def test_a_reading_outside_the_channels_range_is_no_value(meter):
    with Running(driver_on(METER.replace("unit: V", "unit: V, range: [0 V, 450 V]"), meter.port)) as running:
        running.until(sample("volts", 402.1))
        meter.volts = 451.0
        running.until(noted("volts has no value", "451 V is outside its range"))


def test_what_comes_unasked_is_dropped(meter):
    text = METER.replace("10 ms", "100 ms")
    with Running(driver_on(text, meter.port)) as running:
        running.until(sample("volts", 402.1))
        meter.say(b"+9.99E+01\n")
        running.until(noted("came unasked", "+9.99E+01"))
        meter.volts = 1.5
        running.until(sample("volts", 1.5))
        assert not any(sample("volts", 99.9)(event) for event in running.events)


def test_a_late_answer_does_not_answer_the_next_question(meter):
    with Running(driver_on(METER, meter.port)) as running:
        running.until(sample("volts", 402.1))
        meter.mangle = Holding(b"+7.77", then=lambda: setattr(meter, "volts", 300.0))
        meter.volts = 77.7
        running.until(noted("no answer within"))
        running.until(noted("late answer dropped", "+7.77"))
        running.until(sample("volts", 300.0))
        assert not any(sample("volts", 77.7)(event) for event in running.events)


def test_slow_is_told_from_gone(meter):
    """An answer that is late once is noted, and the device lives on."""
    with Running(driver_on(METER, meter.port)) as running:
        meter.mangle = Holding()
        running.until(noted("no answer within"))
        running.until(scanned("meter"))
        meter.unplug()
        assert "gone" in running.lost()


def test_half_an_answer_is_told_as_such(meter):
    with Running(driver_on(METER, meter.port)) as running:
        running.until(sample("volts", 402.1))
        meter.mangle = half
        running.until(noted("only half a line", "+4.021"))
        meter.mangle, meter.volts = None, 11.0
        running.until(sample("volts", 11.0))


def test_rubbish_is_no_value(meter):
    with Running(driver_on(METER, meter.port)) as running:
        running.until(sample("volts", 402.1))
        seen = len(running.events)
        meter.mangle = rubbish
        running.until(noted("volts has no value"))
        assert not any(event.samples for event in running.events[seen:] if isinstance(event, Batch))


@pytest.mark.parametrize(("value", "cause"), [(75.0, "-222"), (float("nan"), "-222|-104|reads")])
def test_an_output_that_is_refused_is_a_device_lost(meter, value, cause):
    device = driver_on(SUPPLY, meter.port)
    device.connect()
    try:
        with pytest.raises(DeviceLost, match=cause):
            device.drive({"supply": value})
    finally:
        device.close()


def test_an_output_that_does_not_follow_is_a_device_lost(meter):
    meter.stuck = True
    with Running(driver_on(SUPPLY, meter.port)) as running:
        running.threads.drive({"supply": 12.0})
        assert "VOLT? reads 0 after 12 was set" in running.lost()


def test_a_try_again_is_noted(meter):
    with Running(driver_on(METER, meter.port, "retries: 1")) as running:
        running.until(sample("volts", 402.1))
        meter.mangle = Holding()
        running.until(noted("try 1 of 2"))
        meter.volts = 5.0
        running.until(sample("volts", 5.0))


def test_a_drive_goes_through_while_a_reading_takes_its_time(meter):
    meter.late_s = 0.05
    with Running(driver_on(SUPPLY, meter.port)) as running:
        running.until(sample("volts", 402.1))
        running.threads.drive({"supply": 3.0})
        assert running.until(lambda event: isinstance(event, Driven)).value == 3.0
        assert not any(isinstance(event, Noted) for event in running.events)


def test_the_safe_state_is_tried_although_the_device_is_silent(meter):
    with Running(driver_on(SUPPLY, meter.port)) as running:
        running.threads.drive({"supply": 3.0})
        running.until(lambda event: isinstance(event, Driven))
        meter.hung = True
        running.lost()
        running.threads.drive({"supply": 0.0}, safe=True)
        eventually(lambda: meter.written["VOLT"] == 0.0)


def test_without_a_channel_to_read_silence_is_found_all_the_same(meter):
    text = SUPPLY.replace("  volts: {direction: read, unit: V, at: 'MEAS:VOLT:DC?', every: 10 ms}\n", "")
    with Running(driver_on(text, meter.port)) as running:
        meter.hung = True
        assert "has not answered for 0.9 s" in running.lost()


def test_another_device_in_its_place_is_found(meter):
    text = SUPPLY.replace("  volts: {direction: read, unit: V, at: 'MEAS:VOLT:DC?', every: 10 ms}\n", "")
    with Running(driver_on(text, meter.port)) as running:
        meter.identity = meter.identity.replace("0001", "0002")
        assert "another device now" in running.lost()


def test_a_supply_that_is_switched_off_by_hand_is_found(meter):
    with Running(driver_on(SUPPLY, meter.port)) as running:
        running.threads.drive({"supply": 12.5, "output": "on"})
        while "output" not in [event.channel for event in running.events if isinstance(event, Driven)]:
            running.until(lambda event: isinstance(event, Driven))
        meter.set["OUTP"] = 0.0
        assert "OUTP? reads off, output was left at on: it was switched off" in running.lost()


def visa(meter):
    host, _, port = meter.port.removeprefix("socket://").rpartition(":")
    return f"TCPIP::{host}::{port}::SOCKET"


@pytest.mark.filterwarnings("ignore::ResourceWarning", "ignore::DeprecationWarning")
def test_through_visa():
    text = SUPPLY.replace("port:", "resource:")
    with SimulatedMeter(tcp=True) as meter, Running(driver_on(text, visa(meter))) as running:
        assert running.identity.endswith("0001,1.04")
        running.until(sample("volts", 402.1))
        running.threads.drive({"supply": 7.5})
        running.until(lambda event: isinstance(event, Driven))
        assert meter.written["VOLT"] == 7.5
        meter.unplug()
        assert visa(meter) in running.lost()


@pytest.mark.parametrize(
    ("change", "wrong"),
    [
        (("serial: '0001'", "serail: '0001'"), "'identity.serail' is not known here"),
        (("serial: '0001'", "serial: ''"), "names no field"),
        (("timeout: 200 ms", "timeout: 200"), "timeout: '200' is no length of time; write for example '300 ms'"),
        (("timeout: 200 ms", "timeot: 200 ms"), "'timeot' is not known here; did you mean 'timeout'"),
        (("port: 'none'", "baud: 9600"), "one of 'port' and 'serial_number' is due"),
        (("port: 'none'", "port: x, retries: -1"), "retries: '-1' is no whole number"),
        (("port: 'none'", "port: x, framing: 9N1"), "framing: '9N1' is not known here"),
        (("port: 'none'", "port: x, settings: [[a, b]]"), "is not [set, query, expected]"),
        (("at: 'MEAS:VOLT:DC?'", "at: 'VOLT'"), "volts has no query in 'at'"),
        (("at: 'VOLT {value};:VOLT?'", "at: 'VOLT?'"), "supply has no command in 'at'"),
    ],
)
def test_mistakes_in_the_bench_file(change, wrong):
    text = SUPPLY.replace("PORT", "none").replace("QUICK", "timeout: 200 ms").replace(*change)
    with pytest.raises(InputError) as caught:
        driver_on(text, "")
    assert wrong in str(caught.value)
    assert str(caught.value).startswith("bench.yaml:1:1: error: device meter: ")
