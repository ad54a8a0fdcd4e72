"""The index of a records folder: it holds nothing of its own, keeps up, and hides nothing."""

import json
import os
import shutil
import sqlite3

import heron_record
import pytest

from bench.commands import records as records_command
from bench.errors import InputError
from bench.record.index import INDEX_FILE, Filter, Index
from bench.record.manifest import load_manifest, write_manifest


def make(records, name, started="2026-11-25T10:00:00.000Z", firmware="1.4.2", value=2.5, **changes):
    folder = heron_record.write_record(records / name, last_s=0.2)
    fields = load_manifest(folder)
    fields["document"] |= changes
    fields["document"]["steps"][5]["value"] = value
    write_manifest(folder, fields | {"started_utc": started, "firmware": {"text": firmware}})
    return folder


def listed(records, **wanted):
    with Index(records) as index:
        return [entry.folder for entry in index.entries(Filter(**wanted))]


def states(records):
    with Index(records) as index:
        return {entry.folder: entry.state for entry in index.entries(Filter())}


def test_records_are_listed_newest_first_and_filtered(tmp_path):
    make(tmp_path, "a", "2026-11-24T23:59:59.000Z", "1.4.2")
    make(tmp_path, "b", "2026-11-25T00:00:00.000Z", "1.5.0", verdict="fail")
    make(tmp_path, "c", "2026-11-26T12:00:00.000Z", "1.5.0")
    assert listed(tmp_path) == ["c", "b", "a"]
    assert listed(tmp_path, firmware="1.5.0") == ["c", "b"]
    assert listed(tmp_path, verdict="fail") == ["b"]
    assert listed(tmp_path, since="2026-11-25", until="2026-11-25") == ["b"]
    assert listed(tmp_path, until="2026-11-24") == ["a"]
    assert listed(tmp_path, sequence="energise-and-shutdown", case="full", stage="live") == ["c", "b", "a"]
    assert listed(tmp_path, box="another") == [] == listed(tmp_path, sequence="energise' OR 1 --")


def test_a_binary_is_found_by_the_start_of_its_hash(tmp_path):
    folder = make(tmp_path, "a")
    write_manifest(folder, load_manifest(folder) | {"firmware": {"file": "box.bin", "sha256": "3f" * 32}})
    assert listed(tmp_path, firmware="3f3f3f") == listed(tmp_path, firmware="box.bin") == ["a"]
    assert listed(tmp_path, firmware="3f3") == []


def test_what_is_wrong_is_listed_and_not_hidden(tmp_path):
    for name in ("good", "cut", "missing", "more", "forged"):
        make(tmp_path, name)
    heron_record.write_record(tmp_path / "unclosed", last_s=0.2, close=False)
    path = tmp_path / "cut/frames.log"
    path.write_bytes(path.read_bytes()[:-1])
    (tmp_path / "missing/sequence.yaml").unlink()
    (tmp_path / "more/note.txt").write_text("x")
    path = tmp_path / "forged/manifest.json"
    path.write_text(path.read_text().replace("2.5", "1.5"))
    (tmp_path / "rubbish").mkdir()
    (tmp_path / "rubbish/manifest.json").write_text("{")
    (tmp_path / "empty").mkdir()
    (tmp_path / "empty/record.jsonl").write_text("")
    (tmp_path / "no record").mkdir()
    (tmp_path / "file").write_text("x")
    assert states(tmp_path) == {
        "good": "closed", "cut": "altered", "missing": "altered", "more": "altered", "forged": "altered",
        "unclosed": "incomplete", "rubbish": "unreadable", "empty": "incomplete",
    }  # fmt: skip


def test_the_index_keeps_up(tmp_path):
    make(tmp_path, "a")
    make(tmp_path, "b")
    assert listed(tmp_path) == ["b", "a"]
    shutil.rmtree(tmp_path / "a")
    make(tmp_path, "c")
    (tmp_path / "b/manifest.sig").write_text("{}")
    assert states(tmp_path) == {"b": "altered", "c": "closed"}


def test_a_file_that_grows_in_place_is_seen(tmp_path):
    folder = make(tmp_path, "a")
    assert states(tmp_path) == {"a": "closed"}
    with (folder / "record.jsonl").open("a") as file:
        file.write("x")
    assert states(tmp_path) == {"a": "altered"}


@pytest.mark.parametrize("damage", ["missing", "rubbish", "other version", "other tables"])
def test_the_index_is_never_the_only_copy(tmp_path, damage):
    make(tmp_path, "a")
    before = listed(tmp_path)
    path = tmp_path / INDEX_FILE
    if damage == "rubbish":
        path.write_bytes(b"SQLite format 3\x00" + b"rubbish" * 500)
    elif damage == "missing":
        path.unlink()
    else:
        base = sqlite3.connect(path)
        base.executescript("PRAGMA user_version = 99" if damage == "other version" else "DROP TABLE measured")
        base.close()
        (tmp_path / "a/note").write_text("x")
        (tmp_path / "a/note").unlink()
    assert listed(tmp_path) == before == ["a"]


