"""JUnit files against the schema in use: junit-10.xsd of the Jenkins xUnit plug-in, whole, as the sources of pytest
8.3.4 carry it (MIT, its notice inside)."""

import sys
from pathlib import Path

import pytest
import xmlschema

from bench.report.junit import junit_xml

sys.path.insert(0, str(Path(__file__).parents[1] / "record"))
import heron_record

SCHEMA = xmlschema.XMLSchema(str(Path(__file__).with_name("junit-10.xsd")))


@pytest.mark.parametrize("verdict", ["pass", "fail", "inconclusive", "not-run"])
def test_every_verdict_gives_a_valid_file(verdict):
    documents = [heron_record.document(), heron_record.document(verdict=verdict, case="low", reason="because")]
    documents[1]["steps"][5] |= {"verdict": verdict, "reason": "6.5 s is above 5 s"}
    SCHEMA.validate(junit_xml(documents).decode())


def test_no_run_and_hostile_names_give_a_valid_file():
    SCHEMA.validate(junit_xml([]).decode())
    name = "<a> & \x00\x1b\ud800 ]]>"
    SCHEMA.validate(junit_xml([heron_record.document(sequence=name, case=name, verdict="fail", reason=name)]).decode())


def test_the_schema_refuses_what_the_published_one_refuses():
    text = junit_xml([heron_record.document()]).decode()
    for wrong in (
        text.replace("<testsuites ", '<testsuites skipped="0" '),
        text.replace(" tests=", " number="),
        text.replace("testcase", "test"),
    ):
        assert not SCHEMA.is_valid(wrong)
