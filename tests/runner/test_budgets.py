"""Resistors that have to cool: what counts as a cycle, what is held back, and what is remembered over restarts."""

import json
from dataclasses import replace
from pathlib import Path

import pytest

from bench.errors import InputError, RecordError
from bench.events import Batch, Driven, HeldBack, Lost, StepBegan
from bench.judging.readings import Readings
from bench.language.bench_file import bench_from_text, load_bench
from bench.record.reader import read_record
from bench.runner.budgets import (
    HEAT_FILE,
    Budget,
    Heat,
    HeatMemory,
    begin_budget,
    concerned,
    memory_for,
    wait_until_cool,
)
from bench.runner.engine import Engine
from bench.runner.options import Options
from bench.runner.run import run_plan
from bench.runner.stopping import Stop
from tests.judging.folding import plan_of
from tests.runner.running import START, Run

SHIPPED = load_bench(None)
# 560 uF at 403.2 V hold 45.5 J: a pre-charge puts as much into its resistor, a discharge into the other
PRECHARGE = """
  precharge_resistor:
    {energy: 46 J, capacity: 92 J, cools_in: 60 s, cycle: precharge == 'closed', begun_by: start_request == 'pressed'}
"""
DISCHARGE = """
  discharge_resistor:
    energy: 46 J
    cools_in: 20 s
    cycle: discharge == 'closed' and ts_voltage > 60 V
    begun_by: start_request == 'pressed'
"""
PLAIN = """
  charger_resistor: {energy: 10 J, cools_in: 8 s, cycle: precharge == 'closed'}
"""
CYCLE = """
- repeat: 3
  steps:
    - {name: Close the loop, drive: {shutdown_loop: closed}}
    - {name: Press start, drive: {start_request: pressed}}
    - {name: AIR+ closes, await: air_plus == 'closed', within: 5 s}
    - {name: Release, drive: {start_request: released}}
    - {name: Open the loop, drive: {shutdown_loop: open}}
    - {name: Discharged, await: ts_voltage < 5 V, within: 30 s}
"""


def bench_with(resistors, driver="simulated", more=""):
    text = SHIPPED.source_text.replace("driver: simulated", f"driver: {driver}")
    return bench_from_text(f"{text}\n{more}resistors:{resistors}", SHIPPED.file)


def plan_with(folder, steps, resistors, more=""):
    return replace(plan_of(folder, steps, more), bench=bench_with(resistors))


def go(plan, joules=None, trouble=None):
    """Run in virtual time; the run and its budget. `joules`: what is in each resistor before."""
    run = Run(plan, trouble)
    cold = {resistor.name: 0.0 for resistor in plan.bench.resistors}
    budget = Budget(plan.bench.resistors, run.judge.readings, run.world.start_s, cold | (joules or {}))
    run.engine = Engine(plan, run.judge, run.world.start_s, budget=budget)
    return run, budget, run.go()


def began(run, name):
    return [event.t for event in run.of(StepBegan) if event.name == name]


# -- the model ---------------------------------------------------------------------------------------------------


def test_heat_leaves_evenly_and_never_exceeds_the_capacity():
    (resistor,) = bench_with(PRECHARGE).resistors
    assert Heat(92.0, 10.0).at(10.0, resistor) == 92.0
    assert Heat(92.0, 10.0).at(40.0, resistor) == pytest.approx(46.0)
    assert Heat(92.0, 10.0).at(1e9, resistor) == 0.0
    assert Heat(1000.0, 10.0).at(10.0, resistor) == 92.0
    assert Heat(92.0, 10.0).at(0.0, resistor) == 92.0, "a clock that goes back cools nothing"


def test_the_next_cycle_may_begin_when_it_fits():
    (resistor,) = bench_with(PRECHARGE).resistors
    assert Heat(0.0, 0.0).ready_s(5.0, resistor) == 5.0
    assert Heat(46.0, 0.0).ready_s(0.0, resistor) == 0.0
    assert Heat(69.0, 0.0).ready_s(0.0, resistor) == pytest.approx(15.0)
    assert Heat(92.0, 0.0).ready_s(0.0, resistor) == pytest.approx(30.0)
    ready = Heat(92.0, 0.0).ready_s(7.0, resistor)
    assert Heat(92.0, 0.0).ready_s(ready, resistor) == ready


