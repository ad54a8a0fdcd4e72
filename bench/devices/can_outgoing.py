"""What the bench says on a CAN bus in the place of other nodes: which messages, from which channels, when.

A driven channel with `signal: MESSAGE.SIGNAL` is packed into its message, which is sent at its period; a channel with
`at: send MESSAGE while STATE` starts and stops it. Until driven, a signal says the channel's initial or safe value.

A new value, a safe one too, leaves with the message's next frame, so at most one period later (and half a second more
is a device lost). A frame of its own in between would break the period, which the box may be watching.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping, Sequence
from typing import TYPE_CHECKING, Any

from bench.devices.base import DeviceLost
from bench.devices.can_database import CanMessages
from bench.devices.can_sending import SentMessage
from bench.devices.can_timer import Timer
from bench.events import Event, Noted, Value

if TYPE_CHECKING:
    from bench.language.channel import Channel

_SEND_WHILE = re.compile(r"send (?P<messages>\w+(?:, ?\w+)*) while (?P<state>.+)")


class Outgoing:
    """All that one device sends. `put(key, data)` puts a frame on the wire."""

    def __init__(
        self, name: str, known: CanMessages, channels: Mapping[str, Channel], put: Callable[[int, bytes], None]
    ):
        """Raises InputError."""
        self.timer = Timer(name, put)
        self._name, self._known, self._channels = name, known, channels
        self._messages: dict[str, SentMessage] = {}
        self._switches: dict[str, tuple[str, list[SentMessage]]] = {}  # channel -> state in which they are sent
        self._told: dict[str, tuple[float, float, int]] = {}
        self._set_up()

    def start(self) -> None:
        """From now on what no channel switches is sent. Once is enough."""
        if not self.timer.start():
            return
        switched = {message.name for _, messages in self._switches.values() for message in messages}
        for message in self._messages.values():
            if message.name not in switched:
                self.timer.switch_on(message)

    def drive(self, changes: Mapping[str, Value]) -> None:
        """Comes back when a frame with the new values has left, where their message is being sent."""
        by_message: dict[str, list[tuple[Channel, Value]]] = {}
        for name, value in changes.items():
            if name not in self._switches:
                channel = self._channels[name]
                by_message.setdefault(channel.signal.partition(".")[0], []).append((channel, value))
        for name, values in by_message.items():
            self._pack(self._messages[name], values)
        for name, (state, messages) in self._switches.items():
            for message in messages if name in changes else ():
                if changes[name] == state:
                    self._switch_on(message)
                else:
                    self.timer.switch_off(message)

    def frame(self, name: str, signals: Mapping[str, Any]) -> tuple[int, bytes]:
        """Key and data of one frame of a message, these signals in it. Raises DeviceLost."""
        with self.timer.lock:
            message = self._message(name)
            return message.key, message.next_data(signals)

    def notes(self, now: float) -> list[Event]:
        """The periods achieved: after a few, when the worst has grown by a fifth, when a frame was left out."""
        notes: list[Event] = []
        for name, periods in list(self.timer.periods.items()):
            told_at, worst_s, missed = self._told.get(name, (0.0, 0.0, 0))
            news = periods.worst_s > max(1.2 * worst_s, 0.01 * periods.period_s) or periods.missed > missed
            if (news or not told_at) and periods.count > 10 and now - told_at >= 1.0:
                self._told[name] = now, periods.worst_s, periods.missed
                notes.append(Noted(now, self._name, f"{name} {periods}"))
        return notes

    def _switch_on(self, message: SentMessage) -> None:
        self.timer.change(message, lambda: self.timer.switch_on(message), (message.period_s or 0.0) + 0.5)

    def _pack(self, message: SentMessage, values: Sequence[tuple[Channel, Value]]) -> None:
        def work() -> None:
            for channel, value in values:
                message.put_channel(channel, value)

        self.timer.change(message, work, (message.period_s or 0.0) + 0.5)

    # -- setting up -------------------------------------------------------------------------------------------

    def _set_up(self) -> None:
        known = self._known
        for name, entry in known.options.periodic.items():
            message = self._message(known.message(name).name)
            for signal, text in entry.values.items():
                self._fixed(message, signal, text)
        for channel in self._channels.values():
            if channel.direction == "driven" and channel.signal:
                message = self._message(known.signal(channel.signal)[0].name)
                resting = channel.safe if channel.initial is None else channel.initial
                if resting is not None:
                    self._try(lambda m=message, c=channel, v=resting: m.put_channel(c, v))
            elif channel.direction == "driven":
                self._switch(channel)
        for message in self._messages.values():
            if message.period_s is None:
                raise known.wrong(f"{message.name} has no period", f"add 'periodic: {{{message.name}: 100 ms}}'")
        if known.options.listen_only and self._messages:
            raise known.wrong(f"it is listen-only and is to send {', '.join(self._messages)}", "one or the other")

    def _switch(self, channel: Channel) -> None:
        found = _SEND_WHILE.fullmatch(channel.at)
        if found is None or found["state"] not in (channel.states or ()):
            right = f"write 'signal: MESSAGE.SIGNAL', or 'at: send MESSAGE while {(channel.states or ('on',))[0]}'"
            raise self._known.wrong(f"the driven channel {channel.name} does not say what it does on the bus", right)
        names = [name.strip() for name in found["messages"].split(",")]
        messages = [self._message(self._known.message(name).name) for name in names]
        self._switches[channel.name] = found["state"], messages

    def _message(self, name: str) -> SentMessage:
        """The one of this name; made when it is first needed."""
        if name not in self._messages:
            known = self._known
            message = known.message(name)
            counter, protection = known.protection(message)
            entry = known.options.periodic.get(name)
            every = entry.every if entry and entry.every else None
            cycle_s = message.cycle_time / 1000 if message.cycle_time else None
            signal = known.options.counters.get(name, "")
            self._messages[name] = SentMessage(message, every or cycle_s, signal, counter, protection)
        return self._messages[name]

    def _fixed(self, message: SentMessage, signal: str, text: str) -> None:
        _, found = self._known.signal(f"{message.name}.{signal}")
        names = [str(choice) for choice in (found.choices or {}).values()]
        try:
            value: Any = text if text in names else float(text)
        except ValueError:
            raise self._known.wrong(f"{message.name}.{signal}: {text!r} is no number", "write one") from None
        self._try(lambda: message.put(signal, value))

    def _try(self, work: Callable[[], None]) -> None:
        try:
            work()
        except DeviceLost as error:
            raise self._known.wrong(str(error)) from error
