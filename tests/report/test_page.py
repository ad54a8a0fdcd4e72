"""The report page: self-contained, the same twice, well-formed, honest about bad records, safe with hostile text."""

import re
from html.parser import HTMLParser
from itertools import pairwise

import heron_record
import matplotlib
import numpy as np
import pytest

from bench.events import Batch
from bench.record.keys import fingerprint, load_private, make_pair
from bench.record.reader import read_record
from bench.record.writer import RecordWriter
from bench.report import plots
from bench.report.content import report_content
from bench.report.document import run_document
from bench.report.drawings import Drawing, Shared, drawings
from bench.report.lines_drawn import boundaries
from bench.report.page import html_page
from bench.report.plots import draw
from bench.report.texts import number, plain, uncertainty_text
from bench.verdicts import Verdict

VOID = {"meta", "br", "link", "img", "hr", "input"}


class Page(HTMLParser):
    """Tags must close in order; collects headings, ids, attributes and text."""

    def __init__(self, text):
        super().__init__()
        self.open, self.headings, self.ids, self.attributes, self.tags = [], [], [], [], []
        self.words = []
        self.feed(text)
        self.close()
        assert self.open == []

    def handle_starttag(self, tag, attributes):
        self.tags.append(tag)
        self.attributes += attributes
        self.ids += [value for name, value in attributes if name == "id"]
        if tag not in VOID:
            self.open.append(tag)
        if re.fullmatch(r"h[1-6]", tag):
            self.headings.append([int(tag[1]), ""])

    def handle_startendtag(self, tag, attributes):
        self.handle_starttag(tag, attributes)
        if tag not in VOID:
            self.open.pop()

    def handle_endtag(self, tag):
        assert self.open and self.open.pop() == tag

    def handle_data(self, data):
        if self.open and self.open[-1] != "style":
            self.words.append(data)
        if self.open and re.fullmatch(r"h[1-6]", self.open[-1]):
            self.headings[-1][1] += data

    @property
    def text(self):
        return " ".join(" ".join(self.words).split())


def report_page(record):
    return html_page("report", report_content(record)).decode()


@pytest.fixture(scope="module")
def record(tmp_path_factory):
    return read_record(heron_record.write_record(tmp_path_factory.mktemp("report") / "run"))


@pytest.fixture(scope="module")
def text(record):
    return report_page(record)


def page_of(tmp_path, **changes):
    return Page(report_page(read_record(heron_record.write_record(tmp_path / "run", **changes))))


def test_the_page_is_self_contained(text):
    assert not re.search(r"https?:|//[a-z]|url\((?!#)|@import", text)
    page = Page(text)
    assert not {"script", "link", "img", "iframe", "object", "base"} & set(page.tags)
    assert all(name != "src" and not name.startswith("on") for name, _ in page.attributes)
    references = [value for name, value in page.attributes if name == "href"]
    assert references and all(value.startswith("#") and value[1:] in page.ids for value in references)


def test_the_same_record_gives_the_same_bytes(record, text):
    assert report_page(read_record(record.folder)) == text


def test_a_user_style_changes_nothing(record, text):
    import matplotlib

    with matplotlib.rc_context({"lines.linewidth": 9, "figure.dpi": 31, "svg.fonttype": "path"}):
        assert report_page(record) == text


def test_structure_is_sound(text):
    page = Page(text)
    levels = [level for level, _ in page.headings]
    assert levels[0] == 1 and levels.count(1) == 1
    assert all(after <= before + 1 for before, after in pairwise(levels))
    assert [words for _, words in page.headings][1:] == [
        "Verdict", "Requirements", "What was done", "Over time", "Invariants", "CAN frames", "Raw data",
        "Instruments and calibration", "Software", "Cautions",
    ]  # fmt: skip
    assert ("lang", "en") in page.attributes
    assert len(page.ids) == len(set(page.ids))
    labels = [value for name, value in page.attributes if name == "aria-labelledby"]
    assert len(labels) == page.tags.count("figure") == 4
    assert all(name in page.ids for label in labels for name in label.split())
    assert page.tags.count("desc") == 4


