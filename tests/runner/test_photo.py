"""A photo that a step asks for: what is taken, what it is worth without, and what becomes of it in the record."""

import base64
import errno
import hashlib
import io
import json
import os
import re

import pytest
from persons import ran
from PIL import Image
from pypdf import PdfReader
from record import heron_record

from bench.__main__ import main
from bench.errors import RecordError
from bench.events import Answered, Asked, Filed, Noted, StepBegan, StepEnded
from bench.judging.rejudge import differences, rejudge
from bench.record import photos
from bench.record.manifest import write_manifest
from bench.record.photos import ending_of, photo_name, read_photo
from bench.record.reader import read_record
from bench.record.verifying import Level, verify
from bench.record.writer import RecordWriter
from bench.report.content import report_content
from bench.report.page import html_page, pdf_pages
from bench.report.photos import photos as shown_photos

ASK = "  - {name: Plugs seated, ask: Is the plug seated?, photo: true, within: 20 s}\n"
NAME = "photos/1-plugs-seated"
DUE = "The photo of it: path of a JPEG, PNG or HEIC file of at most 20 MB; empty if there is none:"


def picture(kind="JPEG", size=(900, 600)):
    """A picture as a library makes it."""
    file = io.BytesIO()
    Image.linear_gradient("L").resize(size).convert("RGB").save(file, kind)
    return file.getvalue()


HEIC = b"\0\0\0\x18ftypheic\0\0\0\0mif1heic"  # only the file type box: what is looked at


@pytest.fixture
def camera(tmp_path):
    path = tmp_path / "my photo.JPG"
    path.write_bytes(picture())
    return path


@pytest.fixture
def filed(tmp_path, camera):
    """The folder of a record with a photo, written without a bench."""
    writer = RecordWriter(tmp_path / "record", heron_record.HEADER, heron_record.TEXTS)
    writer.event(StepBegan(0.0, "1", "Plugs seated", "ask"))
    name = f"{NAME}.jpg"
    writer.event(Filed(1.0, name, writer.add_file(name, camera.read_bytes()), "B. Roth"))
    writer.event(StepEnded(1.0, "1", "pass"))
    writer.close({"document": heron_record.document()})
    return tmp_path / "record"


def test_the_photo_is_in_the_record_and_in_the_chain(tmp_path, camera):
    document, events, _ = ran(tmp_path / "records", ASK, "yes", str(camera))
    data, sha256 = camera.read_bytes(), hashlib.sha256(camera.read_bytes()).hexdigest()
    folder = read_record(document["record"]).folder
    assert document["verdict"] == "pass", document["reason"]
    reason = f"B. Roth answered 'yes'; photo {NAME}.jpg, SHA-256 {sha256[:16]}…"
    assert document["steps"][0]["reason"] == reason
    assert (folder / f"{NAME}.jpg").read_bytes() == data
    kinds = [event for event in events if type(event) in (Asked, Answered, Filed)]
    assert [type(event) for event in kinds] == [Asked, Answered, Asked, Filed]
    assert kinds[2].question == DUE
    assert kinds[3][1:] == (f"{NAME}.jpg", sha256, "B. Roth")
    manifest = json.loads((folder / "manifest.json").read_text())
    assert manifest["files"][f"{NAME}.jpg"] == {"sha256": sha256, "bytes": len(data)}
    assert verify(folder).level is Level.INTACT
    again, before = rejudge(folder)
    assert differences(before, again) == []


@pytest.mark.parametrize(
    ("answers", "verdict", "reason"),
    [(["yes", ""], "inconclusive", "B. Roth answered 'yes', but no photo was given"),
     (["no", ""], "fail", "B. Roth answered 'no', 'yes' is right, but no photo was given"),
     (["yes"], "inconclusive", "B. Roth answered 'yes', but no photo was given in time"),
     (["no"], "fail", "B. Roth answered 'no', 'yes' is right, but no photo was given in time")],
)  # fmt: skip
def test_without_a_photo_it_never_passes(tmp_path, answers, verdict, reason):
    document, _, _ = ran(tmp_path, ASK.replace("20 s", "300 ms"), *answers)
    assert (document["steps"][0]["verdict"], document["steps"][0]["reason"]) == (verdict, reason)
    again, before = rejudge(document["record"])
    assert differences(before, again) == []
    assert verify(document["record"]).level is Level.INTACT


def test_a_wrong_answer_is_filed_with_its_photo_and_fails(tmp_path, camera):
    document, events, _ = ran(tmp_path / "records", ASK, "no", str(camera))
    assert document["verdict"] == "fail"
    assert [event.file for event in events if type(event) is Filed] == [f"{NAME}.jpg"]


