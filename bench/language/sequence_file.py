"""The shape of a sequence file. The descriptions are what editors show (`check --schema sequence`)."""

from __future__ import annotations

from typing import Annotated, ClassVar

from pydantic import Field

from bench.language.documents import Document, Formula, SequenceName, Text, Truth, VariableName, by_key, one_of

Condition = Annotated[Text, Field(description="A condition over channels, for example ts_voltage < 60 V")]
Duration = Annotated[Text, Field(description="A time with its unit, for example 5 s or 250 ms")]


class LimitEntry(Document):
    """Bounds, both inclusive; quantities or expressions over channels and values."""

    min: Formula | None = None
    max: Formula | None = None


class StepEntry(Document):
    """What every step may have."""

    name: Text | None = Field(None, description="What the reader of the report sees; made from the step if left out")
    requirement: Text | None = Field(None, description="An id of the requirements register; brings its limit")


class DriveEntry(StepEntry):
    """Set outputs of the bench."""

    KIND: ClassVar[str] = "drive"
    drive: dict[Text, Formula] = Field(
        min_length=1, description="Driven channel to a state, quantity or constant expression"
    )


class Message(Document):
    """One CAN frame: a message of the database with its signals, or an id with data."""

    bus: Text
    message: Text | None = Field(None, description="Name of a message in the CAN database")
    signals: dict[Text, Formula] | None = Field(None, description="Signal to number, quantity or named state")
    id: Text | None = Field(None, description="Identifier in hexadecimal, for example 0x1A0")
    data: Text | None = Field(None, description="Bytes in hexadecimal, for example '01 FF 00'")


class SendEntry(StepEntry):
    """Send one CAN frame."""

    KIND: ClassVar[str] = "send"
    send: Message


class AwaitEntry(StepEntry):
    """Wait for a condition; fails when it does not come."""

    KIND: ClassVar[str] = "await"
    await_: Condition = Field(alias="await")
    within: Duration | None = Field(None, description="How long to wait; 5 s if left out")


class Calibrated(Document):
    """While the two channels of a ratio see the same, which tells how far apart they read."""

    while_: Condition = Field(alias="while")
    for_: Duration = Field(alias="for")


class CheckEntry(StepEntry):
    """Judge a condition, or a quantity against a limit."""

    KIND: ClassVar[str] = "check"
    check: Text = Field(description="A condition, or a quantity that the limit judges")
    limit: LimitEntry | None = None
    at: Condition | None = Field(None, description="Judge at the instant at which this became true")
    calibrated: Calibrated | None = Field(
        None, description="Divide the ratio at that instant by the one read after this has been true for a time"
    )
    within: Duration | None = Field(None, description="How long to wait for it; 5 s if left out")


class Span(Document):
    """The two instants of a time."""

    from_: Condition = Field(alias="from")
    to: Condition


class TimeEntry(StepEntry):
    """Judge the time from one condition to another."""

    KIND: ClassVar[str] = "time"
    time: Span
    limit: LimitEntry | None = None
    within: Duration | None = Field(
        None, description="How long to wait for 'from' (10 s if left out) and, without a max, for 'to'"
    )


class HoldEntry(StepEntry):
    """A condition must stay true."""

    KIND: ClassVar[str] = "hold"
    hold: Condition
    for_: Duration = Field(alias="for")


class CountEntry(StepEntry):
    """Count the changes of a channel (chatter)."""

    KIND: ClassVar[str] = "count"
    count: Text = Field(description="A channel")
    for_: Duration = Field(alias="for")
    limit: LimitEntry | None = None


class PauseEntry(StepEntry):
    """Let time pass."""

    KIND: ClassVar[str] = "pause"
    pause: Duration


class AskEntry(StepEntry):
    """Ask a person."""

    KIND: ClassVar[str] = "ask"
    ask: Text = Field(description="The question")
    answers: list[Text] | None = Field(None, min_length=1, description="What may be answered; [yes, no] if left out")
    expect: Text | None = Field(None, description="The answer that passes; the first if left out")
    shows: list[Text] | None = Field(None, description="Channels whose present values stand beside the question")
    photo: Truth | None = Field(None, description="true: a picture has to be filed into the record with the answer")
    simulated: Text | None = Field(None, description="The answer of the simulated bench, marked so in the record")
    within: Duration | None = Field(None, description="How long to wait; 10 min if left out")


class InjectEntry(StepEntry):
    """Put one fault or several in."""

    KIND: ClassVar[str] = "inject"
    inject: Text | list[Text]


