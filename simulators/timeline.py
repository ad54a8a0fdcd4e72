"""One virtual clock: a heap of what is going to happen.

Within one instant the order is: physics, then frames, then scans of the bench, then controller steps; what
ranks equal happens in the order in which it was asked for. That makes every run with one seed the same.
"""

from __future__ import annotations

from collections.abc import Callable
from heapq import heappop, heappush
from math import inf

Action = Callable[[float], None]

PHYSICS, FRAMES, SCANS, CONTROL = range(4)
#: First rank that waits, for a wake-up of the engine with this phase: stimuli go in before controller steps.
_RANKS_BEFORE_PHASE = (PHYSICS, CONTROL, CONTROL)
#: The most actions of one instant; some hundred are usual.
MOST_AT_ONCE = 100_000


class Timeline:
    """Times in s, rounded to 1e-6."""

    def __init__(self, start: float) -> None:
        self.now = start
        self._heap: list[tuple[float, int, int, Action]] = []
        self._count = 0

    def at(self, t: float, action: Action, rank: int = PHYSICS) -> None:
        """Have `action(t)` called at `t`; a time in the past means now, one at infinity never."""
        if t < inf:
            t = round(t, 6)
            heappush(self._heap, (t if t > self.now else self.now, rank, self._count, action))
            self._count += 1

    def every(self, period: float, first: float, action: Action, rank: int) -> Callable[[], None]:
        """Have `action` called at `first` and every `period` from then on; call what is returned to end it."""
        alive, turn = True, 0

        def tick(t: float) -> None:
            nonlocal turn
            if alive:
                turn += 1
                self.at(first + turn * period, tick, rank)
                action(t)

        def end() -> None:
            nonlocal alive
            alive = False

        self.at(first, tick, rank)
        return end

    def next(self) -> tuple[float, int]:
        """(time, phase) of what comes next: phase 2 for a controller step, else 0; (inf, 0) when nothing does."""
        if not self._heap:
            return inf, 0
        t, rank, _, _ = self._heap[0]
        return t, 2 if rank == CONTROL else 0

    def run_instant(self, until: tuple[float, int]) -> float:
        """Do all of the next instant that comes before `until` = (time, phase); returns the instant.

        Raises RuntimeError when the instant does not come to an end.
        """
        heap = self._heap
        t = self.now = heap[0][0]
        last_t, phase = until
        limit = CONTROL + 1 if last_t > t or phase > 2 else _RANKS_BEFORE_PHASE[phase]
        for _ in range(MOST_AT_ONCE):
            if not heap or heap[0][0] != t or heap[0][1] >= limit:
                return t
            heappop(heap)[3](t)
        raise RuntimeError(f"the instant {t:g} s does not end: more than {MOST_AT_ONCE} actions")
