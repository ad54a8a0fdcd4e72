"""Drives the engine in wall time from the event queue of a bench. One thread; it never touches a device."""

from __future__ import annotations

import queue
from typing import TYPE_CHECKING

from bench.events import Event, Passed, Stopped

if TYPE_CHECKING:
    from bench.devices.wall_bench import WallBench
    from bench.runner.engine import Engine
    from bench.runner.hands import Hands
    from bench.runner.stopping import Stop

#: How long after a deadline its last samples may still be on their way, s. Judged times are not touched by it:
#: they come from the events' own stamps.
GRACE_S = 0.02
#: How often a stop from outside is looked for when nothing else happens, s.
LOOK_S = 0.02


def run_wall(engine: Engine, bench: WallBench, hands: Hands, stop: Stop) -> None:
    """Until the engine is closed."""
    hands.begin()
    while not engine.closed:
        now = bench.clock.now()
        if stop.cause:
            hands.happened([Stopped(max(now, engine.t), stop.take())])
            continue
        due = engine.wake_s + GRACE_S
        if now >= due and bench.events.empty():
            hands.happened([Passed(max(engine.wake_s, engine.t))])
            continue
        try:
            event = bench.events.get(timeout=max(min(due - now, LOOK_S), 0.0))
        except queue.Empty:
            hands.nothing_happened()
            continue
        hands.happened([_in_order(event, engine.t)])


def _in_order(event: Event, last_s: float) -> Event:
    """Events are judged in the order of their stamps: one that comes late is moved behind the last."""
    return event if event.t > last_s else event._replace(t=round(last_s + 1e-6, 6))
