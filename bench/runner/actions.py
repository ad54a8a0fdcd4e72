"""What the engine asks of the loop around it, carried out in order. The safe state is none of them: it goes ahead."""

from __future__ import annotations

from typing import NamedTuple

from bench.events import Event, Value
from bench.language.plan import Send


class Write(NamedTuple):
    """Put this event in the record."""

    event: Event


class DriveOutputs(NamedTuple):
    """Give these outputs these values, together; answer with one `Driven` each, or `Lost`."""

    changes: dict[str, Value]


class SendFrame(NamedTuple):
    """Send what the step says; answer with `Sent` or `Lost`."""

    step: Send


class InjectFaults(NamedTuple):
    """Put these faults in; answer with one `Injected` each, or `Lost`."""

    faults: tuple[str, ...]


class RestoreNames(NamedTuple):
    """Take these faults out, or let these channels follow their source; answer with one `Restored` each."""

    names: tuple[str, ...]


class AskPerson(NamedTuple):
    """Put the question; answer with `Answered`, or nothing (the step has its own deadline).

    `photo`: what the picture is to be called that is due with the answer, without its ending; '' where none is. It is
    answered with `Filed`. On a simulated bench no picture is due.
    """

    question: str
    answers: tuple[str, ...]
    simulated: str | None
    within_s: float
    photo: str = ""


class HaveRead(NamedTuple):
    """Have a person read these channels; answer with a `Batch` each, or `Lost`."""

    channels: tuple[str, ...]


Action = Write | DriveOutputs | SendFrame | InjectFaults | RestoreNames | AskPerson | HaveRead
