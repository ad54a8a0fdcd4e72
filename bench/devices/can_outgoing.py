"""What the bench says on a CAN bus in the place of other nodes: which messages, from which channels, when.

A driven channel with `signal: MESSAGE.SIGNAL` is packed into its message, which is sent at its period; a channel with
`at: send MESSAGE while STATE` starts and stops it. Until driven, a signal says the channel's initial or safe value.

New values, safe ones too, leave with their messages' next frames: all of them within the longest of the periods (half
a second more is a device lost). A frame of its own in between would break the period, which the box may be watching.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping
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
        """Comes back when a frame of each message concerned has left with the new values, where it is being sent."""
        values = {name: value for name, value in changes.items() if name not in self._switches}
        switches = [(*self._switches[name], value) for name, value in changes.items() if name in self._switches]
        concerned = {self._message_of(name).name: self._message_of(name) for name in values}
        concerned |= {message.name: message for _, messages, _ in switches for message in messages}

        def work() -> None:  # nothing leaves meanwhile; what is switched is so even if a value cannot be sent
            for state, messages, value in switches:
                for message in messages:
                    (self.timer.switch_on if value == state else self.timer.switch_off)(message)
            for name, value in values.items():
                self._message_of(name).put_channel(self._channels[name], value)

        self.timer.change(concerned.values(), work)

    def _message_of(self, name: str) -> SentMessage:
        """The message that carries a driven channel."""
        return self._messages[self._channels[name].signal.partition(".")[0]]

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
                for value in (channel.safe, channel.initial):  # both must be sendable; the last one stays
                    if value is not None:
                        self._try(lambda m=message, c=channel, v=value: m.put_channel(c, v))
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
