"""Sequence files: what a good one becomes, and what every mistake is told as."""

from __future__ import annotations

import pytest
from sequence_texts import WHOLE, of_steps, plans, problems, register

from bench.errors import InputError, RecordError
from bench.language import plan
from bench.language.bench_file import load_bench
from bench.language.loading import load_plan_from_record, load_plans


def test_a_whole_sequence(tmp_path):
    full, low = plans(tmp_path, WHOLE)
    assert (full.sequence, full.case, full.energy, full.power) == ("whole", "full", "reduced", "on")
    assert (full.proves, full.tags, full.purpose) == (("PRE-01", "DIS-01"), ("example",), "What an observer would see")
    assert (full.simulated, low.simulated) == ({"pack_emf": 403.2}, {"pack_emf": 300.0})
    kinds = [plan.KIND_WORDS[type(step)] for step in full.steps]
    assert " ".join(kinds) == "drive await time check check check hold count pause ask ask send restore repeat time"
    assert [step.path for step in full.steps] == [str(number) for number in range(1, 16)]
    assert [step.line for step in full.steps[:3]] == [18, 19, 20]
    assert full.steps[0].changes == {
        "shutdown_loop": "closed",
        "supply_voltage": 12.5,
        "fault_resistor_plus": float("inf"),
    }
    assert low.steps[0].changes["shutdown_loop"] == "open"
    assert full.steps[1].within_s == 1.0
    assert full.steps[1].name == "Await air_minus == 'closed'"
    assert full.steps[3].limit.min.compile({"pack_voltage": 0})([100.0]) == 95.0
    assert low.steps[3].limit.min.compile({"pack_voltage": 0})([100.0]) == 90.0
    assert full.steps[3].limit.unit == "V"
    assert full.steps[4].limit.text == "at least 95 % * pack_voltage"
    assert full.steps[4].requirement.id == "PRE-01"
    assert full.steps[5].limit is None
    assert (full.steps[9].answers, full.steps[9].expect, full.steps[9].simulated) == (("yes", "no"), "yes", "yes")
    assert (full.steps[11].frame_id, full.steps[11].data, full.steps[11].extended) == (0x1A0, b"\x01\xff", False)
    repeat = full.steps[13]
    assert (repeat.times, [step.path for step in repeat.steps]) == (3, ["14.1", "14.2"])
    assert (repeat.steps[1].from_within_s, repeat.steps[1].to_within_s) == (10.0, 6.0)
    assert (full.steps[14].from_within_s, full.steps[14].to_within_s) == (7.0, 7.0)
    assert full.afterwards[0].path == "afterwards.1"
    never, when, always = full.invariants
    assert never.name == never.rule == f"never {never.condition.text}"
    assert (when.name, when.kind, when.within_s) == ("contacts follow", "when", 0.25)
    assert always.kind == "always"
    assert full.sources["sequence.yaml"] == WHOLE
    assert "bench: heron-3-simulated" in full.sources["bench.yaml"]


