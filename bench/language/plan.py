"""What a checked sequence is: the only thing that runner and judge see of the user's files.

Everything here is resolved: names exist, dimensions agree, `use` is expanded, requirement limits are merged in.
Durations are in s; `Expression` and `Condition` come from `expressions`.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Mapping

    from bench.events import Value
    from bench.language.bench_file import Bench
    from bench.language.expressions import Condition, Expression
    from bench.language.register import Requirement


@dataclass(frozen=True, slots=True)
class Limit:
    """Bounds on one judged quantity, inclusive. `unit` is the one to show values in, as the author wrote it."""

    min: Expression | None
    max: Expression | None
    unit: str
    text: str


@dataclass(frozen=True, slots=True)
class Step:
    """Common to all steps. `path` is '3' or '3.2' (second step inside the third); `line` counts from 1."""

    path: str
    name: str
    line: int
    requirement: Requirement | None

    @property
    def conditions(self) -> tuple[Condition, ...]:
        """Those that are followed through the run."""
        found = [getattr(self, name, None) for name in ("condition", "at", "from_", "to")]
        calibrated = getattr(self, "calibrated", None)
        return tuple(part for part in (*found, calibrated and calibrated.condition) if part is not None)


@dataclass(frozen=True, slots=True)
class Drive(Step):
    changes: Mapping[str, Value]  # in each channel's own unit


@dataclass(frozen=True, slots=True)
class Send(Step):
    """Either a database `message` with `signals`, or a raw `frame_id` with `data`."""

    bus: str
    message: str
    signals: Mapping[str, Value]
    frame_id: int
    data: bytes
    extended: bool


@dataclass(frozen=True, slots=True)
class Await(Step):
    condition: Condition
    within_s: float


@dataclass(frozen=True, slots=True)
class Calibration:
    """The two channels see the same once `condition` has been true for `for_s`."""

    condition: Condition
    for_s: float


@dataclass(frozen=True, slots=True)
class Check(Step):
    """`expression` is a Condition (must be true, limit None) or a quantity with a limit. With `calibrated` it is the
    ratio of two channels at an instant, judged after division by the one they read when they see the same."""

    expression: Expression
    at: Condition | None
    limit: Limit | None
    within_s: float
    calibrated: Calibration | None = None


@dataclass(frozen=True, slots=True)
class Time(Step):
    """`from_within_s`: wait for `from_`; `to_within_s`: wait for `to`, counted from the instant of `from_`."""

    from_: Condition
    to: Condition
    limit: Limit | None
    from_within_s: float
    to_within_s: float


@dataclass(frozen=True, slots=True)
class Hold(Step):
    condition: Condition
    for_s: float


@dataclass(frozen=True, slots=True)
class Count(Step):
    channel: str
    for_s: float
    limit: Limit


@dataclass(frozen=True, slots=True)
class Pause(Step):
    for_s: float


@dataclass(frozen=True, slots=True)
class Ask(Step):
    """A question to a person. `expect` is the answer that passes; `simulated` the simulated bench's answer; the present
    values of `shows` stand beside the question. `photo`: a picture is due with the answer."""

    question: str
    answers: tuple[str, ...]
    expect: str
    simulated: str | None
    within_s: float
    shows: tuple[str, ...] = ()
    photo: bool = False


@dataclass(frozen=True, slots=True)
class Inject(Step):
    faults: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Restore(Step):
    names: tuple[str, ...]  # faults, or driven channels that follow a source of their own


@dataclass(frozen=True, slots=True)
class Repeat(Step):
    times: int
    steps: tuple[Step, ...]


@dataclass(frozen=True, slots=True)
class Use(Step):
    """Another sequence's steps, in place (values already put in)."""

    sequence: str
    steps: tuple[Step, ...]


KIND_WORDS: dict[type[Step], str] = {
    Drive: "drive", Send: "send", Await: "await", Check: "check", Time: "time", Hold: "hold", Count: "count",
    Pause: "pause", Ask: "ask", Inject: "inject", Restore: "restore", Repeat: "repeat", Use: "use",
}  # fmt: skip


def each_step(steps: Iterable[Step]) -> Iterator[Step]:
    """The steps that are carried out, each once, those inside `repeat` and `use` in their place."""
    for step in steps:
        if isinstance(step, Repeat | Use):
            yield from each_step(step.steps)
        else:
            yield step


@dataclass(frozen=True, slots=True)
class Invariant:
    """A rule watched from the first to the last event of a run.

    `never` and `always` have one condition; `when`/`must` add `must` and `within_s`; `after`/`refuse` add `refuse`,
    `until`, `within_s`, which may be endless, and `bounce_s`. `name` is what a fault's `excuses` refers to; `rule` is
    the rule as the author wrote it; `requirement` the id of what it watches, '' if it does not say.
    """

    name: str
    rule: str
    kind: str  # 'never', 'always', 'when' or 'after'
    condition: Condition
    must: Condition | None = None
    within_s: float = 0.0
    refuse: Condition | None = None
    until: Condition | None = None
    bounce_s: float = 0.0
    requirement: str = ""

    @property
    def conditions(self) -> tuple[Condition, ...]:
        return tuple(part for part in (self.condition, self.must, self.refuse, self.until) if part is not None)


@dataclass(frozen=True)
class Plan:
    """One run: a sequence with one of its cases. `case` is '' when the sequence has none."""

    sequence: str
    title: str
    case: str
    energy: str
    proves: tuple[str, ...]
    power: str  # 'on': the box has been powered for 3 s at the first step; 'off': it has not
    simulated: Mapping[str, float]  # parameters of the simulated box, base units
    invariants: tuple[Invariant, ...]
    steps: tuple[Step, ...]
    afterwards: tuple[Step, ...]
    bench: Bench
    file: str
    sources: Mapping[str, str] = field(default_factory=dict)  # file name in the record -> text, as used
    purpose: str = ""
    tags: tuple[str, ...] = ()


def only_simulated(plan: Plan) -> str:
    """Why the plan cannot be run on its bench: what it asks of a simulated one. '' when it can."""
    if plan.bench.simulated:
        return ""
    faults = [fault for step in each_step(plan.steps) if isinstance(step, Inject) for fault in step.faults]
    what = f"sets {', '.join(plan.simulated)}" if plan.simulated else f"injects {', '.join(faults)}" if faults else ""
    return f"it {what}, and the bench is not simulated" if what else ""