# -- the bench file ----------------------------------------------------------------------------------------------


def test_the_bench_file_states_them():
    one, other = bench_with(PRECHARGE + DISCHARGE).resistors
    assert (one.name, one.energy_j, one.capacity_j, one.cools_in_s) == ("precharge_resistor", 46.0, 92.0, 60.0)
    assert (other.capacity_j, other.begun_by.channels) == (46.0, ("start_request",))
    assert SHIPPED.resistors == ()


@pytest.mark.parametrize(
    ("old", "new", "wrong"),
    [
        ("46 J", "46 W", "'46 W' is not an energy above 0; write for example 46 J"),
        ("46 J", "0 J", "'0 J' is not an energy above 0"),
        ("46 J", "46", "'46' is not an energy above 0"),
        ("92 J", "40 J", "may hold 40 J, but one cycle puts 46 J into it"),
        ("60 s", "60 J", "'60 J' is not a time above 0; write for example 90 s"),
        ("precharge == 'closed'", "precharge == 'shut'", "'shut' is not a state of precharge"),
        ("precharge == 'closed'", "ts_voltage", "'ts_voltage' is neither true nor false"),
        ("start_request == 'pressed'", "loop == 'closed'", "loop is read, not driven"),
        ("cools_in", "cooling", "the key 'cooling' is not known here"),
        ("energy: 46 J, ", "", "the key 'energy' is missing"),
    ],
)
def test_what_is_wrong_in_the_bench_file_is_said_with_its_place(old, new, wrong):
    assert old in PRECHARGE
    with pytest.raises(InputError) as caught:
        bench_with(PRECHARGE.replace(old, new))
    line = len(SHIPPED.source_text.splitlines())
    found = [p for p in caught.value.problems if wrong in f"{p.wrong}; {p.right}"]
    assert found and found[0].line > line and found[0].file == SHIPPED.file, str(caught.value)


# -- within a run ------------------------------------------------------------------------------------------------


def test_without_resistors_nothing_is_watched(tmp_path):
    plan = plan_of(tmp_path, START)
    assert begin_budget(plan, Readings(plan.bench), 0.0, None) is None


def test_the_next_press_of_start_waits_until_the_resistor_has_cooled(tmp_path):
    free = Run(plan_of(tmp_path, CYCLE))
    free.go()
    run, budget, document = go(plan_with(tmp_path, CYCLE, PRECHARGE))
    assert document["verdict"] == "pass", document["reason"]
    presses, unhindered = began(run, "Press start"), began(free, "Press start")
    assert presses[:2] == unhindered[:2], "two cycles fit"
    (held,) = run.of(HeldBack)
    assert held.until_s == presses[2] > unhindered[2]
    assert held.cause == "step 1.2#3 (Press start): precharge_resistor has to cool"
    # closed form: 46 J at each closing of the contact, 92 J / 60 s leave all the while, 46 J may be left at the third
    closings = [event.t for event in run.of(Batch) if ("precharge", "closed") in event.samples]
    rate = 92.0 / 60.0
    assert presses[2] == pytest.approx(closings[0] + 46.0 / rate, abs=2e-6)
    end = run.engine.t
    assert budget.joules(end)["precharge_resistor"] == pytest.approx(3 * 46.0 - rate * (end - closings[0]))


def test_what_has_to_discharge_later_is_held_back_before_it_is_charged(tmp_path):
    run, _, document = go(plan_with(tmp_path, CYCLE, DISCHARGE))
    assert document["verdict"] == "pass", document["reason"]
    presses, opened = began(run, "Press start"), began(run, "Open the loop")
    for press, before in zip(presses[1:], opened, strict=False):
        assert press == pytest.approx(before + 20.0, abs=0.1), "46 J fit once: it must be cold"
    assert len(run.of(HeldBack)) == 2


def test_heat_from_before_holds_the_first_cycle_back(tmp_path):
    run, _, document = go(plan_with(tmp_path, START, PRECHARGE), {"precharge_resistor": 92.0})
    assert document["verdict"] == "pass"
    assert began(run, "Press start") == [pytest.approx(run.world.start_s + 30.0, abs=0.01)]
    assert began(run, "Close the loop") == [0.0]