BAD_STEPS = [
    # (step, column in the file counted from 1, what is said)
    ("{drive: {shutdown_lop: closed}}", 14, "the bench has no channel 'shutdown_lop'; did you mean 'shutdown_loop'?"),
    ("{drive: {shutdown_loop: clsoed}}", 29, "'clsoed' is not a state of shutdown_loop; did you mean 'closed'?"),
    ("{drive: {shutdown_loop: on}}", 29, "it is open or closed"),
    ("{drive: {loop: open}}", 14, "loop is read, not driven"),
    ("{drive: {supply_voltage: 12}}", 30, "write for example '12 V'"),
    ("{drive: {supply_voltage: 12 A}}", 30, "'12 A' is a current, supply_voltage is a voltage in V"),
    ("{drive: {supply_voltage: 21 V}}", 30, "21 V is outside the range of supply_voltage; 0 to 20 V"),
    ("{drive: {supply_voltage: ts_voltage}}", 30, "ts_voltage changes while the box runs"),
    ("{drive: {supply_voltage: inf V}}", 30, "outside the range"),
    ("{drive: {supply_voltage: nan}}", 30, "write a finite number"),
    ("{drive: {}}", 13, "the list is empty"),
    ("{drive: shutdown_loop}", 13, "a mapping is due"),
    ("{drive: [shutdown_loop]}", 13, "a mapping is due"),
    ("{drive: {shutdown_loop: [open]}}", 29, "a list stands where a text is due"),
    ("{await: ts_voltage}", 13, "'ts_voltage' is a voltage; a condition is due"),
    ("{await: ts_voltage < 60 V, within: 5}", 40, "'5' is a plain number; a time is due; write for example '5 s'"),
    ("{await: ts_voltage < 60 V, within: 5 V}", 40, "'5 V' is a voltage; a time is due"),
    ("{await: ts_voltage < 60 V, within: 1:30}", 40, "'90 s'"),
    ("{await: ts_voltage < 60 V, within: 0 s}", 40, "write a time above 0 s"),
    ("{await: ts_voltage < 60 V, within: -1 s}", 40, "write a time above 0 s"),
    ("{await: ts_voltage < 60 V, within: ts_voltage}", 40, "changes while the box runs"),
    ("{await: ts_voltage < 60 V, wihtin: 5 s}", 32, "the key 'wihtin' is not known here; did you mean 'within'?"),
    ("{await: ts_voltage < 60 V, await: loop == 'open'}", 32, "the key 'await' is already in line 3"),
    ("{await: ts_voltage < 60}", 26, "60 is a plain number"),
    ("{await: \"ts_voltage < 60\"}", 27, "60 is a plain number"),
    ("{await: loop = 'open'}", 18, "write == to compare"),
    ("{await: open('x')}", 13, "only abs, min and max"),
    ("{await: loop.state == 'open'}", 13, "a name with a dot"),
    ("{check: ts_voltage}", 13, "without a limit"),
    ("{check: controller_state}", 13, "is a text"),
    ("{check: 60 V, limit: {max: 5 V}}", 13, "names no channel"),
    ("{check: loop == 'open', limit: {max: 5 V}}", 13, "a condition has no limit"),
    ("{check: ts_voltage, limit: {min: 5 V, max: 3 V}}", 38, "min 5 V is above max 3 V"),
    ("{check: ts_voltage, limit: {max: 5}}", 38, "write for example '5 V'"),
    ("{check: ts_voltage, limit: {max: 5 A}}", 38, "'5 A' is a current, 'ts_voltage' is a voltage"),
    ("{check: fan_duty, limit: {max: 5}}", 36, "write for example '5 %'"),
    ("{check: ts_voltage, limit: {max: nan V}}", 38, "'nan' is not a value that can be judged; write a finite number"),
    ("{check: ts_voltage, limit: {max: .inf}}", 39, "write a finite number"),
    ("{check: ts_voltage, limit: {}}", 13, "the limit is empty"),
    ("{check: ts_voltage, limit: 5 V}", 32, "a mapping is due"),
    ("{check: ts_voltage, limit: {min: 5 V, mox: 3 V}}", 43, "'mox' is not known here; known: min, max"),
    ("{check: ts_voltage, requirement: PRE-1}", 38, "the register has no requirement 'PRE-1'; did you mean 'PRE-01'?"),
    ("{check: ts_voltage, requirement: IND-01}", 13, "without a limit"),
    ("{check: ts_voltage, requirement: DIS-01}", 38, "DIS-01 limits a time, 'ts_voltage' is a voltage"),
    ("{check: ts_voltage, requirement: PRE-01, limit: {min: 5 V}}", 59, "both a requirement and a limit"),
    ("{check: ts_voltage * ts_voltage, limit: {max: ts_voltage * 5 V}}", 51, "no unit is known"),
    ("{time: {from: loop == 'open', to: ts_voltage < 60 V}}", 39, "neither a max nor 'within'"),
    ("{time: {from: loop == 'open', to: ts_voltage < 60 V}, limit: {min: 1 s}}", 39, "neither a max nor 'within'"),
    ("{time: {from: loop == 'open', to: ts_voltage < 60 V}, requirement: IND-01}", 39, "neither a max nor 'within'"),
    ("{time: {from: loop == 'open', to: ts_voltage < 60 V}, requirement: TOP-01}", 72, "changes while the box runs"),
    ("{time: {from: loop == 'open', to: ts_voltage < 60 V}, limit: {max: 5 V}}", 72, "'5 V' is a voltage"),
    ("{time: {from: loop == 'open'}, within: 5 s}", 12, "the key 'to' is missing"),
    ("{hold: loop == 'open'}", 5, "the key 'for' is missing"),
    ("{count: lop, for: 1 s, limit: {max: 2}}", 13, "did you mean 'loop'?"),
    ("{count: loop, for: 1 s}", 13, "a count without a limit"),
    ("{count: loop, for: 1 s, limit: {max: 2 s}}", 42, "is a time"),
    ("{pause: 012}", 13, "write 12"),
    ("{pause: 1e3 ms}", 13, "write 1000"),
    ("{pause: '1,5 s'}", 13, "write 1.5"),
    ("{pause: 5s}", 13, "write '5 s'"),
    ("{pause: 5 S}", 15, "write 's'"),
    ("{ask: Lit?, answers: yes}", 26, "a list is due"),
    ("{ask: Lit?, expect: maybe}", 25, "'maybe' is not one of the answers"),
    ("{ask: Lit?, simulated: yeah}", 28, "is not one of the answers"),
    ("{inject: air-plus-weldet}", 14, "no fault is called 'air-plus-weldet'; did you mean 'air-plus-welded'?"),
    ("{restore: loop}", 15, "loop follows nothing by itself"),
    ("{restore: [bms_max_cell_voltag]}", 16, "did you mean 'bms_max_cell_voltage'?"),
    ("{repeat: 1, steps: [{pause: 1 s}]}", 14, "from 2 to 10000"),
    ("{repeat: 10001, steps: [{pause: 1 s}]}", 14, "from 2 to 10000"),
    ("{repeat: 2.5, steps: [{pause: 1 s}]}", 14, "from 2 to 10000"),
    ("{repeat: 5 s, steps: [{pause: 1 s}]}", 14, "from 2 to 10000"),
    ("{repeat: 2, steps: []}", 24, "the list is empty"),
    ("{repeat: 2, steps: [{pause: 5}]}", 33, "a time is due"),
    ("{use: no-such-sequence}", 11, "no sequence is called 'no-such-sequence'"),
    ("{send: {bus: can}}", 18, "a message or an id"),
    (
        "{send: {bus: car, id: 0x1A0}}", 18,
        "no device of the bench is the bus 'car'; write can, or give a device of driver can the line 'bus: car'",
    ),
    ("{send: {bus: can, id: 1A0}}", 27, "write it in hexadecimal, for example 0x1A0"),
    ("{send: {bus: can, id: 0xFFFFFFFF}}", 27, "is not an identifier"),
    ("{send: {bus: can, id: 0x1A0, data: 123}}", 40, "not the data of a frame"),
    ("{send: {bus: can, id: 0x1A0, data: 010203040506070809}}", 40, "at most 8 bytes"),
    ("{send: {bus: can, id: 0x1A0, signals: {a: 1}}}", 27, "data, no signals"),
    ("{send: {bus: can, message: bms_cell}}", 32, "did you mean 'bms_cells'?"),
    ("{send: {bus: can, message: bms_cells, signals: {max_cel_voltage: 4 V}}}", 53, "did you mean 'max_cell_voltage'?"),
    ("{send: {bus: can, message: bms_cells, signals: {max_cell_voltage: 4 A}}}", 71, "max_cell_voltage is in V"),
    ("{send: {bus: can, message: bms_cells, signals: {max_cell_voltage: 9 V}}}", 71, "outside what"),
    ("{pause: 1 s, check: loop == 'open'}", 5, "'check' and 'pause' in one entry"),
    ("{name: nothing to do}", 5, "nothing here says what is to be done"),
    ("{awiat: loop == 'open'}", 5, "did you mean 'await'?"),
    ("pause", 5, "a mapping is due here"),
    ("[pause, 5 s]", 5, "a mapping is due here"),
]  # fmt: skip


