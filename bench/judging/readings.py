"""What the bench knows at this instant: each channel's value, when it was read, and whether it is new enough.

A *stimulus* is what the bench did to the box (drive, send, inject, restore). A value is *fresh* when it was read
since the last stimulus: only fresh values answer a condition.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from math import isfinite
from typing import TYPE_CHECKING, NamedTuple

from bench.judging.uncertainty import Specification

if TYPE_CHECKING:
    from bench.events import Batch, Value
    from bench.language.bench_file import Bench

NEVER = float("-inf")

#: The standard channels on both sides of the contactors: pack and vehicle.
HIGH_VOLTAGES = ("pack_voltage", "ts_voltage")


#: A channel's last reading and the one before: (old, true until at least, new, read at), times in s.
Move = tuple["Value | None", float, "Value", float]


class Snapshot(NamedTuple):
    """All values at one instant, with the time each was read (s) and its last change."""

    values: list[Value | None]
    times: list[float]
    moves: list[Move | None]

    def slope(self, slot: int) -> float:
        """How fast a quantity moves about this instant, in the channel's unit per s; 0 when it rests or is unknown."""
        old, from_s, new, to_s = self.moves[slot] or (None, 0.0, None, 0.0)
        if not isinstance(old, float) or not isfinite(new - old) or self.times[slot] > to_s:
            return 0.0
        return (new - old) / (to_s - from_s) if 0.0 < to_s - from_s < float("inf") else 0.0


