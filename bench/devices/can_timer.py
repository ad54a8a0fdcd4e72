"""Sends periodic messages on time.

One thread sends all periodic messages of a device on a schedule without drift: the n-th frame is due n periods after
the first, however late the one before was. A slot that was missed by more than a period is left out and counted.
"""

from __future__ import annotations

import heapq
import threading
import time
from collections.abc import Callable, Collection

from bench.devices.base import DeviceLost
from bench.devices.can_sending import SentMessage


class Timer:
    """Sends the messages that are switched on. `trouble` is why it had to stop."""

    def __init__(self, name: str, send: Callable[[int, bytes], None]):
        self.trouble: DeviceLost | None = None
        self._send = send
        self.lock = threading.RLock()  # of the messages that it sends, too
        self._changed = threading.Condition(self.lock)
        self._due: list[tuple[float, int, SentMessage, float, int]] = []  # due, number, message, first, n
        self._on: dict[str, int] = {}  # by message: number of its schedule; an older one in the heap is void
        self._sent: dict[str, int] = {}
        self._number = 0
        self._closing = False
        self.periods: dict[str, Periods] = {}
        self._thread = threading.Thread(target=self._run, name=f"periodic {name}", daemon=True)

    def start(self) -> bool:
        """Whether this was the first time."""
        with self._changed:
            first = not self._thread.ident and not self._closing
            if first:
                self._thread.start()
            return first

    def switch_on(self, message: SentMessage) -> None:
        """Begin to send, now."""
        with self._changed:
            if message.name not in self._on and message.period_s:
                self._number += 1
                self._on[message.name] = self._number
                self.periods.setdefault(message.name, Periods(message.period_s)).begin()
                now = time.monotonic()
                heapq.heappush(self._due, (now, self._number, message, now, 0))
                self._changed.notify_all()

    def switch_off(self, message: SentMessage) -> None:
        """Stop at once: no frame leaves after this returns."""
        with self._changed:
            self._on.pop(message.name, None)

    def change(self, messages: Collection[SentMessage], work: Callable[[], None]) -> None:
        """Do `work` on the messages, then wait until a frame of each has left that is sent at all: a period at most.

        Raises DeviceLost when one does not leave half a second after its period.
        """
        with self._changed:
            before = {message.name: self._sent.get(message.name, 0) for message in messages}
            work()
            wait_s = max((message.period_s or 0.0 for message in messages), default=0.0) + 0.5
            owed = lambda: [  # noqa: E731 - asked for again and again
                name for name, count in before.items() if name in self._on and self._sent.get(name, 0) <= count
            ]
            left = self._changed.wait_for(lambda: self.trouble or not owed(), wait_s)
            missing = owed()
        if self.trouble:
            raise self.trouble
        if not left:
            raise DeviceLost(f"no {', '.join(missing)} was sent for {wait_s:g} s")

    def close(self) -> None:
        with self._changed:
            self._closing = True
            self._changed.notify_all()
        if self._thread.is_alive():
            self._thread.join(1.0)

    def _run(self) -> None:
        with self._changed:
            try:
                while not self._closing:
                    wait_s = self._due[0][0] - time.monotonic() if self._due else None
                    if wait_s is None or wait_s > 0:
                        self._changed.wait(wait_s)
                    else:
                        self._send_next()
            except DeviceLost as error:
                self.trouble = error
            except Exception as error:  # a bug of ours ends the run safe, too
                self.trouble = DeviceLost(f"{type(error).__name__}: {error}")
            self._changed.notify_all()

    def _send_next(self) -> None:
        _, number, message, first, n = heapq.heappop(self._due)
        if self._on.get(message.name) != number:
            return
        self._send(message.key, message.next_data())
        now = time.monotonic()
        periods = self.periods[message.name]
        periods.sent(now)
        self._sent[message.name] = self._sent.get(message.name, 0) + 1
        self._changed.notify_all()
        period = message.period_s or 0.0
        missed = max(int((now - first) / period) - n, 0)
        periods.missed += missed
        n += 1 + missed
        heapq.heappush(self._due, (first + n * period, number, message, first, n))


class Periods:
    """What a message's period really was, s."""

    def __init__(self, period_s: float):
        self.period_s = period_s
        self.count, self.missed = 0, 0
        self.least_s, self.most_s = float("inf"), 0.0
        self._last: float | None = None

    def begin(self) -> None:
        self._last = None

    def sent(self, now: float) -> None:
        if self._last is not None:
            self.least_s, self.most_s = min(self.least_s, now - self._last), max(self.most_s, now - self._last)
        self.count += 1
        self._last = now

    @property
    def worst_s(self) -> float:
        """Largest deviation from the period; 0 before the second frame."""
        return max(self.most_s - self.period_s, self.period_s - self.least_s, 0.0) if self.most_s else 0.0

    def __str__(self) -> str:
        left_out = f", {self.missed} left out" if self.missed else ""
        return (
            f"every {self.period_s * 1e3:g} ms: {self.count} sent, "
            f"{self.least_s * 1e3:.1f} to {self.most_s * 1e3:.1f} ms apart{left_out}"
        )
