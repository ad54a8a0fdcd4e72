"""`operator`: what a person reads and says: an approved tester, a stopwatch, a lamp that nothing else can see.

    devices:
      person: {driver: operator, people: [A. Keller, B. Roth]}
    channels:
      tester_voltage: {device: person, direction: read, unit: V, range: [0 V, 1000 V], may_be_silent: true}

Such a channel has a value only after `request` was called for it; nothing is asked by itself. There is no default
answer. An answer outside the range, without its unit, or quicker than anybody can read (`least`) is refused, noted and
asked again; nobody answering for `silence` is a device lost.
"""

from __future__ import annotations

import queue
import sys
import threading
import time
from collections.abc import Callable, Mapping, Sequence
from typing import TYPE_CHECKING, Any

from bench.devices.base import Device, DeviceLost
from bench.devices.options import Options, Seconds, read_options
from bench.errors import InputError
from bench.events import Answered, Asked, Batch, Event, Noted, Value
from bench.language.units import UNITS, parse_quantity

if TYPE_CHECKING:
    from bench.language.bench_file import Bench
    from bench.language.channel import Channel

#: Puts a text to the person and waits at most so long (s) for a line; None: nobody answered.
Prompt = Callable[[str, float], "str | None"]


class OperatorOptions(Options):
    people: list[str] = []
    least: Seconds = 0.5
    silence: Seconds = 120.0


class Operator(Device):
    """A person at the terminal. `prompt` is how the question gets there and the answer back."""

    def __init__(
        self,
        name: str,
        options: Mapping[str, Any],
        channels: Mapping[str, Channel],
        bench: Bench,
        prompt: Prompt | None = None,
    ):
        super().__init__(name, options, channels, bench)
        self._options = read_options(OperatorOptions, name, options, bench.file)
        self._prompt = prompt
        self._closing = threading.Event()
        self._who = ""
        self._notes: list[Event] = []
        for channel in channels.values():
            if channel.direction == "driven":
                raise InputError.at(bench.file, f"device {name}: {channel.name} is driven", "a person is only asked")
            if channel.unit is not None and channel.range is None:
                raise InputError.at(bench.file, f"device {name}: {channel.name} has no range", "add 'range:'")

    def connect(self) -> str:
        if self._prompt is None:
            self._prompt = terminal_prompt()
        people = ", ".join(self._options.people)
        return f"a person at the terminal{f' ({people})' if people else ''}"

    def listen(self, timeout_s: float) -> Sequence[Event]:
        self._closing.wait(timeout_s)
        return ()

    def request(self, channel: str) -> Sequence[Event]:
        """Have a person read this channel, now: question, refusals, answer, and its value. Blocks until then.

        Raises DeviceLost when nobody answers for `silence`.
        """
        wired = self.channels[channel]
        events: list[Event] = []
        who = self._person(events)
        question, answers = question_for(wired), wired.states or ()
        events.append(Asked(time.monotonic(), question, answers))
        while True:
            asked_at = time.monotonic()
            answer = self._put(question)
            answered_at = time.monotonic()
            try:
                if answered_at - asked_at < self._options.least:
                    raise ValueError(f"within {answered_at - asked_at:.2g} s nobody can have read it")
                value = value_of(wired, answer)
            except ValueError as error:
                events.append(Noted(answered_at, self.name, f"{channel}: {answer!r} is refused: {error}"))
                question = f"{error}. {question_for(wired)}"
                continue
            events.append(Answered(answered_at, value, who))
            events.append(Batch(answered_at, ((channel, value),), (wired.group,)))
            return events

    def close(self) -> None:
        self._closing.set()

    def _person(self, events: list[Event]) -> str:
        """Who reads: asked once a run, or the only one that the bench file names."""
        people = self._options.people
        if not self._who and len(people) == 1:
            self._who = people[0]
        question = f"Who is reading? ({' / '.join(people)}) " if people else "Who is reading? "
        while not self._who:
            answer = self._put(question).strip()
            if answer and (not people or answer in people):
                self._who = answer
            else:
                events.append(Noted(time.monotonic(), self.name, f"who is reading: {answer!r} is refused"))
        return self._who

    def _put(self, question: str) -> str:
        assert self._prompt is not None
        answer = self._prompt(question, self._options.silence)
        if answer is None:
            raise DeviceLost(f"{self.name}: nobody answered {question.strip()!r} within {self._options.silence:g} s")
        return answer


def question_for(channel: Channel) -> str:
    """What the person is asked, with what would be an answer."""
    about = f"{channel.name}" + (f" ({channel.note})" if channel.note else "")
    if channel.states:
        return f"{about}: {' / '.join(channel.states)}? "
    if channel.unit is not None and channel.range is not None:
        low, high = channel.range
        return f"{about}: reading in {channel.unit}, {low:g} to {high:g}, with its unit? "
    return f"{about}? "


def value_of(channel: Channel, answer: str) -> Value:
    """The value that a person meant. Raises ValueError with what would be right."""
    answer = answer.strip()
    if channel.states:
        if answer not in channel.states:
            raise ValueError(f"{answer!r} is none of {', '.join(channel.states)}")
        return answer
    if channel.unit is None:
        if not answer:
            raise ValueError("nothing was said")
        return answer
    unit = UNITS[channel.unit]
    try:
        quantity = parse_quantity(answer)
    except InputError as error:
        raise ValueError(f"{answer!r} is no quantity; write for example '12.5 {channel.unit}'") from error
    if quantity.unit.dimension != unit.dimension or quantity.unit.name == "" != unit.name:
        raise ValueError(f"{answer!r} is not in {channel.unit} or the like")
    value = unit.from_base(quantity.value)
    assert channel.range is not None
    low, high = channel.range
    if not low <= value <= high:
        raise ValueError(f"{answer} is outside {low:g} {channel.unit} to {high:g} {channel.unit}")
    return value


def terminal_prompt() -> Prompt:
    """Questions on this process's terminal. Raises DeviceLost where there is none."""
    if not (sys.stdin and sys.stdin.isatty()):
        raise DeviceLost("a person is to be asked, and there is no terminal")
    return line_prompt(sys.stdin.readline, lambda text: print(text, end="", flush=True))


def line_prompt(read_line: Callable[[], str], show: Callable[[str], None]) -> Prompt:
    """A prompt over a blocking `read_line`. What was typed before a question is no answer to it and is dropped."""
    lines: queue.SimpleQueue[str] = queue.SimpleQueue()

    def read() -> None:
        while line := read_line():
            lines.put(line.rstrip("\r\n"))

    threading.Thread(target=read, name="terminal", daemon=True).start()

    def prompt(text: str, timeout_s: float) -> str | None:
        while not lines.empty():
            lines.get()
        show(text)
        try:
            return lines.get(timeout=timeout_s)
        except queue.Empty:
            return None

    return prompt
