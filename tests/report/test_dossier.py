"""The dossier: the newest of each kind counts, gaps stand first, and nothing simulated or altered proves anything."""

from xml.etree import ElementTree

import heron_record
import pytest

from bench.commands import dossier as dossier_command
from bench.errors import InputError
from bench.events import Batch
from bench.record.manifest import load_manifest, write_manifest
from bench.record.writer import RecordWriter
from bench.report.dossier import dossier_content
from bench.report.page import html_page, pdf_pages


def make(records, name, day, simulated=False, firmware="1.4.2", dis="pass", case="full", stage="live", **manifest):
    """A record in which DIS-01 has the verdict `dis`, closed on `day` of November 2026."""
    header = heron_record.HEADER | {"simulated": simulated, "case": case}
    writer = RecordWriter(records / name, header, heron_record.TEXTS)
    for event in heron_record.run_events():
        if type(event) is Batch:
            writer.batches([event])
        else:
            writer.event(event)
    document = heron_record.document(verdict=dis, case=case)
    document["steps"][5] |= {"verdict": dis, "reason": "" if dis == "pass" else "6.5 s is above 5 s"}
    writer.close({"document": document, "box": "TB-07", "firmware": {"text": firmware}, "stage": stage, **manifest})
    fields = load_manifest(records / name)
    write_manifest(records / name, fields | {"started_utc": f"2026-11-{day:02}T10:00:00.000Z"})
    return records / name


def row_of(content, name="DIS-01"):
    return next(row for row in content["rows"] if row["id"] == name)


def test_what_is_shown_on_hardware_is_no_gap(tmp_path):
    make(tmp_path, "a", 1)
    content = dossier_content([tmp_path])
    row = row_of(content)
    assert (row["verdict"], row["gap"]) == ("pass", "")
    (proof,) = row["proofs"]
    assert (proof["label"], proof["stage"], proof["date"]) == ("R1", "live", "2026-11-01")
    assert proof["what"] == "energise-and-shutdown / full: step 6, Discharge time"
    assert content["title"] == "Dossier of TB-07, firmware 1.4.2" and not content["simulated"]
    assert content["gaps"] == []


def test_the_newest_of_a_kind_counts_whatever_its_verdict(tmp_path):
    make(tmp_path, "a", 1, dis="fail")
    make(tmp_path, "b", 2)
    assert row_of(dossier_content([tmp_path]))["verdict"] == "pass"
    make(tmp_path, "c", 3, dis="fail")
    row = row_of(dossier_content([tmp_path]))
    assert (row["verdict"], row["gap"]) == ("fail", "fail in R3: 6.5 s is above 5 s")


def test_the_picture_says_what_the_table_says(tmp_path):
    make(tmp_path, "a", 1, dis="fail")
    make(tmp_path, "b", 2, case="low")
    content = dossier_content([tmp_path])
    (figure,) = content["picture"]
    assert figure["description"] == (
        "1 of 2 requirements have passed in each of the 1 sequences that shows them. Not so: DIS-01. Shown by no "
        "record: none."
    )
    root = ElementTree.fromstring(figure["svg"].replace("<svg ", '<svg xmlns="http://www.w3.org/2000/svg" ', 1))
    texts = ["".join(text.itertext()) for text in root.iter("{http://www.w3.org/2000/svg}text")]
    assert {"PRE-01", "DIS-01", "energise-and-shutdown", "fail", "pass"} <= set(texts)
    assert [text for text in texts if text.isdigit()] == ["1", "0"]
    page = html_page("dossier", content).decode()
    assert page.count(figure["svg"]) == 1 and page.count("<title") == 1 + page.count("<title id=")
    assert b"%PDF" in pdf_pages("dossier", content)[:8]


@pytest.mark.parametrize("other", [{"case": "low"}, {"stage": "dry"}])
def test_a_newer_pass_of_another_case_or_stage_hides_no_fail(tmp_path, other):
    make(tmp_path, "a", 1, dis="fail")
    make(tmp_path, "b", 2, **other)
    row = row_of(dossier_content([tmp_path]))
    assert row["verdict"] == "fail" and [proof["label"] for proof in row["proofs"]] == ["R1", "R2"]


def test_a_pass_of_older_firmware_is_a_gap_of_the_new_one(tmp_path):
    make(tmp_path, "a", 1, firmware="1.4.2")
    record = make(tmp_path, "b", 2, firmware="1.5.0")
    document = load_manifest(record)["document"]
    document["steps"][5]["requirement"], document["proves"] = "", ["PRE-01"]
    write_manifest(record, load_manifest(record) | {"document": document})
    row = row_of(dossier_content([tmp_path]))
    assert (row["verdict"], row["gap"]) == ("", "shown only for box TB-07, firmware 1.4.2")


