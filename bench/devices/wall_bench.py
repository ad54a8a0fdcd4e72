"""A bench in wall time: a reader and a writer thread a device, all events on one queue.

The engine's thread never touches a device: it posts what is to be done and goes on; the answer comes back as an
event. A reader thread always ends with an event that carries the cause.
"""

from __future__ import annotations

import queue
import threading
import time
from collections.abc import Callable, Sequence
from typing import TYPE_CHECKING

from bench.devices.simulated import SimulatedBench
from bench.events import Event, Lost

if TYPE_CHECKING:
    from bench.events import Value
    from bench.language.plan import Send
    from bench.runner.actions import AskPerson


class RunClock:
    """Seconds on the run's own clock, from the monotonic clock: `start_s` when made."""

    def __init__(self, start_s: float):
        self._origin = time.monotonic() - start_s

    def now(self) -> float:
        return round(time.monotonic() - self._origin, 6)


class WallBench:
    """The simulated bench in real time. `events` is the queue that the wall loop reads."""

    def __init__(self, simulated: SimulatedBench, clock: RunClock):
        self.events: queue.SimpleQueue[Event] = queue.SimpleQueue()
        self.clock = clock
        self._simulated = simulated
        self._lock = threading.Lock()
        self._tasks: queue.Queue[Callable[[float], Sequence[Event]] | None] = queue.Queue(maxsize=64)
        self._closing = threading.Event()
        self._threads = [
            threading.Thread(target=self._read, name="reader box", daemon=True),
            threading.Thread(target=self._write, name="writer box", daemon=True),
        ]

    def __enter__(self) -> WallBench:
        for thread in self._threads:
            thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._closing.set()
        self._tasks.put(None)
        for thread in self._threads:
            thread.join(timeout=2.0)

    # -- what the engine asks for: posted, answered later ----------------------------------------------------

    def drive(self, t: float, changes: dict[str, Value]) -> Sequence[Event]:
        return self._post(lambda now: self._simulated.drive(now, changes))

    def send(self, t: float, step: Send) -> Sequence[Event]:
        return self._post(lambda now: self._simulated.send(now, step))

    def inject(self, t: float, faults: tuple[str, ...]) -> Sequence[Event]:
        return self._post(lambda now: self._simulated.inject(now, faults))

    def restore(self, t: float, names: tuple[str, ...]) -> Sequence[Event]:
        return self._post(lambda now: self._simulated.restore(now, names))

    def ask(self, t: float, question: AskPerson) -> Sequence[Event]:
        return self._post(lambda now: self._simulated.ask(now, question))

    def _post(self, task: Callable[[float], Sequence[Event]]) -> Sequence[Event]:
        self._tasks.put_nowait(task)
        return ()

    # -- the two threads -----------------------------------------------------------------------------------

    def _read(self) -> None:
        cause = "closed"
        try:
            while not self._closing.is_set():
                with self._lock:
                    self._catch_up(self.clock.now())
                    wait = self._simulated.next_s()[0] - self.clock.now()
                self._closing.wait(max(wait, 0.0005))
        except Exception as error:  # whatever it was, the engine must hear of it
            cause = f"{type(error).__name__}: {error}"
        if not self._closing.is_set():
            self.events.put(Lost(self.clock.now(), self._simulated.name, cause))

    def _write(self) -> None:
        while (task := self._tasks.get()) is not None:
            with self._lock:
                now = self.clock.now()
                self._catch_up(now)
                self._simulated.elapse(now)
                self._put(task(now))

    def _catch_up(self, now: float) -> None:
        while self._simulated.next_s()[0] <= now:
            t = self._simulated.next_s()[0]
            self._put([self._simulated.advance((t, 9))])

    def _put(self, events: Sequence[Event]) -> None:
        for event in events:
            self.events.put(event)
