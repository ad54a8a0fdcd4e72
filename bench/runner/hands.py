"""Carrying out what the engine asks for: the part that both loops share."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from typing import TYPE_CHECKING, Protocol

from bench.errors import RecordError
from bench.events import Batch, Event, Lost
from bench.runner.actions import Action, AskPerson, DriveOutputs, InjectFaults, RestoreNames, SendFrame, Write

if TYPE_CHECKING:
    from bench.events import Value
    from bench.language.plan import Send
    from bench.record.unrecorded import Unrecorded
    from bench.record.writer import RecordWriter
    from bench.runner.engine import Engine


class Bench(Protocol):
    """What carries out actions. Each call gives back what happened, in order: the answer, then what was seen.

    Whatever goes wrong comes back as a `Lost` event with the cause; nothing is raised.
    """

    def drive(self, t: float, changes: dict[str, Value], safe: bool = False) -> Sequence[Event]: ...

    def send(self, t: float, step: Send) -> Sequence[Event]: ...

    def inject(self, t: float, faults: tuple[str, ...]) -> Sequence[Event]: ...

    def restore(self, t: float, names: tuple[str, ...]) -> Sequence[Event]: ...

    def ask(self, t: float, question: AskPerson) -> Sequence[Event]: ...


class Hands:
    """Writes every event, gives it to the engine, and carries out what comes back until nothing does."""

    def __init__(
        self,
        engine: Engine,
        bench: Bench,
        record: RecordWriter | Unrecorded,
        watch: Callable[[Event], None] | None = None,
    ):
        self._engine = engine
        self._bench = bench
        self._record = record
        self._record_lost = False
        self._watch = watch

    def begin(self) -> None:
        self._carry_out(self._engine.start())

    def happened(self, events: Iterable[Event]) -> None:
        """All of these happened at one instant."""
        for event in events:
            self._note(event)
            self._engine.take(event)
        self._carry_out(self._engine.settle())

    def nothing_happened(self) -> None:
        """A wall-clock loop says so at least every 25 ms, so that what was written before is safe on the disk."""
        try:
            self._record.tick()
        except RecordError as error:
            self._lost_record(error)

    def _carry_out(self, actions: list[Action]) -> None:
        while actions:
            answers: list[Event] = []
            for action in actions:
                if type(action) is Write:
                    self._note(action.event)
                else:
                    answers.extend(self._do(action))
            if not answers and all(type(action) is Write for action in actions):
                return
            for event in answers:
                self._note(event)
                self._engine.take(event)
            actions = self._engine.settle()

    def _do(self, action: Action) -> Sequence[Event]:
        t = self._engine.t
        match action:
            case DriveOutputs(changes, safe):
                return self._bench.drive(t, changes, safe)
            case SendFrame(step):
                return self._bench.send(t, step)
            case InjectFaults(faults):
                return self._bench.inject(t, faults)
            case RestoreNames(names):
                return self._bench.restore(t, names)
            case _:
                return self._bench.ask(t, action)

    def _note(self, event: Event) -> None:
        """Into the record."""
        try:
            if type(event) is Batch:
                self._record.batch(event)
            else:
                self._record.event(event)
        except RecordError as error:
            self._lost_record(error)
        if self._watch is not None:
            self._watch(event)

    def _lost_record(self, error: RecordError) -> None:
        """A record that cannot be written ends the run: no verdict without its record."""
        if not self._record_lost:
            self._record_lost = True
            self._engine.take(Lost(self._engine.t, "record", str(error)))
