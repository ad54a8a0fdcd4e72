"""A channel of the bench: its entry in the bench file, and what the entry means.

Times are in s, everything else of a channel in the channel's own unit.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from pydantic import Field

from bench.events import Value
from bench.language.collecting import Problems
from bench.language.documents import Document, Formula, Truth, one_of
from bench.language.expressions import ChannelType
from bench.language.located import Text, either, shown, suggestion
from bench.language.units import PLAIN, TIME, UNITS, Dimension, Quantity, Unit, parse_quantity, unit_complaint
from bench.language.wire_entry import Wire, WireEntry, wire_of

if TYPE_CHECKING:
    from bench.language.bench_file import BenchDocument

#: The driver of channels that are read by somebody at the bench.
OPERATOR = "operator"


class ChannelEntry(Document):
    """One named quantity: an output the bench drives or an input it reads."""

    device: Text | None = Field(None, description="The device it is wired to; may be left out where there is one only")
    direction: one_of("driven", "read")  # type: ignore[valid-type]
    unit: Text | None = Field(None, description="For a quantity, for example V")
    states: list[Text] | None = Field(None, min_length=2, description="For a switch, for example [open, closed]")
    text: Truth | None = Field(None, description="true for free text")
    initial: Formula | None = Field(None, description="Driven: value before the first step; 'safe' if left out")
    safe: Formula | None = Field(None, description="Driven: value in the safe state")
    follows: Text | None = Field(None, description="Driven: what it follows by itself until driven, for example cells")
    range: list[Formula] | None = Field(None, description="[least, most]; 'inf ohm' where nothing bounds it")
    accuracy: Text | None = Field(None, description="For example 0.2 % + 0.05 V")
    resolution: Text | None = None
    every: Text | None = Field(None, description="Sampling period")
    stale_after: Text | None = Field(None, description="Age at which a value no longer counts")
    moves_within: Text | None = Field(None, description="Read: a value that stays exactly the same so long is frozen")
    capture: one_of("edges") | None = Field(  # type: ignore[valid-type]
        None, description="edges: a change is stamped when it happens, not at the next scan"
    )
    time_accuracy: Text | None = Field(None, description="How far the stamp of an edge may be off")
    group: Text | None = Field(None, description="What is scanned together; by itself the CAN message, else the device")
    may_be_silent: Truth | None = Field(None, description="true where silence is information about the box")
    signal: Text | None = Field(None, description="MESSAGE.SIGNAL of the CAN database")
    at: Text | None = Field(None, description="Where on the device: a pin, a coil, a question; the driver says how")
    invert: Truth | None = Field(None, description="true where the wire says the opposite of the channel")
    scale: Text | None = Field(None, description="Channel units for one unit of what the device reads")
    offset: Text | None = Field(None, description="Added after scale, in the channel's unit")
    table: list[list[Text]] | None = Field(
        None, min_length=2, description="[[read, value], ...] in rising order of what is read; in between a line"
    )
    wire: WireEntry | None = Field(None, description="How it is wired, for the harness drawing and checklist")
    note: Text | None = None


@dataclass(frozen=True, slots=True)
class Accuracy:
    """Half-width of what a reading may be off: `relative` of the value plus `absolute` in the channel's unit."""

    relative: float
    absolute: float

    def at(self, value: float) -> float:
        return self.relative * abs(value) + self.absolute


@dataclass(frozen=True, slots=True)
class Channel:
    """One channel. Exactly one of `unit`, `states` and `text` is given; values are in `unit`, times in s.

    The number on the wire becomes a value as `number * scale + offset`, or by `table`: straight lines between its
    points for a quantity, for states the entry with the greatest number not above the one read. Numbers of the table
    are in base units (50 % is 0.5).
    """

    name: str
    device: str
    direction: str
    unit: str | None = None
    states: tuple[str, ...] | None = None
    text: bool = False
    initial: Value | None = None
    safe: Value | None = None
    follows: str = ""
    range: tuple[float, float] | None = None
    accuracy: Accuracy | None = None
    resolution: float | None = None
    every_s: float | None = None
    stale_after_s: float | None = None
    moves_within_s: float | None = None
    capture: str = ""
    time_accuracy_s: float | None = None
    group: str = ""
    may_be_silent: bool = False
    signal: str = ""
    at: str = ""
    invert: bool = False
    scale: float = 1.0
    offset: float = 0.0
    table: tuple[tuple[float, Value], ...] = ()
    wire: Wire | None = None
    by_person: bool = False  # read by somebody at the bench, when a `check` asks for it
    note: str = ""

    @property
    def type(self) -> ChannelType:
        return ChannelType(UNITS[self.unit] if self.unit is not None else None, self.states or (), self.by_person)


