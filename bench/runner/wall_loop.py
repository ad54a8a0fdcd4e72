"""Drives the engine in wall time from the event queue of a bench. One thread; it never touches a device."""

from __future__ import annotations

import queue
import time
from collections.abc import Callable
from typing import TYPE_CHECKING

from bench.events import Lost, Passed, Stopped

if TYPE_CHECKING:
    from bench.devices.wall_bench import WallBench
    from bench.runner.engine import Engine
    from bench.runner.hands import Hands
    from bench.runner.stopping import Stop

#: How often a stop from outside is looked for when nothing else happens, s.
LOOK_S = 0.02
#: More than this between two looks, or between the two clocks of the host, and it has slept or been set, s.
JUMP_S = 0.5


def run_wall(engine: Engine, bench: WallBench, hands: Hands, stop: Stop) -> None:
    """Until the engine is closed. A deadline counts as passed when its last readings have had time to arrive."""
    hands.begin()
    host = HostClock()
    while not engine.closed:
        if cause := host.trouble():
            hands.happened([Lost(max(bench.now(), engine.t), "host", cause)])
            continue
        if stop.cause:
            hands.happened([Stopped(max(bench.now(), engine.t), stop.take())])
            continue
        wake = engine.wake
        now, due = bench.now(), wake.t + wake.late_s
        if now >= due and bench.events.empty():
            hands.happened([Passed(max(wake.t, engine.t))])
            continue
        try:
            event = bench.events.get(timeout=max(min(due - now, LOOK_S), 0.0))
        except queue.Empty:
            hands.nothing_happened()
            continue
        hands.happened([event])


class HostClock:
    """Notices that the host has slept, hung, or had its wall clock set: its times are then worth nothing."""

    def __init__(self, monotonic: Callable[[], float] = time.monotonic, wall: Callable[[], float] = time.time):
        self._monotonic, self._wall = monotonic, wall
        self._last_s = monotonic()
        self._offset_s = wall() - self._last_s

    def trouble(self) -> str:
        """What has happened since the last look; '' for nothing. Told once."""
        now = self._monotonic()
        gap, self._last_s = now - self._last_s, now
        offset = self._wall() - now
        jump, self._offset_s = offset - self._offset_s, offset
        if gap > JUMP_S:
            return f"the host did not get to the bench for {gap:.2f} s"
        if abs(jump) > JUMP_S:
            return f"the host's wall clock jumped by {jump:+.2f} s"
        return ""
