"""A bench in wall time hands events over some at a time and says when time has passed; a record holds neither.

However the same events are handed over, they are judged the same.
"""

from random import Random

import pytest

from bench.events import Batch, Frame, Passed, StepEnded
from bench.judging.document import run_document
from bench.judging.judge import Judge
from bench.record.reader import read_record
from bench.runner.options import Options
from bench.runner.run import run_plan
from bench.runner.stopping import Stop
from tests.judging.folding import begin, drive, judge_of, outcome, read
from tests.suite import PLANS

STEPS = """
    - {name: Settle, drive: {start_request: pressed}}
    - {name: Loop feeds the coils, await: loop == 'closed', within: 1 s}
    """
RULES = """
    invariants:
      - {name: Coil, when: loop == 'open', must: air_minus_coil == 'off', within: 20 ms}
    """


def a_case():
    """Most readings say nothing new, and some come late or at the same instant as others."""
    yield from (read(-0.1, loop="closed", air_minus_coil="off"), begin(0.0), *drive(0.0, start_request="pressed"))
    yield from (StepEnded(0.001, "1", ""), begin(0.001, "2"))
    yield from (*(read(0.005 + place / 1000) for place in range(10)), StepEnded(0.015, "2", "pass"))
    yield from (read(0.0152, loop="open", air_minus_coil="on"), read(0.0151, "box"), read(0.0151, "box"))
    yield from (read(0.02 + place / 300) for place in range(20))
    yield read(0.2, air_minus_coil="off")


def test_readings_that_say_nothing_new(tmp_path):
    documents = [handed_over(judge_of(tmp_path, STEPS, RULES), a_case(), Random(seed)) for seed in range(30)]
    assert [step["value"] for step in documents[0]["steps"]] == [None, 0.004]
    assert documents[0]["invariants"][0]["verdict"] == "fail"
    assert all(document == documents[0] for document in documents)


def test_a_late_reading_was_not_waited_for(tmp_path):
    """The outputs were confirmed at 0 s, the step after them began at 1 ms, and what was read between comes then."""
    judge = judge_of(tmp_path, STEPS)
    began = [read(-0.1, loop="closed"), begin(0.0), *drive(0.0, start_request="pressed"), StepEnded(0.001, "1", "")]
    assert outcome(judge, *began, begin(0.001, "2"), read(0.0005)).value == 0.0


NAMES = {"energise-and-shutdown", "insulation-fault-minus", "discharge-time", "air-plus-drops-out", "charge"}
CHOSEN = {plan.sequence: plan for plan in PLANS if plan.sequence in NAMES}


def handed_over(judge, events, random):
    """As a live bench would: batches some at a time, other things between them; the judge's document."""
    events = list(events)
    while events:
        together = 1
        if type(events[0]) is Batch:
            at_most = random.choice((1, 3, 30))
            while together < min(at_most, len(events)) and type(events[together]) is Batch:
                together += 1
            judge.fold_batches(events[:together])
        else:
            judge.fold(events[0])
        judge.settle()
        last_s = events[together - 1].t
        del events[:together]
        if events and events[0].t > last_s and random.random() < 0.3:
            between_s = random.uniform(last_s, events[0].t)
            judge.fold_batches([Batch(between_s, frames=(Frame("box", 0x7FF, b""),))])
            judge.settle()
            if judge.open is None or between_s < judge.open.deadline_s:
                judge.fold(Passed(between_s))
                judge.settle()
    return run_document(judge, "")


@pytest.mark.parametrize("name", sorted(NAMES))
def test_a_run(name, tmp_path):
    plan = CHOSEN[name]
    document = run_plan(plan, Options(records=tmp_path), Stop())
    record = read_record(document["record"])
    expected = {**document, "record": ""}
    for seed in range(5):
        judge = Judge(plan, record.header.get("late_s", 0.0), record.header["rule"], None, None)
        assert handed_over(judge, record.events(), Random(seed)) == expected
