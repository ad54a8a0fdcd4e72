"""A team's own limits: what they replace, what is refused, and that a record carries them."""

import json
from pathlib import Path

import pytest

from bench.__main__ import main
from bench.errors import InputError
from bench.judging.rejudge import rejudge
from bench.language.register import load_register

SEQUENCE = Path(__file__).parents[2] / "sequences/standard/energise/energise-and-shutdown.yaml"


def limits(tmp_path, entry):
    file = tmp_path / "limits.yaml"
    file.write_text(f"limits:\n  - {entry}\n", encoding="utf-8")
    return file


def ran(tmp_path, capsys, *more):
    status = main(["run", str(SEQUENCE), "--records", str(tmp_path / "records"), "--json", *map(str, more)])
    return status, json.loads(capsys.readouterr().out)["runs"][0]


STRICT = "{id: PRE-01, limit: {min: 97 %}, reason: we want more than the rules do}"


def test_another_limit_decides_and_the_document_shows_both(tmp_path, capsys):
    status, run = ran(tmp_path, capsys, "--limits", limits(tmp_path, STRICT))
    assert (status, run["verdict"]) == (1, "fail")
    assert run["other_limits"] == [
        {
            "requirement": "PRE-01",
            "limit": "min 97 %",
            "instead_of": "min 95 %",
            "reason": "we want more than the rules do",
        }
    ]
    step = next(step for step in run["steps"] if step["requirement"] == "PRE-01")
    assert (step["min"], step["verdict"]) == (97.0, "fail")


def test_the_report_shows_both_limits_and_the_reason(tmp_path, capsys):
    _, run = ran(tmp_path, capsys, "--limits", limits(tmp_path, STRICT))
    assert main(["report", run["record"]]) == 0
    page = (Path(run["record"]) / "report.html").read_text(encoding="utf-8")
    assert "PRE-01: min 97 % instead of min 95 %, because: we want more than the rules do" in page


def test_a_record_is_judged_again_by_its_own_limits_or_by_others(tmp_path, capsys):
    _, run = ran(tmp_path, capsys, "--limits", limits(tmp_path, STRICT))
    assert main(["verify", run["record"]]) == 0
    again, before = rejudge(Path(run["record"]))
    assert (again["verdict"], before["verdict"]) == ("fail", "fail")
    other = limits(tmp_path, "{id: PRE-01, limit: {min: 90 %}, reason: the rules of our event}")
    again, _ = rejudge(Path(run["record"]), limits=other)
    assert next(step["verdict"] for step in again["steps"] if step["requirement"] == "PRE-01") == "pass"


def test_without_a_file_nothing_is_other(tmp_path, capsys):
    status, run = ran(tmp_path, capsys)
    assert (status, run["other_limits"]) == (0, [])
    assert not (Path(run["record"]) / "limits.yaml").exists()


@pytest.mark.parametrize(
    ("entry", "says"),
    [
        ("{id: PRE-91, limit: {min: 90 %}, reason: why}", ":2:10: error: the register has no requirement 'PRE-91'"),
        ("{id: PRE-01, limit: {}, reason: why}", "the limit of PRE-01 is empty"),
        ("{id: PRE-01, limit: {min: 90 %}, reason: '  '}", "the reason is blank"),
        ("{id: PRE-01, limit: {min: 90 %}}", "reason"),
        (STRICT + f"\n  - {STRICT}", "a second limit for PRE-01"),
    ],
)
def test_mistakes(tmp_path, entry, says):
    with pytest.raises(InputError) as caught:
        load_register(None, limits(tmp_path, entry))
    assert says in str(caught.value)
    assert str(caught.value).startswith(str(tmp_path / "limits.yaml"))


def test_a_limit_of_another_kind_is_told_by_check_and_by_run(tmp_path, capsys):
    file = limits(tmp_path, "{id: PRE-01, limit: {min: 90 V, max: 5 s}, reason: nonsense}")
    assert main(["check", str(file)]) == 2
    assert "is a time" in capsys.readouterr().err
    assert main(["run", str(SEQUENCE), "--records", str(tmp_path / "records"), "--limits", str(file)]) == 2
