"""The I/O board's driver against the board's own firmware on simulated pins, over a pty."""

import os
import pty
import threading
import time
import tty

import pytest
from devices.board_rig import BENCH, SimulatedBoard, bench_of, board_on
from devices.conformance import CHECKS, Plug
from devices.rig import Running, eventually

from bench.devices.base import DeviceLost
from bench.devices.board_protocol import decode, encode
from bench.errors import InputError
from bench.events import Aligned, Batch, Driven, Lost, Noted
from simulators.board_stand_in import Repeating, half, rubbish

#: Where time-outs are not the matter of a test, they are long: a busy computer must not decide it.
PATIENT = ", deadman: 2 s, silence: 5 s, late: 5 s"


@pytest.fixture
def running(stand_in):
    with Running(board_on(stand_in.port, PATIENT)) as running:
        running.until(scanned)
        yield running


def scanned(event):
    return isinstance(event, Batch) and "board" in event.scanned


def drive(running, **changes):
    running.threads.drive(changes)
    for _ in changes:
        running.until(lambda event: isinstance(event, Driven))


def noted(text):
    return lambda event: isinstance(event, Noted) and text in event.text


@pytest.mark.parametrize("check", CHECKS, ids=lambda check: check.__name__)
def test_conformance(check, stand_in):
    check(
        Plug(
            make=lambda: board_on(stand_in.port),
            port=stand_in.port,
            unplug=stand_in.unplug,
            silence=stand_in.hang,
            drives={"relay": "closed", "sense": 2.5},
            seen=lambda name: pytest.approx(stand_in.written[name], abs=0.001) if name == "sense" else "closed",
        )
    )


# -- what it does ----------------------------------------------------------------------------------------------------


def test_all_that_it_reads(stand_in, running):
    values = dict(pair for event in running.events if isinstance(event, Batch) for pair in event.samples)
    assert values == {
        "loop": "open",
        "aux": "closed",
        "supply": pytest.approx(12.5, abs=20 / 65535),
        "imd_duty": pytest.approx(50.0),
        "imd_rate": pytest.approx(10.0),
    }
    batch = running.until(lambda event: isinstance(event, Batch) and event.scanned)
    assert batch.scanned == ("board", "pulses")
    assert batch.samples == ()  # nothing has changed
    stand_in.values["supply"] = 11.0
    assert running.until(lambda event: isinstance(event, Batch) and event.samples).samples == (
        ("supply", pytest.approx(11.0, abs=20 / 65535)),
    )


def test_opening_moves_nothing(stand_in):
    """A pin is first driven with its safe level; a second session leaves it there."""
    for _ in range(2):
        device = board_on(stand_in.port)
        device.connect()
        assert stand_in.written == {"relay": "open", "lamp": "dark", "sense": 0.0}
        stand_in.written.update(relay="not written again")
        device.close()
        assert stand_in.written.pop("relay") == "not written again"
        stand_in.written["relay"] = "open"


@pytest.mark.parametrize("clock_ppm", [0.0, 120.0, -300.0])
def test_an_edge_is_stamped_within_the_stated_bound(clock_ppm):
    with SimulatedBoard(clock_ppm=clock_ppm) as board, Running(board_on(board.port, PATIENT)) as running:
        running.until(scanned)
        for value in ["closed", "open"] * 20:
            at = time.monotonic()
            board.change("loop", value, at)
            batch = running.until(lambda event, value=value: loop_is(event, value))
            bound = [event for event in running.events if isinstance(event, Aligned)][-1].bound_s
            assert abs(batch.t - at) <= bound + 2e-6  # the board counts whole microseconds
        assert running.device.clock.restarts == 0


def loop_is(event, value):
    return isinstance(event, Batch) and event.samples == (("loop", value),)


def test_outputs_read_back(stand_in, running):
    drive(running, relay="closed", lamp="lit", sense=2.5)
    assert stand_in.written == {"relay": "closed", "lamp": "lit", "sense": pytest.approx(2.5, abs=1e-4)}


