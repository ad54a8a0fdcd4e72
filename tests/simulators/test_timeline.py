"""The one clock of the simulation: instants end, and what is awaited is there at the instant it was asked for."""

import pytest

from bench.language.bench_file import load_bench
from bench.language.loading import load_plans
from bench.language.register import load_register
from bench.language.shipped import shipped_folder
from bench.runner.options import Options
from bench.runner.run import run_plan
from bench.runner.stopping import Stop
from simulators.controller import ReferenceController
from simulators.timeline import CONTROL, Timeline


def test_an_instant_that_does_not_end_is_named():
    timeline = Timeline(0.0)

    def again(t):
        timeline.at(t, again)

    timeline.at(2.5, again)
    with pytest.raises(RuntimeError, match=r"^the instant 2\.5 s does not end: more than 100000 actions$"):
        timeline.run_instant((10.0, 0))


def test_many_actions_of_one_instant_are_done_in_their_order():
    timeline, done = Timeline(0.0), []
    for number in range(1000):
        timeline.at(1.0, lambda t, number=number: done.append(number))
    timeline.at(1.0, done.append, CONTROL)
    assert timeline.run_instant((1.0, 1)) == 1.0
    assert done == list(range(1000)), "the controller's step waits for the wake-up"
    assert timeline.next() == (1.0, 2)


def test_a_simulation_that_stands_still_is_trouble_of_the_bench_and_no_verdict_on_the_box():
    class Breathless(ReferenceController):
        period_s = 1e-12  # below what the timeline resolves

    (plan,) = load_plans([shipped_folder() / "standard" / "standing-rules.yaml"], load_bench(None), load_register(None))
    document = run_plan(plan, Options(records=None, controller=Breathless), Stop())
    assert document["verdict"] == "inconclusive"
    assert "RuntimeError: the instant -3 s does not end: more than 100000 actions" in document["reason"]


@pytest.mark.parametrize(("bms_s", "imd_s"), [(0.2000004, 1.0000004), (1.0000004, 0.5000004)])
def test_lines_come_up_at_times_between_two_instants_of_the_timeline(stand, bms_s, imd_s):
    s = stand(power="off", parameters={"bms_startup": bms_s, "imd_startup": imd_s})
    s.drive(shutdown_loop="closed", supply_voltage=12.5).run(2.0)
    assert s.when("loop", "closed") == pytest.approx(1.0, abs=1e-6)


def test_a_line_that_never_comes_up_latches_at_a_time_between_two_instants(stand):
    s = stand(power="off", parameters={"line_grace": 5.0000004})
    s.drive(shutdown_loop="closed", bms_line="fault", supply_voltage=12.5).run(5.5)
    s.drive(bms_line="ok").run(0.1)
    assert s["loop"] == "open"
