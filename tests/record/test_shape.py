"""A header or manifest that has lost a key or holds the wrong kind of thing is refused, and never a traceback."""

import json

import heron_record
import pytest

from bench.__main__ import main
from bench.record.header import is_header
from bench.record.shape import NUMBER, TEXT_OR_NULL, fits

HEADER = heron_record.HEADER | {"kind": "record"}
COMMANDS = [("report", "--output", "page.html"), ("report", "--export", "junit", "--output", "j.xml"), ("rejudge",)]
WRONG = [None, 1, "text", [1], {"a": 1}]


@pytest.mark.parametrize("key", ["sequence", "case", "simulated", "rule", "seed", "bench", "channels", "groups"])
def test_a_header(key):
    assert is_header(HEADER)
    assert not is_header({name: value for name, value in HEADER.items() if name != key})
    others = [value for value in WRONG if not isinstance(value, type(HEADER[key]))]
    assert len(others) >= 4 and not any(is_header(HEADER | {key: value}) for value in others)


@pytest.mark.parametrize("command", COMMANDS)
def test_a_wrong_header_is_told_of(tmp_path, monkeypatch, capsys, command):
    monkeypatch.chdir(tmp_path)
    folder = heron_record.write_record(tmp_path / "run", last_s=0.05)
    first, _, rest = (folder / "record.jsonl").read_bytes().partition(b"\n")
    (folder / "record.jsonl").write_bytes(first.replace(b'"rule"', b'"rulf"') + b"\n" + rest)
    assert main([command[0], str(folder), *command[1:]]) == 3
    assert "record.jsonl:1: is not the first line of a record of format 1" in capsys.readouterr().err


@pytest.mark.parametrize("command", COMMANDS)
@pytest.mark.parametrize(
    ("path", "value"),
    [
        (("files",), []), (("files", "record.jsonl"), {}), (("derived",), None), (("document",), "text"),
        (("document", "steps"), [1]), (("document", "steps", 0, "began_s"), "soon"), (("document", "proves"), 1),
        (("document", "steps", 0, "path"), 1), (("document", "invariants", 0, "name"), None), (("tool",), "text"),
    ],
)  # fmt: skip
def test_a_wrong_manifest_is_told_of(tmp_path, monkeypatch, capsys, command, path, value):
    monkeypatch.chdir(tmp_path)
    folder = heron_record.write_record(tmp_path / "run", last_s=0.05)
    inside = manifest = json.loads((folder / "manifest.json").read_bytes())
    for part in path[:-1]:
        inside = inside[part]
    inside[path[-1]] = value
    (folder / "manifest.json").write_text(json.dumps(manifest))
    assert main([command[0], str(folder), *command[1:]]) == 3
    assert capsys.readouterr().err.endswith("manifest.json: is not a manifest\n")


def test_shapes():
    shape = {"name": str, "also": TEXT_OR_NULL, "values": [NUMBER], "by": {...: {"at": NUMBER}}}
    assert fits({"name": "a", "also": None, "values": [1, 2.5], "by": {"x": {"at": 1.0}, "y": {}}, "more": 1}, shape)
    for wrong in (
        {"name": None},
        {"values": [1, "2"]},
        {"values": 1},
        {"by": {"x": 1}},
        {"by": {"x": {"at": "0"}}},
        [],
    ):
        assert not fits(wrong, shape)