@pytest.mark.parametrize(("step", "column", "says"), BAD_STEPS, ids=lambda value: str(value)[:50])
def test_a_bad_step(tmp_path, step, column, says):
    (problem,) = problems(tmp_path, of_steps(step))
    assert problem.startswith(f"s.yaml:3:{column}: error: ")
    assert says in problem


BAD_HEADS = [
    ("titel: x\n", "2:1", "the key 'titel' is not known here; did you mean 'title'?"),
    ("energy: wet\n", "2:9", "write 'dry', 'reduced' or 'live'"),
    ("power: true\n", "2:8", "write 'on' or 'off'"),
    ("power: offf\n", "2:8", "did you mean 'off'?"),
    ("proves: DIS-01\n", "2:9", "write a list, for example [DIS-01]"),
    ("proves: [DIS-1]\n", "2:10", "did you mean 'DIS-01'?"),
    ("title: {a: b}\n", "2:8", "a mapping stands where a text is due"),
    ("values: {ts_voltage: 5 V}\n", "2:10", "ts_voltage is a channel of the bench"),
    ("values: {Big: 5 V}\n", "2:10", "is not a name here"),
    ("values: {and: 5 V}\n", "2:10", "is not a name here"),
    ("values: {x: 5 Volt}\n", "2:15", "write 'V'"),
    ("values: {x: 2 * y, y: 5 V}\n", "2:17", "no channel or value is called 'y'"),
    ("values: {x: 2 * ts_voltage}\n", "2:13", "ts_voltage changes while the box runs"),
    ("values: {x: 012}\n", "2:13", "write 12"),
    ("values: {x: 5 V, x: 6 V}\n", "2:18", "the key 'x' is already in line 2, column 10"),
    ("simulated: {pack_enf: 5 V}\n", "2:13", "did you mean 'pack_emf'?"),
    ("simulated: {pack_emf: 5 A}\n", "2:23", "'5 A' is a current, pack_emf is a voltage"),
    ("simulated: {pack_emf: 400}\n", "2:23", "'400' is a plain number"),
    ("simulated: {pack_emf: -1 V}\n", "2:23", "pack_emf is at least 0 V"),
    ("cases: []\n", "2:8", "the list is empty"),
    ("cases: [{name: a}, {name: a}]\n", "2:27", "the name 'a' is already in line 2"),
    ("cases: [{name: a, values: {x: 5 V}}]\n", "2:28", "the sequence has no value called 'x'"),
    ("values: {x: 5 V}\ncases: [{name: a, values: {x: 5 A}}]\n", "3:28", "x becomes a current; a voltage is due"),
    ("invariants: [{never: ts_voltage}]\n", "2:22", "a condition is due"),
    ("invariants: [{never: loop == 'open', always: loop == 'open'}]\n", "2:14", "'never' and 'always' in one entry"),
    ("invariants: [{nver: loop == 'open'}]\n", "2:14", "did you mean 'never'?"),
    ("invariants: [{when: loop == 'open', within: 5 s}]\n", "2:14", "the key 'must' is missing"),
    ("invariants: [{when: loop == 'open', must: air_plus == 'open'}]\n", "2:14", "the key 'within' is missing"),
    ("invariants: [{never: loop == 'open', within: 5 s}]\n", "2:38", "the key 'within' is not known here"),
    ("afterwards: [{pause: 5}]\n", "2:22", "a time is due"),
]


