"""`modbus` before a simulated relay board (needs 12, 20 and 22 to 26 of the bench)."""

import random
import threading
import time

import pytest
from devices.conformance import CHECKS, Plug, a_second_opener_is_refused
from devices.rig import Running, eventually
from devices.wire_rig import RELAYS, Holding, SimulatedRelays, driver_on, noted, sample, scanned

from bench.devices.base import DeviceLost
from bench.devices.modbus import Place, _runs, what_came
from bench.errors import InputError
from bench.events import Aligned, Batch, Driven
from simulators.wire_end import half, rubbish

DRIVES = {"interlock": "closed", "lamp": "lit", "trim": -4.2}


@pytest.fixture(params=["rtu", "tcp"])
def relays(request):
    with SimulatedRelays(tcp=request.param == "tcp") as relays:
        yield relays


@pytest.fixture
def on_a_line():
    with SimulatedRelays() as relays:
        yield relays


@pytest.mark.parametrize("check", CHECKS, ids=lambda check: check.__name__)
def test_conformance(check, relays):
    if check is a_second_opener_is_refused and relays.port.startswith("socket"):
        return  # a socket is the device's to refuse
    check(Plug(
        make=lambda: driver_on(RELAYS, relays.port), port=relays.port, unplug=relays.unplug,
        silence=lambda: setattr(relays, "hung", True), drives=DRIVES, seen=relays.written.get,
    ))  # fmt: skip


def test_inputs_are_read_together(relays):
    with Running(driver_on(RELAYS, relays.port)) as running:
        assert running.identity == f"Modbus unit 3 on {relays.port}, holding 100 = 4711"
        first = running.until(scanned("relays"))
        assert dict(first.samples) == {"aux": "closed", "bath": -12.3}
        assert any(isinstance(event, Aligned) and event.bound_s > 0 for event in running.events)
        relays.values["aux"] = "open"
        assert running.until(sample("aux", "open")).samples == (("aux", "open"),)


def test_outputs_arrive_as_they_are_wired(relays):
    with Running(driver_on(RELAYS, relays.port)) as running:
        running.threads.drive(DRIVES)
        running.until(lambda event: isinstance(event, Driven) and event.channel == "trim")
        assert relays.holds["coil 3"] == 1
        assert relays.holds["coil 4"] == 0  # 'lit' is the first state
        assert relays.holds["holding 7"] == 65536 - 42


def test_opening_moves_nothing(relays):
    with Running(driver_on(RELAYS, relays.port)) as running:
        running.until(scanned("relays"))
        assert relays.written == {}


def test_another_device_is_refused(relays):
    relays.holds["holding 100"] = 17
    with pytest.raises(DeviceLost, match="another device: holding 100 is 17, not 4711") as caught:
        driver_on(RELAYS, relays.port).connect()
    assert relays.port in str(caught.value)


def test_a_channel_at_no_address_is_found_at_once(relays):
    with pytest.raises(DeviceLost, match="exception 2 \\(illegal address\\)"):
        driver_on(RELAYS.replace("register 5", "register 6"), relays.port).connect()


def test_nobody_there():
    with SimulatedRelays(tcp=True) as relays:
        pass
    with pytest.raises(DeviceLost, match="cannot be opened") as caught:
        driver_on(RELAYS, relays.port).connect()
    assert relays.port in str(caught.value)


@pytest.mark.parametrize(("code", "word"), [(1, "illegal function"), (4, "device failure"), (11, "of its own")])
def test_an_exception_answer_is_no_value(relays, code, word):
    with Running(driver_on(RELAYS, relays.port)) as running:
        running.until(scanned("relays"))
        relays.exception = code
        running.until(noted("input 2 has no value", f"exception {code}", word))
        running.until(noted("register 5 has no value"))
        seen = len(running.events)
        running.until(noted("input 2 has no value"))
        assert not any(isinstance(event, Batch) for event in running.events[seen:])
        relays.exception = 0
        running.until(scanned("relays"))


def test_a_reading_outside_the_channels_range_is_no_value(relays):
    ranged = RELAYS.replace("at: register 5", "range: [-40 degC, 100 degC], at: register 5")
    with Running(driver_on(ranged, relays.port)) as running:
        running.until(scanned("relays"))
        relays.values["bath"] = 3276.7  # the most that a signed register holds
        running.until(noted("bath has no value", "3276.7 degC is outside its range"))


