"""Python's cyclic garbage collector while time matters.

A full collection stops every thread of the process for as long as it takes to look at every object there is: tens of
milliseconds here, at any moment. What is there before a run, garbage or not, is therefore left out of it, and full
collections wait until after the run; young objects, of which a run makes and drops thousands a second, are looked
through as ever.
"""

from __future__ import annotations

import gc
from collections.abc import Iterator
from contextlib import contextmanager

#: Young objects that set off a look at them; how many such looks one at the next older ones; and so on.
YOUNG, MIDDLE, OLD = 5000, 50, 1000


@contextmanager
def short_pauses() -> Iterator[None]:
    """No full collection from here to the end, if the run lasts for less than days."""
    usual = gc.get_threshold()
    gc.freeze()
    gc.set_threshold(YOUNG, MIDDLE, OLD)
    try:
        yield
    finally:
        gc.set_threshold(*usual)
        gc.unfreeze()
