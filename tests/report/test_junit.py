"""The JUnit summary: counts that add up, and the failing step with value and limit in the text."""

from xml.etree import ElementTree

import heron_record
import pytest

from bench.errors import InputError
from bench.report.junit import write_junit


def failing():
    document = heron_record.document(verdict="fail", case="low", reason="step 6 (Discharge time): too slow")
    document["steps"][5] |= {"verdict": "fail", "value": 6.5, "margin": -1.5, "reason": "6.5 s is above 5 s"}
    return document


def written(tmp_path, documents):
    path = tmp_path / "junit.xml"
    write_junit(documents, path)
    return ElementTree.parse(path).getroot()


def test_one_suite_a_sequence_one_case_a_run(tmp_path):
    other = heron_record.document(sequence="other", case="")
    root = written(tmp_path, [
        heron_record.document(), failing(), other,
        heron_record.document(case="c", verdict="inconclusive", reason="box: gone"),
        heron_record.document(case="d", verdict="not-run", reason="nothing to show"),
    ])  # fmt: skip
    assert root.tag == "testsuites"
    assert [(suite.tag, suite.get("name")) for suite in root] == [
        ("testsuite", "energise-and-shutdown"), ("testsuite", "other"),
    ]  # fmt: skip
    assert [case.get("name") for case in root[0]] == ["full", "low", "c", "d"]
    assert [case.get("name") for case in root[1]] == ["other"]
    for element, counts in ((root, (5, 1, 1)), (root[0], (4, 1, 1)), (root[1], (1, 0, 0))):
        assert tuple(int(element.get(key)) for key in ("tests", "failures", "errors")) == counts
    assert [suite.get("skipped") for suite in root] == ["1", "0"]
    assert float(root.get("time")) == pytest.approx(5 * 9.4)
    for case in root.iter("testcase"):
        assert case.get("classname") and float(case.get("time")) == 9.4
        assert {child.tag for child in case} <= {"failure", "error", "skipped", "system-out"}
    assert root[0][2].find("error").get("message") == "box: gone"
    assert root[0][3].find("skipped").get("message") == "nothing to show"


def test_the_failing_step_value_and_limit_are_in_the_text(tmp_path):
    failure = written(tmp_path, [failing()])[0][0].find("failure")
    assert failure.get("message") == "step 6 (Discharge time): too slow"
    assert failure.text == (
        "fail: step 6 Discharge time (time); value 6.5 s; limit max 5 s; margin -1.5 s; "
        "requirement DIS-01; 6.5 s is above 5 s"
    )


def test_a_violated_invariant_is_in_the_text(tmp_path):
    document = heron_record.document(verdict="fail")
    document["invariants"][1] |= {"verdict": "fail", "reason": "air_plus was closed for 0.3 s"}
    text = written(tmp_path, [document])[0][0].find("failure").text
    assert "invariant when loop == 'open'" in text and "air_plus was closed for 0.3 s" in text


def test_any_text_becomes_valid_xml(tmp_path):
    name = "<a> & \x00\x1b\ud800\ufffe]]> \N{OHM SIGN}"
    document = heron_record.document(sequence=name, case=name, verdict="fail", reason=name)
    document["steps"][5] |= {"verdict": "fail", "name": name, "requirement": None}
    case = written(tmp_path, [document])[0][0]
    assert case.get("name") == case.find("failure").get("message") == "<a> & ????]]> \N{OHM SIGN}"


def test_no_run_at_all_is_still_a_file(tmp_path):
    assert written(tmp_path, []).get("tests") == "0"


def test_a_place_that_cannot_be_written_is_told(tmp_path):
    with pytest.raises(InputError, match="cannot be written"):
        write_junit([], tmp_path / "missing" / "junit.xml")