def test_the_page_says_what_a_reader_must_know(text):
    words = Page(text).text
    for part in (
        "Heron 3 box B, serial 0007", "heron-box 1.4.2", "M. Okafor; L. Tarn", "live (the sequence may run up to live)",
        "Everything here is simulated", "PRE-01", "Example rules 2026 E.1.2 (the stricter of two)", "max 5 s",
        "2.3467 s ± 0.005 s b", "+2.6533 s", "never: air_plus == 'closed'", "record.jsonl", "seed 7",
        "not signed; hashes alone show accidents", "topbox-bench (ran and judged)", "python", "python-can",
        "Requirements shown here: 2 pass.",
        "This software is not a safety device", "emergency stop", "qualified people", "approved tester",
    ):  # fmt: skip
        assert part in words, part
    assert "max 5 s max 5 s" not in words and "min threshold * pack_voltage min 383.04 V" in words
    assert "This record" not in words  # nothing is wrong with it


def test_every_evidence_file_is_named_with_its_hash(record, text):
    for name, entry in record.manifest["files"].items():
        assert name in text and entry["sha256"] in text


@pytest.mark.parametrize("verdict", list(Verdict))
def test_a_verdict_is_a_word_and_a_shape(tmp_path, verdict):
    text = report_page(read_record(heron_record.write_record(tmp_path / "run", verdict=str(verdict), reason="because")))
    overall = re.search(r'<p class="overall">(.*?)</p>', text, re.DOTALL)[1]
    assert f'href="#mark-{verdict}"' in overall and verdict in Page(overall).text
    assert "because" in text


def test_failing_values_and_reasons_are_there(tmp_path):
    document = heron_record.document()
    document["steps"][5] |= {"verdict": "fail", "value": 6.5, "margin": -1.5, "reason": "6.5 s is above 5 s"}
    document["invariants"][1] |= {"verdict": "fail", "reason": "air_plus was closed", "at_s": 3.65}
    words = page_of(tmp_path, **document | {"verdict": "fail"}).text
    for part in ("6.5 s", "−1.5 s", "6.5 s is above 5 s", "air_plus was closed", "3.650"):
        assert part in words


def test_of_a_repeated_step_the_worst_counts(tmp_path):
    document = heron_record.document()
    step = document["steps"][5]
    for margin, verdict in ((0.5, "pass"), (-0.25, "fail"), (-0.125, "fail")):
        document["steps"].append(step | {"margin": margin, "value": 5 - margin, "verdict": verdict})
    page = page_of(tmp_path, **document)
    row = page.text[page.text.index("DIS-01") :]
    assert "the worst of 4" in row and "5.25 s" in row[: row.index("What was done")]


def test_what_the_sequence_proves_without_a_step_is_shown_by_the_whole(tmp_path):
    words = page_of(tmp_path, proves=["PRE-01", "AIR-09"]).text
    assert "AIR-09 not in this record's register the whole sequence pass" in words


def test_hostile_names_are_text(tmp_path):
    hostile = "<script>alert(1)</script><img src=x onerror='y'>&amp;\"$x_1$"
    document = heron_record.document()
    for step in document["steps"]:
        step |= {"name": hostile, "reason": hostile, "path": hostile[:20]}
    document["invariants"][0] |= {"rule": hostile, "name": hostile}
    channels = heron_record.CHANNELS | {hostile: {"direction": "read", "unit": "V</text><script>"}}
    states = {hostile + "2": {"direction": "read", "text": True}}
    header = heron_record.HEADER | {"channels": channels | states, "title": hostile, "bench": hostile}
    writer = RecordWriter(tmp_path / "run", header, {"requirements.yaml": f"- {{id: A, text: '{hostile[:24]}'}}"})
    for count in range(20):
        writer.batches([Batch(count / 10, ((hostile, float(count)), (hostile + "2", hostile + str(count % 2))))])
    fields = {
        "document": document | {"title": hostile, "reason": hostile},
        "box": hostile,
        "people": {hostile: hostile},
    }
    writer.close(fields)
    page = Page(report_page(read_record(tmp_path / "run")))
    assert not {"script", "img"} & set(page.tags)
    assert all(name not in ("src", "onerror") for name, _ in page.attributes)
    assert page.text.count("<script>alert(1)</script>") > 10
    assert "$x_1$" in page.text


