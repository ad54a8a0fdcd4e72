"""`run --plan` tells what a run then does, needs no device, and leaves nothing behind."""

import json

import pytest

from bench import events
from bench.__main__ import main
from bench.language.bench_file import load_bench
from bench.language.loading import load_plans
from bench.language.shipped import shipped_file, shipped_folder
from bench.runner.planning import plan_document, plan_text
from tests.judging.folding import plan_of
from tests.runner.planned import changes, drives, each_entry, told
from tests.runner.running import START, Run
from tests.suite import BENCH, PLANS, REGISTER

FIRST_BENCH = shipped_file("benches/first-bench.yaml")
ENERGISE = shipped_folder() / "standard" / "energise" / "energise-and-shutdown.yaml"
ROUNDS = """
- repeat: 2
  steps:
    - repeat: 3
      steps:
        - {name: Press, drive: {reset_request: pressed}}
        - {name: Wait, pause: 20 ms}
        - {name: Release, drive: {reset_request: released}}
    - {name: Lines, drive: {bms_line: fault, supply_voltage: 12 V}}
    - {name: Lines back, drive: {bms_line: ok, supply_voltage: 12.5 V}}
"""


# -- it tells what is then done ----------------------------------------------------------------------------------


def test_rounds_are_told_once_and_counted(tmp_path):
    plan = plan_of(tmp_path, ROUNDS)
    run = told(plan)
    real = Run(plan)
    real.go()
    done = [event.stimulus for event in real.memory.events if isinstance(event, events.Driving)]
    assert done == ["initial values", *(name for name, _ in drives(run["steps"])), "safe values"]
    assert run["at_least_s"] == pytest.approx(2 * 3 * 0.020)


def test_from_and_to_and_device(tmp_path):
    run = told(plan_of(tmp_path, START))
    all_drives = [drive for entry in run["steps"] for drive in entry.get("drives", ())]
    assert [(each["channel"], each["from"], each["to"], each["device"]) for each in all_drives] == [
        ("shutdown_loop", "open", "closed", "box"),
        ("start_request", "released", "pressed", "box"),
        ("shutdown_loop", "closed", "open", "box"),
    ]


def test_what_a_later_round_goes_from(tmp_path):
    steps = """
    - repeat: 3
      steps:
        - repeat: 2
          steps:
            - {name: One, drive: {supply_voltage: 10 V}}
        - {name: Other, drive: {supply_voltage: 11 V}}
    """
    run = told(plan_of(tmp_path, steps))
    by_name = {entry["name"]: entry["drives"][0] for entry in each_entry(run["steps"]) if "drives" in entry}
    assert (by_name["One"]["from"], by_name["One"]["from_in_later_rounds"]) == (12.5, [10.0, 11.0])
    assert (by_name["Other"]["from"], by_name["Other"]["from_in_later_rounds"]) == (10.0, [])


def test_what_follows_something_by_itself(tmp_path):
    steps = """
    - {drive: {bms_max_cell_voltage: 4 V}}
    - {drive: {bms_max_cell_voltage: 4.1 V}}
    - {restore: bms_max_cell_voltage}
    - {drive: {bms_max_cell_voltage: 4 V}}
    """
    run = told(plan_of(tmp_path, steps))
    all_drives = [entry["drives"][0] for entry in run["steps"] if "drives" in entry]
    assert [(drive["from"], drive["follows"]) for drive in all_drives] == [(None, "cells"), (4.0, ""), (None, "cells")]
    assert run["steps"][2]["restores"] == ["bms_max_cell_voltage"]
    assert "bms_max_cell_voltage" not in changes(run["at_the_end"])


def test_questions_faults_and_power(tmp_path):
    steps = """
    - {ask: Is the lamp lit?, answers: ["yes", "no"], expect: "yes", simulated: "yes"}
    - {inject: air-plus-welded}
    - {send: {bus: can, id: 0x123, data: 01 FF}}
    """
    run = told(plan_of(tmp_path, steps, "power: 'off'"), [(2.0, "air-minus-welded")])
    asked, injected, sent = run["steps"]
    assert (asked["asks"], asked["answers"], asked["expected"]) == ("Is the lamp lit?", ["yes", "no"], "yes")
    assert injected["injects"] == ["air-plus-welded"]
    assert (sent["sends"], sent["bus"]) == ("0x123 01 ff", "can")
    assert run["injections"] == [{"at_s": 2.0, "fault": "air-minus-welded"}]
    assert changes(run["at_start"])["supply_voltage"] == 0.0
    assert run["powered_before_s"] == 0.0
    text = plan_text([plan_of(tmp_path, steps)], BENCH, REGISTER, [(2.0, "air-minus-welded")])
    for line in (
        "asks: Is the lamp lit? (yes / no; right is yes)",
        "injects air-plus-welded",
        "sends 0x123 01 ff on can",
        "fault from the command line: air-minus-welded at 2 s",
    ):
        assert line in text


