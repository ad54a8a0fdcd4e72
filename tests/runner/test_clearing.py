"""A box that a run left latched does not fail the next run for it."""

from contextlib import nullcontext
from types import SimpleNamespace

from bench.commands import run as run_command
from bench.language.bench_file import bench_from_text, load_bench
from bench.language.loading import plans_from_text
from bench.language.shipped import shipped_file
from bench.runner.clearing import clearing_text
from bench.runner.options import Options
from tests.runner.running import Run
from tests.suite import BENCH, PLANS, REGISTER

FIRST_BENCH = shipped_file("benches/first-bench.yaml")


def test_it_presses_reset_and_energises_nothing():
    (plan,) = plans_from_text(clearing_text(BENCH), "bench-clearing.yaml", BENCH, REGISTER)
    run = Run(plan)
    document = run.go()
    assert document["verdict"] == "pass", document["reason"]
    assert [rule["name"] for rule in document["invariants"]] == ["nothing-energised"]
    assert run.outputs() == run.safe_values()


def test_it_lets_go_what_is_latched():
    (plan,) = plans_from_text(clearing_text(BENCH), "bench-clearing.yaml", BENCH, REGISTER)
    run = Run(plan)
    latch = run.world.box.loop.bms
    latch.tripped = True  # by the run before: latches outlive supply and runs
    assert run.go()["verdict"] == "pass"
    assert not latch.tripped


def test_a_bench_without_a_reset_does_without():
    text = (
        "bench: b\ndevices: {io: {driver: simulated}}\nchannels:\n  loop: {direction: read, states: [open, closed]}\n"
    )
    assert clearing_text(bench_from_text(text, "b.yaml")) == ""


def test_it_comes_between_two_runs_and_not_for_one_that_is_refused(monkeypatch):
    """A run that passes may end with the box latched, too."""
    made, when, verdicts = [], [], ["pass", "fail"]
    refusals = ["", "it is another stage", ""]

    def run_plan(plan, *_, **__):
        made.append(plan)
        return {"verdict": verdicts[len(made) - 1], "reason": "", "trouble": "", "sequence": plan.sequence,
                "case": plan.case, "record": "", "steps": [], "invariants": [], "virtual_s": 0.0}  # fmt: skip

    monkeypatch.setattr("bench.runner.run.run_plan", run_plan)
    monkeypatch.setattr("bench.runner.clearing.clear_box", lambda *_: when.append(len(made)))
    monkeypatch.setattr("bench.devices.opening.bench_in_wall_time", lambda *_: nullcontext(object()))
    monkeypatch.setattr(
        "bench.runner.selfcheck.check_bench", lambda *_: SimpleNamespace(verdict="pass", failed={}, overdue={})
    )
    monkeypatch.setattr(Options, "reason_not_to_run", lambda *_: refusals.pop(0))
    options = Options(permit=SimpleNamespace(has_lapsed=False))
    runs = [(plan, 0) for plan in PLANS[:3]]
    documents = run_command._run_all(runs, load_bench(FIRST_BENCH), REGISTER, options, True)
    assert [document["verdict"] for document in documents] == ["pass", "not-run", "fail"]
    assert when == [1]
