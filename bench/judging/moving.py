"""Values that are fresh and always the same: a device, or a gateway before it, that repeats what it last knew.

A real reading is never still to its last digit; how long it may be is the channel's `moves_within`.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from bench.judging.readings import NEVER, Readings

if TYPE_CHECKING:
    from bench.events import Value
    from bench.language.bench_file import Bench


class Moving:
    """The channels that must move; `slots` are those that have done so, none where the bench file names none."""

    def __init__(self, bench: Bench, readings: Readings):
        self.slots = {
            readings.slots[channel.name]: channel.moves_within_s
            for channel in bench.channels.values()
            if channel.moves_within_s is not None
        }
        self._readings = readings
        self._last: dict[int, tuple[Value | None, float]] = dict.fromkeys(self.slots, (None, NEVER))

    def frozen(self) -> tuple[str, float] | None:
        """A channel that has stood still for too long, with the time at which it last moved (s). Said once."""
        readings = self._readings
        for slot, limit_s in self.slots.items():
            value, since_s = self._last[slot]
            now, read_s = readings.values[slot], readings.time(slot)
            if now != value or now is None:
                self._last[slot] = (now, read_s)
            elif read_s - since_s > limit_s:
                del self.slots[slot]
                name, device = readings.names[slot], readings.devices[slot]
                return f"{device} is frozen: {name} has been {now} for more than {limit_s:g} s", since_s
        return None
