"""A message that the bench sends, put together from driven channels, fixed values, its counter and its checksum."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import TYPE_CHECKING, Any

from bench.devices.base import DeviceLost
from bench.devices.can_database import key_of
from bench.devices.wire_values import to_wire
from bench.language.units import UNITS

if TYPE_CHECKING:
    from bench.devices.can_checks import Counter, Protection
    from bench.events import Value
    from bench.language.channel import Channel


class SentMessage:
    """One message that the bench sends. `period_s` None: only when asked for."""

    def __init__(
        self, message: Any, period_s: float | None, counter_signal: str, counter: Counter | None,
        protection: Protection | None,
    ):  # fmt: skip
        self.name: str = message.name
        self.key = key_of(message)
        self.period_s = period_s
        self._message = message
        self._counter_signal, self._counts = counter_signal, counter.counts if counter else 0
        self._protection = protection
        self._count = 0
        self._signals = {signal.name: signal for signal in message.signals}
        self._values: dict[str, Any] = {name: _resting(signal) for name, signal in self._signals.items()}

    def put(self, signal: str, value: Any) -> None:
        """A value in the signal's own unit, or its name. Raises DeviceLost when the message cannot carry it."""
        before = self._values[signal]
        self._values[signal] = value
        try:
            self._encoded({})
        except DeviceLost:
            self._values[signal] = before
            raise

    def put_channel(self, channel: Channel, value: Value) -> None:
        self.put(channel.signal.partition(".")[2], self.from_channel(channel, value))

    def from_channel(self, channel: Channel, value: Value) -> Any:
        """A channel's value in the terms of its signal."""
        signal = self._signals[channel.signal.partition(".")[2]]
        if channel.unit is None:
            return str(value) if signal.choices else to_wire(channel, value) if channel.states else value
        if channel.table or channel.scale != 1.0 or channel.offset:
            return to_wire(channel, value)
        own, due = UNITS.get(signal.unit or ""), UNITS.get(channel.unit)
        if signal.unit and own and due and own.name != due.name:
            return own.from_base(due.to_base(float(value)))
        return float(value)

    def next_data(self, given: Mapping[str, Any] | None = None) -> bytes:
        """The bytes of the next frame, `given` signals in this frame only; its counter goes on. Raises DeviceLost."""
        data = self._encoded(given or {})
        self._count += 1
        return data

    def _encoded(self, given: Mapping[str, Any]) -> bytes:
        values = dict(self._values)
        if self._counter_signal:
            values[self._counter_signal] = self._count % self._counts
        values.update(given)
        data = encoded(self._message, values, given)
        if self._protection is not None:
            protected = bytearray(data)
            self._protection.protect(protected, self._count)
            data = bytes(protected)
        return data


def encoded(message: Any, values: Mapping[str, Any], given: Iterable[str]) -> bytes:
    """The frame with those of the values that its multiplexers let in; `given` ones must be among them.

    Raises DeviceLost: a value that the message cannot carry, a signal that it has not, one of another branch.
    """
    try:
        if message.is_multiplexed():
            there = _present(message, values)
            elsewhere = sorted(set(given) - there)
            if elsewhere:
                raise ValueError(f"{', '.join(elsewhere)} belongs to another branch of its multiplexer")
            values = {name: value for name, value in values.items() if name in there}
        return bytes(message.encode(dict(values)))
    except Exception as error:  # cantools raises EncodeError, KeyError, ValueError, OverflowError
        raise DeviceLost(f"{message.name} cannot be sent: {error}") from error


def _present(message: Any, values: Mapping[str, Any]) -> set[str]:
    """The signals that belong to the frame that the multiplexers in `values` select."""
    found: set[str] = set()
    for signal in message.signals:
        step, there = signal, True
        while step.multiplexer_signal and there:
            selector = message.get_signal_by_name(step.multiplexer_signal)
            value = values.get(selector.name)
            raw = selector.conversion.choice_to_number(value) if isinstance(value, str) else value
            there = raw in (step.multiplexer_ids or ())
            step = selector
        if there:
            found.add(signal.name)
    return found


def _resting(signal: Any) -> Any:
    """What a signal says that nobody has given a value: its initial value, else the nearest to zero that it can."""
    if signal.initial is not None:
        return signal.initial
    low = float("-inf") if signal.minimum is None else signal.minimum
    high = float("inf") if signal.maximum is None else signal.maximum
    value = min(max(signal.offset if not low <= 0 <= high else 0, low), high)
    return value if not signal.choices or value in signal.choices else next(iter(signal.choices))
