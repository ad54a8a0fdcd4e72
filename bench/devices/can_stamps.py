"""Time stamps of a CAN adapter on the bench clock.

An adapter counts on a clock of its own, from an origin of its own, and cannot be asked for the time. What is known is
that no frame arrives before it was stamped: the smallest difference between arrival (bench clock) and stamp seen of
late is the offset, up to the smallest delay that there is. That delay cannot be measured one way; it is stated.

Stamps are used once they have shown that they run with the host's clock, and dropped for good when they jump.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Iterable

from bench.events import Aligned, Event, Noted


class StampMap:
    """Gives bench times (s) of frames. `delay_s`: at most this long a frame takes to us when nothing is in its way.

    `use`: whether stamps are to be used at all.
    """

    LEARN_S = 0.5  # of host time, before stamps are believed
    PACE_S, PACE = 0.05, 0.01  # how far (s, and relative) stamps may run off the host's clock meanwhile
    MOST_OFF_S = 0.01  # how far the offset may wander in 2 s, or lag behind the least delay of a second
    LOOK_S = 0.005  # how often the offset may grow
    LEAK = 300e-6  # how fast (s/s) the offset may grow; covers a clock 300 ppm slow. Shrinking is seen at once
    JUMP_S = 0.5

    def __init__(self, device: str, delay_s: float, use: bool = True):
        self.device = device
        self.delay_s = delay_s
        self.bound_s = delay_s
        self.using = False
        self.events: list[Event] = []  # to be posted
        self._refused = not use
        self._first: tuple[float, float] | None = None
        self._learn_until = float("-inf")
        self._offset = 0.0
        self._at = 0.0  # bench time of the last frame
        self._look_at = float("-inf")  # until then only a smaller delay says anything new
        self._last_t = float("-inf")
        self._last_stamp = float("-inf")
        self._least = float("inf")
        self._offsets: deque[tuple[float, float]] = deque()
        self._begun: tuple[float, float] = (0.0, 0.0)  # arrival and offset when stamps began to be used
        self._least_lag, self._lag_since = float("inf"), 0.0
        self._told_at = float("-inf")
        self._told_bound = 0.0

    def times(self, heard: Iterable[tuple[float, float | None, int, bytes]]) -> list[float]:
        """Bench times of frames (arrival on the bench clock, stamp, ...); they rise from frame to frame."""
        times: list[float] = []
        last_t = self._last_t
        for arrival, stamp, _, _ in heard:
            t = arrival
            if stamp and not self._refused:
                late = arrival - stamp - self._offset
                if arrival < self._look_at and 0.0 <= late < self.JUMP_S and stamp >= self._last_stamp:
                    t, self._last_stamp = stamp + self._offset, stamp
                    if late < self._least_lag:
                        self._least_lag = late
                elif arrival < self._learn_until and stamp >= self._last_stamp:
                    self._last_stamp = stamp
                    if arrival - stamp < self._least:
                        self._least = arrival - stamp
                elif self.using or self._has_learnt(arrival, stamp):
                    t = self._mapped(arrival, stamp)
            if t <= last_t:
                t = last_t + 1e-6
            last_t = t
            times.append(t)
        self._last_t = last_t
        return times

    def tell(self, now: float) -> list[Event]:
        """`Aligned` at the start, and when the bound has changed by more than 20 % (at most once a second)."""
        if abs(self.bound_s - self._told_bound) > 0.2 * self._told_bound and now - self._told_at >= 1.0:
            self._told_bound, self._told_at = self.bound_s, now
            begun, first = self._begun
            run_s = self._at - begun
            drift = (self._offset - first) / run_s * 1e6 if self.using and run_s > 1.0 else 0.0
            self.events.append(Aligned(now, self.device, self._offset, drift, self.bound_s))
        events, self.events = self.events, []
        return events

    def _has_learnt(self, arrival: float, stamp: float) -> bool:
        """Whether stamps can be used from this frame on."""
        if self._first is None:
            self._first, self._learn_until = (arrival, stamp), arrival + self.LEARN_S
        if arrival - stamp < self._least:
            self._least = arrival - stamp
        before, self._last_stamp = self._last_stamp, stamp
        if stamp < before:
            self._refuse(arrival, "run backwards")
            return False
        if arrival < self._learn_until:
            return False
        passed = arrival - self._first[0]
        counted = stamp - self._first[1]
        if abs(counted - passed) > self.PACE_S + self.PACE * passed:
            self._refuse(arrival, f"counted {counted:.3f} s in {passed:.3f} s")
            return False
        self.using, self._offset, self._at = True, self._least, arrival
        self._begun, self._lag_since = (arrival, self._least), arrival
        return True

    def _mapped(self, arrival: float, stamp: float) -> float:
        difference = arrival - stamp
        if difference < self._offset - self.JUMP_S or stamp < self._last_stamp - self.JUMP_S:
            self._refuse(arrival, "jumped")
            return arrival
        if difference > self._offset + self.JUMP_S:
            self._refuse(arrival, "jumped, or frames come too late")
            return arrival
        self._offset = min(self._offset + self.LEAK * (arrival - self._at), difference)
        self._at, self._last_stamp, self._look_at = arrival, stamp, arrival + self.LOOK_S
        self._spread(arrival)
        self._least_lag = min(self._least_lag, difference - self._offset)
        if arrival - self._lag_since >= 1.0:
            lag, self._least_lag, self._lag_since = self._least_lag, float("inf"), arrival
            if max(lag, self.bound_s - self.delay_s) > max(self.MOST_OFF_S, 2 * self.delay_s):
                self._refuse(arrival, "do not run as the host's clock does")
                return arrival
        return stamp + self._offset

    def _spread(self, now: float) -> None:
        """How far the offset has wandered of late is how far it may be off, beside the stated delay."""
        offsets = self._offsets
        if not offsets or now - offsets[-1][0] >= 0.05:
            offsets.append((now, self._offset))
            while now - offsets[0][0] > 2.0:
                offsets.popleft()
            values = [offset for _, offset in offsets]
            self.bound_s = self.delay_s + max(values) - min(values)

    def _refuse(self, now: float, why: str) -> None:
        self._refused, self.using, self._look_at = True, False, float("-inf")
        self.bound_s = self.delay_s
        self.events.append(Noted(now, self.device, f"time stamps {why}: not used, frames are stamped when they arrive"))
