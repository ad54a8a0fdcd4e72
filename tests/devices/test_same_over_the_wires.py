"""The same sequence in virtual time and over the stand-ins' wires in wall time: same verdicts, times that agree."""

from pathlib import Path

import pytest

from bench.devices.opening import bench_in_wall_time
from bench.judging.rejudge import differences, rejudge
from bench.language.bench_file import bench_from_text, load_bench
from bench.language.loading import load_plans
from bench.language.register import load_register
from bench.record.verifying import verify
from bench.runner.options import Options
from bench.runner.run import run_plan
from bench.runner.stopping import Stop
from simulators.stand_ins import TEMPLATE, StandIns

SEQUENCE = Path(__file__).parents[2] / "sequences/standard/energise/energise-and-shutdown.yaml"
#: A press comes at any moment of the controller's period, so the box itself may answer that much later, s.
PERIOD_S = 0.010
UNITS = {"s": 1.0, "ms": 1e-3}


def test_energise_and_shutdown(tmp_path):
    register = load_register(None)
    (plan,) = load_plans([SEQUENCE], load_bench(None), register)
    virtual = run_plan(plan, Options(records=tmp_path / "virtual"), Stop())
    with StandIns() as stand_ins:
        bench = bench_from_text(stand_ins.bench_text, TEMPLATE)
        (plan,) = load_plans([SEQUENCE], bench, register)
        with bench_in_wall_time(bench) as opened:
            wall = run_plan(plan, Options(records=tmp_path / "wall"), Stop(), opened=opened)
    assert (wall["verdict"], wall["reason"]) == ("pass", "")
    assert [step["verdict"] for step in wall["steps"]] == [step["verdict"] for step in virtual["steps"]]
    times = [pair for pair in zip(virtual["steps"], wall["steps"], strict=True) if pair[0]["kind"] == "time"]
    assert len(times) >= 4
    for one, other in times:
        unit = UNITS[one["unit"]]
        stated = (one["uncertainty"] + other["uncertainty"]) * unit
        assert other["value"] * unit == pytest.approx(one["value"] * unit, abs=stated + PERIOD_S), one["name"]
    again, before = rejudge(Path(wall["record"]))
    assert differences(before, again) == []
    assert verify(Path(wall["record"])).level.name == "INTACT"
