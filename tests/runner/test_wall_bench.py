"""A bench in wall time: what a new run learns, and that no deadline passes before everything read until then is in."""

import gc
import queue
import sys
import threading
import time

import pytest

from bench.devices.base import Device, DeviceLost, DeviceThreads
from bench.devices.wall_bench import WallBench
from bench.events import Aligned, Batch, Lost, Passed
from bench.runner.collector import MIDDLE, OLD, TURN_S, YOUNG, short_pauses
from bench.runner.engine import NEVER, Wake
from bench.runner.wall_loop import run_wall


class Talking(Device):
    """Tells what is put to it, and then nothing. While `let_listen` is not set nobody gets to listen."""

    def __init__(self, name="talking"):
        super().__init__(name, {}, {}, None)
        self.to_tell = queue.SimpleQueue()
        self.let_listen, self.is_kept = threading.Event(), threading.Event()
        self.let_listen.set()

    def connect(self):
        return "talking"

    def listen(self, timeout_s):
        if not self.let_listen.is_set():
            self.is_kept.set()
            self.let_listen.wait(10.0)
        try:
            return [self.to_tell.get(timeout=timeout_s)]
        except queue.Empty:
            return []

    def close(self):
        self.let_listen.set()

    def keep(self):
        """From now on nobody listens; comes back when that is so."""
        self.let_listen.clear()
        assert self.is_kept.wait(10.0)


def test_the_second_run_knows_the_channels_and_the_bounds_of_the_clocks():
    device = Talking()
    with WallBench([device]) as bench:
        for event in (
            Aligned(0.0, "talking", 1.0, 10.0, 0.5),
            Aligned(0.0, "talking", 1.0, 10.0, 0.002),
            Batch(time.monotonic(), (("loop", "open"),)),
        ):
            device.to_tell.put(event)
            bench.events.get(timeout=10.0)
        bench.begin(-3.0)
        told = bench.events.get(timeout=10.0)
        assert bench.events.empty()
    assert told == [Aligned(-3.0, "talking", 1.0, 10.0, 0.002), Batch(-3.0, (("loop", "open"),))]


class Deadline:
    """An engine and its hands that only have a deadline to be told of: `seen` is what they are given, in order."""

    def __init__(self, wake):
        self.wake, self.t, self.closed, self.seen = wake, 0.0, False, []

    def begin(self):
        pass

    def nothing_happened(self):
        pass

    def happened(self, events):
        self.seen += events
        self.closed = any(isinstance(event, Passed | Lost) for event in events)


class NoStop:
    cause = ""


def test_a_deadline_waits_for_what_was_read_before_it_however_busy_the_host_is():
    """The reader is held for much longer than the reading may be late in itself."""
    device, other = Talking(), Talking("other")
    device.away_s = other.away_s = 10.0
    with WallBench([device, other]) as bench:
        bench.begin(0.0)
        device.keep()
        read_at = time.monotonic()
        device.to_tell.put(Batch(read_at, (("loop", "closed"),)))
        deadline_s = read_at - bench._origin_s + 0.001
        engine = Deadline(Wake(settled_s=deadline_s))
        loop = threading.Thread(target=run_wall, args=(engine, bench, engine, NoStop()))
        loop.start()
        while bench.now() < deadline_s + 10 * device.late_s:
            other.to_tell.put(Batch(time.monotonic()))  # events of another device go on meanwhile
            loop.join(0.005)
        assert loop.is_alive() and not any(isinstance(event, Passed) for event in engine.seen)
        device.let_listen.set()
        loop.join(10.0)
    kinds = [event.samples if isinstance(event, Batch) else type(event) for event in engine.seen]
    assert kinds.index((("loop", "closed"),)) < kinds.index(Passed)
    assert engine.seen[-1] == Passed(deadline_s)


def test_a_sharp_deadline_does_not_wait_for_devices():
    device = Talking()
    with WallBench([device]) as bench:
        bench.begin(0.0)
        device.away_s = 10.0
        device.keep()
        engine = Deadline(Wake(sharp_s=0.01))
        run_wall(engine, bench, engine, NoStop())
    assert engine.seen == [Passed(0.01)]


def test_a_device_that_nobody_can_listen_to_is_lost_instead_of_a_deadline_that_never_comes():
    device, other = Talking(), Talking("other")
    with WallBench([device, other]) as bench:
        bench.begin(0.0)
        device.keep()
        engine = Deadline(Wake(settled_s=0.01))
        run_wall(engine, bench, engine, NoStop())
        (lost,) = engine.seen
        assert (lost.device, "was not listened to for" in lost.cause) == ("talking", True)
        assert bench.lagging() is None  # told once; what has to be cleared up goes on without it
        engine.closed, engine.wake, engine.seen = False, Wake(settled_s=bench.now()), []
        run_wall(engine, bench, engine, NoStop())
    assert isinstance(engine.seen[-1], Passed)


