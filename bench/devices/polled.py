"""A device that speaks only when it is asked: one question at a time, whoever asks.

The reader thread asks for the scan groups that are due; the writer thread drives. A question is a generator that
yields while it waits, so that `listen` comes back in time although an instrument takes its time; whoever comes next
finishes the open question before asking its own. What the rules are:

- what comes unasked is dropped before a question and noted (an old answer must not answer the next question);
- a question without a good answer within `timeout` is asked again `retries` times (none by default), each failed try
  noted, then the channel has no value: its group does not count as scanned, and grows stale;
- no answer at all for `silence` after the first unanswered question: the device is lost, at the latest two time-outs
  later;
- a reading is stamped in the middle between question and answer; half of that time is the stamp's bound, told as
  `Aligned`; a scan that takes longer than `timeout` is noted and not used, so no reading comes later than `late_s`.
"""

from __future__ import annotations

import threading
import time
from abc import abstractmethod
from collections.abc import Callable, Generator, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from typing import TYPE_CHECKING, Annotated, Any, TypeVar

from pydantic import Field

from bench.devices.base import Device, DeviceLost
from bench.devices.options import PortOptions, Seconds, Whole, read_options
from bench.errors import InputError
from bench.events import Aligned, Batch, Event, Noted, Value

if TYPE_CHECKING:
    from bench.language.bench_file import Bench
    from bench.language.channel import Channel

T = TypeVar("T")
#: A question under way: yields while it waits, returns the answer.
Asking = Generator[None, None, T]


class NoAnswer(Exception):
    """Nothing, or nothing that can be trusted, came in time. The text says what came instead."""


class NoValue(Exception):
    """The device answered, and the answer is no value: overload, an exception answer, an unexpected text."""


class PolledOptions(PortOptions):
    """What all of them share. `silence` bounds how long a dead device goes unseen."""

    timeout: Seconds = 0.3
    silence: Seconds = 1.0
    retries: Annotated[Whole, Field(ge=0, le=10)] = 0


@dataclass
class Job:
    """Something to ask again and again: every `every_s`, next at `due` (monotonic s)."""

    every_s: float
    ask: Callable[[], Asking[None]]
    due: float


