"""A person in a run: what is read only when a step asks for it, questions, and who answered."""

import pytest
from persons import BENCH, HEAD, ran

from bench.errors import InputError
from bench.events import Answered, Asked, Batch, Noted
from bench.judging.rejudge import rejudge
from bench.language.bench_file import bench_from_text
from bench.language.loading import plans_from_text
from bench.language.register import load_register

ZERO = "  - {name: Zero voltage, check: tester, limit: {max: 60 V}}\n"


def test_a_reading_is_asked_for_when_its_check_begins(tmp_path):
    drive = "  - {name: Off, drive: {feed: 'off'}}\n"
    document, events, asked = ran(tmp_path, drive + ZERO, "412 V", "not a number")
    (reading,) = [event for event in events if type(event) is Batch and event.samples]
    assert reading.samples == (("tester", 412.0),)
    assert [event.by for event in events if type(event) is Answered] == ["A. Keller"]
    step = document["steps"][1]
    assert (step["verdict"], step["value"], step["unit"]) == ("fail", 412.0, "V")
    assert "read by A. Keller" in step["reason"]
    assert asked == ["tester (at the measuring points): reading in V, 0 to 1000, with its unit?"]
    assert rejudge(document["record"])[0]["verdict"] == "fail"


def test_the_same_reading_serves_until_the_next_stimulus(tmp_path):
    drive = "  - {name: Off, drive: {feed: 'off'}}\n"
    below = "  - {name: Below, check: tester < 50 V}\n"
    document, events, asked = ran(tmp_path, ZERO + below + drive + below.replace("Below", "Again"), "12 V", "0.013 kV")
    assert document["verdict"] == "pass", document["reason"]
    assert len(asked) == 2
    assert [event.samples for event in events if type(event) is Batch] == [(("tester", 12.0),), (("tester", 13.0),)]


def test_a_refused_answer_is_in_the_record(tmp_path):
    document, events, _ = ran(tmp_path, ZERO, "12", "12 V")
    assert document["verdict"] == "pass", document["reason"]
    assert any("'12' is refused" in event.text for event in events if type(event) is Noted)


def test_nobody_answers_and_the_run_ends_safe(tmp_path):
    document, events, _ = ran(tmp_path, ZERO)
    assert document["verdict"] == "inconclusive"
    assert "nobody answered" in document["trouble"]
    assert events[-1].state == "closed"


def test_a_question_is_answered_by_the_one_who_runs_it(tmp_path):
    ask = "  - {name: Seated, ask: Is the plug seated?, answers: ['yes', 'no'], expect: 'yes', within: 20 s}\n"
    document, events, asked = ran(tmp_path, ask, "perhaps", "no")
    assert document["verdict"] == "fail"
    assert asked[0] == "Is the plug seated? (yes / no)"
    assert "'perhaps' is none of yes, no" in asked[1]
    assert [type(event) for event in events if type(event) in (Asked, Noted, Answered)] == [Asked, Noted, Answered]
    assert document["steps"][0]["reason"].startswith("B. Roth answered 'no'")


@pytest.mark.parametrize(
    "step",
    ["{await: cap == 'on', within: 1 s}", "{hold: tester < 60 V, for: 1 s}", "{count: cap, for: 1 s, limit: {max: 2}}",
     "{time: {from: feed == 'off', to: tester < 60 V}, limit: {max: 5 s}}", "{check: feed == 'off', at: cap == 'on'}"],
)  # fmt: skip
def test_what_a_person_reads_cannot_be_watched(step):
    bench = bench_from_text(BENCH, "persons.yaml")
    with pytest.raises(InputError, match="read by a person"):
        plans_from_text(HEAD + f"  - {step}\n", "with-a-person.yaml", bench, load_register(None))