@pytest.mark.parametrize("late_s", [0.005, 0.2])
def test_a_reading_later_than_its_device_says_ends_the_run(late_s):
    device = Talking()
    device.late_s = late_s
    with WallBench([device]) as bench:
        settled = bench._threads["talking"]
        began = time.monotonic()
        while settled.heard_until < began + 2 * late_s:
            threading.Event().wait(0.001)
        device.to_tell.put(Batch(began, (("loop", "closed"),)))
        (lost,) = bench.events.get(timeout=10.0)
    assert f"later than the stated {late_s * 1e3:.0f} ms" in lost.cause


def test_a_reading_that_a_deadline_could_not_have_missed_is_taken():
    """It is late only because nobody listened: no deadline has passed meanwhile."""
    device = Talking()
    device.late_s = 0.001
    with WallBench([device]) as bench:
        device.keep()
        batch = Batch(time.monotonic(), (("loop", "closed"),))
        device.to_tell.put(batch)
        while time.monotonic() < batch.t + 0.05:
            threading.Event().wait(0.001)
        device.let_listen.set()
        (event,) = bench.events.get(timeout=10.0)
        assert event.samples == batch.samples


def test_a_device_that_has_come_behind_holds_deadlines_back():
    device = Talking()
    with WallBench([device]) as bench:
        bench.begin(0.0)
        device.behind = True
        device.keep()
        device.let_listen.set()
        before = bench.settled_s
        device.to_tell.put(Batch(time.monotonic()))
        bench.events.get(timeout=10.0)
        assert bench.settled_s == before
        device.behind = False
        began = time.monotonic()
        while bench.settled_s == before:
            assert time.monotonic() < began + 10.0


def test_a_device_that_is_lost_holds_nothing_back():
    class Broken(Talking):
        def listen(self, timeout_s):
            raise DeviceLost("gone")

    with WallBench([Broken()]) as bench:
        (lost,) = bench.events.get(timeout=10.0)
        assert lost.cause == "gone"
        bench.begin(0.0)
        engine = Deadline(Wake(NEVER, 0.001))
        run_wall(engine, bench, engine, NoStop())
    assert engine.seen == [Passed(0.001)]


class Slow(Talking):
    """Its first write takes until `go_on` is set. `driven` is what it was given, in order."""

    def __init__(self):
        super().__init__()
        self.driven, self.hangs, self.go_on = [], threading.Event(), threading.Event()

    def drive(self, changes):
        self.hangs.set()
        self.go_on.wait(10.0)
        self.driven.append(changes["relay"])


def test_a_safe_state_goes_ahead_of_a_full_write_queue_that_takes_nothing_else():
    device, posted = Slow(), queue.SimpleQueue()
    threads = DeviceThreads(device, posted.put)
    device.connect()
    threads.start()
    threads.drive({"relay": 0})
    assert device.hangs.wait(10.0)
    for number in range(1, threads.MOST_TASKS + 2):
        threads.drive({"relay": number})
    assert [lost.cause for lost in posted.get(timeout=10.0)] == ["hangs: its write queue is full"]
    threads.drive({"relay": "safe"}, safe=True)
    assert posted.empty()
    device.go_on.set()
    threads.close(10.0)
    assert device.driven == [0, "safe", *range(1, threads.MOST_TASKS + 1)]


class Hasty(Slow):
    """Puts a safe state on its wire ahead of its writer."""

    def drive_ahead(self, changes):
        self.driven.append(("ahead", changes["relay"]))


@pytest.mark.parametrize("is_writing", [False, True])
def test_a_safe_state_leaves_ahead_of_the_writer_unless_it_is_writing_what_would_undo_it(is_writing):
    device, posted = Hasty(), queue.SimpleQueue()
    threads = DeviceThreads(device, posted.put)
    device.connect()
    threads.start()
    if is_writing:
        threads.drive({"relay": "closed"})
        assert device.hangs.wait(10.0)
    else:
        device.go_on.set()
    threads.drive({"relay": "safe"}, safe=True)
    device.go_on.set()
    threads.close(10.0)
    assert device.driven == (["closed", "safe"] if is_writing else [("ahead", "safe"), "safe"])


def test_a_driver_that_cannot_send_ahead_tells_so_when_the_writer_comes_to_it():
    class Torn(Talking):
        def drive_ahead(self, changes):
            raise DeviceLost("torn off")

        drive = drive_ahead

    device, posted = Torn(), queue.SimpleQueue()
    threads = DeviceThreads(device, posted.put)
    threads.start()
    threads.drive({"relay": "safe"}, safe=True)
    assert [lost.cause for lost in posted.get(timeout=10.0)] == ["torn off"]
    threads.close(10.0)


def test_while_time_matters_threads_take_short_turns_and_nothing_of_it_stays():
    before = sys.getswitchinterval(), gc.get_threshold(), gc.get_freeze_count()
    with short_pauses():
        assert (sys.getswitchinterval(), gc.get_threshold()) == (pytest.approx(TURN_S), (YOUNG, MIDDLE, OLD))
    assert (sys.getswitchinterval(), gc.get_threshold(), gc.get_freeze_count()) == before