def test_the_rest_of_a_group_is_told_where_one_has_no_value(relays):
    with Running(driver_on(RELAYS, relays.port)) as running:
        running.until(scanned("relays"))
        relays.values["bath"] = None
        running.until(noted("register 5 has no value", "device failure"))
        batch = running.until(lambda event: isinstance(event, Batch))
        assert batch.samples == (("aux", "closed"),)
        assert batch.scanned == ()


def test_another_units_answer_is_told(relays):
    with Running(driver_on(RELAYS, relays.port)) as running:
        running.until(scanned("relays"))
        relays.answers_as = 9
        running.until(noted("an answer from unit 9", "try 1 of 1"))
        relays.answers_as = None
        running.until(scanned("relays"))


def test_a_wrong_checksum_is_told(on_a_line):
    with Running(driver_on(RELAYS, on_a_line.port)) as running:
        running.until(scanned("relays"))
        on_a_line.mangle = lambda answer: answer[:-1] + bytes([answer[-1] ^ 1])
        running.until(noted("wrong checksum"))
        on_a_line.mangle = None
        running.until(scanned("relays"))


def test_half_an_answer_is_told(relays):
    with Running(driver_on(RELAYS, relays.port)) as running:
        running.until(scanned("relays"))
        relays.mangle = half
        running.until(noted("part of an answer"))
        relays.mangle = None
        running.until(scanned("relays"))


def test_rubbish_is_never_a_value(on_a_line):
    numbers = random.Random(5)

    def corrupt(answer: bytes) -> bytes:
        at = numbers.randrange(len(answer))
        return answer[:at] + numbers.randbytes(numbers.randrange(1, 6)) + answer[at + 1 :]

    with Running(driver_on(RELAYS, on_a_line.port)) as running:
        running.until(scanned("relays"))
        for trouble in [rubbish] + [corrupt] * 6:
            seen = len(running.events)
            on_a_line.mangle = trouble
            running.until(noted("try 1 of 1"))
            assert not any(event.samples for event in running.events[seen:] if isinstance(event, Batch))
            on_a_line.mangle = None
            running.until(scanned("relays"))


def test_a_late_answer_does_not_answer_the_next_question(relays):
    with Running(driver_on(RELAYS, relays.port)) as running:
        running.until(sample("bath", -12.3))
        closed_again = lambda: relays.values.update(aux="closed")  # noqa: E731
        relays.mangle = Holding(b"\x02\x01\x01", closed_again)  # input 2 is on, which is open
        relays.values["aux"] = "open"
        running.until(noted("no answer"))
        running.until(scanned("relays"))
        assert not any(sample("aux", "open")(event) for event in running.events)


@pytest.mark.parametrize("echoes", [True, False], ids=["echo", "refusal"])
@pytest.mark.parametrize("late_s", [0.3, 0.5, 0.6, 0.7, 0.8, 0.9, 1.1, 1.3, 1.5])
def test_an_answer_is_never_taken_for_that_to_the_same_question_asked_again(on_a_line, late_s, echoes):
    """However many time-outs late it is: it says `open`, and from before the next question on the truth is `closed`."""
    on_a_line.echoes = echoes
    bench = RELAYS.replace("QUICK", "timeout: 200 ms, silence: 4 s")
    with Running(driver_on(bench, on_a_line.port)) as running:
        running.until(sample("aux", "closed"))
        held = threading.Event()
        free_at = 0.0

        def mangle(answer):
            """The board is away for a while, and then answers one question after the other."""
            nonlocal free_at
            now = time.monotonic()
            if answer.startswith(b"\x03\x02\x01\x01") and not held.is_set():  # input 2 is on, which is open
                on_a_line.values["aux"], free_at = "closed", now + late_s
                held.set()
            on_a_line.late_s = max(free_at - now, 0.0)
            free_at += 0.03
            return answer

        on_a_line.mangle = mangle
        on_a_line.values["aux"] = "open"
        assert held.wait(10.0)
        on_a_line.values["bath"] = 30.0
        running.until(sample("bath", 30.0))  # answered after the late one: the stand-in keeps the order
        assert not any(sample("aux", "open")(event) for event in running.events)


