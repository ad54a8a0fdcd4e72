"""A polled device that speaks lines of text: asking one question and telling apart what may come back.

Half a line, an empty line, a late line and silence are four different findings. After a question without an answer the
line may still owe one; nothing new is asked before the device has given its identity again (an answer that cannot be
mistaken for another), or where it has none, before one more `timeout` has passed.

Outputs that can be read back are, after each change and twice per `silence`: a supply that was switched off by hand, or
has lost its own supply, is found.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Sequence
from typing import Annotated, Any, Protocol

from pydantic import AfterValidator

from bench.devices.base import DeviceLost
from bench.devices.polled import Asking, NoAnswer, NoValue, PolledDevice, PolledOptions
from bench.devices.serial_port import SerialPort
from bench.devices.wire_values import tolerance
from bench.events import Value

ENDS = {"lf": b"\n", "cr": b"\r", "crlf": b"\r\n"}


def _end(word: str) -> str:
    if word not in ENDS:
        raise ValueError(f"'{word}' is no end of line; write one of {', '.join(ENDS)}")
    return word


class TextOptions(PolledOptions):
    end_of_line: Annotated[str, AfterValidator(_end)] = "lf"


class Port(Protocol):
    """What a text device needs of its port; see `SerialPort`."""

    name: str
    buffer: bytearray

    def write(self, data: bytes) -> None: ...
    def wait(self, timeout_s: float) -> bool: ...
    def take(self, end: bytes) -> bytes | None: ...
    def drop(self) -> bytes: ...
    def close(self) -> None: ...


class TextDevice(PolledDevice):
    """Base of `scpi` and `line`. A driver gives `options_model` and fills `ask_value`, `ask_back`, `open`, `write`,
    `alive`."""

    asked_options: TextOptions
    port: Port | None = None
    #: A question whose answer cannot be mistaken, and what tells it; set once the identity is known.
    sync: tuple[str, Callable[[str], bool]] | None = None
    #: Whether a question is without its answer, which may still come.
    owed = False

    def __init__(self, *arguments: Any) -> None:
        super().__init__(*arguments)
        self._left: dict[str, Value] = {}  # outputs as they were last confirmed

    def ask_value(self, name: str) -> Asking[Value]:
        """The value of one channel. Raises NoAnswer, NoValue."""
        raise NotImplementedError

    def ask_back(self, name: str) -> tuple[str, Asking[Value]] | None:
        """How an output is read back: the question, and asking it; None where it cannot be."""
        raise NotImplementedError

    def confirm(self, name: str, value: Value) -> Asking[None]:
        """Read an output back after it was set. Raises NoAnswer, NoValue."""
        self._left.pop(name, None)
        if (back := self.ask_back(name)) is None:
            return
        question, asking = back
        seen = yield from asking
        if not self._agrees(name, seen, value):
            raise NoValue(f"{question} reads {_told(seen)} after {_told(value)} was set")
        self._left[name] = value

    def alive(self) -> Asking[None]:
        if self.unheard_for() >= self.asked_options.silence / 2:
            assert self.sync is not None
            identify, tells = self.sync
            answer = yield from self.tried(identify, lambda: self.ask(identify))
            if not tells(answer):
                raise DeviceLost(f"{self.name} on {self.port_name} is another device now: it answers {answer!r}")
        for name, value in list(self._left.items()):
            question, _ = self.ask_back(name)
            seen = yield from self.tried(question, lambda name=name: self.ask_back(name)[1])
            if not self._agrees(name, seen, value):
                raise DeviceLost(
                    f"{self.name} on {self.port_name}: {question} reads {_told(seen)}, {name} was left at "
                    f"{_told(value)}: it was switched off, has restarted, or another drives it"
                )

    def _agrees(self, name: str, seen: Value, value: Value) -> bool:
        if isinstance(seen, float):
            return abs(seen - float(value)) <= tolerance(self.channels[name], value)
        return seen == value

    def open_port(self) -> None:
        self.port = SerialPort(self.asked_options.settings())

    def read(self, names: Sequence[str]) -> Asking[dict[str, Value]]:
        values = {}
        for name in names:
            try:
                values[name] = yield from self.tried(name, lambda name=name: self.ask_value(name))
            except NoValue as error:
                self.note(f"{name} has no value: {error}")
            except NoAnswer:
                break  # silent to one, silent to all: the others need not be tried
        return values

    def ask(self, question: str) -> Asking[str]:
        """The answering line, without its end and outer blanks. Raises NoAnswer, DeviceLost."""
        yield from self.settle()
        self._drop()
        self.say(question)
        answer = yield from self._answer()
        if self.sync and question != self.sync[0] and self.sync[1](answer):
            self.owed = True  # the line is one answer behind
            raise NoAnswer("its identity came, which was asked for before")
        return answer

    def say(self, text: str) -> None:
        """Send a line. Raises DeviceLost."""
        assert self.port is not None
        self.port.write(text.encode("latin-1") + ENDS[self.asked_options.end_of_line])

    def close(self) -> None:
        self._closing.set()
        if self.port is not None:
            self.port.close()

    def idle(self, wait_s: float) -> None:
        """Watch the port meanwhile: an unplugged one is found at once."""
        assert self.port is not None
        self.port.wait(min(wait_s, SerialPort.GRAIN_S))

    def _answer(self) -> Asking[str]:
        assert self.port is not None
        end = ENDS[self.asked_options.end_of_line][-1:]
        deadline = time.monotonic() + self.asked_options.timeout
        self.owed = True
        while (line := self.port.take(end)) is None:
            left = deadline - time.monotonic()
            if left <= 0:
                raise NoAnswer(self._missing())
            self.port.wait(min(left, SerialPort.GRAIN_S))
            yield
        self.owed = False
        self.heard()
        return line.decode("latin-1").strip()

    def _missing(self) -> str:
        assert self.port is not None
        part = bytes(self.port.buffer)
        text = f"no answer within {self.asked_options.timeout:g} s"
        return f"only half a line within {self.asked_options.timeout:g} s: {quoted(part)}" if part else text

    def settle(self) -> Asking[None]:
        """After a question without an answer: make sure that the next answer belongs to the next question."""
        if not self.owed:
            return
        self._drop()
        if self.sync is None:
            deadline = time.monotonic() + self.asked_options.timeout
            while (left := deadline - time.monotonic()) > 0:
                self.idle(left)
                yield
            self.owed = False
            return
        question, tells = self.sync
        self.say(question)
        while not tells(answer := (yield from self._answer())):
            self.note(f"late answer dropped: {quoted(answer.encode('latin-1'))}")

    def _drop(self) -> None:
        assert self.port is not None
        if dropped := self.port.drop():
            self.note(f"came unasked, dropped: {quoted(dropped)}")


def _told(value: Value) -> str:
    return f"{value:g}" if isinstance(value, float) else str(value)


def quoted(data: bytes, most: int = 60) -> str:
    """Bytes for a message: as text where they are, cut where they are long."""
    text = repr(data[:most])[1:]
    return f"{text} and {len(data) - most} bytes more" if len(data) > most else text