def test_an_incomplete_record_says_so_first(tmp_path):
    folder = heron_record.write_record(tmp_path / "run", last_s=0.4, close=False)
    path = folder / "record.jsonl"
    path.write_bytes(path.read_bytes()[:-10])
    page = Page(report_page(read_record(folder)))
    words = page.text
    assert words.index("This record is incomplete") < words.index("Verdict")
    assert "inconclusive the record is incomplete: the run was never closed" in words
    assert "Press start" in words and "the record ends in this step" in words
    assert "figure" in page.tags


def test_a_record_without_any_event_still_has_a_report(tmp_path):
    RecordWriter(tmp_path / "run", heron_record.HEADER, {}).abandon()
    words = Page(report_page(read_record(tmp_path / "run"))).text
    assert "This record is incomplete" in words and "There is nothing to plot" in words and "No step began" in words


def test_an_altered_record_says_so_first(tmp_path):
    folder = heron_record.write_record(tmp_path / "run")
    path = folder / "frames.log"
    path.write_text(path.read_text() + "rubbish\n")
    words = Page(report_page(read_record(folder))).text
    assert words.index("This record was altered") < words.index("Verdict")
    assert "frames.log: is not the file that the manifest describes" in words and "cannot be read" in words


@pytest.mark.parametrize(
    "text", ["", "{", "3", "- x", "requirements: {DIS-01: {text: Found}}", "!!python/object:os.x {}"]
)
def test_any_register_text_is_survived(tmp_path, text):
    writer = RecordWriter(tmp_path / "run", heron_record.HEADER, {"requirements.yaml": text, "sequence.yaml": text})
    writer.close({"document": heron_record.document()})
    words = Page(report_page(read_record(tmp_path / "run"))).text
    assert "DIS-01" in words and ("Found" in words) is ("Found" in text)


def test_a_document_with_missing_keys_is_survived(tmp_path):
    writer = RecordWriter(tmp_path / "run", heron_record.HEADER, {})
    writer.close(
        {"document": {"steps": [{"name": "only a name"}, {"verdict": None, "value": "closed"}], "invariants": [{}]}}
    )
    assert "only a name" in Page(report_page(read_record(tmp_path / "run"))).text


def test_a_long_repetition_prints_what_did_not_pass(tmp_path):
    document = heron_record.document()
    step = document["steps"][3]
    document["steps"] = [step | {"path": f"4.1#{n}", "name": "Again"} for n in range(5000)]
    document["steps"][4321] |= {"verdict": "fail", "name": "The one that failed"}
    page = page_of(tmp_path, **document)
    assert "The one that failed" in page.text and "4899 further steps" in page.text


def test_limits_steps_and_times_are_drawn_in(record):
    shown, still = drawings(record, run_document(record)["steps"])
    drawn = [draw(drawing) for drawing in shown]
    voltages, lanes = drawn[0].svg, drawn[2].svg
    assert ">60 V<" in voltages and ">3: min 383.04 V<" in voltages
    assert ">4<" in voltages and ">5–6<" in voltages
    assert "6: 2.347 s (max 5 s)" in lanes
    assert "closed" in lanes and "open" in lanes
    assert "air_plus open from -3.000 s, then closed from 0.900 s, then open from 3.420 s" in drawn[2].description
    assert still == []


def test_page_one_begins_with_what_decides(text):
    words = Page(text).text
    order = ["Verdict pass", "Box Heron", "Firmware heron-box", "Bench heron-3", "People M.", "Date 20",
             "Energy stage live", "Overrides none", "Signature not signed", "Requirements Requirement",
             "What was done", "Over time",
             "Raw data", "Instruments", "Software", "Cautions"]  # fmt: skip
    places = [words.index(part) for part in order]
    assert places == sorted(places)


def test_a_calibration_that_had_run_out_is_told_first(tmp_path):
    bench = (
        "bench: b\ndevices: {meter: {driver: scpi, calibrated_until: 2020-01-31}, io: {calibrated_until: 2999-01-31}}\n"
    )
    writer = RecordWriter(tmp_path / "run", heron_record.HEADER, {"bench.yaml": bench})
    writer.close({"document": heron_record.document(), "devices": {"meter": {"serial": "SN 0815"}}})
    words = Page(report_page(read_record(tmp_path / "run"))).text
    assert words.index("A calibration had run out before this run. meter: calibrated until 2020-01-31") < words.index(
        "Verdict"
    )
    assert "io: calibrated until 2999" not in words
    assert "meter driver scpi; serial SN 0815 calibrated until 2020-01-31" in words


