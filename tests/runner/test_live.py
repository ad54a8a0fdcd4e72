"""Nothing opens `live` without people at a terminal; and the run command asks before it touches a port."""

from dataclasses import replace
from pathlib import Path

import pytest

from bench.__main__ import main
from bench.errors import InputError
from bench.record.manifest import entry_of, load_manifest
from bench.record.reader import read_record
from bench.report.exports import export
from bench.runner.acknowledging import Terminal, real_terminal
from bench.runner.options import Options
from bench.runner.run import run_plan
from bench.runner.stages import (
    live_lacks,
    names_of,
)
from bench.runner.stopping import Stop
from tests.runner.staging import LIVE, REAL, REASON, Bench


@pytest.fixture
def at(tmp_path):
    return Bench(tmp_path)


# -- live --------------------------------------------------------------------------------------------------------


def test_live_on_the_report(at):
    at.record("reduced")
    at.answers = ["yes", "yes"]
    given = at.permit(replace(LIVE, rules=at.rules))
    document = run_plan(at.plan, Options(records=at.records, permit=given, people=given.wanted.people), Stop())
    folder = Path(document["record"])
    acknowledged = load_manifest(folder)["acknowledgement"]
    assert acknowledged["sha256"] == entry_of(at.rules.read_bytes())["sha256"]
    assert (acknowledged["by"], acknowledged["lines"]) == (["A. Fell", "B. Tarn"], 2)
    page = export(read_record(folder), "html").decode()
    facts = page[page.index("<h2>Verdict</h2>") : page.index("<h2>Requirements</h2>")]
    assert "2 lines acknowledged by A. Fell and B. Tarn" in facts and "live" in facts


def test_cautions_come_before_the_first_question(at):
    at.record("reduced")
    heard = []
    at.terminal = Terminal(True, False, lambda text: heard.append(text) or "yes", heard.append)
    at.permit(replace(LIVE, rules=at.rules))
    first_question = next(n for n, text in enumerate(heard) if "yes?" in text)
    cautions = [text for text in heard[:first_question] if "licensed practice" in text or "approved tester" in text]
    assert len(cautions) == 2


@pytest.mark.parametrize(
    ("present", "in_ci", "people", "rules", "lacks"),
    [
        (True, False, ("A", "B"), True, []),
        (False, False, ("A", "B"), True, ["--stage"]),
        (True, True, ("A", "B"), True, ["--stage"]),
        (False, True, ("A", "B"), True, ["--stage", "--stage"]),
        (True, False, (), True, ["--people"]),
        (True, False, ("A",), True, ["--people"]),
        (True, False, ("A", "a"), True, ["--people"]),
        (True, False, ("A", "-"), True, ["--people"]),
        (True, False, ("A", "B", "C"), False, ["--rules"]),
        (False, True, (), False, ["--stage", "--stage", "--people", "--rules"]),
    ],
)
def test_what_live_cannot_do_without_whatever_is_overridden(at, present, in_ci, people, rules, lacks):
    at.record("reduced")
    at.answers = ["yes", "yes"]
    at.terminal = Terminal(present, in_ci, at._answer, at.shown.append)
    path = at.rules if rules else None
    assert [problem.file for problem in live_lacks(people, path, at.terminal)] == lacks
    asked_for = replace(LIVE, people=people, rules=path, override=REASON)
    if lacks:
        assert len(at.refusal(asked_for).splitlines()) == len(lacks)
        assert (at.asked, at.shown) == ([], [])
    else:
        assert at.permit(asked_for).acknowledgement is not None


def test_live_without_a_yes_to_each_line_is_refused(at):
    at.record("reduced")
    at.answers = ["yes", "no"]
    assert "line 2 of rules.txt was not acknowledged" in at.refusal(replace(LIVE, rules=at.rules))


def test_the_acknowledgement_lapses_and_can_be_given_again(at):
    at.record("reduced")
    at.answers = ["yes"] * 4
    given = at.permit(replace(LIVE, rules=at.rules))
    at.now += 900.0
    assert not given.has_lapsed
    at.now += 1.0
    assert given.has_lapsed
    given.acknowledge()
    assert (given.has_lapsed, len(at.asked)) == (False, 4)
    at.now += 901.0
    with pytest.raises(InputError):
        given.acknowledge()
    assert given.has_lapsed, "a refused one leaves the old one lapsed"


def test_names():
    assert names_of(["A. Fell,  B.   Tarn ", "", "C,,"]) == ("A. Fell", "B. Tarn", "C")
    assert names_of([]) == ()


def test_the_real_terminal_knows_pipes_and_ci(monkeypatch):
    monkeypatch.setenv("CI", "true")
    there = real_terminal()  # under pytest standard input is no terminal
    assert (there.present, there.in_ci) == (False, True)
    monkeypatch.delenv("CI")
    assert real_terminal().in_ci is False


# -- the command -------------------------------------------------------------------------------------------------


@pytest.fixture
def real_bench_file(tmp_path):
    file = tmp_path / "real.yaml"
    file.write_text(REAL.source_text.replace("database: heron3.dbc\n", ""), encoding="utf-8")
    return file


def test_run_refuses_before_any_port_is_touched(tmp_path, capsys, monkeypatch, real_bench_file, at):
    monkeypatch.chdir(tmp_path)
    opened = []
    monkeypatch.setattr("bench.devices.opening.bench_in_wall_time", lambda bench: opened.append(bench))
    monkeypatch.setattr("bench.devices.opening.devices_of", lambda bench: [])  # its channels have no places on a board
    file = tmp_path / "case.yaml"
    file.write_text(at.plan.sources["sequence.yaml"].replace("energy: dry", "energy: live"), encoding="utf-8")
    common = ["run", str(file), "--bench", str(real_bench_file), "--records", str(tmp_path / "records")]
    assert main([*common, "--stage", "reduced", "--box", "TB-07", "--firmware", "v1"]) == 2
    assert "holds no passing dry record" in capsys.readouterr().err
    assert main([*common, "--stage", "live", "--override", REASON, "--people", "A,B", "--box", "x"]) == 2
    err = capsys.readouterr().err
    assert "live needs a terminal" in err and "give --rules FILE" in err and "give --firmware" in err
    assert opened == []
    assert not (tmp_path / "records").exists()


def test_run_on_the_simulated_bench_says_its_stage_and_people(tmp_path, capsys, at):
    records = tmp_path / "records"
    assert main(["run", str(tmp_path / "case.yaml"), "--records", str(records), "--people", "A,B", "--json"]) == 0
    assert capsys.readouterr().err == ""
    (folder,) = records.iterdir()
    manifest = load_manifest(folder)
    assert (manifest["stage"], manifest["overrides"]) == ("simulated", [])
    assert manifest["people"] == {"operator": "", "present": ["A", "B"]}