def test_a_folder_that_cannot_hold_an_index_is_listed_all_the_same(tmp_path):
    make(tmp_path, "a")
    (tmp_path / INDEX_FILE).mkdir()
    (tmp_path / INDEX_FILE / "x").write_text("x")
    assert listed(tmp_path) == ["a"]


def test_values_are_kept_by_requirement_and_by_step(tmp_path):
    make(tmp_path, "a", firmware="1.0", value=2.0)
    make(tmp_path, "b", "2026-11-26T10:00:00.000Z", "1.1", value=3.0)
    path = make(tmp_path, "c", "2026-11-27T10:00:00.000Z", value=9.0) / "frames.log"
    path.write_bytes(b"")  # altered: it has no say
    with Index(tmp_path) as index:
        for name in ("DIS-01", "Discharge time"):
            found = index.measured(name, Filter(verdict="pass"))
            assert [(entry.folder, step["value"], step["max"]) for entry, step in found] == [
                ("a", 2.0, 5.0),
                ("b", 3.0, 5.0),
            ]


def run(capsys, *words):
    import argparse

    parser = argparse.ArgumentParser()
    records_command.add_parser(parser.add_subparsers())
    assert records_command.work(parser.parse_args(["records", *map(str, words)])) == 0
    return capsys.readouterr().out


def test_the_command_prints_one_line_a_record_and_what_is_wrong(tmp_path, capsys):
    make(tmp_path, "a")
    make(tmp_path, "b", "2026-11-26T10:00:00.000Z", verdict="fail")
    (tmp_path / "b/note.txt").write_text("x")
    assert run(capsys, tmp_path) == (
        "started (UTC)        verdict  sequence                      stage  firmware  box                         "
        "record is  folder\n"
        "2026-11-26 10:00:00  ✗ fail   energise-and-shutdown / full  live   1.4.2     Heron 3 box B, serial 0007  "
        "altered    b\n"
        "2026-11-25 10:00:00  ● pass   energise-and-shutdown / full  live   1.4.2     Heron 3 box B, serial 0007  "
        "closed     a\n"
        "b: note.txt: is in the folder but not in the manifest\n"
        "2 records\n"
    )
    found = json.loads(run(capsys, tmp_path, "--verdict", "pass", "--json"))["records"]
    assert [(entry["folder"], entry["state"], entry["verdict"]) for entry in found] == [("a", "closed", "pass")]


def test_a_bit_that_leaves_sizes_alone_is_found_with_verify(tmp_path, capsys):
    folder = make(tmp_path, "a")
    path = folder / "sequence.yaml"
    data = bytearray(path.read_bytes())
    data[3] ^= 1
    stat = path.stat()
    path.write_bytes(data)
    os.utime(path, ns=(stat.st_atime_ns, stat.st_mtime_ns))
    assert "closed" in run(capsys, tmp_path)
    told = run(capsys, tmp_path, "--verify")
    assert "altered" in told and "sequence.yaml: is not the file that the manifest describes" in told


def test_a_trend_is_one_row_a_firmware(tmp_path, capsys):
    for place, (firmware, value) in enumerate([("1.0", 2.0), ("1.0", 3.0), ("0.9", 4.0)]):
        make(tmp_path, f"r{place}", f"2026-11-2{place}T10:00:00.000Z", firmware, value)
    told = run(capsys, tmp_path, "--trend", "DIS-01", "--plot", tmp_path / "trend.svg")
    rows = [line.split("  ") for line in told.splitlines()]
    cells = [[cell.strip() for cell in row if cell.strip()] for row in rows[1:]]
    name = "energise-and-shutdown / full: Discharge time, simulated"
    assert cells == [
        [name, "1.0", "2", "2.5 s", "0.707107 s", "2 s", "3 s", "max 5 s", "pass"],
        [name, "0.9", "1", "4 s", "4 s", "4 s", "max 5 s", "pass"],
    ]
    first = (tmp_path / "trend.svg").read_bytes()
    assert b"<svg" in first
    document = json.loads(run(capsys, tmp_path, "--trend", "Discharge time", "--json"))
    assert [(row["firmware"], row["values"]) for row in document["rows"]] == [("1.0", [2.0, 3.0]), ("0.9", [4.0])]


@pytest.mark.parametrize(
    ("words", "wrong"),
    [
        (["--trend", "nothing"], "no closed record here holds a value of 'nothing'"),
        (["--plot", "x.svg"], "there is nothing to draw"),
        (["--since", "yesterday"], "'yesterday' is no day"),
        (["--trend", "DIS-01", "--plot", "x.doc"], "is no kind of figure"),
    ],
)
def test_wrong_use_is_told(tmp_path, capsys, words, wrong):
    make(tmp_path, "a")
    with pytest.raises(InputError, match=wrong):
        run(capsys, tmp_path, *words)


def test_a_folder_that_is_not_there_is_told(tmp_path):
    with pytest.raises(InputError, match="there is no such folder"):
        Index(tmp_path / "missing")
