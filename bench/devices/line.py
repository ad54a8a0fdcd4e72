"""`line`: any simple text protocol, described in the bench file: what to send, and what answer to expect.

    devices:
      relays:
        driver: line
        serial_number: "A50285BI"
        end_of_line: crlf
        identify: {send: "ID?", expect: "TINYRELAY {text}"}
        channels:
          interlock:
            states:
              open: {send: "R1 0", expect: "OK"}
              closed: {send: "R1 1", expect: "OK"}
            read: {send: "R1?", expect: {open: "R1=0", closed: "R1=1"}}     # read back after each change
          supply_voltage:
            set: {send: "VSET {value}", expect: "OK"}
            read: {send: "VSET?", expect: "{value} V"}
          temperature:
            read: {send: "T1?", expect: "T1={value}C"}

An answer is compared whole, without blanks around it; `{value}` in it is one number, `{text}` anything. Anything else
that comes is noted, and no value.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

from pydantic import Field

from bench.devices.base import DeviceLost
from bench.devices.options import Options
from bench.devices.polled import Asking, NoValue
from bench.devices.text_device import TextDevice, TextOptions, quoted
from bench.devices.wire_values import from_wire, to_wire
from bench.events import Value

if TYPE_CHECKING:
    from bench.language.bench_file import Bench
    from bench.language.channel import Channel

_NUMBER = r"([+-]?(?:[0-9]+\.?[0-9]*|\.[0-9]+)(?:[eE][+-]?[0-9]{1,3})?)"


class Exchange(Options):
    """Something to say, and what a device that has understood it answers ('' for a device that says nothing)."""

    send: str = Field(min_length=1)
    expect: str = ""


class Question(Options):
    """Something to ask; the answer has one `{value}`, or is one of several that stand for states."""

    send: str = Field(min_length=1)
    expect: str | dict[str, str]


class LineChannel(Options):
    states: dict[str, Exchange] = {}
    set: Exchange | None = None
    read: Question | None = None


class LineOptions(TextOptions):
    identify: Exchange
    channels: dict[str, LineChannel]


class LineDevice(TextDevice):
    """One device that speaks lines. What `identify` expects is checked before anything else is said to it."""

    options_model = LineOptions
    asked_options: LineOptions

    def __init__(self, name: str, options: Mapping[str, Any], channels: Mapping[str, Channel], bench: Bench):
        super().__init__(name, options, channels, bench)
        if not self.asked_options.identify.expect:
            raise self.wrong("'identify' expects nothing", "say what only this device answers")
        for unknown in sorted(self.asked_options.channels.keys() - channels.keys()):
            raise self.wrong(f"'channels' names {unknown!r}, which is no channel of it", "see 'channels' of the file")
        for channel in channels.values():
            self._check(channel)

    def open(self) -> Asking[str]:
        self.open_port()
        said = self.asked_options.identify
        answer = yield from self.ask(said.send)
        if not pattern(said.expect).fullmatch(answer):
            assert self.port is not None
            raise DeviceLost(
                f"{self.name}: on {self.port.name} is another device: it answers {shown(answer)} to {said.send!r}, "
                f"not {said.expect!r}"
            )
        self.sync = (said.send, lambda line: line == answer)
        return answer

    def ask_value(self, name: str) -> Asking[Value]:
        question = self.asked_options.channels[name].read
        assert question is not None
        answer = yield from self.ask(question.send)
        channel = self.channels[name]
        if isinstance(question.expect, dict):
            for state, expected in question.expect.items():
                if pattern(expected).fullmatch(answer):
                    return state
            raise NoValue(f"{shown(answer)} came, none of {', '.join(map(repr, question.expect.values()))}")
        match = pattern(question.expect).fullmatch(answer)
        if match is None:
            raise NoValue(f"{shown(answer)} came, not {question.expect!r}")
        try:
            return match[1].strip() if channel.text else from_wire(channel, float(match[1]))
        except ValueError as error:
            raise NoValue(f"{shown(answer)} came: {error}") from error

    def write(self, name: str, value: Value) -> Asking[None]:
        described, channel = self.asked_options.channels[name], self.channels[name]
        said = described.states[str(value)] if described.states else described.set
        assert said is not None
        try:
            text = said.send if described.states else said.send.replace("{value}", f"{to_wire(channel, value):.9g}")
        except ValueError as error:
            raise NoValue(str(error)) from error
        if not said.expect or self.owed:
            self.say(text)  # an output goes out before anything is cleared up
        if said.expect:
            answer = yield from self.ask(text)
            if not pattern(said.expect).fullmatch(answer):
                raise NoValue(f"{shown(answer)} came, not {said.expect!r}")
        yield from self.confirm(name, value)

    def ask_back(self, name: str) -> tuple[str, Asking[Value]] | None:
        question = self.asked_options.channels[name].read
        return (question.send, self.ask_value(name)) if question is not None else None

    def _check(self, channel: Channel) -> None:
        described = self.asked_options.channels.get(channel.name)
        if described is None:
            raise self.wrong(f"'channels' does not say how to talk about {channel.name}", "add it")
        driven = channel.direction == "driven"
        if driven and channel.states and set(described.states) != set(channel.states):
            raise self.wrong(
                f"{channel.name} says what to send for {', '.join(described.states) or 'no state'}",
                f"say it for {', '.join(channel.states)}",
            )
        if driven and channel.unit is not None and not (described.set and "{value}" in described.set.send):
            raise self.wrong(f"{channel.name} has no 'set' with {{value}}", "write for example send: 'V {value}'")
        if driven and channel.text:
            raise self.wrong(f"{channel.name} is a text, which cannot be set", "give it states or a unit")
        if not driven and described.read is None:
            raise self.wrong(f"{channel.name} has no 'read'", "write for example read: {send: 'T?', expect: '{value}'}")
        if described.read is not None:
            self._check_read(channel, described.read.expect)

    def _check_read(self, channel: Channel, expected: str | dict[str, str]) -> None:
        if isinstance(expected, dict):
            if unknown := sorted(set(expected) - set(channel.states or ())):
                raise self.wrong(f"{channel.name} has no state {unknown[0]!r}", "use the states of the channel")
        elif expected.count("{value}") + (channel.text and expected.count("{text}")) != 1:
            raise self.wrong(f"what {channel.name} expects has not one {{value}}", "write for example 'T={value}'")


def pattern(expected: str) -> re.Pattern[str]:
    """What an answer has to look like."""
    parts = re.split(r"(\{value\}|\{text\})", expected.strip())
    named = {"{value}": _NUMBER, "{text}": "(.*)"}
    return re.compile("".join(named.get(part, re.escape(part)) for part in parts))


def shown(answer: str) -> str:
    return quoted(answer.encode("latin-1"))
