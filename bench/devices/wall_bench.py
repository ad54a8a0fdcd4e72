"""A bench in wall time: any number of devices, each with its two threads, all events on one queue.

The engine's thread never touches a device: it posts what is to be done and goes on; the answer comes back as an
event. Devices are opened once and serve several runs; each run has a clock of its own.
"""

from __future__ import annotations

import queue
import threading
import time
from collections.abc import Callable, Iterable, Mapping, Sequence
from typing import TYPE_CHECKING, Any

from bench.devices.base import Device, DeviceLost, DeviceThreads
from bench.devices.person import Person, one_of
from bench.errors import BenchError
from bench.events import Aligned, Answered, Asked, Batch, Event, Injected, Lost, Restored, Sent, Value

if TYPE_CHECKING:
    from bench.language.plan import Send
    from bench.record.photos import Keep
    from bench.runner.actions import AskPerson

#: Between a look at how far the devices have got and what the engine is then given, s.
SLACK_S = 0.05
#: How long the engine's thread stands back for writers, and for the kernel's own work on a port, when a safe state is
#: to leave, s.
LET_GO_S = 0.0001


class WallBench:
    """`events` is the queue that the wall loop reads, some events at a time. `identities`: what each device said it is,
    once opened.

    `person` answers what is asked; on a `simulated` box the sequence's own simulated answers do.
    """

    def __init__(self, devices: Sequence[Device], person: Person | None = None, simulated: bool = False):
        self.events: queue.SimpleQueue[list[Event]] = queue.SimpleQueue()
        self.identities: dict[str, str] = {}
        self._person = person
        self._simulated = simulated or all(device.simulated for device in devices)
        self._devices = list(devices)
        self._by_name = {device.name: device for device in devices}
        self._threads = {device.name: DeviceThreads(device, self._post) for device in devices}
        self._of_channel = {name: device.name for device in devices for name in device.channels}
        self._known: dict[str, Value] = {}
        self._aligned: dict[str, Aligned] = {}
        self._origin_s = self._begun_at = time.monotonic()
        self._lock = threading.Lock()
        self._first: list[Event] = []  # taken from the queue by `wait`
        self._lagged: set[str] = set()

    # -- opening and closing -------------------------------------------------------------------------------

    def __enter__(self) -> WallBench:
        """Open every device before anything is energised. Raises BenchError; then nothing is left open."""
        for device in self._devices:
            try:
                self.identities[device.name] = device.connect()
            except Exception as error:
                for opened in self._devices:
                    opened.close()
                if isinstance(error, DeviceLost):
                    raise BenchError(f"{device.name}: {error}") from error
                raise
        for threads in self._threads.values():
            threads.start()
        return self

    def __exit__(self, *_: object) -> None:
        for threads in self._threads.values():
            threads.close()

    def begin(self, start_s: float) -> None:
        """A new run whose clock shows `start_s` now. What is known of channels and clocks is told again."""
        with self._lock:
            self._begun_at = time.monotonic()
            self._origin_s = self._begun_at - start_s
            self.take()
            known: list[Event] = [aligned._replace(t=start_s) for aligned in self._aligned.values()]
            if self._known:
                known.append(Batch(start_s, tuple(self._known.items())))
            if known:
                self.events.put(known)

    @property
    def late_s(self) -> float:
        """How late (s) the slowest device's readings may come to the engine; `lagging` tells of one that is later."""
        return max((device.late_s + device.away_s for device in self._devices), default=0.0) + SLACK_S

    @property
    def settled_s(self) -> float:
        """Every reading stamped until then (run clock, s) is in `events`, or has been taken from it."""
        heard = (threads.heard_until - threads.device.late_s for threads in self._listening())
        return min(heard, default=time.monotonic()) - self._origin_s

    def lagging(self) -> Lost | None:
        """A device that could not be listened to for longer than it says: what it has read may come too late."""
        now = time.monotonic()
        for threads in self._listening():
            away_s = now - max(threads.heard_until, self._begun_at)
            if away_s > threads.device.away_s:
                self._lagged.add(threads.device.name)
                cause = f"was not listened to for {away_s:.2f} s: it hangs, or this computer is too slow"
                return Lost(self.now(), threads.device.name, cause)
        return None

    def take(self) -> list[Event]:
        """What is in the queue now, in order."""
        taken, self._first = self._first, []
        for _ in range(self.events.qsize()):
            taken += self.events.get_nowait()
        return taken

    def wait(self, wait_s: float) -> bool:
        """Wait at most so long for something to take; whether there is."""
        try:
            self._first = self.events.get(timeout=max(wait_s, 0.0))
        except queue.Empty:
            return False
        return True

    def _listening(self) -> Iterable[DeviceThreads]:
        return (each for name, each in self._threads.items() if not each.ended and name not in self._lagged)

    def now(self) -> float:
        """Seconds on the run's clock."""
        return round(time.monotonic() - self._origin_s, 6)

    def _post(self, events: Iterable[Event]) -> None:
        """From any thread: onto the run's clock and into the queue, all at once."""
        posted: list[Event] = []
        known, new = self._known, tuple.__new__  # thousands a second: the quick way to make one
        with self._lock:
            origin_s = self._origin_s
            for event in events:
                t = round((event.t - origin_s) * 1e6) / 1e6
                if type(event) is Batch:
                    _, samples, scanned, frames = event
                    if samples:
                        known.update(samples)
                    posted.append(new(Batch, (t, samples, scanned, frames)))
                else:
                    if type(event) is Aligned:
                        self._aligned[event.device] = event
                    posted.append(event._replace(t=t))
            if posted:
                self.events.put(posted)

    # -- what the engine asks for: posted, answered later ----------------------------------------------------

    def drive(self, t: float, changes: Mapping[str, Value], safe: bool = False) -> Sequence[Event]:
        by_device: dict[str, dict[str, Value]] = {}
        for name, value in changes.items():
            by_device.setdefault(self._of_channel[name], {})[name] = value
        for device, its_changes in by_device.items():
            self._threads[device].drive(its_changes, safe)
        if safe:
            time.sleep(LET_GO_S)
        return ()

    def send(self, t: float, step: Send) -> Sequence[Event]:
        device = next((each for each in self._devices if step.bus in each.buses), None)
        if device is None:
            return [Lost(t, step.bus, "no device of the bench is this bus")]

        def task() -> Sequence[Event]:
            frame = device.frame(step)
            device.send(frame)
            return [Sent(time.monotonic(), frame.bus, frame.id, frame.data.hex())]

        self._threads[device.name].do(task)
        return ()

    def inject(self, t: float, faults: tuple[str, ...]) -> Sequence[Event]:
        return self._each(t, faults, "inject", lambda device, name: [
            Injected(time.monotonic(), name, device.inject(name))
        ])  # fmt: skip

    def restore(self, t: float, names: tuple[str, ...]) -> Sequence[Event]:
        def work(device: Device, name: str) -> Sequence[Event]:
            device.restore(name)
            return [Restored(time.monotonic(), name)]

        return self._each(t, names, "restore", work)

    def ask(self, t: float, question: AskPerson, keep: Keep) -> Sequence[Event]:
        if self._simulated:
            return [] if question.simulated is None else [Answered(t, question.simulated, "simulated")]
        person = self._person
        if person is None:
            return [Lost(t, "person", "a question is to be asked, and there is no terminal")]

        def work() -> None:
            events, answer = person.ask(one_of(question.question, question.answers), question.within_s, "person")
            self._post([event for event in events if type(event) is not Asked])  # the engine has said so
            if question.photo and answer is not None:
                self._post(person.photo(question.photo, question.within_s, "person", keep))

        threading.Thread(target=work, name="question", daemon=True).start()
        return ()

    def have_read(self, t: float, channels: tuple[str, ...]) -> Sequence[Event]:
        for name in channels:
            device = self._of_channel[name]
            self._threads[device].do(lambda device=device, name=name: self._by_name[device].request(name))
        return ()

    def _each(
        self, t: float, names: Iterable[str], what: str, work: Callable[[Any, str], Sequence[Event]]
    ) -> Sequence[Event]:
        lost = []
        for name in names:
            device = next((each for each in self._devices if name in each.faults or name in each.channels), None)
            if device is None:
                lost.append(Lost(t, "bench", f"no device can {what} {name}"))
            else:
                self._threads[device.name].do(lambda device=device, name=name: work(device, name))
        return lost