class Readings:
    """Slots, one a channel. `changed` maps the slots touched at this instant to how they moved."""

    def __init__(self, bench: Bench):
        channels = list(bench.channels.values())
        self.names = [channel.name for channel in channels]
        self.slots = {name: slot for slot, name in enumerate(self.names)}
        self.values: list[Value | None] = [None] * len(channels)
        self.stale_after = [channel.stale_after_s or float("inf") for channel in channels]
        self.every_s = [channel.every_s or 0.0 for channel in channels]
        self.edge_bound = [(channel.time_accuracy_s or 0.0) if channel.capture else None for channel in channels]
        self.devices = [channel.device for channel in channels]
        self.driven = [channel.direction == "driven" for channel in channels]
        self.clock_bound_s: dict[str, float] = {}  # by device: how far its stamps may be off
        self.units = [channel.unit or "" for channel in channels]
        self.quantity = [channel.unit is not None for channel in channels]
        self.specifications = [Specification.of(channel) for channel in channels]
        read = (channel for channel in channels if channel.direction == "read" and channel.unit == "V")
        self.highest = {channel.name: NEVER for channel in read if channel.name in HIGH_VOLTAGES}  # in this run, V
        self._moves: list[Move | None] = [None] * len(channels)
        self.changed: dict[int, Move] = {}
        self.stimulus_began_s = NEVER
        self.under_way: set[int] = set()  # driven channels that may have their new value already
        self._stimulus_done_s = NEVER
        self._silent: set[str] = set()
        self._forgotten: dict[int, Value | None] = {}
        self._epoch = 0
        self._own_times = [NEVER] * len(channels)
        self._own_epochs = [0] * len(channels)
        self._groups = [channel.group for channel in channels]
        self._group_times = dict.fromkeys(self._groups, NEVER)
        self._group_epochs = dict.fromkeys(self._groups, 0)

    # -- folding -------------------------------------------------------------------------------------------

    def apply(self, batch: Batch) -> None:
        """Take in all that was read at `batch.t`."""
        t, samples, scanned, _ = batch
        fresh, epoch = t >= self._stimulus_done_s, self._epoch
        group_times = self._group_times
        if samples:
            slots, values, changed, own_times, moves = (
                self.slots, self.values, self.changed, self._own_times, self._moves
            )  # fmt: skip
            groups, highest = self._groups, self.highest
            for name, value in samples:  # as `_put`, written out: this is where a busy bus spends its time
                slot = slots[name]
                if name in highest and value > highest[name]:
                    highest[name] = value
                if slot not in changed:
                    old = values[slot]
                    if old is None:
                        old = self._forgotten.pop(slot, None)
                    own_s, group_s = own_times[slot], group_times[groups[slot]]
                    changed[slot] = moves[slot] = old, own_s if own_s > group_s else group_s, value, t
                values[slot] = value
                own_times[slot] = t
                if fresh:
                    self._own_epochs[slot] = epoch
        for group in scanned:
            if group in self._silent:
                self._heard_again(group, t, fresh)
            if fresh:
                self._group_epochs[group] = epoch
            group_times[group] = t

    def put_driven(self, t: float, name: str, value: Value) -> None:
        """An output has its new value; that ends the stimulus it belongs to."""
        slot = self.slots[name]
        self.under_way.discard(slot)
        self._put(slot, float(value) if self.quantity[slot] else value, t, True, self.stimulus_began_s)
        self._stimulus_done_s = t

    def forget(self, slot: int) -> None:
        """The bench no longer knows the channel's value; what it was is kept for comparison with the next one."""
        self._forgotten[slot] = self.values[slot]
        self.values[slot] = None

    def silence(self, group: str) -> list[int]:
        """A group has gone silent: its channels have no value until it is heard again. Their slots."""
        self._silent.add(group)
        slots = [slot for slot, name in enumerate(self._groups) if name == group and self.values[slot] is not None]
        for slot in slots:
            self.forget(slot)
        return slots

    def _heard_again(self, group: str, t: float, fresh: bool) -> None:
        """What the batch does not say anew is as it was."""
        self._silent.discard(group)
        for slot, name in enumerate(self._groups):
            if name == group and self.values[slot] is None and slot in self._forgotten:
                self._put(slot, self._forgotten[slot], t, fresh, self.time(slot))

    def stimulus_began(self, t: float, names: Iterable[str]) -> None:
        """`names`: the outputs that it drives. They change at some time between now and `put_driven`."""
        self.stimulus_began_s = t
        self.under_way.update(map(self.slots.__getitem__, names))
        self._epoch += 1
        self._stimulus_done_s = t

    def _put(self, slot: int, value: Value, t: float, fresh: bool, before_s: float) -> None:
        """`before_s`: until when, at least, the old value was true."""
        if slot not in self.changed:
            old = self._forgotten.pop(slot, None) if self.values[slot] is None else self.values[slot]
            self.changed[slot] = self._moves[slot] = (old, before_s, value, t)
        self.values[slot] = value
        self._own_times[slot] = t
        if fresh:
            self._own_epochs[slot] = self._epoch

    # -- asking --------------------------------------------------------------------------------------------

    def slots_of(self, names: Iterable[str]) -> tuple[int, ...]:
        return tuple(self.slots[name] for name in names)

    def time(self, slot: int) -> float:
        """When the channel was last read, s; -inf for never."""
        return max(self._own_times[slot], self._group_times[self._groups[slot]])

    def group_time(self, group: str) -> float:
        """When the scan group was last read, s; -inf for never."""
        return self._group_times[group]

    def device_time(self, device: str) -> float | None:
        """When anything was last read from the device, s; -inf for never, None when nothing is to be read from it."""
        slots = [slot for slot, name in enumerate(self.devices) if name == device and not self.driven[slot]]
        return max(map(self.time, slots), default=None)

    def lacking(self, slots: Sequence[int]) -> str | None:
        """The first of these channels that has not been read since the last stimulus; None when all have."""
        for slot in slots:
            if self.driven[slot]:
                if self.values[slot] is None:
                    return self.names[slot]
            elif (
                self._epoch not in (self._own_epochs[slot], self._group_epochs[self._groups[slot]])
                or self.values[slot] is None
                or self.time(slot) < self._stimulus_done_s  # read while the outputs were on their way
            ):
                return self.names[slot]
        return None

    def stale(self, slots: Sequence[int], t: float) -> str | None:
        """The first of these channels whose value is older than its limit at `t`; None when none is."""
        for slot in slots:
            if not self.driven[slot] and t - self.time(slot) > self.stale_after[slot]:
                return self.names[slot]
        return None

    def recent_until(self, slots: Sequence[int]) -> float:
        """Until when (s, less a microsecond) none of these channels can be `stale`, even if nothing more is read."""
        read = (self.time(slot) + self.stale_after[slot] for slot in slots if not self.driven[slot])
        return min(read, default=float("inf")) - 1e-6

    def now(self) -> Snapshot:
        return Snapshot(self.values.copy(), self._times(), self._moves.copy())

    def just_before(self) -> Snapshot:
        """As `now`, but without what arrived at this instant."""
        times = self._times()
        for slot, move in self.changed.items():
            times[slot] = move[1]
        return Snapshot(self.just_before_values(), times, self._moves.copy())

    def just_before_values(self) -> list[Value | None]:
        values = self.values.copy()
        for slot, move in self.changed.items():
            values[slot] = move[0]
        return values

    def _times(self) -> list[float]:
        return [self.time(slot) for slot in range(len(self.values))]

    def between(self, t: float) -> Snapshot:
        """As `now`, quantities that arrived at this instant interpolated linearly back to `t`."""
        values, times, moves = self.now()
        for slot, (old, old_time, _, _) in self.changed.items():
            new, new_time = values[slot], times[slot]
            if isinstance(old, float) and isinstance(new, float) and isfinite(new - old) and old_time < t < new_time:
                values[slot] = old + (new - old) * (t - old_time) / (new_time - old_time)
                times[slot] = t
        return Snapshot(values, times, moves)
