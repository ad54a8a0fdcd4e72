"""Energy budgets of the pre-charge and discharge resistors, as the bench file states them.

resistors:
  precharge_resistor:
    energy: 46 J             # what one cycle puts into it
    capacity: 140 J          # what it may hold; one cycle's energy where left out
    cools_in: 90 s           # from full to cold
    cycle: precharge == 'closed'
    begun_by: start_request == 'pressed'

A cycle begins whenever `cycle` becomes true. `begun_by` names driven channels only: a `drive` that makes it true leads
to a cycle, so it is what can be held back. Without it only whole runs are. A discharge is never held back itself; what
is held back is the energising that it will have to follow.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING

from pydantic import Field

from bench.language.documents import Document, Formula
from bench.language.expressions import Condition, Scope, parse
from bench.language.located import Text, shown
from bench.language.units import ENERGY, TIME, Dimension, parse_quantity

if TYPE_CHECKING:
    from bench.language.channel import Channel
    from bench.language.collecting import Problems


class ResistorEntry(Document):
    """A resistor that heats up in every cycle and has to cool before it may take another."""

    energy: Text = Field(description="What one cycle puts into it, for example 46 J")
    capacity: Text | None = Field(None, description="What it may hold; one cycle's energy where left out")
    cools_in: Text = Field(description="From full to cold, counted from the beginning of a cycle, for example 90 s")
    cycle: Formula = Field(description="A cycle begins when this becomes true, for example precharge == 'closed'")
    begun_by: Formula | None = Field(None, description="A drive that makes this true leads to a cycle and is held back")
    note: Text | None = None


@dataclass(frozen=True, slots=True)
class Resistor:
    """`energy_j` per cycle and `capacity_j` in J; `cools_in_s` from full to cold."""

    name: str
    energy_j: float
    capacity_j: float
    cools_in_s: float
    cycle: Condition
    begun_by: Condition | None = None


def read_resistors(
    entries: Mapping[Text, ResistorEntry] | None, channels: Mapping[str, Channel], problems: Problems
) -> tuple[Resistor, ...]:
    """The resistors of a bench file; what is wrong goes to `problems`."""
    scope = Scope({name: channel.type for name, channel in channels.items()})
    found = []
    for name, entry in (entries or {}).items():
        with problems.collecting():
            energy_j = positive(entry.energy, ENERGY, "46 J")
            capacity_j = positive(entry.capacity, ENERGY, "46 J") if entry.capacity is not None else energy_j
            if capacity_j < energy_j:
                wrong = f"{name} may hold {entry.capacity}, but one cycle puts {entry.energy} into it"
                raise entry.capacity.place.error(wrong, "no cycle would ever be allowed; write what it can bear")
            begun_by = _condition(entry.begun_by, scope) if entry.begun_by is not None else None
            for channel in begun_by.channels if begun_by else ():
                if channels[channel].direction != "driven":
                    wrong = f"{channel} is read, not driven"
                    raise entry.begun_by.place.error(wrong, "name what the bench drives to begin a cycle")
            cycle = _condition(entry.cycle, scope)
            found.append(
                Resistor(str(name), energy_j, capacity_j, positive(entry.cools_in, TIME, "90 s"), cycle, begun_by)
            )
    return tuple(found)


def positive(text: Text, dimension: Dimension, example: str) -> float:
    """A quantity above 0, in the base unit. Raises InputError at `text` for anything else, with the example."""
    quantity = parse_quantity(text, text.place)
    if quantity.unit.dimension != dimension or quantity.value <= 0:
        raise text.place.error(f"{shown(text)} is not {dimension.noun} above 0", f"write for example {example}")
    return quantity.value


def _condition(text: Text, scope: Scope) -> Condition:
    expression = parse(text, scope)
    if not isinstance(expression, Condition):
        raise text.place.error(f"{shown(text)} is neither true nor false", "write for example precharge == 'closed'")
    return expression