class PolledDevice(Device):
    """Base of the drivers that ask. A driver gives `options_model`, and fills `open`, `read`, `write` and `alive`."""

    #: Sampling period of channels for which neither channel nor bench says one, s.
    EVERY_S = 0.5
    options_model: type[PolledOptions] = PolledOptions
    asked_options: PolledOptions

    def __init__(self, name: str, options: Mapping[str, Any], channels: Mapping[str, Channel], bench: Bench):
        """Raises InputError."""
        super().__init__(name, options, channels, bench)
        self.asked_options = read_options(self.options_model, name, options, bench.file)
        self._line, self._next = threading.Lock(), threading.Lock()
        self._closing = threading.Event()
        self._events: list[Event] = []
        self._jobs: list[Job] = []
        self._asking: tuple[Job, Asking[None]] | None = None
        self._trouble: DeviceLost | None = None
        self._silent_since: float | None = None
        self._values: dict[str, Value] = {}  # as last told
        self._bound_s = self._worst_s = 0.0
        self._told = 0.0
        self._asked_at = 0.0  # when the first good answer of the present scan was asked for
        self._heard_at = 0.0

    # -- what a driver fills ------------------------------------------------------------------------------------

    @abstractmethod
    def open(self) -> Asking[str]:
        """Open the port and make sure it is the right device; its identity."""

    @abstractmethod
    def read(self, names: Sequence[str]) -> Asking[dict[str, Value]]:
        """The values of these channels of one scan group; one that has none is left out, after a `note`."""

    @abstractmethod
    def write(self, name: str, value: Value) -> Asking[None]:
        """Set an output and make sure of it. Raises NoAnswer, NoValue."""

    @abstractmethod
    def alive(self) -> Asking[None]:
        """Make sure that it is there and as it was left; asked twice per `silence`."""

    # -- what a device is ---------------------------------------------------------------------------------------

    def connect(self) -> str:
        options = self.asked_options
        self.late_s = options.timeout / 2 + 0.02
        driven = sum(channel.direction == "driven" for channel in self.channels.values())
        self.away_s += options.timeout * (2 * (options.retries + 1) + driven / 2)  # while outputs are driven
        groups: dict[str, list[str]] = {}
        for name, channel in self.channels.items():
            if channel.direction == "read":
                groups.setdefault(channel.group, []).append(name)
        try:
            identity = finish(self.open())
        except (NoAnswer, NoValue) as error:
            self.close()
            raise DeviceLost(f"{self.name} on {self.port_name}: {error}") from error
        except BaseException:
            self.close()
            raise
        for group, names in groups.items():
            every = min(self.channels[name].every_s or self.EVERY_S for name in names)
            scan = lambda group=group, names=names: self._scan(group, names)  # noqa: E731 - one per group
            self._jobs.append(Job(every, scan, time.monotonic()))
        self._jobs.append(Job(options.silence / 2, self._look, time.monotonic() + options.silence / 2))
        return identity

    def listen(self, timeout_s: float) -> Sequence[Event]:
        deadline = time.monotonic() + timeout_s
        while not self._closing.is_set():
            with self._turn():
                if self._trouble is not None:
                    raise self._trouble
                self._go_on(deadline)
                events, self._events = self._events, []
            if events or time.monotonic() >= deadline:
                return events
        return ()

    def drive(self, changes: Mapping[str, Value]) -> None:
        with self._turn():
            self._finish_question()
            for name, value in changes.items():
                try:
                    finish(self.tried(f"drive {name}: {value}", lambda n=name, v=value: self.write(n, v)))
                except (NoAnswer, NoValue) as error:
                    where = f"{self.name} on {self.port_name}"
                    raise DeviceLost(f"{where} was to drive {name}: {value}; {error}") from error

    # -- what a driver uses ---------------------------------------------------------------------------------------

    @property
    def port_name(self) -> str:
        return self.asked_options.port or f"serial number {self.asked_options.serial_number}"

    def wrong(self, text: str, right: str = "") -> InputError:
        """A complaint about the device's entry."""
        return InputError.at(self.bench.file, f"device {self.name}: {text}", right)

    def note(self, text: str) -> None:
        self._events.append(Noted(time.monotonic(), self.name, text))

    def heard(self) -> None:
        """An answer came that can be trusted to be the device's."""
        self._heard_at = time.monotonic()
        self._silent_since = None

    def unheard_for(self) -> float:
        """How long ago the last such answer is, s."""
        return time.monotonic() - self._heard_at

    def tried(self, what: str, ask: Callable[[], Asking[T]]) -> Asking[T]:
        """Ask, and ask again where that is allowed; every failed try is noted. Raises NoAnswer, NoValue."""
        tries = self.asked_options.retries + 1
        for number in range(1, tries + 1):
            began = time.monotonic()
            try:
                answer = yield from ask()
                self._asked_at = min(self._asked_at, began)
                return answer
            except NoAnswer as error:
                self._silent_since = self._silent_since or began
                self.note(f"{what}: {error} (try {number} of {tries})")
                if number == tries:
                    raise
        raise AssertionError("unreachable")

    # -- turns ----------------------------------------------------------------------------------------------------

    @contextmanager
    def _turn(self) -> Iterator[None]:
        """The line, one after the other: who waits for it holds `_next`, so nobody takes two turns running."""
        with self._next:
            self._line.acquire()
        try:
            yield
        finally:
            self._line.release()

    def _go_on(self, deadline: float) -> None:
        """Something short: a part of the open question, or the beginning of the next, or a short wait."""
        now = time.monotonic()
        if self._asking is None:
            job = min(self._jobs, key=lambda job: job.due)
            if job.due > now:
                self.idle(max(min(job.due, deadline) - now, 0.0))
                return
            self._asking = (job, job.ask())
        self._step()

    def idle(self, wait_s: float) -> None:
        """Nothing is to be asked for so long; come back soon. Drivers that can, watch their port meanwhile."""
        self._closing.wait(min(wait_s, 0.01))

    def _finish_question(self) -> None:
        """Carry the open question through, for somebody else who wants the line; what it finds is for `listen`."""
        try:
            while self._asking is not None:
                self._step()
        except DeviceLost as error:
            self._trouble = error

    def _step(self) -> None:
        assert self._asking is not None
        job, asking = self._asking
        began = time.monotonic()
        try:
            next(asking)
            return
        except StopIteration:
            self._asking = None
        except BaseException:
            self._asking = None
            raise
        job.due = max(job.due + job.every_s, began) if self._silent_since is None else began
        if self._silent_since is not None and time.monotonic() - self._silent_since >= self.asked_options.silence:
            raise DeviceLost(f"{self.name} on {self.port_name} has not answered for {self.asked_options.silence:g} s")

    # -- the jobs -------------------------------------------------------------------------------------------------

    def _look(self) -> Asking[None]:
        try:
            yield from self.alive()
        except (NoAnswer, NoValue):
            return  # noted where it was asked; silence is counted by the caller

    def _scan(self, group: str, names: Sequence[str]) -> Asking[None]:
        self._asked_at = time.monotonic() + self.asked_options.timeout
        values = yield from self.read(names)
        if not values:
            return
        ended = time.monotonic()
        took, limit = ended - self._asked_at, 2 * self.late_s
        if took > limit:
            self.note(f"the scan of {group} took {took:.3g} s and is not used: give it a longer 'timeout', or its "
                      "channels a 'group' each")  # fmt: skip
            return
        whole = len(values) == len(names)
        self._tell_bound(took / 2, ended)
        # The readings of a group that is not whole are sent even if unchanged: nothing else says that they are fresh.
        samples = tuple((n, v) for n, v in values.items() if not whole or self._values.get(n) != v)
        self._values |= values
        if whole or samples:
            self._events.append(Batch(ended - took / 2, samples, (group,) if whole else ()))

    def _tell_bound(self, bound_s: float, now: float) -> None:
        """A larger bound is told at once, a smaller one when a second has shown nothing larger."""
        self._worst_s = max(self._worst_s, bound_s)
        over = now - self._told >= 1.0
        if self._worst_s > 1.2 * self._bound_s or (over and self._worst_s < 0.8 * self._bound_s):
            self._bound_s, over = self._worst_s, True
            self._events.append(Aligned(now, self.name, 0.0, 0.0, self._bound_s))
        if over:
            self._worst_s, self._told = 0.0, now


def finish(asking: Iterator[Any]) -> Any:
    """Carry a question through; what it returns."""
    while True:
        try:
            next(asking)
        except StopIteration as stop:
            return stop.value