@pytest.mark.parametrize(("head", "position", "says"), BAD_HEADS, ids=lambda value: str(value).strip()[:50])
def test_a_bad_head(tmp_path, head, position, says):
    (problem,) = problems(tmp_path, of_steps("{pause: 1 s}", head=head))
    assert problem.startswith(f"s.yaml:{position}: error: ")
    assert says in problem


def test_a_case_replaces_a_value_before_others_are_made_of_it(tmp_path):
    text = of_steps("{pause: y}", head="values: {x: 1 s, y: 2 * x}\ncases: [{name: a}, {name: b, values: {x: 3 s}}]\n")
    assert [each.steps[0].for_s for each in plans(tmp_path, text)] == [2.0, 6.0]


def test_all_problems_in_one_pass_sorted(tmp_path):
    text = of_steps(
        "{pause: 5}", "{await: lop == 'open'}", "{pase: 1 s}", "{pause: 1 V}", head="titel: x\nproves: [NO-1]\n"
    )
    assert [line.split(":")[1] for line in problems(tmp_path, text)] == ["2", "3", "5", "6", "7", "8"]


def test_missing_parts(tmp_path):
    assert problems(tmp_path, "sequence: s\n") == ["s.yaml:1:1: error: the key 'steps' is missing; add it"]
    assert "is not a name here" in problems(tmp_path, "sequence: S p\nsteps: [{pause: 1 s}]\n")[0]
    assert "did you mean 'sequence'?" in problems(tmp_path, "sequnce: s\nsteps: [{pause: 1 s}]\n")[0]
    assert "this is a bench file" in problems(tmp_path, "bench: s\n")[0]
    assert "make it two files" in problems(tmp_path, "sequence: s\nbench: s\n")[0]
    with pytest.raises(InputError, match=r"none\.yaml:1:1: error: cannot be read: No such file"):
        load_plans([tmp_path / "none.yaml"], load_bench(None), register())
    (tmp_path / "empty").mkdir()
    with pytest.raises(InputError, match="no sequence is here"):
        load_plans([tmp_path / "empty"], load_bench(None), register())