def test_several_resistors_the_slowest_decides(tmp_path):
    run, _, _ = go(plan_with(tmp_path, START, PRECHARGE + DISCHARGE),
                   {"precharge_resistor": 92.0, "discharge_resistor": 46.0})  # fmt: skip
    assert [event.cause.split(": ")[1] for event in run.of(HeldBack)] == ["precharge_resistor has to cool"]


def test_clearing_up_and_the_safe_state_are_never_held_back(tmp_path):
    after = "afterwards:\n  - {name: Press again, drive: {start_request: pressed}}"
    steps = START.replace("within: 5 s", "within: 10 ms")  # fails: what is left is clearing up
    run, _, document = go(plan_with(tmp_path, steps, DISCHARGE, after))
    assert document["verdict"] == "fail"
    assert began(run, "Press again")
    assert run.of(HeldBack) == []
    assert run.outputs() == run.safe_values()


@pytest.mark.parametrize("how", ["stopped", "lost"])
def test_trouble_while_a_step_is_held_back_makes_safe_at_once(tmp_path, how):
    at = []

    def trouble(run, number, event):
        if type(event) is HeldBack:
            at.append(event)
            run.stop.cause = "stopped by SIGINT" if how == "stopped" else ""
            if how == "lost":
                run.engine.take(Lost(run.engine.t, "box", "unplugged"))

    run, _, document = go(plan_with(tmp_path, CYCLE, PRECHARGE), trouble=trouble)
    assert document["verdict"] == "inconclusive"
    assert run.outputs() == run.safe_values()
    assert len(began(run, "Press start")) == 2
    safe = [event.t for event in run.of(Driven) if event.channel == "shutdown_loop"][-1]
    assert safe < at[0].until_s - 10.0, "not when it would have gone on"


def test_invariants_go_on_while_a_step_is_held_back(tmp_path):
    rule = (
        "invariants:\n  - {name: patience, when: shutdown_loop == 'closed', must: air_minus == 'closed', within: 5 s}"
    )
    hot = {"precharge_resistor": 92.0}
    _, _, document = go(plan_with(tmp_path, START, PRECHARGE, rule), hot)
    assert document["verdict"] == "fail"
    assert "patience" in document["reason"]


def test_a_cycle_that_was_begun_counts_even_if_the_run_ends_before_it_is_seen(tmp_path):
    steps = "\n".join(START.strip().splitlines()[:5])  # ends with the pack connected: the discharge comes after
    run, budget, _ = go(plan_with(tmp_path, steps, DISCHARGE))
    assert budget.joules(run.engine.t) == {"discharge_resistor": 46.0}
    run, budget, _ = go(plan_with(tmp_path, "- {name: Close the loop, drive: {shutdown_loop: closed}}\n- pause: 1 s",
                                  DISCHARGE))  # fmt: skip
    assert budget.joules(run.engine.t) == {"discharge_resistor": 0.0}


def test_the_record_keeps_what_was_held_back_and_is_judged_the_same(tmp_path):
    from bench.judging.rejudge import differences, rejudge

    plan = plan_of(tmp_path, CYCLE)
    bench = bench_with(PRECHARGE)
    plan = replace(plan, bench=bench, sources=plan.sources | {"bench.yaml": bench.source_text})
    document = run_plan(plan, Options(records=tmp_path / "records"), Stop())
    record = read_record(Path(document["record"]))
    (held,) = [event for event in record.marks() if type(event) is HeldBack]
    assert held.until_s - held.t > 10.0
    after, before = rejudge(record.folder)
    assert (after["verdict"], differences(before, after)) == ("pass", [])
    assert not (tmp_path / "records" / HEAT_FILE).exists(), "the simulated box is a new one each time"


def test_a_run_in_which_nothing_is_held_back_leaves_the_same_bytes(tmp_path):
    plan = plan_of(tmp_path, START)
    watched = replace(plan, bench=bench_with(PRECHARGE + DISCHARGE + PLAIN))
    folders = [Path(run_plan(p, Options(records=tmp_path), Stop())["record"]) for p in (plan, watched)]
    one, other = ((folder / "record.jsonl").read_bytes() for folder in folders)
    assert one == other


