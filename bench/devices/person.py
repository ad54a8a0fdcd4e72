"""A person at the bench: one question at a time, an answer that can be one, and the name of who gave it."""

from __future__ import annotations

import time
from collections.abc import Callable, Sequence
from typing import NamedTuple

from bench.errors import RecordError
from bench.events import Answered, Asked, Event, Filed, Noted, Value
from bench.record.photos import RIGHT, Keep, read_photo
from bench.terminal import Prompt

#: Quicker than this nobody can have read the question, s.
LEAST_S = 0.5


class Meaning(NamedTuple):
    """What may be answered. `read` gives the value that was meant, or raises ValueError with what would be right."""

    question: str
    answers: tuple[str, ...]
    read: Callable[[str], Value]


class Person:
    """`name`: who answers, if that is known; else it is asked once, and is one of `people` where any are named.

    There is no default answer. One that cannot be, or that came quicker than anybody can read, is refused, noted and
    asked again.
    """

    def __init__(self, prompt: Prompt, name: str = "", people: Sequence[str] = (), least_s: float = LEAST_S):
        self.name = name or (people[0] if len(people) == 1 else "")
        self.people = tuple(people)
        self._prompt = prompt
        self._least_s = least_s

    def ask(self, meaning: Meaning, within_s: float, device: str) -> tuple[list[Event], Value | None]:
        """Question, refusals and answer as events with `t` on the bench clock, and the value; None: nobody answered.

        `device` is whose note a refusal is; `within_s` counts anew after each refusal.
        """
        events: list[Event] = []
        if not self._who(events, within_s, device):
            return events, None
        value = self._meant(meaning, events, within_s, device)
        if value is not None:
            events.append(Answered(time.monotonic(), value, self.name))
        return events, value

    def photo(self, name: str, within_s: float, device: str, keep: Keep) -> list[Event]:
        """Have the one who has just answered give a picture, kept as `name`: question, refusals and `Filed`."""
        events: list[Event] = []
        filed = [""]

        def read(answer: str) -> Value:
            if not answer.strip():
                return ""
            ending, data = read_photo(answer.strip())
            try:
                filed[0] = keep(f"{name}.{ending}", data)
            except RecordError as error:
                raise ValueError(str(error)) from error
            return f"{name}.{ending}"

        file = self._meant(Meaning(f"The photo of it: path of {RIGHT}; empty if there is none:", (), read),
                           events, within_s, device)  # fmt: skip
        if file is not None:
            events.append(Filed(time.monotonic(), str(file), filed[0], self.name))
        return events

    def _meant(self, meaning: Meaning, events: list[Event], within_s: float, device: str) -> Value | None:
        """Ask until something is answered that can be meant, and note what cannot."""
        question = meaning.question
        events.append(Asked(time.monotonic(), question, meaning.answers))
        while True:
            asked_at = time.monotonic()
            answer = self._prompt(question, within_s)
            answered_at = time.monotonic()
            if answer is None:
                return None
            try:
                if answered_at - asked_at < self._least_s:
                    raise ValueError(f"within {answered_at - asked_at:.2g} s nobody can have read it")
                return meaning.read(answer)
            except ValueError as error:
                events.append(Noted(answered_at, device, f"{meaning.question.strip()} {answer!r} is refused: {error}"))
                question = f"{error}. {meaning.question}"

    def _who(self, events: list[Event], within_s: float, device: str) -> str:
        question = f"Who is answering? ({' / '.join(self.people)})" if self.people else "Who is answering?"
        while not self.name:
            answer = self._prompt(question, within_s)
            if answer is None:
                return ""
            answer = answer.strip()
            if answer and (not self.people or answer in self.people):
                self.name = answer
            else:
                events.append(Noted(time.monotonic(), device, f"{question} {answer!r} is refused"))
        return self.name


def one_of(question: str, answers: Sequence[str]) -> Meaning:
    """A question with a closed list of answers."""

    def read(answer: str) -> Value:
        if answer.strip() not in answers:
            raise ValueError(f"{answer.strip()!r} is none of {', '.join(answers)}")
        return answer.strip()

    return Meaning(f"{question} ({' / '.join(answers)})", tuple(answers), read)
