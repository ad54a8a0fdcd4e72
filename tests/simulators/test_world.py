"""The world as the loops see it: instants, phases, scans, edges, frames, following channels, determinism."""

import dataclasses
import itertools
import math

import pytest

from bench.errors import BenchError, InputError
from bench.events import Frame
from simulators.controller import Outputs, ReferenceController
from simulators.parameters import PARAMETERS
from simulators.world import World


def test_first_and_last_word_on_time(bench):
    assert World(bench).start_s == -3.0 and World(bench).next_s() == (-3.0, 0)
    assert World(bench, power="off").start_s == 0.0
    world, before = World(bench), (-4.0, 0)
    for _ in range(2000):
        now = world.next_s()
        assert now > before and now[1] in (0, 2) and now[0] == round(now[0], 6)
        batch = world.advance((now[0], now[1] + 1))
        assert batch.t == now[0] and world.next_s() > now
        before = now


def test_controller_steps_come_after_stimuli_of_the_same_instant(bench):
    steps = []

    class Watched(ReferenceController):
        def step(self, t, inputs):
            steps.append((t, inputs.start_request))
            return super().step(t, inputs)

    world = World(bench, controller=Watched)
    while world.next_s() < (1.0, 1):
        world.advance((1.0, 1))
    assert steps[-1] == (3.99, False)
    world.drive(1.0, "start_request", "pressed")
    assert world.next_s() == (1.0, 2)
    world.advance((1.0, 3))
    assert steps[-1] == (4.0, True)
    assert [t for t, _ in steps] == [round(0.01 * n, 6) for n in range(len(steps))]


def test_everything_named_is_seen_in_the_first_second(bench, stand):
    s = stand()
    read = {name for name, channel in bench.channels.items() if channel.direction == "read"}
    assert read <= set(s.last)
    for name, channel in bench.channels.items():
        if channel.states and name in s.last:
            assert s[name] in channel.states
    assert s["insulation_resistance"] == 1e6 and s["pack_voltage"] == 403.2 and s["fan_duty"] == 20.0
    assert s["bms_max_cell_voltage"] == 4.2 and s["loop"] == "open" and s["discharge"] == "closed"


def test_scans_every_ten_milliseconds_and_only_changes(stand):
    s = stand().start().run(2.0)
    scans = [b.t for b in s.batches if "io" in b.scanned]
    assert scans[0] == -3.0
    assert {round(b - a, 6) for a, b in itertools.pairwise(scans)} == {0.01}
    seen = {}
    for batch in s.batches:
        for channel, value in batch.samples:
            assert seen.get(channel) != value, (batch.t, channel)
            seen[channel] = value


def test_edges_are_stamped_when_they_happen(stand):
    s = stand().drive(shutdown_loop="closed").run(0.0037).press("start").run(2.0)
    assert s.when("loop", "closed") == 0.0
    assert s.when("air_minus_coil", "on") == 0.01
    assert s.when("air_minus", "closed") == pytest.approx(0.035, abs=1e-9)


def test_indicator_edge_is_solved_not_stepped(bench):
    edges = dataclasses.replace(bench.channels["indicator"], capture="edges")
    exact = dataclasses.replace(bench, channels={**bench.channels, "indicator": edges})
    world, seen = World(exact), {}
    for t, channel, value in ((0.0, "shutdown_loop", "closed"), (0.001, "start_request", "pressed"), (3.0, "", "")):
        while world.next_s() < (t, 1):
            batch = world.advance((t, 1))
            seen |= {(name, value): batch.t for name, value in batch.samples}
        if channel:
            world.drive(t, channel, value)
    wait = seen["indicator", "on"] - seen["precharge", "closed"]
    assert wait == pytest.approx(-470.1 * 560e-6 * math.log(1 - 60 / 403.2), rel=1e-3)
    assert seen["indicator", "on"] == round(seen["indicator", "on"], 6)


def test_frames_are_real_bytes_at_their_periods(stand):
    s = stand().run(1.0)
    times = {i: [t for t, f in s.frames if f.id == i] for i in (288, 289, 384)}
    for i, period in ((288, 0.01), (289, 0.1), (384, 0.1)):
        assert {round(b - a, 6) for a, b in itertools.pairwise(times[i])} == {period}
    counters = [f.data[7] & 0xF for _, f in s.frames if f.id == 288]
    assert all((b - a) % 16 == 1 for a, b in itertools.pairwise(counters))
    cells = [f.data for _, f in s.frames if f.id == 384][-1]
    assert int.from_bytes(cells[0:2], "little") == 42000
    assert [b for b in s.batches if b.frames and "box_status" in b.scanned]


def test_sent_frames_reach_the_box(running):
    """A replayed BMS message has a used counter: it does not keep the box alive; one with another id is ignored."""
    s = running().drive(bms_messages="off")
    replay = [f for _, f in s.frames if f.id == 384][-1]
    for _ in range(10):
        s._take(s.world.send(s.now, replay._replace(heard=False)))
        s._take(s.world.send(s.now, Frame("can", 0x7FF, bytes(8), heard=False)))
        s._take(s.world.send(s.now, Frame("can", 384, bytes(3), heard=False)))
        s._take(s.world.send(s.now, replay._replace(extended=True)))
        s.run(0.1)
    assert "BMS messages lost" in s["controller_fault"] and s.all_open


