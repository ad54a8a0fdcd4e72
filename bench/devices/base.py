"""What a driver has to be, and the two threads that every device in wall time gets.

A driver fills a few blocking calls and knows nothing of the run: it speaks its wire, stamps what it hears with the
bench clock (`time.monotonic`, s) and raises `DeviceLost` when it cannot go on. Threads, queues, deadlines and the
run's own clock are the business of `DeviceThreads`; a reader always ends with an event that carries the cause.
"""

from __future__ import annotations

import queue
import threading
import time
from abc import ABC, abstractmethod
from collections import deque
from collections.abc import Callable, Collection, Mapping, Sequence
from contextlib import suppress
from typing import TYPE_CHECKING, Any

from bench.errors import BenchError
from bench.events import Batch, Driven, Event, Frame, Lost, Value

if TYPE_CHECKING:
    from bench.language.bench_file import Bench
    from bench.language.channel import Channel
    from bench.language.plan import Send


class DeviceLost(BenchError):
    """The device is gone, silent, or not what it should be. The text is the cause, as a person would say it."""


class Device(ABC):
    """One device of the bench. `options` are the keys of its entry in the bench file, as text.

    Making one finds everything that can be wrong in its entry and its channels without touching a port, and raises
    InputError: `check` and `run` make the devices before anything is asked of people. Order of calls then: `connect`
    once, before anything is energised; then `listen` again and again on the reader thread, and `drive`, `send`, `beat`
    on the writer thread; `close` at the end, safe to call twice. A port is never opened again within a run.
    """

    #: How late (s) a reading may be here, ready to be listened to, after its stamp. One that is later ends the run.
    late_s = 0.02
    #: How long (s) `listen` may be kept from the port, by the writer or a busy host. Longer ends the run.
    away_s = 0.25
    #: Whether more had come than the last `listen` gave back.
    behind = False
    #: A module that it needs beyond what is always installed, and the extra that brings it.
    needs: tuple[str, str] | None = None
    #: Names of the CAN buses that this device is.
    buses: tuple[str, ...] = ()
    #: Names of the simulated faults that it can put in.
    faults: Collection[str] = ()
    #: Whether a simulated box answers, and not a real one.
    simulated = False
    #: How often `beat` is called when nothing else is written, s; None: never.
    beat_s: float | None = None

    def __init__(self, name: str, options: Mapping[str, Any], channels: Mapping[str, Channel], bench: Bench):
        self.name = name
        self.options = options
        self.channels = channels  # only those wired to this device
        self.bench = bench

    @abstractmethod
    def connect(self) -> str:
        """Open exclusively, without moving an output; make sure it is the right device; its identity, as text.

        Raises DeviceLost, or InputError for what only the device itself can say of an option.
        """

    @abstractmethod
    def listen(self, timeout_s: float) -> Sequence[Event]:
        """Wait at most `timeout_s` for something; events with `t` on the bench clock. Nothing new: an empty list.

        Raises DeviceLost.
        """

    def drive(self, changes: Mapping[str, Value]) -> None:
        """Give these outputs these values; return when the device has confirmed them (read back where wired).

        Raises DeviceLost.
        """
        raise DeviceLost(f"{self.name} has no outputs")

    def drive_ahead(self, changes: Mapping[str, Value]) -> None:  # noqa: B027 - most devices answer, one at a time
        """Put a safe state on the wire if that waits for nothing; `drive` follows and confirms it.

        Called on the engine's thread, never while a call on the writer thread is under way. Raises DeviceLost.
        """

    def send(self, frame: Frame) -> None:
        """Put a frame on the wire. Raises DeviceLost."""
        raise DeviceLost(f"{self.name} sends no frames")

    def frame(self, step: Send) -> Frame:
        """The frame that a `send` step asks for. Raises DeviceLost."""
        raise DeviceLost(f"{self.name} sends no frames")

    def inject(self, fault: str) -> tuple[str, ...]:
        """Put a simulated fault in; the invariants that it excuses. Raises DeviceLost."""
        raise DeviceLost(f"{self.name} has no simulated faults")

    def restore(self, name: str) -> None:
        """Take a fault out, or let a driven channel follow its source again. Raises DeviceLost."""
        raise DeviceLost(f"{self.name} has nothing to restore")

    def request(self, channel: str) -> Sequence[Event]:
        """Read this channel now; what happened, its `Batch` last. Blocks until then. Raises DeviceLost."""
        raise DeviceLost(f"{self.name} reads nothing when asked")

    def beat(self) -> None:  # noqa: B027 - most devices need none
        """Tell the device that the bench is alive. Raises DeviceLost."""

    @abstractmethod
    def close(self) -> None:
        """Let go of the port. Never raises."""