def test_the_signature_is_told_by_its_fingerprint(tmp_path):
    make_pair(tmp_path / "keys")
    key = load_private(tmp_path / "keys/private.pem")
    writer = RecordWriter(tmp_path / "run", heron_record.HEADER, {}, key=key)
    writer.close({"document": heron_record.document()})
    assert f"signed with the key {fingerprint(key.public)}" in Page(report_page(read_record(tmp_path / "run"))).text
    path = tmp_path / "run/manifest.sig"
    path.write_text(path.read_text().replace('"signature": "', '"signature": "00'))
    words = Page(report_page(read_record(tmp_path / "run"))).text
    assert "This record was altered" in words and "wrong: it does not belong to this record" in words


def test_an_uncertainty_goes_before_a_bound():
    step = {"unit": "s", "bound": 0.0051, "uncertainty": 0.0123}
    space = "\N{NO-BREAK SPACE}"
    assert uncertainty_text(step) == f"±{space}0.012{space}s"
    assert uncertainty_text(step | {"uncertainty": None}) == f"±{space}0.0051{space}s{space}b"
    assert uncertainty_text({"unit": "s", "bound": 0, "uncertainty": None}) == ""


def test_a_calibrated_ratio_shows_both_that_it_is_made_of(tmp_path):
    document = heron_record.document()
    document["steps"][5] |= {"unit": "%", "value": 96.46, "calibration": {"as_read": 97.421, "alike": 100.99}}
    assert "97.421 % as read, 100.99 % where both see the same" in page_of(tmp_path, **document).text
    document["steps"][5]["calibration"] = "tampered with"
    assert "where both see the same" not in page_of(tmp_path / "again", **document).text


def test_another_decision_rule_is_named_at_the_limit(tmp_path):
    document = heron_record.document()
    document["steps"][5] |= {"rule": "guarded", "uncertainty": 0.012}
    words = page_of(tmp_path, **document).text
    assert "Discharge time 2.3467 s ± 0.012 s max 5 s guarded rule +2.6533 s pass" in words


@pytest.mark.parametrize("first_s", [0.0, -3.0, -100.0])
def test_labels_of_steps_never_run_into_each_other(first_s):
    """As matplotlib sets them."""
    starts = [0.0, 0.01, 0.2, 3.0, 3.05, 5.6, 6.4, 6.6, 6.98, 6.99, 7.0]
    paths = ["1", "2", "3", "4", "5", "6", "20", "21", "afterwards.1", "afterwards.2", "afterwards.3"]
    steps = [{"began_s": t, "path": path} for t, path in zip(starts, paths, strict=True)]
    found = boundaries(steps, first_s, 7.0)
    assert found[0].label.startswith("1") and found[-1].label.endswith("3")
    if first_s == 0.0:
        assert [label for _, label, _ in found] == ["1–3", "4–5", "6", "20–after 3"]
    line = np.array([[first_s, 7.0], [1.0, 2.0]])
    drawing = Drawing("V", {"ts_voltage": line}, Shared(first_s, 7.0, found, [], []), 1, False)
    with matplotlib.rc_context(plots.SETTINGS):
        figure, *_ = plots._draw_quantities(drawing)
        figure.draw_without_rendering()
    labels = {label for _, label, _ in found}
    boxes = [text.get_window_extent() for text in figure.axes[0].texts if text.get_text() in labels]
    boxes.sort(key=lambda box: box.x0)
    assert len(boxes) == len(found)
    assert all(one.x1 <= other.x0 for one, other in pairwise(boxes))


def test_numbers_are_shown_with_unit_and_real_minus():
    space = "\N{NO-BREAK SPACE}"
    assert number(-1.5, "V") == f"−1.5{space}V"
    assert number(2.0, "s", sign=True) == f"+2{space}s"
    assert number(0.0) == "0" and number(None, "V") == "" and number("closed") == "closed"
    assert number(float("inf"), "ohm") == f"inf{space}ohm"
    assert (
        plain({"text": "a", "sha256": "b", "zero": 0.0, "none": None, "list": ["c", {"d": 1}]})
        == "a, sha256 b, zero 0.0, list c; d 1"
    )
