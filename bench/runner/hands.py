"""Carrying out what the engine asks for: the part that both loops share."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from itertools import groupby
from typing import TYPE_CHECKING, Protocol

from bench.errors import RecordError
from bench.events import Batch, Event, Lost
from bench.runner.actions import Action, AskPerson, DriveOutputs, HaveRead, InjectFaults, RestoreNames, SendFrame, Write

if TYPE_CHECKING:
    from bench.events import Value
    from bench.language.plan import Send
    from bench.record.photos import Keep
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

    def ask(self, t: float, question: AskPerson, keep: Keep) -> Sequence[Event]: ...

    def have_read(self, t: float, channels: tuple[str, ...]) -> Sequence[Event]: ...


class Hands:
    """Gives every event to the engine, writes it, and carries out what comes back until nothing does."""

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
        self._record_trouble: RecordError | None = None  # the first; not yet told while `_is_told` is false
        self._is_told = False
        self._watch = watch
        self._answers: list[Event] = []  # to a safe state, not yet told to the engine
        engine.drive_safe = self._drive_safe

    def begin(self) -> None:
        self._carry_out((), self._engine.start())

    def happened(self, events: Sequence[Event]) -> None:
        """These happened, in this order; what is to be done is decided after the last one."""
        self._take(events)
        self._carry_out(events, self._engine.settle())

    def _take(self, events: Sequence[Event]) -> None:
        for kind, run in groupby(events, type):
            if kind is Batch:
                self._engine.take_batches(list(run))  # a busy bus has many of them at a time
            else:
                for event in run:
                    self._engine.take(event)

    def nothing_happened(self) -> None:
        """A wall-clock loop says so at least every 25 ms, so that what was written before is safe on the disk."""
        try:
            self._record.tick()
        except RecordError as error:
            self._record_trouble = self._record_trouble or error
            self._tell_of_record()

    def _carry_out(self, came: Sequence[Event], actions: list[Action]) -> None:
        """`actions` are what the engine has decided after `came`."""
        while True:
            answers, self._answers = self._answers, []
            self._note_all(came)
            for action in actions:
                if type(action) is Write:
                    self._note(action.event)
                else:
                    answers.extend(self._do(action))
            told = self._tell_of_record()
            if not told and not answers and all(type(action) is Write for action in actions):
                return
            self._take(answers)
            came, actions = answers, self._engine.settle()

    def _drive_safe(self, changes: dict[str, Value]) -> None:
        """Before anything else is done or written; what is written keeps its order."""
        self._answers.extend(self._bench.drive(self._engine.t, changes, safe=True))

    def _do(self, action: Action) -> Sequence[Event]:
        t = self._engine.t
        match action:
            case DriveOutputs(changes):
                return self._bench.drive(t, changes)
            case SendFrame(step):
                return self._bench.send(t, step)
            case InjectFaults(faults):
                return self._bench.inject(t, faults)
            case RestoreNames(names):
                return self._bench.restore(t, names)
            case HaveRead(channels):
                return self._bench.have_read(t, channels)
            case _:
                return self._bench.ask(t, action, self._record.add_file)

    def _note_all(self, events: Sequence[Event]) -> None:
        """Into the record."""
        for kind, run in groupby(events, type):
            if kind is Batch:
                self._note_batches(list(run))
            else:
                for event in run:
                    self._note(event)

    def _note(self, event: Event) -> None:
        try:
            self._record.event(event)
        except RecordError as error:
            self._record_trouble = self._record_trouble or error
        if self._watch is not None:
            self._watch(event)

    def _note_batches(self, batches: list[Batch]) -> None:
        try:
            self._record.batches(batches)
        except RecordError as error:
            self._record_trouble = self._record_trouble or error
        if self._watch is not None:
            for batch in batches:
                self._watch(batch)

    def _tell_of_record(self) -> bool:
        """A record that cannot be written ends the run: no verdict without its record. Whether this was news.

        It is told after what could be written, so that it has the same place in the run as in what is left of the
        record.
        """
        if self._is_told or self._record_trouble is None:
            return False
        self._is_told = True
        lost = Lost(self._engine.t, "record", str(self._record_trouble))
        self._note(lost)  # what was reserved still takes it
        self._engine.take(lost)
        return True