def test_simulated_records_are_marked_and_prove_nothing(tmp_path):
    make(tmp_path, "a", 1, simulated=True, stage="simulated")
    content = dossier_content([tmp_path])
    assert content["simulated"] and content["warnings"][0][0] == "Everything in this dossier is simulated."
    assert row_of(content)["gap"] == "simulated only: nothing was measured on hardware"
    assert "(simulated)" in content["plots"][0]["caption"]
    make(tmp_path, "b", 2, simulated=False, dis="fail")
    make(tmp_path, "c", 3, simulated=True, stage="simulated")
    row = row_of(dossier_content([tmp_path]))
    assert row["verdict"] == "fail"  # a newer simulated pass takes nothing away


def test_altered_and_unfinished_records_count_for_nothing_and_are_told(tmp_path):
    make(tmp_path, "a", 1)
    path = make(tmp_path, "b", 2, dis="fail") / "frames.log"
    path.write_text(path.read_text()[:-40])
    heron_record.write_record(tmp_path / "c", last_s=0.4, close=False)
    (tmp_path / "d").mkdir()
    (tmp_path / "d/record.jsonl").write_text("rubbish\n")
    content = dossier_content([tmp_path])
    assert row_of(content)["verdict"] == "pass"
    headline, findings = content["warnings"][0]
    assert headline == "These records count for nothing here."
    assert [finding.split(":")[0].split()[-1] for finding in findings] == ["c", "b", "d"]
    assert [row["level"] for row in content["records"]] == ["incomplete", "intact", "altered"]


def test_gaps_stand_in_the_order_of_urgency(tmp_path):
    register = heron_record.REQUIREMENTS + (
        "  - {id: FUS-01, title: Fuses, text: Rated, shown_by: inspection}\n"
        "  - {id: NEW-01, title: New, text: None yet}\n"
    )
    writer = RecordWriter(
        tmp_path / "a", heron_record.HEADER | {"simulated": False}, heron_record.TEXTS | {"requirements.yaml": register}
    )
    document = heron_record.document(verdict="fail")
    document["steps"][5]["verdict"] = "fail"
    document["steps"][2]["verdict"] = "inconclusive"
    writer.close({"document": document})
    gaps = dossier_content([tmp_path])["gaps"]
    assert [(row["id"], row["gap"]) for row in gaps] == [
        ("DIS-01", "fail in R1"), ("PRE-01", "inconclusive in R1"), ("NEW-01", "no record shows it"),
        ("FUS-01", "to be shown by inspection"),
    ]  # fmt: skip


def test_an_override_is_told_with_its_reason(tmp_path):
    make(tmp_path, "a", 1, overrides=[{"what": "run at live without dry", "reason": "the judge waits outside"}])
    content = dossier_content([tmp_path])
    assert content["warnings"][0][0] == "These runs were made under an override."
    assert "the judge waits outside" in content["warnings"][0][1][0]
    assert row_of(content)["proofs"][0]["stage"] == "live, under an override"


def test_many_proofs_are_told_shortly(tmp_path):
    for number in range(9):
        make(tmp_path, f"r{number}", 1 + number, case=f"case-{number}", dis="fail" if number == 8 else "pass")
    row = row_of(dossier_content([tmp_path]))
    assert len(row["proofs"]) == 6 and row["proofs"][0]["label"] == "R9"
    assert row["more"] == "and pass in R6, R7, R8"


def test_the_plot_is_of_the_step_that_decided(tmp_path):
    make(tmp_path, "a", 1)
    captions = [plot["caption"] for plot in dossier_content([tmp_path])["plots"]]
    assert any(caption.startswith("DIS-01 Discharge after shutdown, from R1, step 6: 2.3467") for caption in captions)
    figure = next(plot for plot in dossier_content([tmp_path])["plots"] if plot["caption"].startswith("DIS-01"))
    assert "ts_voltage" in figure["description"] and ">60 V<" in figure["svg"]


def command(*words):
    import argparse

    parser = argparse.ArgumentParser()
    dossier_command.add_parser(parser.add_subparsers())
    return dossier_command.work(parser.parse_args(["dossier", *map(str, words)]))


def test_the_command_writes_html_or_pdf(tmp_path, capsys):
    record = make(tmp_path / "records", "a", 1)
    for name, start in (("d.html", b"<!DOCTYPE"), ("d.pdf", b"%PDF")):
        assert command(record, tmp_path / "records", "-o", tmp_path / name) == 0
        assert capsys.readouterr().out == f"{tmp_path / name}: 2 requirements, 0 gaps\n"
        assert (tmp_path / name).read_bytes().lstrip().startswith(start)
    with pytest.raises(InputError, match=r"end its name in \.html or \.pdf"):
        command(record, "-o", tmp_path / "d.doc")
    with pytest.raises(InputError, match="holds no record"):
        command(tmp_path / "nothing", "-o", tmp_path / "d.html")
    with pytest.raises(InputError, match="cannot be written"):
        command(record, "-o", tmp_path / "missing/d.html")


def test_the_same_records_give_the_same_bytes(tmp_path):
    make(tmp_path, "a", 1)
    for layout in (html_page, pdf_pages):
        one, two = (layout("dossier", dossier_content([tmp_path])) for _ in range(2))
        assert one == two