def test_stages_and_requirements():
    document = plan_document(PLANS, BENCH, REGISTER)
    assert document["highest_energy"] == "live"
    (run,) = [run for run in document["runs"] if run["sequence"] == "energise-and-shutdown"]
    assert {"PRE-01", "DIS-01"} <= set(run["requirements"])
    assert document["at_least_s"] == pytest.approx(
        sum(run["at_least_s"] + run["powered_before_s"] for run in document["runs"])
    )


def test_every_drive_is_in_the_text():
    plan = next(plan for plan in PLANS if plan.sequence == "energise-and-shutdown")
    run = told(plan)
    text = plan_text([plan], BENCH, REGISTER)
    for entry in (*run["steps"], *run["afterwards"]):
        assert f"{entry['path']} {entry['name']} ({entry['kind']})" in text
        for drive in entry.get("drives", ()):
            assert f"drives {drive['channel']}: {drive['from']} -> {drive['to']}  on box" in text


def test_what_comes_between_runs_on_hardware():
    """Reset is pressed there: no output moves that the plan has not told of."""
    bench = load_bench(FIRST_BENCH)
    (plan,) = load_plans([ENERGISE], bench, REGISTER)
    once = plan_document([plan], bench, REGISTER)
    thrice = plan_document([plan], bench, REGISTER, repeat=3)
    assert once["between_runs"] is None
    between, last = thrice["between_runs"], thrice["runs"][-1]
    assert [list(drive) for _, drive in drives(between["steps"])] == [["reset_request"], ["reset_request"]]
    twice_s = 2 * sum(run["at_least_s"] + run["powered_before_s"] for run in (last, between))
    assert thrice["at_least_s"] == pytest.approx(once["at_least_s"] + twice_s)
    text = plan_text([plan], bench, REGISTER, repeat=3)
    assert "[between any two of the runs asked for] bench-clearing: Reset between two runs" in text
    assert "3 runs, those asked for 3 times each, on the bench" in text
    assert plan_document([plan, plan], BENCH, REGISTER)["between_runs"] is None


# -- and does nothing itself -------------------------------------------------------------------------------------


def test_a_bench_whose_devices_are_not_there(tmp_path, capsys, monkeypatch):
    monkeypatch.chdir(tmp_path)
    for place in (
        "bench.devices.opening.bench_in_wall_time",
        "bench.runner.run.run_plan",
        "bench.runner.run.new_record",
    ):
        monkeypatch.setattr(place, lambda *_, **__: pytest.fail("a plan must not do this"))
    assert main(["run", str(ENERGISE), "--bench", str(FIRST_BENCH), "--plan", "--json"]) == 0
    document = json.loads(capsys.readouterr().out, parse_constant=lambda word: pytest.fail(f"{word} is not JSON"))
    assert document["plan_only"] is True
    assert [run["sequence"] for run in document["runs"]] == [
        "bench-selfcheck",
        "bench-known-bad",
        "energise-and-shutdown",
    ]
    driven = {drive["channel"]: drive["device"] for entry in document["runs"][2]["steps"]
              for drive in entry.get("drives", ())}  # fmt: skip
    assert driven == {"shutdown_loop": "io", "start_request": "io"}
    assert main(["run", str(ENERGISE), "--bench", str(FIRST_BENCH), "--plan"]) == 0
    assert "nothing is driven" in capsys.readouterr().out
    assert list(tmp_path.iterdir()) == []


def test_the_simulated_bench_leaves_nothing_behind_either(tmp_path, capsys, monkeypatch):
    monkeypatch.chdir(tmp_path)
    assert main(["run", str(shipped_folder() / "standard"), "--plan", "--json"]) == 0
    json.loads(capsys.readouterr().out, parse_constant=lambda word: pytest.fail(f"{word} is not JSON"))
    assert list(tmp_path.iterdir()) == []


def test_a_channel_that_a_person_reads(tmp_path):
    bench = load_bench(FIRST_BENCH)
    file = tmp_path / "read.yaml"
    file.write_text(
        "sequence: read\ntitle: Read by a person\nenergy: dry\nsteps:\n"
        "  - {check: tester_voltage, limit: {max: 60 V}}\n"
    )
    run = plan_document(load_plans([file], bench, REGISTER), bench, REGISTER)["runs"][-1]
    assert run["read_by_a_person"] == ["tester_voltage"]


def test_mistakes_are_told_as_without_plan(capsys):
    assert main(["run", str(ENERGISE), "--plan", "--fault", "no-such-fault"]) == 2
    assert "no fault is called" in capsys.readouterr().err
