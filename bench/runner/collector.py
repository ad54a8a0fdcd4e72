"""Python's cyclic garbage collector, and how its threads take turns, while time matters.

A full collection stops every thread of the process for as long as it takes to look at every object there is: tens of
milliseconds here, at any moment. What is there before a run, garbage or not, is therefore left out of it, and full
collections wait until after the run; young objects, of which a run makes and drops thousands a second, are looked
through as ever.

A thread that computes keeps all others of the process waiting until it has had its turn: by default 5 ms, which a
reaction would meet up to three times, from reader to engine to writer.
"""

from __future__ import annotations

import gc
import sys
from collections.abc import Iterator
from contextlib import contextmanager

#: Young objects that set off a look at them; how many such looks one at the next older ones; and so on.
YOUNG, MIDDLE, OLD = 5000, 50, 1000
#: A thread's turn while others wait, s.
TURN_S = 0.0005


@contextmanager
def short_pauses() -> Iterator[None]:
    """No full collection from here to the end, if the run lasts for less than days; short turns of the threads."""
    usual, usual_turn = gc.get_threshold(), sys.getswitchinterval()
    sys.setswitchinterval(TURN_S)
    gc.freeze()
    gc.set_threshold(YOUNG, MIDDLE, OLD)
    try:
        yield
    finally:
        sys.setswitchinterval(usual_turn)
        gc.set_threshold(*usual)
        gc.unfreeze()