def test_a_wrong_path_is_asked_again(tmp_path, camera):
    (tmp_path / "notes.txt").write_text("no picture")
    answers = [str(tmp_path / "nowhere.jpg"), str(tmp_path), str(tmp_path / "notes.txt"), f"'{camera}'"]
    document, events, asked = ran(tmp_path / "records", ASK, "yes", *answers)
    assert document["verdict"] == "pass", document["reason"]
    assert [text.removesuffix(f". {DUE}").replace(str(tmp_path), "HERE") for text in asked[2:]] == [
        "there is no file 'HERE/nowhere.jpg'",
        "'HERE' is no file; a JPEG, PNG or HEIC file of at most 20 MB is due",
        "'HERE/notes.txt' is no picture; a JPEG, PNG or HEIC file of at most 20 MB is due",
    ]
    assert len([event for event in events if type(event) is Noted]) == 3


def test_a_photo_that_the_disk_does_not_take_is_asked_for_again(tmp_path, camera, monkeypatch):
    tried = []

    def refusing(path, data):
        tried.append(path.name)
        if len(tried) == 1:
            raise OSError(errno.ENOSPC, "No space left on device")
        path.write_bytes(data)

    monkeypatch.setattr("bench.record.writer.write_whole", refusing)
    document, events, asked = ran(tmp_path / "records", ASK, "yes", str(camera), str(camera))
    assert document["verdict"] == "pass", document["reason"]
    assert "cannot be written: No space left on device. The photo of it" in asked[2]
    assert len([event for event in events if type(event) is Filed]) == 1


@pytest.mark.parametrize(
    ("data", "ending"),
    [(picture("JPEG"), "jpg"), (picture("PNG"), "png"), (HEIC, "heic"), (picture("GIF"), ""), (picture("BMP"), ""),
     (b"", ""), (b"\x89PNG", ""), (b"\0\0\0\x20ftypisom\0\0\2\0isomiso2avc1mp41", "")],
)  # fmt: skip
def test_a_picture_is_known_by_what_is_in_it(data, ending):
    """The signatures: ITU-T T.81 B.1.1.3, PNG third edition 5.2, ISO/IEC 23008-12; the last one is a film."""
    assert ending_of(data) == ending


def test_what_is_larger_than_the_limit_is_refused(tmp_path, monkeypatch):
    data = picture()
    (tmp_path / "large.jpg").write_bytes(data)
    monkeypatch.setattr(photos, "MOST_BYTES", len(data))
    assert read_photo(str(tmp_path / "large.jpg")) == ("jpg", data)
    monkeypatch.setattr(photos, "MOST_BYTES", len(data) - 1)
    with pytest.raises(ValueError, match="larger than 20 MB"):
        read_photo(str(tmp_path / "large.jpg"))


def test_a_pipe_is_no_file_and_is_not_waited_for(tmp_path):
    os.mkfifo(tmp_path / "pipe.jpg")
    with pytest.raises(ValueError, match="is no file"):
        read_photo(str(tmp_path / "pipe.jpg"))


@pytest.mark.parametrize("typed", ["{}", "'{}'", '"{}"', "{escaped}"])
def test_a_path_as_a_terminal_gives_it_when_a_file_is_dragged_there(camera, typed):
    assert read_photo(typed.format(camera, escaped=str(camera).replace(" ", "\\ ")))[0] == "jpg"


@pytest.mark.parametrize("typed", ["'", "~nobody-of-that-name/a.jpg", "a\0b", "x" * 5000, "a b"])
def test_a_path_that_cannot_be_is_refused_in_words(typed):
    with pytest.raises(ValueError, match=r"there is no file|cannot be read"):
        read_photo(typed)


def test_names_in_the_record():
    assert photo_name("4.2#17", "Stopwatch: 10 s / ..\\..") == "photos/4.2-17-stopwatch-10-s"
    assert photo_name("afterwards.1", "Ärger") == "photos/afterwards.1-rger"
    assert photo_name("3", "…") == "photos/3"


# -- what became of it afterwards ------------------------------------------------------------------------------------


def findings(folder):
    found = verify(folder)
    return found.level, [re.sub(r"jsonl:\d+", "jsonl:N", text) for text in found.findings]


def test_a_changed_photo_is_found(filed):
    folder = filed
    path = folder / f"{NAME}.jpg"
    path.write_bytes(path.read_bytes()[:-1] + b"!")
    assert findings(folder) == (Level.ALTERED, [
        f"{NAME}.jpg: is not the file that the manifest describes",
        f"{NAME}.jpg: is not the file that record.jsonl:N names",
    ])  # fmt: skip


