"""`operator`: what a person reads and says: an approved tester, a stopwatch, a lamp that nothing else can see.

    devices:
      person: {driver: operator, people: [A. Keller, B. Roth]}
    channels:
      tester_voltage: {device: person, direction: read, unit: V, range: [0 V, 1000 V], may_be_silent: true}

Such a channel is read when a `check` names it, and not again before the next stimulus. Nobody answering for `silence`
is a device lost.
"""

from __future__ import annotations

import threading
import time
from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any

from bench.devices.base import Device, DeviceLost
from bench.devices.options import Options, Seconds, read_options
from bench.devices.person import LEAST_S, Meaning, Person, one_of
from bench.errors import InputError
from bench.events import Batch, Event, Lost, Value
from bench.language.units import UNITS, parse_quantity
from bench.terminal import Prompt, is_there, terminal_prompt

if TYPE_CHECKING:
    from bench.language.bench_file import Bench
    from bench.language.channel import Channel


class OperatorOptions(Options):
    people: list[str] = []
    least: Seconds = LEAST_S
    silence: Seconds = 120.0


class Operator(Device):
    """A person at the terminal, or at the other end of `prompt`."""

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
        self._person: Person | None = None
        self._closing = threading.Event()
        for channel in channels.values():
            if channel.direction == "driven":
                raise InputError.at(bench.file, f"device {name}: {channel.name} is driven", "a person is only asked")
            if channel.unit is not None and channel.range is None:
                raise InputError.at(bench.file, f"device {name}: {channel.name} has no range", "add 'range:'")

    def connect(self) -> str:
        people = self._options.people
        if self._prompt is None and not is_there():
            raise DeviceLost("a person is to be asked, and there is no terminal")
        self._person = Person(self._prompt or terminal_prompt(), people=people, least_s=self._options.least)
        return "a person at the terminal" + (f" ({', '.join(people)})" if people else "")

    def listen(self, timeout_s: float) -> Sequence[Event]:
        self._closing.wait(timeout_s)
        return ()

    def request(self, channel: str) -> Sequence[Event]:
        """Have a person read this channel, now: question, refusals, answer, and its value. Blocks until then.

        Nobody answering for `silence` is `Lost`, with what was refused before it.
        """
        assert self._person is not None
        wired, silence_s = self.channels[channel], self._options.silence
        events, value = self._person.ask(meaning_of(wired), silence_s, self.name)
        if value is None:
            cause = f"nobody answered for {silence_s:g} s when {channel} was to be read"
            return [*events, Lost(time.monotonic(), self.name, cause)]
        return [*events, Batch(events[-1].t, ((channel, value),), (wired.group,))]

    def close(self) -> None:
        self._closing.set()


def meaning_of(channel: Channel) -> Meaning:
    """What the person is asked, and what may be answered."""
    about = f"{channel.name}" + (f" ({channel.note})" if channel.note else "")
    if channel.states:
        return one_of(about, channel.states)
    if channel.unit is not None and channel.range is not None:
        low, high = channel.range
        about += f": reading in {channel.unit}, {low:g} to {high:g}, with its unit"
    return Meaning(f"{about}?", (), lambda answer: value_of(channel, answer))


def value_of(channel: Channel, answer: str) -> Value:
    """The value that a person meant. Raises ValueError with what would be right."""
    answer = answer.strip()
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
