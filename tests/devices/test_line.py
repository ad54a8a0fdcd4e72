"""`line` before a small device that speaks plain lines (needs 20 to 24 of the bench)."""

import pytest
from devices.conformance import CHECKS, Plug, a_second_opener_is_refused
from devices.rig import Running, eventually
from devices.wire_rig import LINES, Holding, TinyBox, driver_on, noted, sample, scanned

from bench.devices.base import DeviceLost
from bench.devices.line import pattern
from bench.errors import InputError
from bench.events import Batch, Driven
from simulators.wire_end import half, rubbish

DRIVES = {"relay": "closed", "level": 12.5}


@pytest.fixture(params=["serial", "tcp"])
def box(request):
    with TinyBox(tcp=request.param == "tcp") as box:
        yield box


def seen(box):
    return lambda name: float(box.holds["L"]) if name == "level" else ("open", "closed")[int(box.holds["R"])]


@pytest.mark.parametrize("check", CHECKS, ids=lambda check: check.__name__)
def test_conformance(check, box):
    if check is a_second_opener_is_refused and box.port.startswith("socket"):
        return  # a socket is the device's to refuse
    check(Plug(
        make=lambda: driver_on(LINES, box.port), port=box.port, unplug=box.unplug,
        silence=lambda: setattr(box, "hung", True), drives=DRIVES, seen=seen(box),
    ))  # fmt: skip


def test_values_are_taken_from_the_answer(box):
    with Running(driver_on(LINES, box.port)) as running:
        assert running.identity == "TINY 7"
        running.until(sample("heat", 21.5))
        box.heat = -4.25
        running.until(sample("heat", -4.25))


def test_another_device_is_refused(box):
    with pytest.raises(DeviceLost, match=r"another device: it answers 'TINY 7' to 'ID\?', not 'BIG {text}'") as caught:
        driver_on(LINES.replace("TINY {text}", "BIG {text}"), box.port).connect()
    assert box.port in str(caught.value)


def test_an_output_that_does_not_follow_is_a_device_lost(box):
    with Running(driver_on(LINES, box.port)) as running:
        box.deaf = True
        running.threads.drive({"relay": "closed"})
        assert "R? reads open after closed was set" in running.lost()


def test_an_output_that_falls_back_by_itself_is_found(box):
    with Running(driver_on(LINES, box.port)) as running:
        running.threads.drive({"relay": "closed"})
        running.until(lambda event: isinstance(event, Driven))
        box.holds["R"] = "0"
        assert "R? reads open, relay was left at closed" in running.lost()


def test_a_refused_output_is_a_device_lost(box):
    with Running(driver_on(LINES.replace('send: "L {value}", expect: "OK"', 'send: "L {value}", expect: "YES"'),
                           box.port)) as running:  # fmt: skip
        running.threads.drive({"level": 2.0})
        assert "'OK' came, not 'YES'" in running.lost()


def test_a_device_that_confirms_nothing_is_read_back(box):
    text = LINES.replace("closed: {send: R1, expect: OK}", "closed: {send: R1}")
    box.mangle = lambda answer: b"" if answer == b"OK\r\n" else answer
    with Running(driver_on(text, box.port)) as running:
        running.threads.drive({"relay": "closed"})
        running.until(lambda event: isinstance(event, Driven))
        assert box.holds["R"] == "1"


@pytest.mark.parametrize(
    "answer", [b"T=hot\r\n", b"T=21.5F\r\n", b"xT=21.5C\r\n", b"\r\n", b"T=1e5000C\r\n", b"\xff\r\n"]
)
def test_an_unexpected_answer_is_noted_and_no_value(box, answer):
    with Running(driver_on(LINES, box.port)) as running:
        running.until(sample("heat", 21.5))
        count = len(running.events)
        box.mangle = lambda right: answer if right.startswith(b"T=") else right
        running.until(noted("heat has no value", "came"))
        assert not any(event.samples for event in running.events[count:] if isinstance(event, Batch))


def test_a_reading_outside_the_channels_range_is_no_value(box):
    ranged = LINES.replace(
        "heat: {direction: read, unit: degC", "heat: {direction: read, unit: degC, range: [-40 degC, 85 degC]"
    )
    assert ranged != LINES
    with Running(driver_on(ranged, box.port)) as running:
        running.until(sample("heat", 21.5))
        box.heat = 85.5
        running.until(noted("heat has no value", "85.5 degC is outside its range"))