class ChannelReader:
    """Gives a channel's texts their meaning; what is wrong goes to `problems`."""

    def __init__(self, document: BenchDocument, name: Text, entry: ChannelEntry, problems: Problems):
        self.document, self.name, self.entry, self.problems = document, name, entry, problems
        self.unit: Unit | None = None

    def read(self) -> Channel | None:
        entry, found_before = self.entry, len(self.problems)
        self._check_kind()
        self._check_wiring()
        device = self._device()
        by_person = device in self.document.devices and self.document.devices[device].driver == OPERATOR
        driven = entry.direction == "driven"
        if driven and entry.safe is None:
            self._wrong(self.name, f"the driven channel {self.name} has no safe value", "add 'safe:'")
        for key in ("moves_within",) if driven else ("initial", "safe", "follows"):
            if getattr(entry, key) is not None:
                kind = "driven" if driven else "read"
                self._wrong(getattr(entry, key), f"a channel that is {kind} has no {key!r}", "take it out")
        channel = Channel(
            name=str(self.name),
            device=device,
            direction=str(entry.direction),
            unit=str(entry.unit) if entry.unit is not None else None,
            states=tuple(map(str, entry.states)) if entry.states else None,
            text=bool(entry.text),
            initial=self._value(entry.initial or (None if entry.follows else entry.safe)) if driven else None,
            safe=self._value(entry.safe) if driven else None,
            follows=str(entry.follows or ""),
            range=self._range(),
            accuracy=self._accuracy(),
            resolution=self._in_unit(entry.resolution, "resolution"),
            every_s=None if by_person else self._time(entry.every or self.document.every),
            stale_after_s=None if by_person else self._time(entry.stale_after or self.document.stale_after),
            moves_within_s=self._time(entry.moves_within),
            capture=str(entry.capture or ""),
            time_accuracy_s=self._time(entry.time_accuracy or self.document.time_accuracy, zero=True),
            group=str(entry.group or (entry.signal or "").partition(".")[0] or device),
            may_be_silent=bool(entry.may_be_silent),
            signal=self._signal(),
            at=str(entry.at or ""),
            invert=bool(entry.invert),
            scale=self._number(entry.scale, 1.0),
            offset=self._in_unit(entry.offset, "offset") or 0.0,
            table=self._table(),
            wire=wire_of(entry.wire),
            by_person=by_person,
            note=str(entry.note or ""),
        )
        return channel if len(self.problems) == found_before else None

    def _wrong(self, at: Text, wrong: str, right: str = "") -> None:
        self.problems.add(at.place.problem(wrong, right))

    def _check_kind(self) -> None:
        entry = self.entry
        kinds = [key for key in ("unit", "states", "text") if getattr(entry, key) not in (None, False)]
        if len(kinds) != 1:
            wrong = f"{self.name} has {either(kinds).replace(' or ', ' and ')}" if kinds else f"{self.name} has no unit"
            self._wrong(self.name, wrong, "give one of 'unit: V', 'states: [open, closed]', 'text: true'")
        if entry.unit is not None:
            if entry.unit in UNITS:
                self.unit = UNITS[entry.unit]
            else:
                self._wrong(entry.unit, *unit_complaint(entry.unit))
        for state in entry.states or ():
            if entry.states.count(state) > 1 or not state:
                self._wrong(state, f"the state {shown(state)} is listed twice or empty", "name each state once")

    def _check_wiring(self) -> None:
        entry = self.entry
        if entry.invert and len(entry.states or ()) != 2:
            self._wrong(self.name, f"{self.name} is inverted and has not two states", "take 'invert' out")
        if entry.table is not None and (beside := [k for k in ("invert", "scale", "offset") if getattr(entry, k)]):
            self._wrong(self.name, f"{self.name} has a table and {either(beside)}", "put all of it into the table")
        if entry.scale is not None and self._number(entry.scale, 1.0) == 0.0:
            self._wrong(entry.scale, "a scale of zero makes all values the same", "write for example 0.1")

    def _device(self) -> str:
        devices = self.document.devices
        if self.entry.device is None:
            if len(devices) > 1:
                self._wrong(self.name, f"{self.name} does not say its device", f"add 'device: {either(devices)}'")
            return str(next(iter(devices)))
        if self.entry.device not in devices:
            self._wrong(
                self.entry.device,
                f"no device is called {shown(self.entry.device)}",
                suggestion(self.entry.device, devices),
            )
        return str(self.entry.device)

    def _quantity(self, text: Text, dimension: Dimension, infinite: bool = False) -> Quantity | None:
        with self.problems.collecting():
            quantity = parse_quantity(text, text.place, infinite)
            if quantity.unit.dimension != dimension or (not quantity.unit.name and dimension != PLAIN):
                example = dimension.base.name if dimension.base else ""
                raise text.place.error(
                    f"{shown(text)} is {quantity.unit.dimension.noun}, not {dimension.noun}",
                    f"write for example '5 {example}'",
                )
            return quantity
        return None

    def _time(self, text: Text | None, zero: bool = False) -> float | None:
        quantity = self._quantity(text, TIME) if text is not None else None
        if text is not None and quantity and (quantity.value < 0 or (quantity.value == 0 and not zero)):
            self._wrong(text, f"{shown(text)} is not a length of time", "write a time above 0 s")
        return quantity.value if quantity else None

    def _in_unit(self, text: Text | None, key: str, infinite: bool = False, difference: bool = True) -> float | None:
        if text is None:
            return None
        if self.unit is None:
            if self.entry.unit is None:
                self._wrong(text, f"{key!r} is for channels with a unit", "take it out")
            return None
        dimension = self.unit.dimension.difference if difference else self.unit.dimension
        quantity = self._quantity(text, dimension, infinite)
        return self.unit.from_base(quantity.value) if quantity else None

    def _value(self, text: Text | None) -> Value | None:
        """An initial or safe value: a state, a text, or a quantity inside the range."""
        if text is None:
            return None
        if self.entry.states:
            if text not in self.entry.states:
                self._wrong(text, f"{shown(text)} is not a state of {self.name}", suggestion(text, self.entry.states))
            return str(text)
        if self.unit is None:
            return str(text)
        return self._in_unit(text, "value", infinite=True, difference=False)

    def _range(self) -> tuple[float, float] | None:
        given = self.entry.range
        if given is None:
            return None
        if len(given) != 2:
            self._wrong(self.name, "a range has two ends", "write for example [0 V, 500 V]")
            return None
        low, high = (self._in_unit(end, "range", infinite=True, difference=False) for end in given)
        if low is None or high is None:
            return None
        if low >= high:
            self._wrong(given[0], f"the range begins at {given[0]} and ends at {given[1]}", "write the lower end first")
        for text in (self.entry.initial, self.entry.safe):
            value = self._value(text)
            if isinstance(value, float) and not low <= value <= high and text is not None:
                self._wrong(text, f"{text} is outside {given[0]} to {given[1]}", "write a value in the range")
        return low, high

    def _accuracy(self) -> Accuracy | None:
        text = self.entry.accuracy
        if text is None:
            return None
        relative = absolute = 0.0
        offset = 0
        for term in str(text).split("+"):
            part = Text(term.strip(), text.place.shifted(offset + len(term) - len(term.lstrip())))
            offset += len(term) + 1
            if part.endswith("%") and (quantity := self._quantity(part, PLAIN)):
                relative += quantity.value
            elif not part.endswith("%"):
                absolute += self._in_unit(part, "accuracy") or 0.0
        if relative < 0 or absolute < 0:
            self._wrong(text, "an accuracy is not negative", "write for example 0.2 % + 0.05 V")
        return Accuracy(relative, absolute)

    def _number(self, text: Text | None, default: float) -> float:
        quantity = self._quantity(text, PLAIN) if text is not None else None
        return quantity.value if quantity else default

    def _signal(self) -> str:
        signal = self.entry.signal
        if signal is not None and len(signal.split(".")) != 2:
            self._wrong(signal, f"{shown(signal)} is not a signal", "write MESSAGE.SIGNAL")
        return str(signal or "")

    def _table(self) -> tuple[tuple[float, Value], ...]:
        """(what is read, value in the channel's unit or its state), rising in what is read."""
        points: list[tuple[float, Value]] = []
        dimension: Dimension | None = None
        for pair in self.entry.table or ():
            if len(pair) != 2:
                self._wrong(self.name, "a row of a table has two numbers", "write for example [[5 %, 0 ohm], ...]")
                return ()
            with self.problems.collecting():
                number = parse_quantity(pair[0], pair[0].place)
                dimension = dimension or number.unit.dimension
                if number.unit.dimension != dimension:
                    raise pair[0].place.error(
                        f"{shown(pair[0])} is {number.unit.dimension.noun}, the entry before {dimension.noun}",
                        "use one unit for the whole column",
                    )
                if points and number.value <= points[-1][0]:
                    right = "write the table in rising order of what is read"
                    raise pair[0].place.error(f"{shown(pair[0])} does not rise", right)
                value = self._value(pair[1])
                if value is not None:
                    points.append((number.value, value))
        if self.entry.direction == "driven" and points:
            self._check_reversible([value for _, value in points])
        return tuple(points)

    def _check_reversible(self, values: list[Value]) -> None:
        """What is driven must lead back to one number."""
        one_way = len(set(values)) == len(values) and sorted(values) in (values, values[::-1])
        if self.unit is not None and not one_way:
            wrong = f"the table of {self.name} gives one value at several numbers"
            self._wrong(self.name, wrong, "let it rise or fall")
