"""A CAN bus: frames become samples, driven channels become the messages of other nodes.

Read channels name a signal (`signal: MESSAGE.SIGNAL`); each message, and each branch of a multiplexed one, is a scan
group of its own, so that it has its own age. What driven channels do is told in `can_outgoing`.

What keeps it honest: the adapter's word that all is well counts for nothing, the frames that must come do
(`expected`); counters and checksums are checked where the entry says so; whatever is lost, malformed, out of range or
late is noted.
"""

from __future__ import annotations

import time
from collections import deque
from collections.abc import Mapping, Sequence
from itertools import filterfalse
from typing import TYPE_CHECKING, Any

from bench.devices.base import Device, DeviceLost
from bench.devices.can_checks import FrameCheck, check_of
from bench.devices.can_database import EXTENDED, CanMessages, key_of
from bench.devices.can_decoding import Decoding, MessageInUse
from bench.devices.can_options import can_options, open_port
from bench.devices.can_outgoing import Outgoing
from bench.devices.can_port import CanPort, Heard
from bench.devices.can_stamps import StampMap
from bench.devices.tallies import Tallies
from bench.events import Batch, Event, Frame, Noted, Value

if TYPE_CHECKING:
    from bench.language.bench_file import Bench
    from bench.language.channel import Channel
    from bench.language.plan import Send


class _Followed:
    """One message that is heard: its decoding, its check, and what was wrong with it last."""

    __slots__ = ("check", "heard_at", "lacking", "limit_s", "message", "name")

    def __init__(self, name: str, message: MessageInUse | None, check: FrameCheck | None, limit_s: float | None):
        self.name, self.message, self.check, self.limit_s = name, message, check, limit_s
        self.lacking: tuple[str, ...] = ()
        self.heard_at = 0.0


