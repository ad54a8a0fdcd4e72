"""The I/O board: digital and analog pins of a microcontroller behind a serial line, with a clock of its own.

`board_protocol.py` is what is said, `firmware/` what runs on the board. Nothing is energised by opening the port: the
board is armed when the bench first beats or drives, and from then on opens everything by itself when the bench falls
silent. What ends a run: the port gone, the board silent, restarted, at rest by itself or not what it should be, its
clock standing still, its lines late or mostly rubbish, an output that does not read back. What is only noted: single
lines that made no sense or were lost, answers that came late, a try that had to be made again.
"""

from __future__ import annotations

import time
from collections import deque
from collections.abc import Mapping, Sequence
from contextlib import suppress
from functools import lru_cache
from typing import TYPE_CHECKING, Annotated, Any

from pydantic import Field

from bench.devices.base import Device, DeviceLost
from bench.devices.board_link import Asked, BoardLink, Refused
from bench.devices.board_pins import LEVEL_TOLERANCE, Pins
from bench.devices.board_protocol import NAME, VERSION, Line, Malformed, levels_of, stamp_of
from bench.devices.clocks import ClockMap, Counter, Instant
from bench.devices.options import PortOptions, Seconds, Whole, read_options
from bench.devices.serial_port import SerialPort
from bench.devices.tallies import Tallies
from bench.errors import InputError
from bench.events import Aligned, Batch, Event, Noted, Value

if TYPE_CHECKING:
    from bench.language.bench_file import Bench
    from bench.language.channel import Channel

SCAN_S = 0.01  # scan period where no channel says 'every'
HELLO_S = 0.25  # how often a board that may be starting is greeted
ROUND_TRIPS = 10  # for the clock, before anything else
MOST_RESTARTS = 3  # of the clock's alignment
MOST_DRIVES = 12  # outputs in one line


class BoardOptions(PortOptions):
    """`unit` is the board's own number, `deadman` how long it holds its outputs without the bench, `silence` how long
    it may say nothing (twice that: nothing but rubbish or repetitions), `timeout` how long an answer may take, `late`
    how old a reading may be when it comes, `boot` how long it may take to start, `clock_ppm` how far off nominal its
    clock may run."""

    baud: Annotated[Whole, Field(ge=9600, le=12_000_000)] = 115_200
    unit: str = ""
    deadman: Annotated[Seconds, Field(ge=0.15, le=2.0)] = 0.25
    silence: Annotated[Seconds, Field(ge=0.1)] = 0.25
    timeout: Seconds = 0.1
    late: Seconds = 0.2
    boot: Seconds = 3.0
    retries: Annotated[Whole, Field(le=10)] = 1
    clock_ppm: Annotated[Whole, Field(ge=1, le=20_000)] = 500


