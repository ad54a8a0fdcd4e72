"""A device's own clock on the bench clock, with a bound that holds and is not a matter of statistics.

One round trip says: when the device's clock showed `stamp`, the bench clock was between `sent` and `received`. That is
Cristian's bound, half the round trip around its middle (F. Cristian, "Probabilistic clock synchronization",
Distributed Computing 3, 1989), with no assumption about how the delay divides into the two ways. What is known of one
instant is carried to the next by the least and the greatest rate that the device's clock can have, and cut with the
next round trip: the interval that is left contains the truth as long as two things hold.

- The clock's rate is within `most_ppm` of nominal.
- Within `WINDOW_S` it does not differ from its mean by more than `wander_ppm` (a crystal that warms up).

The mean rate between two instants is bounded by what is known of each, so the rate is soon known to a few ppm and
short round trips stay useful for long. No input or output, no clock of its own; times are s.
"""

from __future__ import annotations

from collections import deque
from typing import NamedTuple


class Instant(NamedTuple):
    """A time on the bench clock, right to +- `bound_s` (s)."""

    t: float
    bound_s: float


class Counter:
    """A counter of `bits` bits that wraps: gives back a count that does not.

    A reading may be up to half a turn older or newer than the one before.
    """

    def __init__(self, bits: int = 32):
        self._turn = 1 << bits
        self._last: int | None = None

    def unwrap(self, reading: int) -> int:
        if self._last is None:
            self._last = reading
        half = self._turn // 2
        step = (reading - self._last + half) % self._turn - half
        count = self._last + step
        self._last = max(self._last, count)
        return count


class ClockMap:
    """Maps device time to bench time. Feed `round_trip`, ask `bench_time`."""

    WINDOW_S = 60.0
    ANCHOR_S = 1.0

    def __init__(self, most_ppm: float = 500.0, wander_ppm: float = 5.0, resolution_s: float = 1e-6):
        self._slowest, self._fastest = 1.0 - most_ppm * 1e-6, 1.0 + most_ppm * 1e-6
        self._wander = wander_ppm * 1e-6
        self._resolution_s = resolution_s
        self.restarts = 0
        self._restart()

    def _restart(self) -> None:
        #: Bench seconds for one device second, at least and at most.
        self._rates = (self._slowest, self._fastest)
        #: Device time of the last round trip, and the least and greatest bench time it can have been.
        self._known: tuple[float, float, float] | None = None
        self._anchors: deque[tuple[float, float, float]] = deque()

    @property
    def drift_ppm(self) -> float:
        """How much faster than nominal the device's clock runs, parts per million of bench time."""
        return (2.0 / sum(self._rates) - 1.0) * 1e6

    def round_trip(self, sent: float, stamp: float, received: float) -> bool:
        """Take in that the device's clock showed `stamp` between `sent` and `received`; stamps rise.

        False when that contradicts what was known, which then is forgotten: one of the two clocks was changed, or
        does not keep what was said of it.
        """
        least, most = sent - self._resolution_s, received
        if self._known is not None:
            before_least, before_most = self._span(stamp)
            least, most = max(least, before_least), min(most, before_most)
            if least > most:
                self.restarts += 1
                self._restart()
                self._known = (stamp, sent - self._resolution_s, received)
                return False
        self._known = (stamp, least, most)
        if not self._anchors or stamp - self._anchors[-1][0] >= self.ANCHOR_S:
            return self._anchor()
        return True

    def bench_time(self, stamp: float) -> Instant:
        """The bench time of a stamp near the last round trip; before the first one ValueError."""
        least, most = self._span(stamp)
        return Instant((least + most) / 2, (most - least) / 2)

    def _span(self, stamp: float) -> tuple[float, float]:
        if self._known is None:
            raise ValueError("no round trip yet")
        at, least, most = self._known
        slow, fast = self._rates
        ahead = stamp - at
        if ahead >= 0:
            return least + ahead * slow, most + ahead * fast
        return least + ahead * fast, most + ahead * slow

    def _anchor(self) -> bool:
        """Bound the rate by what is known of earlier instants; False when nothing is left."""
        assert self._known is not None
        now, now_least, now_most = self._known
        while self._anchors and now - self._anchors[0][0] > self.WINDOW_S:
            self._anchors.popleft()
        slow, fast = self._slowest, self._fastest
        for at, least, most in self._anchors:
            slow = max(slow, (now_least - most) / (now - at) - self._wander)
            fast = min(fast, (now_most - least) / (now - at) + self._wander)
        if slow > fast:
            self.restarts += 1
            known = self._known
            self._restart()
            self._known = known
            return False
        self._rates = (slow, fast)
        self._anchors.append(self._known)
        return True
