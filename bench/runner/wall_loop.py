"""Drives the engine in wall time from the event queue of a bench. One thread; it never touches a device."""

from __future__ import annotations

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
#: How often it is looked whether the devices have been heard until a deadline that is over, s.
SETTLE_S = 0.002
#: More than this between two looks, or between the two clocks of the host, and it has slept or been set, s.
JUMP_S = 0.5


def run_wall(engine: Engine, bench: WallBench, hands: Hands, stop: Stop) -> None:
    """Until the engine is closed. What is judged counts as passed when every reading until then is in; nothing else
    than the devices says so, so that a busy host cannot let a deadline pass too early."""
    hands.begin()
    host = HostClock()
    while not engine.closed:
        if cause := host.trouble():
            hands.happened([Lost(max(bench.now(), engine.t), "host", cause)])
            continue
        if stop.cause:
            hands.happened([Stopped(max(bench.now(), engine.t), stop.take())])
            continue
        if lost := bench.lagging():
            hands.happened([lost._replace(t=max(lost.t, engine.t))])
            continue
        settled_s = bench.settled_s  # looked at first: what it speaks of is in the queue
        if came := bench.take():
            hands.happened(came)
        wake = engine.wake
        now = bench.now()
        if now >= wake.sharp_s or settled_s >= wake.settled_s:
            hands.happened([Passed(max(wake.sharp_s if now >= wake.sharp_s else wake.settled_s, engine.t))])
        elif not came and not bench.wait(min(wake.sharp_s - now, _patience_s(wake.settled_s - now))):
            hands.nothing_happened()


def _patience_s(left_s: float) -> float:
    """How long to wait, where a deadline that the devices have to confirm is `left_s` away."""
    return min(left_s, LOOK_S) if left_s > 0 else SETTLE_S


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