def test_names_are_given_once(tmp_path):
    text = of_steps("{name: a, pause: 1 s}", "{repeat: 2, steps: [{name: a, pause: 1 s}]}")
    assert problems(tmp_path, text) == ["s.yaml:4:32: error: the name 'a' is already in line 3; give each its own name"]


def test_folders_are_read_in_order_and_other_kinds_passed_over(tmp_path):
    for name in ("b", "a", "sub/c"):
        (tmp_path / name).parent.mkdir(exist_ok=True)
        (tmp_path / f"{name}.yaml").write_text(f"sequence: {name[-1]}\nsteps: [{{pause: 1 s}}]\n")
    (tmp_path / "requirements.yaml").write_text("requirements: [{id: A, title: a, text: a}]\n")
    (tmp_path / ".hidden.yaml").write_text("rubbish")
    found = load_plans([tmp_path, tmp_path / "a.yaml"], load_bench(None), register())
    assert [each.sequence for each in found] == ["a", "b", "c"]


# -- use ---------------------------------------------------------------------------------------------------------


def test_use_puts_values_in_and_keeps_texts_for_the_record(tmp_path):
    (tmp_path / "uses").mkdir()
    (tmp_path / "uses" / "any-file-name.yaml").write_text(
        "sequence: wait\nvalues: {how_long: 1 s, twice: 2 * how_long}\nsteps: [{pause: twice}]\n"
    )
    text = of_steps("{use: wait, values: {how_long: 3 * unit}}", "{use: wait}", head="values: {unit: 1 s}\n")
    (found,) = plans(tmp_path, text)
    assert [step.steps[0].for_s for step in found.steps] == [6.0, 2.0]
    assert [step.steps[0].path for step in found.steps] == ["1.1", "2.1"]
    assert found.sources["uses/wait.yaml"].startswith("sequence: wait")