# -- before a run ------------------------------------------------------------------------------------------------


def test_which_resistors_a_run_may_heat(tmp_path):
    def names(steps):
        return [resistor.name for resistor in concerned(plan_with(tmp_path, steps, PRECHARGE + PLAIN))]

    assert names(START) == ["precharge_resistor", "charger_resistor"]
    assert names("- repeat: 2\n  steps: [{drive: {start_request: pressed}}]") == [
        "precharge_resistor",
        "charger_resistor",
    ]
    assert names("- pause: 1 s") == ["charger_resistor"]
    assert names("- {drive: {start_request: released}}") == ["charger_resistor"]


class Host:
    """A wall clock that only `sleep` moves on."""

    def __init__(self):
        self.now = 1.7e9
        self.slept = 0.0
        self.shown = []

    def sleep(self, seconds):
        self.now += seconds
        self.slept += seconds

    def memory(self, folder, resistors=PRECHARGE, box="TB-07"):
        return HeatMemory(folder, box, bench_with(resistors).resistors, lambda: self.now)

    def wait(self, memory, plan, stopped=lambda: False):
        return wait_until_cool(memory, plan, self.shown.append, stopped, self.sleep)


@pytest.fixture
def host():
    return Host()


@pytest.fixture
def plan(tmp_path):
    return plan_with(tmp_path, START, PRECHARGE)


def used(memory, joules):
    memory.begin_run()
    memory.end_run({"precharge_resistor": joules})
    return memory


def test_unknown_is_just_used(tmp_path, host, plan):
    memory = host.memory(tmp_path)
    assert memory.joules() == {"precharge_resistor": 92.0}
    assert host.wait(memory, plan) is True
    assert host.slept == pytest.approx(30.0)
    assert memory.joules()["precharge_resistor"] == pytest.approx(46.0)


def test_the_countdown_is_shown(tmp_path, host, plan):
    host.wait(host.memory(tmp_path), plan)
    assert host.shown[0] == "held back: precharge_resistor has to cool for 30 s more"
    left = [int(text.split()[-3]) for text in host.shown]
    assert left == sorted(left, reverse=True) and set(left) == set(range(1, 31))


def test_a_restart_does_not_begin_the_countdown_anew(tmp_path, host, plan):
    host.memory(tmp_path)
    host.now += 20.0
    assert host.wait(host.memory(tmp_path), plan)
    assert host.slept == pytest.approx(10.0)


def test_a_stop_ends_the_waiting(tmp_path, host, plan):
    assert host.wait(host.memory(tmp_path), plan, lambda: host.slept > 5.0) is False
    assert host.slept < 5.5


def test_heat_is_remembered_over_restarts_and_cools_meanwhile(tmp_path, host, plan):
    used(host.memory(tmp_path), 80.0)
    host.now += 30.0
    assert host.memory(tmp_path).joules() == {"precharge_resistor": pytest.approx(80.0 - 46.0)}
    host.now += 3600.0
    memory = host.memory(tmp_path)
    assert memory.joules() == {"precharge_resistor": 0.0}
    assert host.wait(memory, plan) and host.slept == 0.0


def test_boxes_and_resistors_are_told_apart(tmp_path, host):
    used(host.memory(tmp_path, box="TB-07"), 10.0)
    used(host.memory(tmp_path, box="TB-08"), 20.0)
    assert host.memory(tmp_path, box="TB-07").joules() == {"precharge_resistor": pytest.approx(10.0)}
    assert host.memory(tmp_path, box="TB-08").joules() == {"precharge_resistor": pytest.approx(20.0)}
    both = host.memory(tmp_path, PRECHARGE + DISCHARGE, box="TB-07").joules()
    assert both == {"precharge_resistor": pytest.approx(10.0), "discharge_resistor": 46.0}


def test_killed_in_the_middle_of_a_run_is_hot(tmp_path, host):
    memory = used(host.memory(tmp_path), 5.0)
    memory.begin_run()
    host.now += 1.0
    assert host.memory(tmp_path).joules() == {"precharge_resistor": 92.0}