def test_a_safe_state_ahead_of_the_writer(stand_in):
    device = board_on(stand_in.port, PATIENT)
    device.connect()
    device.drive_ahead({"relay": "open"})  # nothing is said before it is armed: it would be refused
    device.drive({"relay": "closed"})
    assert stand_in.level("relay") == 1
    device.drive_ahead({"relay": "open", "lamp": "dark", "sense": 0.0})
    eventually(lambda: stand_in.level("relay") == 0)
    device.drive({"relay": "open"})  # the answer that belongs to it, not to the line before
    device.close()


def test_closing_makes_safe(stand_in, running):
    drive(running, relay="closed", lamp="lit")
    running.threads.close()
    eventually(lambda: stand_in.written["relay"] == "open" and stand_in.written["lamp"] == "dark")


def test_the_board_makes_safe_by_itself_when_the_bench_falls_silent(stand_in):
    device = board_on(stand_in.port, ", late: 1 min")  # nobody listens here: its scans lie about for long
    device.connect()
    device.drive({"relay": "closed"})
    assert stand_in.level("relay") == 1
    eventually(lambda: stand_in.level("relay") == 0)
    with pytest.raises(DeviceLost, match=r"heard nothing for 0\.25 s and made its outputs safe by itself"):
        device.drive({"relay": "closed"})
    device.close()
    assert stand_in.level("relay") == 0


def test_a_connected_board_waits_for_the_first_beat(stand_in):
    """Other devices may take their time to open: the dead-man is not running yet."""
    lines = []
    stand_in.mangle = lambda line: lines.append(decode(line[:-1])) or line
    device = board_on(stand_in.port)
    device.connect()
    assert {line.word for line in lines} == {"ok"}  # no scan, no status: it is idle
    device.beat()
    eventually(lambda: "scan" in {line.word for line in lines})
    device.close()


# -- trouble that ends the run, always safe --------------------------------------------------------------------------


TROUBLES = {
    "unplugged": (lambda board: board.unplug(), "is gone"),
    "hung": (lambda board: board.hang(), "says nothing|restarted"),
    "restarted": (lambda board: board.restart(), "has restarted"),
    "rubbish": (lambda board: setattr(board, "mangle", rubbish), "only rubbish|not usable|not armed"),
    "half lines": (lambda board: setattr(board, "mangle", half), "only rubbish|not usable"),
    "repeats itself": (lambda board: setattr(board, "mangle", Repeating()), "repeats itself|restarted|not usable"),
    "frozen clock": (lambda board: setattr(board, "clock_stands", True), "stands still|says nothing"),
    "late": (lambda board: setattr(board, "delay_s", 0.4), "after it was taken|says nothing"),
    "deaf": (lambda board: setattr(board, "deaf", True), "heard nothing"),
    "supply off": (lambda board: setattr(board, "mangle", lambda line: b""), "says nothing"),
}


@pytest.mark.parametrize("trouble", TROUBLES)
def test_trouble_ends_the_run_and_the_outputs_are_safe(trouble, stand_in):
    make, says = TROUBLES[trouble]
    with Running(board_on(stand_in.port)) as running:
        running.until(scanned)
        drive(running, relay="closed", sense=2.5)
        make(stand_in)
        cause = running.lost()
    assert any(each in cause for each in says.split("|")), cause
    assert stand_in.port in cause
    eventually(lambda: stand_in.written["relay"] == "open" and stand_in.written["sense"] == 0.0)


def test_both_threads_hear_of_it(stand_in, running):
    stand_in.restart()
    running.lost()
    with pytest.raises(DeviceLost, match="restarted"):
        running.device.drive({"relay": "closed"})


def test_an_output_that_does_not_follow(stand_in, running):
    stand_in.stuck = (3,)
    running.threads.drive({"relay": "closed"})
    assert "relay: pin 3 was set to 1 and reads 0" in running.lost()


def test_a_value_beyond_the_output(stand_in, running):
    running.threads.drive({"sense": 6.0})
    assert "it has 0 to 1" in running.lost()


# -- trouble that is noted -------------------------------------------------------------------------------------------


class Once:
    """Does something to the first line that fits; the others pass."""

    def __init__(self, fits, work):
        self.fits, self.work, self.done = fits, work, False

    def __call__(self, line):
        if not self.done and self.fits(line):
            self.done = True
            return self.work(line)
        return line


def test_a_line_without_sense_is_noted(stand_in, running):
    stand_in.mangle = Once(lambda line: b" scan " in line, lambda line: line.replace(b"scan", b"span"))
    running.until(noted("a line from the board made no sense: wrong CRC"))
    running.until(scanned)