class Board(Device):
    """See the module. One thread listens, one drives and beats; whoever waits for an answer may receive."""

    beat_s = 0.05

    def __init__(self, name: str, options: Mapping[str, Any], channels: Mapping[str, Channel], bench: Bench):
        super().__init__(name, options, channels, bench)
        self.board_options = read_options(BoardOptions, name, options, bench.file)
        self.late_s = self.board_options.late + self._scan_s / 2  # a change that only a scan shows
        self.away_s += self.board_options.timeout * (self.board_options.retries + 1)
        self.clock = ClockMap(most_ppm=self.board_options.clock_ppm)
        self.tallies = Tallies(name)
        self._pins = Pins(name, channels, bench.file)
        self._parts = lru_cache(64)(self._parts_of)  # a safe state is made out only once
        self._groups: dict[str, set[str]] = {}
        for channel in channels.values():
            if channel.direction == "read":
                self._groups.setdefault(channel.group, set()).add(channel.name)
        self._link: BoardLink | None = None
        self._armed = False
        self._counter = Counter()
        self._stamp = -1  # the greatest so far, us
        self._heard = 0.0  # when that last rose: the board lives
        self._troubles: dict[str, int] = {}  # what the board last said of its own counters
        self._values: dict[str, Value] = {}
        self._scan: tuple[int, dict[str, set[str]]] = (-1, {})  # stamp, and what is missing of each group
        self._scan_before = 0.0
        self._told_bound, self._told_at, self._worst = 0.0, float("-inf"), 0.0
        self._events: deque[Event] = deque()

    # -- opening and closing -------------------------------------------------------------------------------

    def connect(self) -> str:
        self._link = BoardLink(self.board_options.settings(), self._hear, self.tallies, self._note)
        try:
            identity = self._hello()
            for pin, (role, option) in self._pins.role.items():
                self._open_pin(pin, role, option)
            for _ in range(ROUND_TRIPS):
                self._ask("beat")
        except BaseException:
            self.close()
            raise
        return identity

    def close(self) -> None:
        link, self._link = self._link, None
        if link is None:
            return
        if link.session:
            with suppress(DeviceLost):  # then its dead-man has to do it
                link.say("rest")
        self._armed = False
        link.close()

    def _hello(self) -> str:
        link = self._open_link()
        deadline = time.monotonic() + self.board_options.boot
        answer = None
        while answer is None and time.monotonic() < deadline:  # opening may have restarted it
            answer = link.answer(link.say("hello", awaited=True), HELLO_S)
        if answer is None:
            raise link.lost(f"it answers {link.rubbish!r}, as no I/O board does" if link.rubbish else "no answer")
        name, version, unit, *_ = (*answer.fields[2:], "", "", "")
        if answer.word != "ok" or name != NAME:
            raise link.lost(f"not the I/O board: it answers {' '.join(answer.fields)!r}")
        if version != VERSION:
            raise link.lost(f"its firmware speaks version {version} of the protocol, not {VERSION}; load the new one")
        if self.board_options.unit not in ("", unit):
            raise link.lost(f"this is the board {unit}, not {self.board_options.unit}")
        link.session = True
        return f"{name} {version}, unit {unit}"

    def _open_pin(self, pin: int, role: str, option: str) -> None:
        first = self._pins.of_pin[pin][0]
        try:
            answer = self._ask("pin", str(pin), role, *([option] if option else []))
        except Refused as error:
            what = f"device {self.name}: channel {first.name}: the board refuses pin {pin} as {role}: {error}"
            raise InputError.at(self.bench.file, what, "choose a pin that can be that") from error
        if first.direction == "driven":
            self._check_read_back({pin: int(option)}, answer)

    @property
    def _scan_s(self) -> float:
        every = [channel.every_s or SCAN_S for channel in self.channels.values() if channel.direction == "read"]
        return min(max(round(min(every, default=SCAN_S), 3), 0.001), 1.0)

    # -- talking -------------------------------------------------------------------------------------------

    def beat(self) -> None:
        if self._armed:
            self._open_link().say("beat")
        else:
            self._arm()

    def drive(self, changes: Mapping[str, Value]) -> None:
        if not self._armed:
            self._arm()
        for part, fields in self._parts(tuple(changes.items())):
            try:
                answer = self._ask("drive", *fields)
            except Refused as error:
                raise self._lost(self._why(str(error))) from error
            self._check_read_back(part, answer)

    def drive_ahead(self, changes: Mapping[str, Value]) -> None:
        if self._armed:
            for _, fields in self._parts(tuple(changes.items())):
                self._open_link().say_at_once("drive", *fields)

    def _parts_of(self, changes: tuple[tuple[str, Value], ...]) -> list[tuple[dict[int, int], list[str]]]:
        """Pin -> level and the same as fields, as many at a time as one line takes. Raises DeviceLost."""
        try:
            levels = [
                (self._pins.terminals[name].pin, self._pins.level(self.channels[name], value))
                for name, value in changes
            ]
        except ValueError as error:
            raise DeviceLost(f"{self.name} cannot drive {dict(changes)}: {error}") from error
        parts = [dict(levels[at : at + MOST_DRIVES]) for at in range(0, len(levels), MOST_DRIVES)]
        return [(part, [f"{pin}={level}" for pin, level in part.items()]) for part in parts]

    def _arm(self) -> None:
        try:
            self._ask("arm", str(round(self.board_options.deadman * 1e3)), str(round(self._scan_s * 1e3)))
        except Refused as error:
            raise self._lost(f"it cannot be armed: {error}") from error
        self._heard = time.monotonic()
        self._armed = True

    def _ask(self, word: str, *fields: str) -> tuple[str, ...]:
        options = self.board_options
        beat_s = self.beat_s if self._armed else None
        return self._open_link().ask(word, *fields, timeout_s=options.timeout, tries=options.retries + 1, beat_s=beat_s)

    # -- listening -----------------------------------------------------------------------------------------

    def listen(self, timeout_s: float) -> Sequence[Event]:
        link = self._open_link()
        deadline = time.monotonic() + timeout_s
        while True:
            came = link.receive(max(min(deadline - time.monotonic(), SerialPort.GRAIN_S), 0.0))
            self.behind = link.behind
            now = time.monotonic()
            limit = self.board_options.silence
            if self._armed and now - self._heard > limit and (not came or now - self._heard > 2 * limit):
                raise self._lost(f"{self._silent(link, now)} for more than {limit:g} s")
            self._events.extend(self.tallies.due(now))
            if self._events or now >= deadline:
                return [self._events.popleft() for _ in range(len(self._events))]

    def _silent(self, link: BoardLink, now: float) -> str:
        limit = self.board_options.silence
        if now - link.talked_at < limit:
            return "it repeats itself, or its clock stands still,"
        return "only rubbish comes" if now - link.came_at < limit else "it says nothing"

    def _hear(self, line: Line, asked: Asked | None, received: float) -> None:
        """Take in a line. Raises DeviceLost; Malformed, KeyError, IndexError, ValueError for one without sense."""
        if asked is not None:
            self._on_answer(line.fields, asked, received)
        else:
            _WORDS[line.word](self, line.fields, received)

    def _rise(self, field: str, received: float) -> int:
        """A stamp as a count that does not wrap, us; a rising one is a sign of life."""
        stamp = self._counter.unwrap(stamp_of(field))
        if stamp > self._stamp:
            self._stamp, self._heard = stamp, received
        return stamp

    # -- the board's words ---------------------------------------------------------------------------------

    def _on_answer(self, fields: tuple[str, ...], asked: Asked, received: float) -> None:
        before = self._stamp
        stamp = self._rise(fields[1], received)
        if stamp < before:
            raise self._lost("its clock runs backwards")
        if not self.clock.round_trip(asked.sent, stamp * 1e-6, received):
            self.tallies.count("the board's clock does not keep what is said of it: its alignment begins anew")
            if self.clock.restarts > MOST_RESTARTS:
                raise self._lost(
                    f"its clock is off by more than {self.board_options.clock_ppm} ppm, jumps or stands still"
                )

    def _on_change(self, fields: tuple[str, ...], received: float) -> None:
        at = self._instant(self._rise(fields[0], received), received)
        for pin, numbers in self._levels(fields[1:]):
            for channel in self._pins.of_pin[pin]:
                value = self._value(channel, numbers)
                if value is not None and self._values.get(channel.name) == value:
                    self.tallies.count(f"{channel.name} changed and changed back between two readings")
                elif value is not None:
                    self._values[channel.name] = value
                    self._post(Batch(at.t, ((channel.name, value),)), at.bound_s)

    def _on_scan(self, fields: tuple[str, ...], received: float) -> None:
        stamp = self._rise(fields[0], received)
        at = self._instant(stamp, received)
        if stamp != self._scan[0]:  # a scan may take several lines
            self._scan = stamp, {group: set(names) for group, names in self._groups.items()}
        missing = self._scan[1]
        samples: dict[str, Value] = {}
        kept: dict[str, Value] = {}
        for pin, numbers in self._levels(fields[1:]):
            for channel in self._pins.of_pin[pin]:
                value = self._value(channel, numbers)
                if value is None:
                    continue
                missing[channel.group].discard(channel.name)
                before = self._values.get(channel.name)
                if before is None or not channel.capture or before == value:
                    (kept if before == value else samples)[channel.name] = value
                else:
                    self._change_was_lost(channel, value, at)
                self._values[channel.name] = value
        whole = [group for group, names in missing.items() if not names]
        for group in whole:
            del missing[group]
        # Of a group that is not whole all readings are told: nothing else says that they are fresh.
        samples.update((name, value) for name, value in kept.items() if self.channels[name].group in missing)
        self._post(Batch(at.t, tuple(samples.items()), tuple(whole)), at.bound_s)
        self._scan_before = at.t

    def _on_status(self, fields: tuple[str, ...], received: float) -> None:
        self._rise(fields[0], received)
        if self._armed and fields[1] != "armed":
            raise self._lost(self._why(fields[1]))
        for name, text in _TROUBLES.items():
            count = dict(field.split("=") for field in fields[2:])[name]
            self.tallies.count(text, max(int(count) - self._troubles.get(name, 0), 0))
            self._troubles[name] = int(count)

    def _on_boot(self, fields: tuple[str, ...], received: float) -> None:
        raise self._lost(f"it has restarted ({fields[0]})")

    # -- helpers -------------------------------------------------------------------------------------------

    def _instant(self, stamp: int, received: float) -> Instant:
        at = self.clock.bench_time(stamp * 1e-6)
        if received - at.t > self.board_options.late + at.bound_s:
            age = f"{(received - at.t) * 1e3:.0f} ms after it was taken"
            raise self._lost(f"a reading came {age}: the board, the adapter or this computer is too slow")
        return at

    def _levels(self, fields: Sequence[str]) -> list[tuple[int, tuple[int, ...]]]:
        levels = list(levels_of(fields))
        if any(pin not in self._pins.of_pin for pin, _ in levels):
            raise Malformed("a pin that nobody asked for")
        return levels

    def _value(self, channel: Channel, numbers: tuple[int, ...]) -> Value | None:
        try:
            return self._pins.value(channel, numbers)
        except ValueError as error:
            self.tallies.count(f"{channel.name} has no value: {error}")
            return None

    def _change_was_lost(self, channel: Channel, value: Value, at: Instant) -> None:
        """Only the scan shows that it changed: somewhere since the scan before, and so it is stamped."""
        self.tallies.count(f"a change of {channel.name} was lost on its way: its instant is known from scans only")
        half = (at.t - self._scan_before) / 2
        told = self._told_bound
        self._tell_bound(at.t, half + at.bound_s)
        self._events.append(Batch(at.t - half, ((channel.name, value),)))
        self._tell_bound(at.t, told)

    def _post(self, batch: Batch, bound_s: float) -> None:
        """A larger bound of the stamps is told before them, a smaller one when a second has shown nothing larger."""
        self._worst = max(self._worst, bound_s)
        over = batch.t - self._told_at >= 1.0
        if bound_s > self._told_bound or (over and 2.0 * self._worst < self._told_bound):
            self._tell_bound(batch.t, 1.5 * self._worst)
        if over:
            self._worst, self._told_at = 0.0, batch.t
        if batch.samples or batch.scanned:
            self._events.append(batch)

    def _tell_bound(self, t: float, bound_s: float) -> None:
        self._told_bound, self._told_at = bound_s, t
        self._events.append(Aligned(t, self.name, t - self._stamp * 1e-6, self.clock.drift_ppm, bound_s))

    def _check_read_back(self, wanted: Mapping[int, int], answer: Sequence[str]) -> None:
        try:
            seen = dict(levels_of(answer))
        except Malformed as error:
            raise self._lost(f"its answer makes no sense: {error}") from error
        for pin, level in wanted.items():
            channel = self._pins.of_pin[pin][0]
            found = seen.get(pin, (-1,))[0]
            if abs(found - level) > (LEVEL_TOLERANCE if self._pins.role[pin][0] == "level" else 0):
                raise self._lost(f"{channel.name}: pin {pin} was set to {level} and reads {found}")

    def _note(self, text: str) -> None:
        self._events.append(Noted(time.monotonic(), self.name, text))

    def _why(self, state: str) -> str:
        if state == "tripped":
            return f"it heard nothing for {self.board_options.deadman:g} s and made its outputs safe by itself"
        return "it has restarted: it is not armed any more" if state == "idle" else f"it refuses: {state}"

    def _open_link(self) -> BoardLink:
        if self._link is None:
            raise DeviceLost(f"{self.name} is closed")
        return self._link

    def _lost(self, why: str) -> DeviceLost:
        return self._open_link().lost(why)


_TROUBLES = {
    "bad": "the board could make no sense of a line of ours",
    "lost": "a line of ours did not reach the board",
    "missed": "the board had no room for a change",
    "unsent": "the board could not send a line",
}
_WORDS = {
    "change": Board._on_change,
    "scan": Board._on_scan,
    "status": Board._on_status,
    "boot": Board._on_boot,
}