def test_cells_follow_the_pack_until_driven_and_again_after_restore(stand):
    s = stand(parameters={"pack_emf": 345.6, "cell_voltage_spread": 0.02})
    assert (s["bms_max_cell_voltage"], s["bms_min_cell_voltage"]) == (pytest.approx(3.61), pytest.approx(3.59))
    s.drive(bms_max_cell_voltage=4.1).run(0.2)
    assert s.world.box.receiver.values["max_cell_voltage"] == pytest.approx(4.1)
    s.restore("bms_max_cell_voltage").run(0.2)
    assert s.world.box.receiver.values["max_cell_voltage"] == pytest.approx(3.61)
    assert s["bms_max_cell_voltage"] == pytest.approx(3.61)
    assert s.when("bms_max_cell_voltage", s["bms_max_cell_voltage"], after=0.1) == 0.2


def test_same_seed_same_batches(bench, stand):
    noisy = {"ts_sense_noise": 1.0, "bench_ts_noise": 0.5, "bench_current_noise": 0.2}

    def history(seed):
        s = stand(parameters=noisy, seed=seed).start().run(2.0).inject("loop-dropout").run(2.0)
        return s.batches

    assert history(7) == history(7)
    assert history(7) != history(8)


@pytest.mark.parametrize("name", PARAMETERS)
def test_every_parameter_matters(stand, name):
    """Each parameter, moved, changes what is seen in one of a few journeys."""
    parameter = PARAMETERS[name]
    moved = {
        "pull_in_voltage": 13.0, "logic_voltage": 13.0, "supply_ceiling": 6.0, "line_grace": 0.5, "hold_voltage": 12.0,
        "imd_trip_resistance": 2e6, "internal_resistance": 1.0, "load_resistance": 1e3, "drive_current": 20.0,
        "bms_startup": 2.0, "imd_startup": 2.5, "status_period": 0.02, "cell_temperature_max": 45.0,
        "cell_temperature_min": -26.0, "cells_in_series": 90,
    }.get(name)  # fmt: skip
    if moved is None:
        moved = parameter.default * 1.3 if parameter.default else (0.004 if parameter.unit == "s" else 2.0)

    def journey(parameters):
        s = stand(parameters=parameters, power="off").drive(shutdown_loop="closed", bms_line="fault")
        s.drive(supply_voltage=12.5).run(1.0)
        s.drive(bms_line="ok", charger="present", charger_interlock="closed").run(3.0)
        s.press("reset").drive(bms_max_cell_voltage=4.0).run(0.3).start().run(2.0).drive(fault_resistor_plus=150e3)
        s.drive(supply_voltage=11.0).run(5.0).drive(fault_resistor_plus=math.inf, charger="absent").run(6.0)
        s.press("reset").run(0.2).press("start").run(1.9).press("stop").run(3.0)
        s.press("start").run(0.5).inject("controller-hung").run(0.2)
        circuit, status = s.world.box.circuit, [f for _, f in s.frames]
        return (
            s.seen,
            status,
            circuit.plus_voltage(s.now),
            circuit.minus_voltage(s.now),
            circuit.precharge_energy(s.now),
        )

    assert journey({name: moved}) != journey({})


def test_extra_channels_are_served(bench):
    volt = bench.channels["ts_voltage"]
    joule = dataclasses.replace(volt, unit="J", resolution=0.001)
    more = {
        "ts_plus_voltage": volt, "ts_minus_voltage": volt, "precharge_energy": joule, "discharge_energy": joule,
        "precharge_aux": bench.channels["air_plus_aux"],
        "fan_duty": dataclasses.replace(bench.channels["fan_duty"], unit="ppm"),
    }  # fmt: skip
    wide = dataclasses.replace(
        bench, channels={**bench.channels, **{n: dataclasses.replace(c, name=n) for n, c in more.items()}}
    )
    world, last = World(wide), {}
    for t, channel, value in ((0.0, "shutdown_loop", "closed"), (0.1, "start_request", "pressed"), (3.0, "", "")):
        while world.next_s() < (t, 1):
            last |= dict(world.advance((t, 1)).samples)
        if channel:
            world.drive(t, channel, value)
    assert last["ts_plus_voltage"] == pytest.approx(201.6, abs=0.2) and last["ts_minus_voltage"] < -201
    assert last["precharge_energy"] == pytest.approx(45.4, abs=0.2)
    assert last["precharge_aux"] == "open" and last["fan_duty"] == 200000.0


def test_unknown_channels_are_input_errors(bench):
    for direction in ("read", "driven"):
        odd = dataclasses.replace(bench.channels["ts_voltage"], name="ts_voltag", direction=direction)
        with pytest.raises(InputError, match="ts_volt"):
            World(dataclasses.replace(bench, channels={**bench.channels, "ts_voltag": odd}))


def test_a_controller_that_fails_is_trouble_of_the_bench(bench):
    class Raising(ReferenceController):
        def step(self, t, inputs):
            raise ZeroDivisionError("float division by zero")

    class Nothing(ReferenceController):
        def step(self, t, inputs):
            return None

    for broken, words in ((Raising, "Raising stopped 0 s after power-up"), (Nothing, "returned NoneType")):
        with pytest.raises(BenchError, match=words):
            World(bench, controller=broken).advance((0.0, 0))


def test_any_period_and_state_of_a_controller(bench):
    class Odd:
        period_s = 0.007

        def step(self, t, inputs):
            return Outputs(state="dreaming", fans=7.0)

    world, seen = World(bench, controller=Odd), {}
    while world.next_s() < (0.0, 1):
        seen |= dict(world.advance((0.0, 1)).samples)
    assert seen["controller_state"] == "unknown" and seen["fan_duty"] == 100.0
