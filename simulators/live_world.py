"""A simulated world that keeps up with the host's clock: the box behind the wire-level stand-ins.

Any thread may read and write. Leaves out: what the wires add (that is the stand-ins' part), and exactness of the
moment at which something is done to the box, which is as good as the host's scheduling (about a millisecond).
"""

from __future__ import annotations

import threading
import time
from collections.abc import Callable, Mapping
from typing import TYPE_CHECKING, Any

from bench.events import Batch, Frame, Value
from simulators.world import World

if TYPE_CHECKING:
    from bench.language.bench_file import Bench

Listener = Callable[[Batch], None]


class LiveWorld:
    """Use as a context manager. `bench` names the channels; the box has no supply until it is written.

    Listeners are called on the world's thread with every batch, `t` on the host's monotonic clock (s).
    """

    def __init__(self, bench: Bench, parameters: Mapping[str, float] | None = None, seed: int = 0, **world: Any):
        self._world = World(bench, parameters, seed=seed, power="off", **world)
        self._values: dict[str, Value] = {}
        self._listeners: list[Listener] = []
        self._lock = threading.Lock()
        self._closing = threading.Event()
        self._origin_s = time.monotonic()
        self._thread = threading.Thread(target=self._keep_up, name="live world", daemon=True)

    def __enter__(self) -> LiveWorld:
        self._origin_s = time.monotonic()
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._closing.set()
        self._thread.join(2.0)

    def listen(self, listener: Listener) -> None:
        self._listeners.append(listener)

    def read(self, channel: str) -> Value | None:
        """The channel's value now, as the shipped bench would read it; None before it was ever read."""
        with self._lock:
            self._catch_up()
            return self._values.get(channel)

    def write(self, channel: str, value: Value) -> None:
        """Drive the channel now."""
        self._stimulus(lambda t: self._world.drive(t, channel, value))
        self._values[channel] = value

    def send(self, frame: Frame) -> None:
        """Put a frame on the box's bus now."""
        self._stimulus(lambda t: self._world.send(t, frame))

    def _stimulus(self, work: Callable[[float], Batch]) -> None:
        with self._lock:
            self._catch_up()
            self._tell(work(round(time.monotonic() - self._origin_s, 6)))

    def _keep_up(self) -> None:
        while not self._closing.is_set():
            with self._lock:
                self._catch_up()
                wait_s = self._world.next_s()[0] + self._origin_s - time.monotonic()
            self._closing.wait(min(max(wait_s, 0.0005), 0.05))

    def _catch_up(self) -> None:
        while self._world.next_s()[0] <= time.monotonic() - self._origin_s:
            self._tell(self._world.advance((self._world.next_s()[0], 9)))

    def _tell(self, batch: Batch) -> None:
        self._values.update(batch.samples)
        shifted = batch._replace(t=batch.t + self._origin_s)
        for listener in self._listeners:
            listener(shifted)