def test_a_line_too_long_is_noted(stand_in, running):
    stand_in.mangle = Once(lambda line: b" scan " in line, lambda line: b"x" * 5000 + b"\n" + line)
    running.until(noted("longer than a line may be"))
    running.until(scanned)


def test_a_line_in_two_parts_is_one_line(stand_in, running):
    device = running.device
    before = len(running.events)
    stand_in.mangle = lambda line: line  # the parts are sent by hand below
    parts = []
    stand_in.mangle = Once(lambda line: b" scan " in line, lambda line: parts.append(line[20:]) or line[:20])
    eventually(lambda: parts)
    stand_in.mangle = lambda line: b"".join([parts.pop(), line]) if parts else line
    running.until(scanned)
    assert not device.tallies.counts
    assert not [event for event in running.events[before:] if isinstance(event, Noted | Lost)]


def test_a_lost_answer_is_asked_for_again_and_noted(stand_in, running):
    stand_in.mangle = Once(lambda line: b" ok " in line and b" 3=1" in line, lambda line: b"")
    drive(running, relay="closed")
    assert [event for event in running.events if noted("drive 3=1: no answer within 0.1 s (try 1 of 2)")(event)]
    assert stand_in.written["relay"] == "closed"


def test_an_answer_that_comes_after_the_next_question(stand_in):
    with Running(board_on(stand_in.port, PATIENT + ", retries: 5")) as running:
        running.until(scanned)
        stand_in.delay_s = 0.15
        running.threads.drive({"relay": "closed"})
        running.until(noted("drive 3=1: no answer within 0.1 s"))
        stand_in.delay_s = 0.0
        running.until(lambda event: isinstance(event, Driven))
        running.until(noted("an answer came too late, or twice"))


def test_a_change_whose_line_is_lost_has_the_scans_bound(stand_in, running):
    stand_in.mangle = Once(lambda line: b" change " in line, lambda line: b"")
    before = time.monotonic()
    stand_in.change("loop", "closed", before)
    batch = running.until(lambda event: loop_is(event, "closed"))
    bound = running.events[-2]
    assert isinstance(bound, Aligned)
    assert abs(batch.t - before) <= bound.bound_s
    after = running.until(lambda event: isinstance(event, Aligned))
    assert after.bound_s < bound.bound_s  # only for that one
    running.until(noted("a change of loop was lost on its way"))


def test_a_reading_that_no_value_belongs_to(stand_in):
    table = BENCH.replace("at: analog 26, scale: 20", "at: analog 26, table: [[0.2, 0 V], [0.8, 20 V]]")
    with Running(board_on(stand_in.port, PATIENT, table)) as running:
        stand_in.values["supply"] = 20.0  # full scale on the stand-in's pin
        running.until(noted("supply has no value"))
        batch = running.until(lambda event: isinstance(event, Batch) and event.samples and event.scanned)
        assert batch.scanned == ("pulses",)  # the group with it is not whole, and its other readings are told anew
        assert {name for name, _ in batch.samples} == {"loop", "aux"}


def test_a_reading_outside_the_channels_range(stand_in):
    ranged = BENCH.replace("at: analog 26, scale: 20", "range: [0 V, 15 V], at: analog 26, scale: 20")
    with Running(board_on(stand_in.port, PATIENT, ranged)) as running:
        running.until(lambda event: isinstance(event, Batch) and ("supply" in dict(event.samples)))
        stand_in.values["supply"] = 20.0  # at its stop
        running.until(noted("supply has no value: 20 V is outside its range"))


# -- the wrong thing on the port -------------------------------------------------------------------------------------


@pytest.fixture
def answering():
    """A port behind which something answers each line by a function of it."""
    master, slave = pty.openpty()
    tty.setraw(slave)
    replies = []

    def serve():
        rest = b""
        while True:
            try:
                rest += os.read(master, 4096)
            except OSError:
                return
            *lines, rest = rest.split(b"\n")
            for line in lines:
                os.write(master, replies[0](line))

    def port(reply):
        replies.append(reply)
        threading.Thread(target=serve, daemon=True).start()
        return os.ttyname(slave)

    yield port
    os.close(slave)
    os.close(master)


