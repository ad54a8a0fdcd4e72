"""The simulated bench as one device in wall time: for `run --wall-clock`, and to try the threads without hardware.

Leaves out: every wire. What is read is stamped with the world's own instant, so that judged times do not depend on
how busy the host is.
"""

from __future__ import annotations

import threading
import time
from collections.abc import Mapping, Sequence

from bench.devices.base import Device, DeviceLost
from bench.devices.simulated import SimulatedBench
from bench.events import Batch, Event, Frame, Injected, Lost, Value
from bench.language.bench_file import Bench
from bench.language.plan import Send


class RealTimeBench(Device):
    """`simulated_bench` advanced by the host's clock; world time is `start_s` when it is connected."""

    late_s = 0.005
    simulated = True

    def __init__(self, bench: Bench, simulated_bench: SimulatedBench, start_s: float):
        super().__init__(simulated_bench.name, {}, bench.channels, bench)
        from simulators.faults import FAULTS

        self.faults = FAULTS.keys()
        self.buses = ("can",)
        self._world = simulated_bench
        self._start_s = start_s
        self._origin_s = 0.0
        self._lock = threading.Lock()
        self._seen: list[Event] = []
        self._news = threading.Event()

    def connect(self) -> str:
        self._origin_s = time.monotonic() - self._start_s
        return f"simulated, controller {type(self._world.world.box).__name__}"

    def listen(self, timeout_s: float) -> Sequence[Event]:
        with self._lock:
            self._catch_up()
            seen, self._seen = self._seen, []
            wait_s = self._world.next_s()[0] + self._origin_s - time.monotonic()
        if not seen:
            self._news.wait(min(max(wait_s, 0.0005), timeout_s))
            self._news.clear()
        return [self._checked(event) for event in seen]

    def drive(self, changes: Mapping[str, Value]) -> None:
        self._do(lambda t: self._world.drive(t, dict(changes)))

    def frame(self, step: Send) -> Frame:
        return self._world.frame(step)

    def send(self, frame: Frame) -> None:
        self._do(lambda t: self._world.send_frame(t, frame))

    def inject(self, fault: str) -> tuple[str, ...]:
        events = self._do(lambda t: self._world.inject(t, (fault,)))
        return next(event.excuses for event in events if isinstance(event, Injected))

    def restore(self, name: str) -> None:
        self._do(lambda t: self._world.restore(t, (name,)))

    def close(self) -> None:
        pass

    def _do(self, work) -> Sequence[Event]:
        """A stimulus now; what is seen at once is told by `listen`."""
        with self._lock:
            t = self._catch_up()
            self._world.elapse(t)
            events = work(t)
            self._seen += [self._on_bench_clock(event) for event in events if isinstance(event, Batch)]
        self._news.set()
        for event in events:
            self._checked(event)
        return events

    def _catch_up(self) -> float:
        """Let the world come up to now; the world's time."""
        now = round(time.monotonic() - self._origin_s, 6)
        while self._world.next_s()[0] <= now:
            event = self._world.advance((self._world.next_s()[0], 9))
            self._seen.append(self._on_bench_clock(event))
            if isinstance(event, Lost):
                break
        return now

    def _on_bench_clock(self, event: Event) -> Event:
        return event._replace(t=event.t + self._origin_s)

    def _checked(self, event: Event) -> Event:
        if isinstance(event, Lost):
            raise DeviceLost(event.cause)
        return event
