"""`check --coverage`: what proves what, and what nothing proves."""

import json
from pathlib import Path
from xml.etree import ElementTree

import pytest

from bench.__main__ import main
from bench.language.bench_file import load_bench
from bench.language.coverage import CLAIMED, ON_THE_WAY, PROVED, coverage
from bench.language.loading import load_plans
from bench.language.register import load_register
from bench.language.shipped import shipped_folder

SVG = "{http://www.w3.org/2000/svg}"
REGISTER = """requirements:
  - {id: ONE-01, title: One, text: The first.}
  - {id: TWO-01, title: Two, text: The second.}
  - {id: SEE-01, title: Seen, text: The third., shown_by: inspection}
"""
SEQUENCE = """sequence: {name}
title: A test
energy: dry
proves: [{proves}]
steps:
  - {{name: Close the loop, drive: {{shutdown_loop: closed}}}}
  - {{name: It is closed, await: loop == 'closed', within: 1 s, requirement: ONE-01}}
"""


@pytest.fixture
def folder(tmp_path):
    """Two sequences and a register of their own, for a look at what covers what."""
    (tmp_path / "register.yaml").write_text(REGISTER, encoding="utf-8")
    for name, proves in (("proves", "ONE-01"), ("other", "SEE-01")):
        (tmp_path / f"{name}.yaml").write_text(SEQUENCE.format(name=name, proves=proves), encoding="utf-8")
    return tmp_path


def test_the_shipped_suite_leaves_nothing_unproved(capsys, tmp_path):
    picture = tmp_path / "coverage.svg"
    assert main(["check", str(shipped_folder()), "--coverage", "--picture", str(picture)]) == 0
    out = capsys.readouterr().out
    assert any(line.startswith("DIS-01 ") and "discharge-time" in line for line in out.splitlines())
    root = ElementTree.parse(picture).getroot()
    assert root.get("role") == "img"
    description = root.find(f"{SVG}desc").text
    assert description.endswith("Proved by nothing: none.")
    texts = {"".join(text.itertext()) for text in root.iter(f"{SVG}text")}
    assert {"DIS-01", "energise-and-shutdown"} <= texts


def test_a_requirement_that_nothing_proves_is_an_error_at_its_place(capsys):
    part = str(shipped_folder() / "standard" / "discharge")
    assert main(["check", part, "--json"]) == 0
    assert "coverage" not in json.loads(capsys.readouterr().out)
    assert main(["check", part, "--coverage", "--json"]) == 2
    document = json.loads(capsys.readouterr().out)
    unproved = {id for id, proved_by in document["coverage"].items() if not proved_by}
    assert {"BMS-01", "ILK-01"} <= unproved and "DIS-01" not in unproved
    assert {problem["wrong"] for problem in document["problems"]} == {f"nothing proves {id}" for id in unproved}
    register = Path(shipped_folder() / "requirements.yaml")
    lines = register.read_text(encoding="utf-8").splitlines()
    for problem in document["problems"]:
        id = problem["wrong"].removeprefix("nothing proves ")
        assert problem["file"] == str(register)
        assert lines[problem["line"] - 1][problem["column"] - 1 :] == id
    assert main(["check", part, "--coverage"]) == 2
    captured = capsys.readouterr()
    assert ": error: nothing proves ILK-01; name it in 'proves' of a sequence, or say with 'shown_by'" in captured.err
    assert any(line.split() == ["ILK-01", "-"] for line in captured.out.splitlines())


def test_naming_on_the_way_proves_nothing(folder):
    register = load_register(folder / "register.yaml")
    found = coverage(load_plans([folder / "proves.yaml", folder / "other.yaml"], load_bench(None), register), register)
    assert found.cells == {
        ("ONE-01", "proves"): PROVED, ("ONE-01", "other"): ON_THE_WAY, ("SEE-01", "other"): CLAIMED,
    }  # fmt: skip
    assert found.proved_by("ONE-01") == ["proves"]


def test_a_picture_goes_with_coverage(folder, capsys):
    assert main(["check", str(folder), "--picture", "x.svg"]) == 2
    assert "--picture:1:1: error: it goes with --coverage" in capsys.readouterr().err