def hello_of(*fields):
    return lambda line: encode(0, "ok", line[:4].decode(), "00000010", *fields)


@pytest.mark.parametrize(
    ("reply", "says"),
    [
        (lambda line: b"Heron relay card v2\r\n", "it answers b'Heron relay card v2\\r', as no I/O board does"),
        (lambda line: b"", "no answer"),
        (hello_of("heron-meter", "1", "77", "idle"), "not the I/O board: it answers"),
        (hello_of("topbox-io", "9", "77", "idle"), "speaks version 9 of the protocol, not 1"),
        (hello_of("topbox-io", "1", "77", "idle"), "this is the board 77, not 4711"),
        (lambda line: encode(0, "ok", "hello"), "as no I/O board does"),
    ],
)
def test_the_wrong_device(answering, reply, says):
    port = answering(reply)
    with pytest.raises(DeviceLost) as caught:
        board_on(port, ", boot: 300 ms, unit: '4711'").connect()
    assert port in str(caught.value)
    assert says in str(caught.value)


def test_no_such_port(tmp_path):
    with pytest.raises(DeviceLost, match="cannot be opened"):
        board_on(str(tmp_path / "ttyACM9")).connect()


def test_leftovers_of_a_session_before_are_no_answers(stand_in):
    """A host that vanished leaves the board tripped and talking."""
    first = board_on(stand_in.port)
    first.connect()
    first.beat()
    first._link.close()  # as a process that was killed: without 'rest'
    eventually(lambda: stand_in.level("relay") == 0)
    with Running(board_on(stand_in.port)) as running:
        running.until(scanned)
        drive(running, relay="closed")


# -- the bench file --------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("old", "new", "says"),
    [
        ("at: out 3", "at: relay 3", "'at: relay 3' is no place on the board; write for example 'at: out 4'"),
        ("at: out 3", "at: out", "is no place on the board"),
        ("at: out 3", "at: out three", "'three' is no pin number"),
        ("at: out 3", "at: out 2", "channel lamp: pin 2 is something else for relay"),
        ("at: out 2", "at: out 3", "pin 3 is something else for relay"),
        ("at: in 4 up", "at: in 4 sideways", "is no place on the board"),
        ("at: in 4 up", "at: analog 4", "'analog' is a number; give the channel a unit"),
        ("unit: V, at: analog", "unit: V, capture: edges, at: analog", "only an 'in' pin captures edges"),
        ("at: in 5", "at: in 4", "pin 4 is something else for loop"),
        ("safe: 0 V", "safe: 9 V", "its safe value 9 needs 1.8 of the output's range"),
        ("unit: V, safe: 0 V, at: level 6", "unit: V, safe: 0 V, at: out 6", "'out' has two levels"),
    ],
)
def test_wrong_wiring(old, new, says):
    assert old in BENCH
    with pytest.raises(InputError) as caught:
        board_on("none", text=BENCH.replace(old, new))
    assert says in str(caught.value)
    assert str(caught.value).startswith("board.yaml:")


@pytest.mark.parametrize(
    ("options", "says"),
    [
        (", deadman: 10 ms", "deadman"),
        (", deadman: 3", "no length of time"),
        (", dead_man: 250 ms", "the key 'dead_man' is not known here; did you mean 'deadman'?"),
        (", retries: often", "no whole number"),
    ],
)
def test_wrong_options(options, says):
    with pytest.raises(InputError) as caught:
        board_on("none", options)
    assert says in str(caught.value)


def test_a_pin_that_the_board_does_not_have(stand_in):
    text = BENCH.replace("at: in 5", "at: in 55")
    with pytest.raises(InputError) as caught:
        board_on(stand_in.port, text=text).connect()
    assert "channel aux: the board refuses pin 55 as in: there is no pin 55" in str(caught.value)


def test_a_line_of_the_stand_in_is_one_of_the_protocol(stand_in):
    lines = []
    stand_in.mangle = lambda line: lines.append(line) or line
    with Running(board_on(stand_in.port)) as running:
        running.until(scanned)
        drive(running, relay="closed")
        stand_in.change("loop", "closed")
        eventually(lambda: {"ok", "scan", "change", "status"} <= {decode(line[:-1]).word for line in lines})
    assert bench_of().channels.keys() >= stand_in.values.keys()
