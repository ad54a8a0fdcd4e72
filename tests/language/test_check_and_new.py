"""The commands `check` and `new`, as a user types them."""

from __future__ import annotations

import json

import jsonschema
import pytest
from sequence_texts import WHOLE, of_steps

from bench.__main__ import main
from bench.language.checking import schema
from bench.language.located import Map, Seq
from bench.language.shipped import shipped_folder
from bench.language.yaml_nodes import compose, read_text


def seen_by_an_editor(node):
    """The document as an editor with YAML 1.2 types sees it."""
    if isinstance(node, Map):
        return {str(key): seen_by_an_editor(value) for key, value in node.items()}
    if isinstance(node, Seq):
        return [seen_by_an_editor(value) for value in node]
    if not node.quoted:
        for known in (int, float):
            try:
                return known(node)
            except ValueError:
                pass
    return {"true": True, "false": False}.get(node, str(node)) if not node.quoted else str(node)


@pytest.mark.parametrize(
    ("kind", "texts"),
    [
        ("sequence", [WHOLE, of_steps("{pause: 1 s}")]),
        ("bench", [read_text(shipped_folder() / "bench.yaml")]),
        ("requirements", [read_text(shipped_folder() / "requirements.yaml")]),
    ],
)
def test_schema_takes_valid_files_and_refuses_slips(kind, texts, capsys):
    assert main(["check", "--schema", kind]) == 0
    printed = json.loads(capsys.readouterr().out)
    jsonschema.Draft202012Validator.check_schema(printed)
    for text in texts:
        document = seen_by_an_editor(compose(text, "f"))
        jsonschema.validate(document, printed)
        with pytest.raises(jsonschema.ValidationError):
            jsonschema.validate({**document, "slip": 1}, printed)
        with pytest.raises(jsonschema.ValidationError):
            jsonschema.validate({**document, kind: None}, printed)


def test_schema_explains_every_key_of_a_sequence():
    steps = [model for name, model in schema("sequence")["$defs"].items() if name.endswith("Entry")]
    assert len(steps) >= 17
    assert all(model["description"] for model in steps)
    assert '"null"' not in json.dumps(schema("sequence"))


def test_files_in_order(tmp_path, capsys, monkeypatch):
    monkeypatch.chdir(tmp_path)
    (tmp_path / "s.yaml").write_text(of_steps("{pause: 1 s}"))
    assert main(["check", "s.yaml"]) == 0
    assert capsys.readouterr().out == "1 file in order\n"
    assert main(["check", str(shipped_folder() / "bench.yaml"), str(shipped_folder() / "requirements.yaml"), "."]) == 0
    assert capsys.readouterr().out == "3 files in order\n"


def test_problems_are_sorted_on_standard_error_with_status_2(tmp_path, capsys, monkeypatch):
    monkeypatch.chdir(tmp_path)
    (tmp_path / "b.yaml").write_text(of_steps("{pause: 5}", "{await: lop == 'open'}"))
    (tmp_path / "a.yaml").write_text("bench: a\n")
    (tmp_path / "c.yaml").write_bytes(b"\x00\xff")
    (tmp_path / "d.yaml").write_text("requirements: [{id: A, title: t, text: x, limit: {min: 5 V, max: 3 s}}]\n")
    assert main(["check", "."]) == 2
    captured = capsys.readouterr()
    assert captured.out == ""
    assert [line.rsplit(": error:")[0] for line in captured.err.splitlines()] == [
        "a.yaml:1:1", "a.yaml:1:1", "b.yaml:3:13", "b.yaml:4:13", "c.yaml:1:2", "d.yaml:1:66",
    ]  # fmt: skip
    assert "Traceback" not in captured.err


def test_json(tmp_path, capsys, monkeypatch):
    monkeypatch.chdir(tmp_path)
    (tmp_path / "b.yaml").write_text(of_steps("{pause: 5}"))
    assert main(["check", "b.yaml", "--json"]) == 2
    assert json.loads(capsys.readouterr().out) == {
        "files": 1,
        "problems": [
            {
                "file": "b.yaml", "line": 3, "column": 13,
                "wrong": "'5' is a plain number; a time is due", "right": "write for example '5 s'",
            }
        ],
    }  # fmt: skip


@pytest.mark.parametrize(
    ("arguments", "says"),
    [
        ([], "no file is named"),
        (["none.yaml"], "none.yaml:1:1: error: cannot be read"),
        (["."], "no YAML file is here"),
        (["--bench", "none.yaml", "."], "none.yaml:1:1: error: cannot be read"),
        (["rec.txt"], "rec.txt:1:1: error: the file is empty"),
    ],
)
def test_wrong_use(tmp_path, capsys, monkeypatch, arguments, says):
    monkeypatch.chdir(tmp_path)
    (tmp_path / "rec.txt").touch()
    assert main(["check", *arguments]) == 2
    assert says in capsys.readouterr().err


def test_a_database_that_is_not_there(tmp_path, capsys):
    text = read_text(shipped_folder() / "bench.yaml").replace("heron3.dbc", "other.dbc")
    (tmp_path / "bench.yaml").write_text(text)
    assert main(["check", str(tmp_path)]) == 2
    assert "bench.yaml:5:11: error: no file is at" in capsys.readouterr().err


@pytest.mark.parametrize("kind", ["sequence", "bench"])
def test_a_new_file_passes_the_check_and_is_never_written_over(tmp_path, capsys, monkeypatch, kind):
    monkeypatch.chdir(tmp_path)
    assert main(["new", kind, "my-first"]) == 0
    written = (tmp_path / "my-first.yaml").read_text()
    assert written.count("#") > 3
    assert main(["check", "my-first.yaml"]) == 0
    assert main(["new", kind, "my-first"]) == 2
    assert "my-first.yaml:1:1: error: this file is there already" in capsys.readouterr().err
    assert (tmp_path / "my-first.yaml").read_text() == written
    assert main(["new", kind, "../My First"]) == 2
    assert [path.name for path in tmp_path.iterdir()] == ["my-first.yaml"]


def test_a_new_sequence_runs_on_a_new_bench(tmp_path, capsys, monkeypatch):
    monkeypatch.chdir(tmp_path)
    assert main(["new", "sequence", "s"]) == 0
    assert main(["new", "bench", "b"]) == 0
    assert main(["check", "--bench", "b.yaml", "s.yaml"]) == 0