def test_half_a_line_is_kept_and_told(box):
    with Running(driver_on(LINES, box.port)) as running:
        running.until(sample("heat", 21.5))
        box.mangle = half
        running.until(noted("only half a line", "'T=2"))
        box.mangle, box.heat = None, 30.0
        running.until(sample("heat", 30.0))


def test_rubbish_without_an_end_is_told(box):
    with Running(driver_on(LINES, box.port)) as running:
        running.until(sample("heat", 21.5))
        box.mangle = lambda answer: rubbish(answer).replace(b"\n", b"")
        running.until(noted("only half a line"))


def test_a_late_answer_does_not_answer_the_next_question(box):
    with Running(driver_on(LINES, box.port)) as running:
        running.until(sample("heat", 21.5))
        box.mangle = Holding(b"T=99", then=lambda: setattr(box, "heat", 30.0))
        box.heat = 99.0
        running.until(noted("no answer within"))
        running.until(noted("late answer dropped", "T=99.0C"))
        running.until(sample("heat", 30.0))
        assert not any(sample("heat", 99.0)(event) for event in running.events)


def test_what_comes_unasked_is_dropped(box):
    with Running(driver_on(LINES.replace("every: 10 ms", "every: 100 ms"), box.port)) as running:
        running.until(scanned("box"))
        box.say(b"T=77C\r\n")
        running.until(noted("came unasked", "T=77C"))
        assert not any(sample("heat", 77.0)(event) for event in running.events)


def test_the_safe_state_is_tried_although_the_device_is_silent(box):
    with Running(driver_on(LINES, box.port)) as running:
        running.threads.drive({"relay": "closed"})
        running.until(lambda event: isinstance(event, Driven))
        box.hung = True
        running.lost()
        running.threads.drive({"relay": "open"}, safe=True)
        eventually(lambda: box.holds["R"] == "0")


def test_patterns():
    assert pattern("T={value}C").fullmatch("T=-1.5e-3C")[1] == "-1.5e-3"
    assert pattern(" A.B ").fullmatch("A.B")
    assert not pattern("A.B").fullmatch("AxB")
    assert not pattern("{value}").fullmatch("")
    assert pattern("{text} ready").fullmatch("psu 3 ready")[1] == "psu 3"


@pytest.mark.parametrize(
    ("change", "wrong"),
    [
        (("closed: {send: R1, expect: OK}", "shut: {send: R1, expect: OK}"), "relay says what to send for open, shut"),
        (('"L {value}"', '"L"'), "level has no 'set' with {value}"),
        (("T={value}C", "T=C"), "what heat expects has not one {value}"),
        (('closed: "R=1"', 'shut: "R=1"'), "relay has no state 'shut'"),
        (("      heat: {read: ", "      hot: {read: "), "'channels' names 'hot', which is no channel of it"),
        (('expect: "TINY {text}"', 'expect: ""'), "'identify' expects nothing"),
        (("end_of_line: crlf", "end_of_line: newline"), "'newline' is no end of line; write one of lf, cr, crlf"),
        (("      heat: {read: {send: \"T?\", expect: \"T={value}C\"}}\n", ""), "does not say how to talk about heat"),
    ],
)  # fmt: skip
def test_mistakes_in_the_bench_file(change, wrong):
    assert change[0] in LINES
    with pytest.raises(InputError) as caught:
        driver_on(LINES.replace(*change), "none")
    assert wrong in str(caught.value)


class OneBehind(Holding):
    """Gives the identity in place of the answer that it holds back."""

    def __call__(self, answer):
        held_before = self.held
        sent = super().__call__(answer)
        return b"TINY 7\r\n" if self.held and not held_before else sent


def test_an_identity_that_comes_late_does_not_leave_the_line_one_answer_behind(box):
    with Running(driver_on(LINES, box.port)) as running:
        running.until(sample("heat", 21.5))
        box.mangle = OneBehind(b"T=99", then=lambda: setattr(box, "heat", 22.0))
        box.heat = 99.0
        running.until(noted("late answer dropped", "T=99.0C"))
        running.until(sample("heat", 22.0))
        assert not any(sample("heat", 99.0)(event) for event in running.events)
