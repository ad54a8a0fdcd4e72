"""Faults of the bench that no other test shows from the fault to the verdict."""

import threading

import pytest
from bench_faults.failing import FailingBench, bench_of_four
from bench_faults.test_sweep import FailingRun
from devices.wire_rig import METER, bench_of
from runner.running import Run

from bench.devices.base import Device
from bench.devices.opening import bench_in_wall_time
from bench.devices.wall_bench import WallBench
from bench.errors import InputError
from bench.events import Batch, Driven, Lost
from bench.language.bench_file import bench_from_text, load_bench
from bench.language.loading import plans_from_text
from bench.language.register import load_register
from bench.runner.options import Options
from bench.runner.selfcheck import check_bench
from bench.runner.stopping import Stop
from simulators.world import World
from tests.judging.folding import begin, drive, fold, judge_of, outcome, plan_of, read

ENERGISE = """
  - {name: Close the loop, drive: {shutdown_loop: closed}}
  - {name: Press start, drive: {start_request: pressed}}
  - {name: AIR+ closes, await: air_plus == 'closed', within: 5 s}
  - {name: Stays closed, hold: air_plus == 'closed', for: 3 s}
"""


def plan_on(bench, steps):
    (plan,) = plans_from_text(f"sequence: case\ntitle: t\nenergy: dry\nsteps:\n{steps}", "case.yaml", bench,
                              load_register(None))  # fmt: skip
    return plan


def test_silence_that_the_bench_causes_is_no_test_of_the_box():
    """Fault 6: the box rightly opens when the bench's messages stay away; that the bench hangs is found only later."""
    run = FailingRun(plan_on(bench_of_four(), ENERGISE), "bus", "hung", 2.0)
    document = run.go()
    hold = document["steps"][3]
    assert run.bench.truth["air_plus"] == "open", "the box did what it should"
    assert (document["verdict"], hold["verdict"]) == ("inconclusive", "inconclusive")
    assert "fail does not count, the bench was in doubt by then: bus: hung" in hold["reason"]
    assert document["steps"][2]["verdict"] == "pass", "what was judged before stays"


def test_lost_frames_widen_what_is_said_of_an_instant(tmp_path):
    """Fault 7, need 9: between two frames nothing is known, so a gap is in the bound of the time."""
    step = "- {name: T, time: {from: shutdown_loop == 'open', to: controller_state == 'idle'}, limit: {max: 5 s}}"
    bounds = []
    for heard in ((0.01, 0.02, 0.03, 0.04), (0.01, 0.04)):
        judge = judge_of(tmp_path, step)
        fold(judge, *drive(-0.1, shutdown_loop="closed"), read(-0.05, "box_status", controller_state="run"))
        fold(judge, *drive(0.0, shutdown_loop="open"), begin(0.0))
        *before, last = heard
        fold(judge, *(read(t, "box_status") for t in before))
        bounds.append(outcome(judge, read(last, "box_status", controller_state="idle")).bound)
    assert bounds == [pytest.approx(0.005), pytest.approx(0.015)]


def test_a_relay_of_the_bench_that_is_welded_is_found_by_the_walk(tmp_path, monkeypatch):
    """Fault 3: driven open, and the loop stays closed."""
    real = World.drive

    def welded(self, t, channel, value):
        if (channel, value) == ("shutdown_loop", "open") and t > 0.0:
            return Batch(t)
        return real(self, t, channel, value)

    monkeypatch.setattr(World, "drive", welded)
    found = check_bench(load_bench(None), load_register(None), Options(records=tmp_path), Stop())
    assert "shutdown_loop" in found.failed
    assert found.objection(plan_of(tmp_path, "- {name: Open, drive: {shutdown_loop: open}}"))


def test_a_fault_that_does_not_come_out_is_named(tmp_path):
    """Fault 21: what is still in when the run ends is trouble of the bench."""
    run = Run(plan_of(tmp_path, "- {name: In, inject: fan-failed}\n- {name: Open, await: loop == 'open'}"))
    run.bench.restore = lambda t, names: ()
    document = run.go()
    assert document["verdict"] == "inconclusive"
    assert document["trouble"] == "bench: the safe state was not confirmed: fan-failed"


def test_one_simulated_device_among_real_ones_is_refused():
    """Fault 25."""
    text = METER.replace("devices: {", "devices: {box: {driver: simulated}, ")
    text = text.replace("{direction: read", "{device: meter, direction: read")
    with pytest.raises(InputError, match="device box is simulated, others are not"), bench_in_wall_time(bench_of(text)):
        pass


class Slow(Device):
    """Its outputs follow when `let` is set; it says nothing."""

    def __init__(self, name, channels):
        super().__init__(name, {}, channels, None)
        self.let, self.asked = threading.Event(), threading.Event()

    def connect(self):
        return self.name

    def listen(self, timeout_s):
        threading.Event().wait(timeout_s)
        return ()

    def drive(self, changes):
        self.asked.set()
        assert self.let.wait(10.0)

    def close(self):
        self.let.set()


@pytest.fixture
def two():
    bench = bench_from_text(
        "bench: b\ndevices: {one: {driver: line}, two: {driver: line}}\nchannels:\n"
        "  first: {device: one, direction: driven, states: [open, closed], safe: open}\n"
        "  second: {device: two, direction: driven, states: [open, closed], safe: open}\n", "b.yaml",
    )  # fmt: skip
    devices = [Slow("one", {"first": bench.channels["first"]}), Slow("two", {"second": bench.channels["second"]})]
    with WallBench(devices) as opened:
        opened.begin(0.0)
        yield opened, devices


def test_a_late_stimulus_is_stamped_when_it_happened(two):
    """Fault 14: asked for at 0 s, carried out when the device got to it."""
    bench, (one, _) = two
    bench.drive(0.0, {"first": "closed"})
    assert one.asked.wait(10.0)
    asked_s = bench.now()
    one.let.set()
    (driven,) = bench.events.get(timeout=10.0)
    assert isinstance(driven, Driven) and asked_s <= driven.t <= bench.now()


def test_a_write_that_hangs_does_not_hold_back_the_safe_state_of_another(two):
    """Need 15."""
    bench, (one, other) = two
    other.let.set()
    bench.drive(0.0, {"first": "closed"})
    assert one.asked.wait(10.0)
    bench.drive(0.0, {"first": "open", "second": "open"}, safe=True)
    (driven,) = bench.events.get(timeout=10.0)
    assert driven[1:] == ("second", "open")
    assert bench.events.empty()


def test_the_layer_of_the_sweep_withholds_and_nothing_else():
    """The made-up edge itself: before its time it is the simulated bench, then one device is gone from it."""
    bench = bench_of_four()
    world = World(bench)
    failing = FailingBench(world, bench, "meter", "unplugged", -2.0)
    seen = []
    while world.now < -1.0:
        seen.append(failing.advance((failing.next_s()[0], 9)))
    batches = [event for event in seen if isinstance(event, Batch)]
    meter = [batch.t for batch in batches if "meter" in batch.scanned]
    board = [batch.t for batch in batches if "io" in batch.scanned]
    assert max(meter) == pytest.approx(-2.02) and max(board) > -1.02
    assert [event for event in seen if isinstance(event, Lost)] == [Lost(-1.98, "meter", "unplugged")]
