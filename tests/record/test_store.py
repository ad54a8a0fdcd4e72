"""The folder of records: what was closed there, newest first, and nothing that only looks like it."""

import json

import heron_record
import pytest

from bench.errors import RecordError
from bench.record import MANIFEST_FILE
from bench.record.manifest import load_manifest, write_manifest
from bench.record.store import closed_records


def begun(folder, moment):
    write_manifest(folder, load_manifest(folder) | {"started_utc": moment})
    return folder


def test_closed_records_come_newest_first_whatever_their_folders_are_called(tmp_path):
    for name, moment in (("b", "2026-01-02"), ("a", "2026-01-03"), ("c", "2026-01-01")):
        begun(heron_record.write_record(tmp_path / name, last_s=-2.5), moment)
    found = closed_records(tmp_path)
    assert [kept.folder.name for kept in found] == ["a", "b", "c"]
    assert found[0].manifest["document"]["verdict"] == "pass"


def test_only_closed_records_count(tmp_path):
    heron_record.write_record(tmp_path / "good", last_s=-2.5)
    heron_record.write_record(tmp_path / "open", last_s=-2.5, close=False)
    for name, data in (("damaged", b"{"), ("other", b'{"files": 3}'), ("binary", b"\xff\xfe"), ("list", b"[]")):
        (tmp_path / name).mkdir()
        (tmp_path / name / MANIFEST_FILE).write_bytes(data)
    (tmp_path / "empty").mkdir()
    (tmp_path / "resistors.json").write_text("{}")
    assert [kept.folder.name for kept in closed_records(tmp_path)] == ["good"]


def test_manifests_alone_are_read(tmp_path):
    folder = heron_record.write_record(tmp_path / "good", last_s=-2.5)
    manifest = json.loads((folder / MANIFEST_FILE).read_text())
    for path in folder.iterdir():
        if path.name != MANIFEST_FILE:
            path.unlink()
    ((found, fields),) = closed_records(tmp_path)
    assert (found, fields) == (folder, manifest)


def test_a_folder_that_is_not_there_has_none(tmp_path):
    assert closed_records(tmp_path / "nothing") == []


def test_a_file_in_its_place_is_told(tmp_path):
    (tmp_path / "file").write_text("")
    with pytest.raises(RecordError, match="cannot be read"):
        closed_records(tmp_path / "file")
