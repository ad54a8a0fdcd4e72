"""Drives the engine over a simulated bench in virtual time: one thread, no sleeping, same seed same record."""

from __future__ import annotations

from typing import TYPE_CHECKING

from bench.events import Passed, Stopped

if TYPE_CHECKING:
    from bench.devices.simulated import SimulatedBench
    from bench.runner.engine import Engine
    from bench.runner.hands import Hands
    from bench.runner.stopping import Stop

#: Order within one instant: physics, frames and scans (0), the engine's wake-up (1), controller steps (2).
_WAKE, _ALL = 1, 9


def run_virtual(engine: Engine, bench: SimulatedBench, hands: Hands, stop: Stop) -> None:
    """Until the engine is closed. `stop.cause` turns true when somebody wants the run to end."""
    hands.begin()
    while not engine.closed:
        if stop.cause:
            hands.happened([Stopped(engine.t, stop.take())])
            continue
        wake = min(engine.wake)
        following = bench.next_s()
        if (wake, _WAKE) < following:
            bench.elapse(wake)
            hands.happened([Passed(wake)])
        else:
            t = following[0]
            hands.happened([bench.advance((t, _WAKE if t == wake else _ALL))])
