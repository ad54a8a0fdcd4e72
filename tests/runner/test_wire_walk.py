"""Wire by wire with a person: what is asked, in which order, and where it refuses to begin."""

import pytest

from bench.__main__ import main
from bench.errors import InputError
from bench.language.bench_file import load_bench
from bench.language.loading import plans_from_text
from bench.language.plan import Ask, Check, Drive
from bench.language.register import load_register
from bench.language.shipped import shipped_file
from bench.runner.wire_walk import wire_walk_text
from tests.judging.folding import plan_of
from tests.runner.running import Run

FIRST = shipped_file("benches/first-bench.yaml")


def steps(begin_at=""):
    bench = load_bench(FIRST)
    (plan,) = plans_from_text(wire_walk_text(bench, begin_at), "walk.yaml", bench, load_register(None))
    return bench, plan.steps


def test_every_wire_is_asked_about_and_every_output_goes_to_every_state():
    bench, walk = steps()
    asked = {name for step in walk if type(step) is Ask for name in step.shows}
    wired = {name for name, channel in bench.channels.items() if bench.devices[channel.device].driver != "operator"}
    unasked = {name for name in wired if bench.channels[name].direction == "driven" and not bench.channels[name].states}
    assert asked >= wired - unasked - {"supply_voltage"}
    driven = [(name, value) for step in walk if type(step) is Drive for name, value in step.changes.items()]
    for name, channel in bench.channels.items():
        if channel.direction == "driven" and channel.states:
            assert {value for walked, value in driven if walked == name} == set(channel.states)
            assert [value for walked, value in driven if walked == name][-1] == channel.initial


def test_no_wire_is_touched_before_the_voltages_are_low_and_the_loop_comes_last():
    _, walk = steps()
    kinds = [type(step) for step in walk]
    first = [step for step in walk if type(step) is Check]
    assert kinds[: len(first)] == [Check] * len(first)
    assert {name for step in first for name in step.expression.channels} >= {"ts_voltage", "pack_voltage"}
    assert all(step.limit.max.constant.value == 60.0 for step in first)
    assert next(iter([step for step in walk if type(step) is Drive][-1].changes)) == "shutdown_loop"


def test_the_walk_begins_where_it_is_told_to():
    _, walk = steps("interlock")
    drives = [name for step in walk if type(step) is Drive for name in step.changes]
    assert drives[0] == "interlock"
    with pytest.raises(InputError, match="did you mean 'interlock'"):
        steps("interlok")


def test_terminal_pin_and_colour_stand_in_the_question():
    bench, walk = steps()
    wire = bench.channels["interlock"].wire
    question = next(step.question for step in walk if type(step) is Ask and "interlock" in step.shows)
    assert wire.pin in question
    assert wire.colour in question


def test_the_simulated_bench_has_no_wires(capsys):
    assert main(["selfcheck", "--walk"]) == 2
    assert "nothing in this bench has a wire" in capsys.readouterr().err


def test_somebody_must_be_there(capsys, tmp_path):
    assert main(["selfcheck", "--walk", "--bench", str(FIRST), "--records", str(tmp_path)]) == 2
    assert "there is no terminal" in capsys.readouterr().err
    assert not list(tmp_path.iterdir())


def test_from_without_a_walk(capsys):
    assert main(["selfcheck", "--from", "loop"]) == 2
    assert "--walk" in capsys.readouterr().err


def test_a_question_shows_the_present_values(tmp_path):
    run = Run(plan_of(tmp_path, "- {ask: 'Well?', simulated: 'yes', shows: [loop, pack_voltage]}"))
    document = run.go()
    asked = next(event for event in run.memory.events if hasattr(event, "question"))
    assert asked.question == "loop is open; pack_voltage is 403.2 V; Well?"
    assert document["verdict"] == "pass"
