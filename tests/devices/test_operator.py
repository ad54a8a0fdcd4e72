"""`operator`: what a person reads, with trouble that persons make (faults 17 and 18 of a bench)."""

import queue

import pytest
from devices.rig import Running
from devices.wire_rig import bench_of

from bench.devices import person as person_module
from bench.devices.base import DeviceLost
from bench.devices.operator import Operator
from bench.errors import InputError
from bench.events import Answered, Asked, Batch, Driven, Noted

BENCH = """\
bench: persons
devices: {person: {driver: operator, silence: 30 sOPTIONS}}
channels:
  tester: {direction: read, unit: V, range: [0 V, 1000 V], note: at the measuring points}
  lamp: {direction: read, states: [dark, lit]}
  remark: {direction: read, text: true}
"""


class Person:
    """Answers what it is told to; `asked` is what it was asked. On its clock every answer takes `takes_s`."""

    def __init__(self, monkeypatch, *answers, takes_s=2.0):
        self.answers, self.asked, self.takes_s, self.now = list(answers), [], takes_s, 100.0
        monkeypatch.setattr(person_module, "time", self)

    def monotonic(self):
        return self.now

    def __call__(self, question, timeout_s):
        self.asked.append(question)
        answer = self.answers.pop(0)
        takes_s = self.takes_s
        if isinstance(answer, tuple):
            answer, takes_s = answer
        self.now += timeout_s if answer is None else takes_s
        return answer


def operator_of(person, options="", text=BENCH):
    bench = bench_of(text, options=options)
    device = Operator("person", bench.devices["person"].options, bench.channels, bench, person)
    device.connect()
    return device


def test_a_reading_says_who_when_and_what(monkeypatch):
    person = Person(monkeypatch, "A. Keller", "403.2 V")
    asked, answered, batch = operator_of(person).request("tester")
    assert isinstance(asked, Asked)
    assert "at the measuring points" in asked.question
    assert answered == Answered(104.0, 403.2, "A. Keller")
    assert batch == Batch(104.0, (("tester", 403.2),), ("person",))
    assert person.asked == [
        "Who is answering?",
        "tester (at the measuring points): reading in V, 0 to 1000, with its unit?",
    ]


def test_units_of_the_same_kind_are_taken(monkeypatch):
    assert operator_of(Person(monkeypatch, "B", "0.4 kV")).request("tester")[-1].samples == (("tester", 400.0),)


@pytest.mark.parametrize(
    ("answer", "why"),
    [("1200 V", "outside 0 V to 1000 V"), ("-1 V", "outside"), ("403.2", "not in V"), ("403.2 A", "not in V"),
     ("about 400 V", "no quantity"), ("", "no quantity"), ("inf V", "no quantity")],
)  # fmt: skip
def test_an_answer_that_cannot_be_is_refused_and_asked_again(monkeypatch, answer, why):
    person = Person(monkeypatch, answer, "12 V")
    events = operator_of(person, "people: [A. Keller]").request("tester")
    (refused,) = [event for event in events if isinstance(event, Noted)]
    assert f"{answer!r} is refused" in refused.text
    assert why in refused.text
    assert why in person.asked[1]
    assert events[-1].samples == (("tester", 12.0),)


def test_a_state_is_one_of_the_channels(monkeypatch):
    events = operator_of(Person(monkeypatch, "on", "lit"), "people: [A]").request("lamp")
    assert events[0].answers == ("dark", "lit")
    assert "'on' is none of dark, lit" in events[1].text
    assert events[-1].samples == (("lamp", "lit"),)


def test_a_remark_is_not_empty(monkeypatch):
    events = operator_of(Person(monkeypatch, " ", "smells of resin"), "people: [A]").request("remark")
    assert events[-1].samples == (("remark", "smells of resin"),)


def test_an_answer_in_80_ms_is_no_reading(monkeypatch):
    events = operator_of(Person(monkeypatch, ("12 V", 0.08), "13 V"), "people: [A]").request("tester")
    assert "within 0.08 s nobody can have read it" in events[1].text
    assert events[-1].samples == (("tester", 13.0),)


def test_nobody_answers(monkeypatch):
    _, refused, lost = operator_of(Person(monkeypatch, "12 A", None), "people: [A]").request("tester")
    assert "'12 A' is refused" in refused.text
    assert lost.cause == "nobody answered for 30 s when tester was to be read"


def test_who_reads_is_one_of_the_people_and_asked_once(monkeypatch):
    person = Person(monkeypatch, "Somebody", "B", "1 V", "2 V")
    device = operator_of(person, "people: [A, B]")
    first, second = device.request("tester"), device.request("tester")
    assert "'Somebody' is refused" in first[0].text
    assert [event.by for event in (*first, *second) if isinstance(event, Answered)] == ["B", "B"]
    assert sum("Who is answering? (A / B)" in question for question in person.asked) == 2


def test_nothing_is_asked_by_itself_and_nothing_can_be_driven(monkeypatch):
    person = Person(monkeypatch, "12 V")
    device = operator_of(person, "people: [A]")
    assert device.listen(0.0) == ()
    with pytest.raises(DeviceLost, match="no outputs"):
        device.drive({"lamp": "lit"})
    assert person.asked == []
    device.close()
    device.close()


def test_between_its_threads():
    """The reading comes by the writer thread; a person who is gone is a device lost."""
    answers: queue.SimpleQueue = queue.SimpleQueue()
    bench = bench_of(BENCH, options="people: [A], least: 0.001 ms")
    options = bench.devices["person"].options
    device = Operator("person", options, bench.channels, bench, lambda *_: answers.get(timeout=5))
    with Running(device) as running:
        assert running.identity == "a person at the terminal (A)"
        running.threads.do(lambda: device.request("lamp"))
        answers.put("lit")
        assert running.until(lambda event: isinstance(event, Batch)).samples == (("lamp", "lit"),)
        assert not any(isinstance(event, Driven) for event in running.events)
        running.threads.do(lambda: device.request("lamp"))
        answers.put(None)
        assert "nobody answered" in running.lost()


def test_without_a_terminal_nobody_can_be_asked(monkeypatch):
    monkeypatch.setattr("sys.stdin", None)
    with pytest.raises(DeviceLost, match="no terminal"):
        operator_of(None)


@pytest.mark.parametrize(
    ("change", "wrong"),
    [((", range: [0 V, 1000 V]", ""), "tester has no range"),
     (("{direction: read, states: [dark, lit]}", "{direction: driven, states: [dark, lit], safe: dark}"), "is driven"),
     (("silence: 30 s", "silence: 0 s"), "is no length of time")],
)  # fmt: skip
def test_mistakes_in_the_bench_file(change, wrong):
    with pytest.raises(InputError, match=wrong):
        operator_of(lambda *_: None, text=BENCH.replace(*change))
