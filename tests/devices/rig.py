"""A driver with its two threads, and what it posts; waiting is always for something, never for a time."""

from __future__ import annotations

import queue
import time
from collections.abc import Callable
from typing import Any

from bench.devices.base import Device, DeviceThreads
from bench.events import Event, Lost

DEADLINE_S = 10.0


class Running:
    """A connected device between its threads. Use as a context manager; `events` is all that was seen so far."""

    def __init__(self, device: Device):
        self.device = device
        self.identity = ""
        self.events: list[Event] = []
        self._queue: queue.SimpleQueue[Event] = queue.SimpleQueue()
        self.threads = DeviceThreads(device, lambda events: [self._queue.put(event) for event in events])

    def __enter__(self) -> Running:
        self.identity = self.device.connect()
        self.threads.start()
        return self

    def __exit__(self, *_: object) -> None:
        self.threads.close()

    def until(self, wanted: Callable[[Event], Any]) -> Event:
        """The first event from now on that is wanted; a device that is lost meanwhile fails the test."""
        deadline = time.monotonic() + DEADLINE_S
        while True:
            try:
                event = self._queue.get(timeout=max(deadline - time.monotonic(), 0.0))
            except queue.Empty:
                raise AssertionError(f"not seen within {DEADLINE_S} s; the last ones were {self.events[-5:]}") from None
            self.events.append(event)
            if wanted(event):
                return event
            assert not isinstance(event, Lost), event

    def lost(self) -> str:
        """Why the device is lost; waits for it."""
        return self.until(lambda event: isinstance(event, Lost)).cause


def eventually(holds: Callable[[], Any]) -> Any:
    """Wait until something holds that no event tells of."""
    deadline = time.monotonic() + DEADLINE_S
    while not (result := holds()):
        assert time.monotonic() < deadline, "it never came to hold"
        time.sleep(0.002)
    return result