def test_a_board_that_answers_no_diagnostics_is_lost_after_a_question_without_an_answer(on_a_line):
    with Running(driver_on(RELAYS, on_a_line.port)) as running:
        running.until(scanned("relays"))
        missed = []

        def mangle(answer):
            if answer[1] & 0x7F == 8 or not missed:
                missed.append(answer)
                return b""
            return answer

        on_a_line.mangle = mangle
        running.until(noted("no answer to a diagnostic question (function 8)"))
        assert "has not answered for 0.9 s" in running.lost()


def test_a_try_again_is_noted(relays):
    with Running(driver_on(RELAYS, relays.port, "retries: 1")) as running:
        running.until(scanned("relays"))
        relays.mangle = Holding()
        running.until(noted("try 1 of 2"))
        relays.values["bath"] = 30.0
        running.until(sample("bath", 30.0))


def test_a_relay_that_does_not_move_is_a_device_lost(relays):
    relays.stuck = {"coil 3"}
    with Running(driver_on(RELAYS, relays.port)) as running:
        running.threads.drive({"interlock": "closed"})
        assert "coil 3 reads 0 after 1 was set" in running.lost()


def test_a_board_that_restarts_is_found(relays):
    with Running(driver_on(RELAYS, relays.port)) as running:
        running.threads.drive({"interlock": "closed"})
        running.until(lambda event: isinstance(event, Driven))
        relays.restart()
        assert "coil 3 (interlock) reads 0, was left at 1" in running.lost()


def test_after_an_unplug_nothing_is_opened_again(relays):
    with Running(driver_on(RELAYS, relays.port)) as running:
        relays.unplug()
        first = running.lost()
        with pytest.raises(DeviceLost) as caught:
            running.device.drive({"interlock": "closed"})
        assert relays.port in first
        assert relays.port in str(caught.value)
        assert running.device._client.socket is None or not relays.written


def test_the_safe_state_is_tried_although_the_device_is_silent(relays):
    with Running(driver_on(RELAYS, relays.port)) as running:
        running.threads.drive({"interlock": "closed"})
        running.until(lambda event: isinstance(event, Driven))
        relays.hung = True
        running.lost()
        running.threads.drive({"interlock": "open"}, safe=True)
        eventually(lambda: relays.written["interlock"] == "open")


def test_what_came_is_said_as_a_person_would():
    assert what_came(b"", 1, False) == "no answer"
    assert what_came(bytes.fromhex("0c0103000000"), 3, True).startswith("only a part")
    assert what_came(bytes.fromhex("000100000003 09 8302"), 3, True) == "an answer from unit 9"
    assert what_came(bytes.fromhex("02074112"), 3, False) == "an answer from unit 2"
    assert what_came(bytes.fromhex("02074112"), 2, False).startswith("an answer to another question")
    assert "wrong checksum" in what_came(bytes.fromhex("02074113"), 2, False)


def test_neighbours_are_read_together():
    places = [Place("input", 2), Place("coil", 1), Place("coil", 0), Place("input", 4), Place("register", 3, True)]
    assert _runs(places) == [
        (Place("coil", 0), 2), (Place("input", 2), 1), (Place("input", 4), 1), (Place("register", 3), 1),
    ]  # fmt: skip
    assert [count for _, count in _runs(Place("register", at) for at in range(130))] == [125, 5]


@pytest.mark.parametrize(
    ("change", "wrong"),
    [
        (("at: coil 3", "at: relay 3"), "'relay 3' is no place on a Modbus device"),
        (("at: coil 3", "at: coil 70000"), "'coil 70000' is no place"),
        (("at: coil 3", "at: input 3"), "interlock is driven, and 'input 3' can only be read"),
        (("at: coil 3", "at: coil 3 signed"), "one bit has no sign"),
        (
            ("unit: degC, safe: 0 degC, at: holding 7 signed", "unit: degC, safe: -1 degC, at: holding 7"),
            "outside 0 to",
        ),
        (("unit: degC, at: register 5 signed", "unit: degC, at: input 5"), "needs two states"),
        (("unit: 3", "unit: 0"), "unit:"),
        (("port: 'PORT'", "port: socket://nowhere"), "names no port"),
    ],
)
def test_mistakes_in_the_bench_file(change, wrong):
    with pytest.raises(InputError) as caught:
        driver_on(RELAYS.replace(*change), "none").connect()
    assert wrong in str(caught.value)
