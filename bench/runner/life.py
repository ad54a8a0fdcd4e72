"""The life of a run, as one table. The engine fires the triggers; nothing hangs on a state being entered.

Not in the table, with the reason: within `driving` and `clearing up` the engine walks the steps itself (a step is
data, not a state); the last resort in `run.py` drives the safe values without asking this machine.
"""

from __future__ import annotations

STATES = ("loading", "checking", "powering up", "driving", "clearing up", "making safe", "closed")

#: (trigger, from, to)
TRANSITIONS = (
    ("check", "loading", "checking"),
    ("power_up", "checking", "powering up"),
    ("begin", "powering up", "driving"),
    ("clear_up", "driving", "clearing up"),
    ("make_safe", "clearing up", "making safe"),
    # trouble: safe first, then what the sequence asks for afterwards, then safe again
    ("make_safe", "checking", "making safe"),
    ("make_safe", "powering up", "making safe"),
    ("make_safe", "driving", "making safe"),
    ("clear_up", "making safe", "clearing up"),
    ("close", "making safe", "closed"),
    # refused before anything was driven
    ("close", "loading", "closed"),
    ("close", "checking", "closed"),
)


_TARGETS = {(trigger, source): target for trigger, source, target in TRANSITIONS}


class Life:
    """Where the run is: `state`. A trigger that the table does not have from here is a bug and raises.

    A plain look-up: a safe state waits for two of these, and a library for state machines took a tenth of the time
    from the fault to the safe state.
    """

    def __init__(self) -> None:
        self.state = STATES[0]

    def fire(self, trigger: str) -> str:
        """Take the transition; the new state. Raises ValueError, and the state stays, where there is none."""
        if (trigger, self.state) not in _TARGETS:
            raise ValueError(f"a run that is {self.state} has no transition {trigger!r}")
        self.state = _TARGETS[trigger, self.state]
        return self.state
