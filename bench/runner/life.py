"""The life of a run, as one table. The engine fires the triggers; nothing hangs on a state being entered.

Not in the table, with the reason: within `driving` and `clearing up` the engine walks the steps itself (a step is
data, not a state); the last resort in `loops.py` drives the safe values without asking this machine.
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


class Life:
    """Where the run is: `state`. A trigger that the table does not have from here is a bug and raises."""

    def __init__(self) -> None:
        from transitions import Machine

        rows = [{"trigger": trigger, "source": source, "dest": dest} for trigger, source, dest in TRANSITIONS]
        unknown = {state for _, source, dest in TRANSITIONS for state in (source, dest)} - set(STATES)
        if unknown:  # the library would notice only when the transition fires
            raise ValueError(f"states that the table does not list: {sorted(unknown)}")
        self.state = STATES[0]
        self._machine = Machine(self, states=list(STATES), transitions=rows, initial=STATES[0], auto_transitions=False)

    def fire(self, trigger: str) -> str:
        """Take the transition; the new state."""
        getattr(self, trigger)()
        return self.state