class CanBus(Device):
    """One interface. `bus` in its entry is the name that `send` steps use; the device's own name if left out."""

    #: Frames without news within this time of the last batch go with it, s.
    MERGE_S = 0.001
    MOST_OLD = 100_000  # frames thrown away before the first is used

    def __init__(self, name: str, options: Mapping[str, Any], channels: Mapping[str, Channel], bench: Bench):
        """Raises InputError: nothing is opened before everything in the entry has been found right."""
        super().__init__(name, options, channels, bench)
        self._options = can_options(name, options, bench)
        self.buses = (self._options.bus or name,)
        self.late_s = self._options.delay_s + 0.05
        self._tallies = Tallies(name)
        self._stamps = StampMap(name, self._options.delay_s, self._options.stamps is not False)
        self._port: CanPort | None = None
        self._begun = False
        self._shown: dict[str, Value] = {}
        self._own: deque[tuple[float, int, bytes]] = deque()
        self._known = CanMessages(name, self._options, bench)
        self._followed = self._followed_messages()
        self._expected = [each for each in self._followed.values() if each.limit_s is not None]
        self._outgoing = Outgoing(name, self._known, channels, self._put)

    def connect(self) -> str:
        self._port = open_port(self.name, self._options, self.bench, self._tallies.count)
        identity = self._port.identity
        if self._options.identity not in identity:
            self.close()
            raise DeviceLost(f"{self.name} is {identity}, not {self._options.identity!r}: is it the right adapter?")
        return identity

    def listen(self, timeout_s: float) -> Sequence[Event]:
        port = self._open_port()
        if not self._begun:
            return self._begin(port)
        timer = self._outgoing.timer
        events: list[Event] = []
        heard = port.receive(timeout_s)
        self.behind = port.behind
        if heard:
            self._take(heard, events)
        now = time.monotonic()
        while self._own:
            t, key, data = self._own.popleft()
            events.append(Batch(t, (), (), (self._frame(key, data, heard=False),)))
        for each in self._expected:
            if now - each.heard_at > each.limit_s:
                silent = f"no {each.name} for {now - each.heard_at:.3g} s"
                raise DeviceLost(f"{port.name}: {silent}; its sender, the bus or the adapter is dead")
        if timer.trouble:
            raise timer.trouble
        events += self._tallies.due(now)
        events += self._stamps.tell(now)
        if timer.periods:
            events += self._outgoing.notes(now)
        return events

    def drive(self, changes: Mapping[str, Value]) -> None:
        """Comes back when a frame with the new values has left, where their message is being sent."""
        port = self._open_port()
        self._outgoing.start()
        self._outgoing.drive(changes)
        port.wait_confirmed()

    def restore(self, name: str) -> None:
        """A driven channel says again what it said before it was driven."""
        channel = self.channels[name]
        value = channel.safe if channel.initial is None else channel.initial
        if value is not None:
            self.drive({name: value})

    def frame(self, step: Send) -> Frame:
        if not step.message:
            return Frame(self.buses[0], step.frame_id, step.data, step.extended, False)
        return self._frame(*self._outgoing.frame(step.message, step.signals), heard=False)

    def send(self, frame: Frame) -> None:
        if self._options.listen_only:
            raise DeviceLost(f"{self.name} is listen-only")
        self._put(frame.id | EXTENDED if frame.extended else frame.id, frame.data)

    def close(self) -> None:
        self._outgoing.timer.close()
        if self._port is not None:
            self._port.close()

    # -- hearing ----------------------------------------------------------------------------------------------

    def _begin(self, port: CanPort) -> Sequence[Event]:
        """What was waiting is of unknown age: away with it. From now on frames count and messages are sent."""
        old = 0
        while old < self.MOST_OLD and (heard := port.receive(0.0)):
            old += len(heard)
        self._tallies.count("frames from before the start, not used", old)
        now = time.monotonic()
        for each in self._followed.values():
            each.heard_at = now
        self._begun = True
        self._outgoing.start()
        return [*self._tallies.due(now), *self._stamps.tell(now)]

    def _take(self, heard: Sequence[Heard], events: list[Event]) -> None:
        """Frames with something new each begin a batch at their own time; the others go with the one before.

        A scan group may so seem older than it is, by `MERGE_S` at most, and never newer.
        """
        followed, bus, merge_s, count = self._followed, self.buses[0], self.MERGE_S, self._tallies.count
        new = tuple.__new__  # thousands a second: the quick way to make one
        begun = last = float("-inf")  # when the batch began; how late a frame may still go with it
        samples: tuple[tuple[str, Value], ...] = ()
        groups: tuple[str, ...] = ()
        frames: list[Frame] = []
        for (arrival, _, key, data), t in zip(heard, self._stamps.times(heard), strict=True):
            news: tuple[tuple[str, Value], ...] | None = ()
            read: tuple[str, ...] = ()
            each = followed.get(key)
            if each is not None and (each.check is None or each.check.accept(data, count)):
                each.heard_at = arrival
                message = each.message
                if message is not None:
                    news, read = None if each.lacking else message.news(data), message.all_groups
                    if news is None:
                        news, read = self._read(t, each, message, data, events)
            if news or t > last:
                if frames:
                    events.append(new(Batch, (begun, samples, groups, tuple(frames))))
                begun, last, samples, groups, frames = t, t + merge_s, news, read, []
            elif read and read != groups:
                groups = tuple(dict.fromkeys((*groups, *read)))
            if key < EXTENDED:
                frames.append(new(Frame, (bus, key, data, False, True, t - begun)))
            else:
                frames.append(new(Frame, (bus, key & ~EXTENDED, data, True, True, t - begun)))
        events.append(new(Batch, (begun, samples, groups, tuple(frames))))

    def _read(
        self, t: float, each: _Followed, message: MessageInUse, data: bytes, events: list[Event]
    ) -> tuple[tuple[tuple[str, Value], ...], tuple[str, ...]]:
        """News and groups of a frame that is not as it should be, was not, or is of a message with branches."""
        reading = message.reading(data)
        news = reading.samples
        if reading.lacking != each.lacking:
            each.lacking = reading.lacking
            events.append(Noted(t, self.name, reading.trouble or f"{each.name} is good again"))
        elif not reading.lacking and not message.quick:
            news = tuple(filterfalse(self._shown.items().__contains__, news))
        # else some channel has no value: nothing but the samples says how fresh the others are, so all are told
        self._shown.update(news)
        message.forget()
        if not reading.lacking:
            message.news(data)
        return news, reading.groups

    def _frame(self, key: int, data: bytes, heard: bool = True) -> Frame:
        if key < EXTENDED:
            return Frame(self.buses[0], key, data, False, heard)
        return Frame(self.buses[0], key & ~EXTENDED, data, True, heard)

    # -- the rest ---------------------------------------------------------------------------------------------

    def _put(self, key: int, data: bytes) -> None:
        """On the wire, and into the frame log."""
        self._open_port().send(key, data)
        self._own.append((time.monotonic(), key, data))

    def _open_port(self) -> CanPort:
        if self._port is None:
            raise DeviceLost(f"{self.name} is not open")
        return self._port

    def _followed_messages(self) -> dict[int, _Followed]:
        """By key: those that some channel wants, and those that the entry names."""
        options, known = self._options, self._known
        in_use = Decoding(known.database, self.channels, self.bench).messages
        named = [known.message(name) for name in (*options.expected, *options.counters, *options.protection)]
        keys = {*in_use, *map(key_of, named)}
        followed: dict[int, _Followed] = {}
        for message in known.all.values() if keys else ():
            key = key_of(message)
            if key in keys:
                check = check_of(message, *known.protection(message), options.frozen_after)
                followed[key] = _Followed(message.name, in_use.get(key), check, options.expected.get(message.name))
        return followed
