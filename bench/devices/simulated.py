"""The simulated bench: `simulators.world` behind the same calls as real devices.

Leaves out: everything that can go wrong on a wire (see the wire-level stand-ins for that).
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

from bench.events import Answered, Batch, Driven, Event, Frame, Injected, Lost, Restored, Sent
from bench.language.surroundings import can_database

if TYPE_CHECKING:
    from bench.events import Value
    from bench.language.plan import Send
    from bench.record.photos import Keep
    from bench.runner.actions import AskPerson
    from simulators.world import World

Key = tuple[float, int]


class SimulatedBench:
    """Answers at the instant of the call. `name` is what a `Lost` event calls it."""

    name = "box"
    identities: Mapping[str, str] = {}

    def __init__(self, world: World, database: Path | None = None):
        self.world = world
        self._database = database

    def next_s(self) -> Key:
        return self.world.next_s()

    def advance(self, until: Key) -> Event:
        """The next instant of the simulated world, as the bench sees it."""
        t = self.world.next_s()[0]
        return self._try(t, lambda: [self.world.advance(until)])[0]

    def elapse(self, t: float) -> None:
        self.world.elapse(t)

    def drive(self, t: float, changes: dict[str, Value], safe: bool = False) -> Sequence[Event]:
        return self._each(t, changes, lambda name: self.world.drive(t, name, changes[name]), self._driven(t, changes))

    def send(self, t: float, step: Send) -> Sequence[Event]:
        return self.send_frame(t, self.frame(step))

    def send_frame(self, t: float, frame: Frame) -> Sequence[Event]:
        def work() -> list[Event]:
            seen = self.world.send(t, frame)
            return [Sent(t, frame.bus, frame.id, frame.data.hex()), seen._replace(frames=(frame, *seen.frames))]

        return self._try(t, work)

    def inject(self, t: float, faults: tuple[str, ...]) -> Sequence[Event]:
        from simulators.faults import FAULTS

        answer = {name: Injected(t, name, tuple(FAULTS[name].excuses)) for name in faults}
        return self._each(t, faults, lambda name: self.world.inject(t, name), answer)

    def restore(self, t: float, names: tuple[str, ...]) -> Sequence[Event]:
        answers = {name: Restored(t, name) for name in names}
        return self._each(t, names, lambda name: self.world.restore(t, name), answers)

    def ask(self, t: float, question: AskPerson, keep: Keep) -> Sequence[Event]:
        return [] if question.simulated is None else [Answered(t, question.simulated, "simulated")]

    def have_read(self, t: float, channels: tuple[str, ...]) -> Sequence[Event]:
        return [Lost(t, self.name, f"nobody is there to read {channels[0]}")]

    def _driven(self, t: float, changes: dict[str, Value]) -> dict[str, Event]:
        return {name: Driven(t, name, value) for name, value in changes.items()}

    def _each(self, t: float, names: Any, work: Callable[[str], Batch], answers: dict[str, Event]) -> Sequence[Event]:
        """One call a name; the answers first, then all that was seen at that instant as one batch."""

        def call() -> list[Event]:
            seen = [work(name) for name in names]
            return [*answers.values(), *([merged(t, seen)] if seen else [])]

        return self._try(t, call)

    def frame(self, step: Send) -> Frame:
        """The frame that a `send` step asks for, encoded with the bench's CAN database where it names a message."""
        if step.message:
            message = can_database(self._database).get_message_by_name(step.message)
            return Frame(
                step.bus, message.frame_id, message.encode(dict(step.signals)), message.is_extended_frame, False
            )
        return Frame(step.bus, step.frame_id, step.data, step.extended, False)

    def _try(self, t: float, work: Callable[[], list[Event]]) -> list[Event]:
        try:
            return work()
        except Exception as error:  # a controller under test may raise anything
            return [Lost(t, self.name, f"{type(error).__name__}: {error}")]


def merged(t: float, batches: Sequence[Batch]) -> Batch:
    """Several batches of one instant as one."""
    return Batch(
        t,
        tuple(sample for batch in batches for sample in batch.samples),
        tuple(dict.fromkeys(group for batch in batches for group in batch.scanned)),
        tuple(frame for batch in batches for frame in batch.frames),
    )