def test_a_wrong_value_for_use(tmp_path):
    (tmp_path / "wait.yaml").write_text("sequence: wait\nvalues: {how_long: 1 s}\nsteps: [{pause: how_long}]\n")
    (unknown,) = problems(tmp_path, of_steps("{use: wait, values: {how_lng: 3 s}}"))
    assert unknown.startswith("s.yaml:3:26:") and "did you mean 'how_long'?" in unknown
    (wrong,) = problems(tmp_path, of_steps("{use: wait, values: {how_long: 3 V}}"))
    assert wrong.startswith("s.yaml:3:26:") and "how_long becomes a voltage; a time is due" in wrong


def test_a_problem_in_a_used_file_is_told_once_and_there(tmp_path):
    (tmp_path / "wait.yaml").write_text("sequence: wait\nsteps: [{pause: 5}]\n")
    (problem,) = problems(tmp_path, of_steps("{use: wait}", "{use: wait}"))
    assert problem.startswith("wait.yaml:2:17:")


def test_a_cycle_shows_its_chain(tmp_path):
    (tmp_path / "b.yaml").write_text("sequence: b\nsteps: [{use: c}]\n")
    (tmp_path / "c.yaml").write_text("sequence: c\nsteps: [{use: s}]\n")
    (problem,) = problems(tmp_path, of_steps("{use: b}"))
    assert problem.startswith("c.yaml:2:15: error: 's' uses itself: s -> b -> c -> s")
    (itself,) = problems(tmp_path, of_steps("{use: s}"))
    assert "s -> s" in itself


def test_use_that_doubles_and_doubles_is_stopped(tmp_path):
    for number in range(18):
        inner = f"[{{use: d{number + 1}}}, {{use: d{number + 1}}}]" if number < 17 else "[{pause: 1 s}]"
        (tmp_path / f"d{number}.yaml").write_text(f"sequence: d{number}\nsteps: {inner}\n")
    (problem,) = problems(tmp_path, of_steps("{use: d0}"))
    assert "more than 10000 steps" in problem


def test_a_record_folder_loads_by_itself(tmp_path):
    source, record = tmp_path / "source", tmp_path / "record"
    (source / "uses").mkdir(parents=True)
    (source / "uses" / "wait.yaml").write_text("sequence: wait\nsteps: [{pause: 2 s}, {inject: air-plus-welded}]\n")
    (original, _) = plans(source, of_steps("{use: wait}", head="cases: [{name: a}, {name: b}]\n"))
    for name, text in original.sources.items():
        (record / name).parent.mkdir(parents=True, exist_ok=True)
        (record / name).write_text(text)
    again = load_plan_from_record(record, "a")
    assert (again.sequence, again.case, again.steps) == (original.sequence, original.case, original.steps)
    with pytest.raises(RecordError, match="has no case 'c'"):
        load_plan_from_record(record, "c")
    (record / "uses" / "wait.yaml").unlink()
    with pytest.raises(RecordError, match="no sequence is called 'wait'"):
        load_plan_from_record(record, "a")


def test_what_only_a_simulated_bench_can_do_is_named(tmp_path):
    text = (
        load_bench(None)
        .source_text.replace("driver: simulated", "driver: board, port: X")
        .replace("database: heron3.dbc", "")
    )
    (tmp_path / "real.yaml").write_text(text)
    bench = load_bench(tmp_path / "real.yaml")
    assert not bench.simulated
    path = tmp_path / "s.yaml"
    path.write_text(of_steps("{pause: 1 s}", head="simulated: {pack_emf: 5 V}\n"))
    (found,) = load_plans([path], bench, register())
    assert plan.only_simulated(found) == "it sets pack_emf, and the bench is not simulated"
    path.write_text(of_steps("{inject: air-plus-welded}"))
    (found,) = load_plans([path], bench, register())
    assert plan.only_simulated(found) == "it injects air-plus-welded, and the bench is not simulated"
    (found,) = load_plans([path], load_bench(None), register())
    assert plan.only_simulated(found) == ""
