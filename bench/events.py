"""The vocabulary of a run: what happens, as immutable values.

`t` is always seconds on the run's own clock: 0 at the first step, negative while the box is powering up.
The engine takes these, the record keeps them, `rejudge` reads them back: the same objects everywhere.
The order in which events are written is the order in which they were judged.
"""

from __future__ import annotations

from typing import Any, NamedTuple

Value = float | str


class Frame(NamedTuple):
    """One CAN frame. `heard` is False for a frame the bench itself sent; `after_s`: how long after its batch's `t`."""

    bus: str
    id: int
    data: bytes
    extended: bool = False
    heard: bool = True
    after_s: float = 0.0


class Batch(NamedTuple):
    """All that was read at one instant; applied together before any rule is evaluated.

    `samples`: (channel, value) pairs in the channel's own unit, only those that are new or changed.
    `scanned`: names of the scan groups read at `t`; every channel of such a group is as fresh as `t`, and
    those not in `samples` still have the value they had.
    """

    t: float
    samples: tuple[tuple[str, Value], ...] = ()
    scanned: tuple[str, ...] = ()
    frames: tuple[Frame, ...] = ()


class Passed(NamedTuple):
    """Time has reached `t`. Not recorded: the event that follows from it is."""

    t: float


class Life(NamedTuple):
    """The run entered a state of its life cycle."""

    t: float
    state: str
    reason: str = ""


class StepBegan(NamedTuple):
    """`path` is the step's place in the sequence, as '4' or '4.2#17' (second step of repetition 17)."""

    t: float
    path: str
    name: str
    step_kind: str


class StepEnded(NamedTuple):
    """The step is over. `verdict` is '' for a step that is not judged (a drive that was carried out)."""

    t: float
    path: str
    verdict: str
    reason: str = ""


class Driving(NamedTuple):
    """A stimulus begins: its outputs are on their way. `changes` is channel to value (drive only)."""

    t: float
    stimulus: str
    changes: dict[str, Value] = {}


class Driven(NamedTuple):
    """One output has its new value (read back where the bench can)."""

    t: float
    channel: str
    value: Value


class Sent(NamedTuple):
    """A frame asked for by a `send` step is on the wire."""

    t: float
    bus: str
    id: int
    data: str


class Injected(NamedTuple):
    """A fault is in. `excuses` names the invariants that no controller could keep while it is."""

    t: float
    fault: str
    excuses: tuple[str, ...] = ()


class Restored(NamedTuple):
    """A fault is out again, or a driven channel follows its source again."""

    t: float
    name: str


class Asked(NamedTuple):
    t: float
    question: str
    answers: tuple[str, ...]


class Answered(NamedTuple):
    """`by` is the person's name, or 'simulated'."""

    t: float
    answer: Value
    by: str


class Filed(NamedTuple):
    """The photo that a step asks for is in the record, as `file` with this hash; '' where `by` gave none."""

    t: float
    file: str
    sha256: str
    by: str


class Lost(NamedTuple):
    """A device is gone, or cannot do what it was asked; the run ends safe and inconclusive."""

    t: float
    device: str
    cause: str


class Aligned(NamedTuple):
    """A device's own clock as it is mapped to the bench clock: stamps are right within `bound_s` (s)."""

    t: float
    device: str
    offset_s: float
    drift_ppm: float
    bound_s: float


class Noted(NamedTuple):
    """Something that does not decide anything but must not be silent: a retry, a stray, a malformed line."""

    t: float
    device: str
    text: str


class Stale(NamedTuple):
    """A scan group that must never be silent has been, for longer than its limit."""

    t: float
    group: str
    age_s: float


class Silent(NamedTuple):
    """A scan group whose silence is information about the box has gone silent: its channels have no value now."""

    t: float
    group: str


class HeldBack(NamedTuple):
    """The next step waits until `until_s` (on the run clock) at the earliest: `cause` says what for."""

    t: float
    until_s: float
    cause: str


class Stopped(NamedTuple):
    """Somebody or something outside stopped the run (operator, signal, own bug)."""

    t: float
    cause: str


#: What may stand in a record, by the word in its `kind` field.
KINDS: dict[str, type] = {
    "life": Life, "step-began": StepBegan, "step-ended": StepEnded, "driving": Driving, "driven": Driven,
    "sent": Sent, "injected": Injected, "restored": Restored, "asked": Asked, "answered": Answered,
    "filed": Filed, "lost": Lost, "stale": Stale, "silent": Silent, "stopped": Stopped, "aligned": Aligned,
    "noted": Noted, "held-back": HeldBack,
}  # fmt: skip
KIND_OF: dict[type, str] = {cls: word for word, cls in KINDS.items()}

Event = (
    Batch | Passed | Life | StepBegan | StepEnded | Driving | Driven | Sent | Injected | Restored
    | Asked | Answered | Filed | Lost | Stale | Silent | Stopped | Aligned | Noted | HeldBack
)  # fmt: skip


def as_fields(event: Any) -> dict[str, Any]:
    """The event's fields as plain data for one record line (without `t`)."""
    fields = event._asdict()
    del fields["t"]
    return fields