def test_a_missing_photo_is_found(filed):
    folder = filed
    (folder / f"{NAME}.jpg").unlink()
    assert findings(folder) == (Level.ALTERED, [
        f"{NAME}.jpg: is in the manifest but not in the folder",
        f"{NAME}.jpg: record.jsonl:N names it, and it is not in the folder",
    ])  # fmt: skip


def test_a_photo_put_in_its_place_with_a_new_manifest_is_found_by_the_chain(filed):
    folder = filed
    other = picture(size=(300, 300))
    (folder / f"{NAME}.jpg").write_bytes(other)
    manifest = json.loads((folder / "manifest.json").read_text())
    manifest["files"][f"{NAME}.jpg"] = {"sha256": hashlib.sha256(other).hexdigest(), "bytes": len(other)}
    write_manifest(folder, manifest)
    assert findings(folder) == (Level.ALTERED, [f"{NAME}.jpg: is not the file that record.jsonl:N names"])


def test_a_photo_of_a_run_that_was_never_closed_is_checked_too(filed):
    folder = filed
    (folder / "manifest.json").unlink()
    assert verify(folder).level is Level.INCOMPLETE
    (folder / f"{NAME}.jpg").write_bytes(b"")
    assert verify(folder).level is Level.ALTERED


# -- in the report ---------------------------------------------------------------------------------------------------


def test_the_report_shows_it_small_with_alt_text_and_hash(filed, camera):
    record = read_record(filed)
    (photo,) = shown_photos(record)
    assert photo.caption == "step 1 (Plugs seated), filed by B. Roth"
    small = Image.open(io.BytesIO(base64.b64decode(photo.data)))
    assert (small.size, (photo.width, photo.height)) == ((640, 427), (640, 427))
    content = report_content(record)
    page = html_page("report", content).decode()
    assert f'alt="{photo.alt}"' in page and f'href="{NAME}.jpg"' in page and photo.sha256 in page
    pdf = pdf_pages("report", content)
    assert pdf == pdf_pages("report", content)
    pages = PdfReader(io.BytesIO(pdf)).pages
    assert [image.image.size for page in pages for image in page.images] == [(640, 427)]
    assert "filed by B. Roth" in " ".join(page.extract_text().replace("\u200b", "") for page in pages)


def test_what_cannot_be_shown_is_named_and_linked(tmp_path):
    (tmp_path / "photo").write_bytes(HEIC)
    document, _, _ = ran(tmp_path / "records", ASK, "yes", str(tmp_path / "photo"))
    record = read_record(document["record"])
    (photo,) = shown_photos(record)
    assert (photo.file, photo.data, photo.note) == (f"{NAME}.heic", "", "Cannot be shown here; open the file.")
    page = html_page("report", report_content(record)).decode()
    assert f'Cannot be shown here; open the file. <a href="{NAME}.heic">' in page and "<img" not in page
    assert pdf_pages("report", report_content(record))


def test_a_changed_photo_is_not_shown(filed):
    record = read_record(filed)
    (record.folder / f"{NAME}.jpg").write_bytes(picture(size=(300, 300)))
    (photo,) = shown_photos(record)
    assert (photo.data, photo.note) == ("", "The file is not the one that was filed; it is not shown.")


# -- on the simulated bench ------------------------------------------------------------------------------------------


def test_on_the_simulated_bench_none_is_due_and_the_step_says_so(tmp_path, capsys):
    path = tmp_path / "seated.yaml"
    path.write_text("sequence: seated\nsteps:\n" + ASK.replace("photo: true", "photo: true, simulated: yes"))
    assert main(["run", str(path), "--records", str(tmp_path / "records"), "--json"]) == 0
    (step,) = json.loads(capsys.readouterr().out)["runs"][0]["steps"]
    assert step["reason"] == "simulated answered 'yes'; simulated, no photo is due"


def test_nobody_called_simulated_gets_by_without_one(tmp_path):
    document, _, _ = ran(tmp_path, ASK, "yes", "", name="simulated")
    assert document["steps"][0]["verdict"] == "inconclusive"


def test_a_photo_that_comes_after_the_run_is_not_slipped_into_its_record(tmp_path):
    writer = RecordWriter(tmp_path / "record", heron_record.HEADER, heron_record.TEXTS)
    writer.close({"document": heron_record.document()})
    with pytest.raises(RecordError, match="the run is over"):
        writer.add_file(f"{NAME}.jpg", picture())
    assert verify(tmp_path / "record").level is Level.INTACT