class DeviceThreads:
    """A reader and a writer thread around one connected device; events go to `post` with `t` on the bench clock.

    `heard_until` (bench clock, s): whatever had come by then has been posted. A deadline passes only when that says so,
    so a host that is too busy to look makes a deadline late and never wrong.
    """

    LISTEN_S = 0.01
    MOST_TASKS = 64

    def __init__(self, device: Device, post: Callable[[Sequence[Event]], None]):
        self.device = device
        self._post = post
        # One bell for two lists: a queue with an order of its own wakes the writer several times as slowly.
        self._bell: queue.SimpleQueue[None] = queue.SimpleQueue()
        self._urgent: deque[Callable[[], Sequence[Event]]] = deque()
        self._usual: deque[Callable[[], Sequence[Event]]] = deque()
        self.heard_until = time.monotonic()
        self.ended = False  # the reader has, and has said why
        self._writing = threading.Lock()  # held while the device is written to
        self._closing = threading.Event()
        self._threads = [
            threading.Thread(target=self._read, name=f"reader {device.name}", daemon=True),
            threading.Thread(target=self._write, name=f"writer {device.name}", daemon=True),
        ]

    def start(self) -> None:
        self.heard_until = time.monotonic()
        for thread in self._threads:
            thread.start()

    def close(self, wait_s: float = 1.0) -> None:
        """Stop both threads and let go of the device; a thread that hangs in its port is left behind."""
        self._closing.set()
        self._bell.put(None)
        for thread in self._threads:
            thread.join(wait_s)
        self.device.close()

    def drive(self, changes: Mapping[str, Value], safe: bool = False) -> None:
        """Have these outputs driven; a safe state goes ahead of everything that waits."""

        def task() -> Sequence[Event]:
            self.device.drive(changes)
            done = time.monotonic()
            return [Driven(done, name, value) for name, value in changes.items()]

        tasks = self._urgent if safe else self._usual
        if safe and self._writing.acquire(blocking=False):
            with suppress(Exception):  # the writer meets it again, and tells
                self.device.drive_ahead(changes)
            self._put(tasks, task)
            self._writing.release()
        else:  # a safe state, too, goes behind what is being written, which would undo it
            self._put(tasks, task)

    def do(self, task: Callable[[], Sequence[Event]]) -> None:
        """Have any other call made on the writer thread; what it returns is posted."""
        self._put(self._usual, task)

    def _put(self, tasks: deque[Callable[[], Sequence[Event]]], task: Callable[[], Sequence[Event]]) -> None:
        if len(tasks) >= self.MOST_TASKS:
            self._post([Lost(time.monotonic(), self.device.name, "hangs: its write queue is full")])
            return
        tasks.append(task)
        self._bell.put(None)

    def _read(self) -> None:
        cause = ""
        try:
            while not self._closing.is_set():
                began = time.monotonic()
                if events := self.device.listen(self.LISTEN_S):
                    self._look_for_late(events)
                    self._post(events)
                if not self.device.behind:
                    self.heard_until = began
        except DeviceLost as error:
            cause = str(error)
        except Exception as error:  # a driver's own bug ends the run safe, too
            cause = f"{type(error).__name__}: {error}"
        if not self._closing.is_set():
            self._post([Lost(time.monotonic(), self.device.name, cause)])
        self.ended = True

    def _look_for_late(self, events: Sequence[Event]) -> None:
        """A deadline may have passed that a reading belongs before: what came before it is posted, it is not."""
        earliest_s = self.heard_until - self.device.late_s
        for place, event in enumerate(events):
            if event.t < earliest_s and type(event) is Batch:
                self._post(events[:place])
                late_ms, stated_ms = (time.monotonic() - event.t) * 1e3, self.device.late_s * 1e3
                raise DeviceLost(
                    f"a reading came {late_ms:.0f} ms after it was taken, later than the stated {stated_ms:.0f} ms"
                )

    def _write(self) -> None:
        beat_s = self.device.beat_s
        while True:
            try:
                self._bell.get(timeout=beat_s)
                has_rung = True
            except queue.Empty:
                has_rung = False
            with self._writing:
                tasks = self._urgent or self._usual
                if has_rung and not tasks:
                    return  # the bell rang for the end
                task = tasks.popleft() if has_rung else self._beat
                try:
                    self._post(task())
                except Exception as error:
                    cause = str(error) if isinstance(error, DeviceLost) else f"{type(error).__name__}: {error}"
                    self._post([Lost(time.monotonic(), self.device.name, cause)])
                    if not has_rung:
                        return

    def _beat(self) -> Sequence[Event]:
        self.device.beat()
        return ()
