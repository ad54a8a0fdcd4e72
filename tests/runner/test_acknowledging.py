"""Local rules line by line: each is shown, only `yes` counts, and it does not last."""

import hashlib

import pytest

from bench.errors import InputError
from bench.runner.acknowledging import Clocks, Terminal, acknowledge, read_rules

RULES = "Two people, one of them licensed.\n\n  Emergency stop within reach.  \nBarriers up.\n"
LINES = ["Two people, one of them licensed.", "Emergency stop within reach.", "Barriers up."]


class People:
    """At a terminal: what they are asked, and the answers they give; each takes `seconds`."""

    def __init__(self, *answers, seconds=0.0):
        self.answers = list(answers)
        self.asked, self.shown = [], []
        self.seconds, self.now = seconds, 1000.0
        self.clocks = Clocks(lambda: self.now, lambda: self.now + 1.7e9)
        self.terminal = Terminal(True, False, self._answer, self.shown.append)

    def _answer(self, text):
        self.asked.append(text)
        self.now += self.seconds
        return self.answers.pop(0) if self.answers else ""


@pytest.fixture
def rules(tmp_path):
    (tmp_path / "rules.txt").write_text(RULES, encoding="utf-8")
    return tmp_path / "rules.txt"


def given_by(people, rules, **options):
    return acknowledge(rules, ("A. Fell", "B. Tarn"), people.terminal, people.clocks, **options)


def test_each_line_that_says_something_is_shown_and_answered(rules):
    people = People("yes\n", " yes \n", "yes")
    given = given_by(people, rules)
    assert [text.split(": ", 1)[1].splitlines()[0] for text in people.asked] == LINES
    assert given.fields() == {
        "rules": "rules.txt", "sha256": hashlib.sha256(RULES.encode()).hexdigest(), "lines": 3,
        "by": ["A. Fell", "B. Tarn"], "at_utc": "2023-11-14T22:30:00Z", "lapses_after_s": 900.0,
    }  # fmt: skip
    assert "A. Fell and B. Tarn" in people.shown[0]


@pytest.mark.parametrize("answer", ["", "\n", "y", "Yes", "YES", "no", "yes yes", "yes, but"])
@pytest.mark.parametrize("line", [1, 2, 3])
def test_anything_but_yes_stops_at_once(rules, answer, line):
    people = People(*["yes"] * (line - 1), answer, *["yes"] * 3)
    with pytest.raises(InputError, match=f"--rules:1:1: error: line {line} of rules.txt was not acknowledged"):
        given_by(people, rules)
    assert len(people.asked) == line


def test_it_lapses_by_either_clock_and_counts_from_the_first_answer(rules):
    people = People("yes", "yes", "yes", seconds=100.0)
    given = given_by(people, rules)
    assert people.now == 1300.0
    for monotonic, wall, lapsed in (
        (1899.0, 1899.0, False), (1900.0, 1900.0, False), (1900.1, 1000.0, True),
        (1300.0, 1900.1, True),  # the computer slept: only the wall clock went on
        (1300.0, -5000.0, False), (1901.0, -5000.0, True),  # set back: no younger for it
    ):  # fmt: skip
        clocks = Clocks(lambda at=monotonic: at, lambda at=wall: at + 1.7e9)
        assert given.has_lapsed(clocks) is lapsed, (monotonic, wall)


def test_reading_for_longer_than_it_lasts_gives_nothing(rules):
    with pytest.raises(InputError, match="took longer than 5 min"):
        given_by(People("yes", "yes", "yes", seconds=101.0), rules, lapses_after_s=300.0)


@pytest.mark.parametrize(
    ("content", "wrong"),
    [(b"", "holds no rule"), (b" \n\t\n", "holds no rule"), (b"\xff\xfe\x00", "not UTF-8"), (b"x" * 100_001, "bytes")],
)
def test_rules_that_cannot_be_shown(tmp_path, content, wrong):
    (tmp_path / "rules.txt").write_bytes(content)
    with pytest.raises(InputError, match=wrong):
        read_rules(tmp_path / "rules.txt")


def test_rules_that_are_not_there(tmp_path):
    with pytest.raises(InputError, match="cannot be read"):
        read_rules(tmp_path / "rules.txt")
    with pytest.raises(InputError, match="cannot be read"):
        read_rules(tmp_path)


def test_no_line_plays_tricks_with_the_terminal(tmp_path):
    (tmp_path / "rules.txt").write_text("Never\x1b[2K\x08 alone\n\x07\n", encoding="utf-8")
    assert read_rules(tmp_path / "rules.txt")[0] == ["Never [2K  alone"]