class RestoreEntry(StepEntry):
    """Take faults out, or let driven channels follow their own source again."""

    KIND: ClassVar[str] = "restore"
    restore: Text | list[Text]


class RepeatEntry(StepEntry):
    """Do steps several times."""

    KIND: ClassVar[str] = "repeat"
    repeat: Annotated[Text, Field(description="From 2 to 10000", json_schema_extra={"type": ["integer", "string"]})]
    steps: list[StepChoice] = Field(min_length=1)


class UseEntry(StepEntry):
    """Do the steps of another sequence; its cases, invariants and afterwards stay with it."""

    KIND: ClassVar[str] = "use"
    use: Text = Field(description="Name of a sequence")
    values: dict[Text, Formula] | None = Field(None, description="Its values that are to be others")


class RuleEntry(Document):
    """What every rule may have."""

    name: Text | None = None
    requirement: Text | None = Field(None, description="An id of the requirements register that the rule watches")


class NeverEntry(RuleEntry):
    """A rule: this must not be true at any instant of the run."""

    KIND: ClassVar[str] = "never"
    never: Condition


class AlwaysEntry(RuleEntry):
    """A rule: this must be true at every instant of the run."""

    KIND: ClassVar[str] = "always"
    always: Condition


class WhenEntry(RuleEntry):
    """A rule: whenever this has been true for that long, something else must be."""

    KIND: ClassVar[str] = "when"
    when: Condition
    must: Condition
    within: Duration


class AfterEntry(RuleEntry):
    """A rule with a memory: once this has been true, something must not turn true before something else has."""

    KIND: ClassVar[str] = "after"
    after: Condition
    refuse: Condition = Field(description="Must not turn true meanwhile")
    until: Condition | None = Field(None, description="Ends it when it turns true, 'after' being false again")
    within: Duration | None = Field(None, description="How long it lasts with 'after' false again; no end if left out")
    bounce: Duration | None = Field(None, description="Sooner than this after 'after' turned false it is only bounce")


class RulesEntry(Document):
    """All rules of another sequence."""

    KIND: ClassVar[str] = "use"
    name: ClassVar[None] = None
    use: Text = Field(description="Name of a sequence")


class CaseEntry(Document):
    """One run of the sequence."""

    name: SequenceName
    simulated: dict[Text, Formula] | None = Field(None, description="Parameters of the simulated box")
    values: dict[Text, Formula] | None = Field(None, description="Values that are to be others in this case")


StepChoice = by_key(
    DriveEntry, SendEntry, AwaitEntry, CheckEntry, TimeEntry, HoldEntry, CountEntry, PauseEntry, AskEntry,
    InjectEntry, RestoreEntry, RepeatEntry, UseEntry,
)  # fmt: skip
RuleChoice = by_key(NeverEntry, AlwaysEntry, WhenEntry, AfterEntry)
InvariantChoice = by_key(NeverEntry, AlwaysEntry, WhenEntry, AfterEntry, RulesEntry)
STEP_LISTS = ("steps", "afterwards", "invariants")


class SequenceDocument(Document):
    """A sequence: what is done to the box and what must come of it."""

    KIND: ClassVar[str] = "sequence"
    sequence: SequenceName = Field(description="Its name")
    title: Text | None = Field(None, description="One line for people")
    purpose: Text | None = Field(None, description="What an observer would see, and why it is worth showing")
    energy: one_of("dry", "reduced", "live") | None = Field(  # type: ignore[valid-type]
        None, description="The highest energy stage it may run at; dry if left out"
    )
    power: one_of("on", "off") | None = Field(  # type: ignore[valid-type]
        None, description="on (if left out): the box has been powered for 3 s at the first step; off: it has not"
    )
    proves: list[Text] | None = Field(None, description="Ids of the requirements register")
    tags: list[Text] | None = None
    values: dict[VariableName, Formula] | None = Field(None, description="Constants: quantity, text or expression")
    simulated: dict[Text, Formula] | None = Field(None, description="Parameters of the simulated box")
    cases: list[CaseEntry] | None = Field(None, min_length=1, description="One run each; one run if left out")
    invariants: list[InvariantChoice] | None = None  # type: ignore[valid-type]
    steps: list[StepChoice] = Field(min_length=1)  # type: ignore[valid-type]
    afterwards: list[StepChoice] | None = Field(  # type: ignore[valid-type]
        None, description="Each entry runs, whatever happened before"
    )


RepeatEntry.model_rebuild()
SequenceDocument.model_rebuild()