@pytest.mark.parametrize(
    "text",
    [
        "", "{", "[]", "3", "null", '{"boxes": 3}', '{"boxes": {"TB-07": []}}', '{"boxes": {"TB-07": {}}}',
        '{"boxes": {"TB-07": {"precharge_resistor": null}}}',
        '{"boxes": {"TB-07": {"precharge_resistor": 0}}}',
        '{"boxes": {"TB-07": {"precharge_resistor": {"joules": "x", "t": 0}}}}',
        '{"boxes": {"TB-07": {"precharge_resistor": {"joules": -1, "t": 0}}}}',
        '{"boxes": {"TB-07": {"precharge_resistor": {"joules": NaN, "t": 0}}}}',
        '{"boxes": {"TB-07": {"precharge_resistor": {"joules": 0, "t": -Infinity}}}}',
        '{"boxes": {"TB-07": {"precharge_resistor": {"joules": 0}}}}',
        "[" * 100_000, "\x00\xff",
    ],
)  # fmt: skip
def test_a_damaged_memory_is_hot_and_mended(tmp_path, host, text):
    (tmp_path / HEAT_FILE).write_text(text, encoding="latin-1")
    memory = host.memory(tmp_path)
    assert memory.joules() == {"precharge_resistor": 92.0}
    used(memory, 1.0)
    assert json.loads((tmp_path / HEAT_FILE).read_text())["boxes"]["TB-07"]["precharge_resistor"]["joules"] == 1.0


def test_a_clock_that_went_back_is_hot(tmp_path, host):
    used(host.memory(tmp_path), 0.0)
    host.now -= 3600.0
    assert host.memory(tmp_path).joules() == {"precharge_resistor": 92.0}


def test_a_run_whose_beginning_cannot_be_written_down_is_not_begun(tmp_path, host):
    memory = host.memory(tmp_path)
    (tmp_path / HEAT_FILE).unlink()
    (tmp_path / HEAT_FILE).mkdir()
    with pytest.raises(RecordError, match="cannot remember that the resistors get hot"):
        memory.begin_run()


def test_an_end_that_cannot_be_written_down_stays_hot_on_the_disk(tmp_path, host, monkeypatch):
    memory = host.memory(tmp_path)
    memory.begin_run()
    monkeypatch.setattr("bench.record.manifest.write_whole", lambda *_: (_ for _ in ()).throw(OSError(28, "full")))
    memory.end_run({"precharge_resistor": 1.0})
    monkeypatch.undo()
    assert memory.joules() == {"precharge_resistor": pytest.approx(1.0)}
    assert host.memory(tmp_path).joules() == {"precharge_resistor": 92.0}


def test_a_run_with_a_memory_leaves_its_heat_there(tmp_path, host):
    stays = bench_with(PRECHARGE, more="stands_in: true\n")
    memory = used(host.memory(tmp_path), 0.0)
    plan = replace(plan_of(tmp_path, START), bench=stays)
    document = run_plan(plan, Options(records=tmp_path, heat=memory), Stop())
    left = 46.0 - 92.0 / 60.0 * document["virtual_s"]
    assert host.memory(tmp_path).joules()["precharge_resistor"] == pytest.approx(left, abs=0.5)


def test_which_benches_have_a_memory(tmp_path):
    real, stands_in = bench_with(PRECHARGE, "board"), bench_with(PRECHARGE, "board", "stands_in: true\n")

    def has_one(bench, stage):
        return memory_for(bench, stage, tmp_path, "") is not None

    assert [has_one(real, stage) for stage in ("dry", "reduced", "live")] == [False, True, True]
    assert has_one(stands_in, "simulated") and has_one(stands_in, "dry")
    assert not has_one(bench_with(PRECHARGE), "live")
    assert not has_one(SHIPPED, "simulated")


def test_a_bench_that_stays_but_has_no_memory_is_not_budgeted(tmp_path):
    plan = replace(plan_of(tmp_path, START), bench=bench_with(PRECHARGE, "board"))
    assert begin_budget(plan, Readings(plan.bench), 0.0, None) is None
