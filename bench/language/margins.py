"""How far a measured quantity may move and still count as the same: fixed before two records are compared.

margins:
  - {requirement: DIS-01, margin: 50 ms, reason: 1 % of the limit}
  - {step: Voltage at which it lights, margin: 30 V, reason: the voltage rises by 14 V between two readings}
  - {rule: discharged, margin: 50 ms, reason: 1 % of the limit}
  - {margin: 20 ms, reason: two ticks of the controller}       # every other time

The entry for the step or rule comes before that for the requirement, that before the one that names nothing.
"""

from __future__ import annotations

from pathlib import Path
from typing import ClassVar, NamedTuple

from pydantic import Field

from bench.errors import InputError
from bench.language.collecting import Problems
from bench.language.documents import Document, Formula, validate
from bench.language.located import Map, Text
from bench.language.shipped import shipped_file
from bench.language.units import UNITS, Dimension, parse_quantity
from bench.language.yaml_nodes import compose, read_text

_NAMED = ("step", "rule", "requirement")


class MarginEntry(Document):
    """One margin, for one step, rule or requirement, or for all that have its dimension."""

    margin: Formula = Field(description="A quantity; a difference within it counts as none")
    reason: Text = Field(description="Why this much; stated beside every comparison")
    step: Text | None = None
    rule: Text | None = Field(None, description="An invariant; the margin is of how close it came")
    requirement: Text | None = None


class MarginsDocument(Document):
    """Margins of equivalence."""

    KIND: ClassVar[str] = "margins"
    margins: list[MarginEntry] = Field(min_length=1)


class Margin(NamedTuple):
    """`size` in `unit`, above 0."""

    size: float
    unit: str
    reason: str


class Margins:
    """Margins by what they are for."""

    def __init__(self, file: str):
        self.file = file
        self._found: dict[tuple[str, str, Dimension], tuple[float, str]] = {}  # size in the base unit, and why

    def add(self, entry: MarginEntry) -> None:
        """Raises InputError at the entry for a mistake in it."""
        named = [(word, str(name)) for word in _NAMED if (name := getattr(entry, word)) is not None]
        if len(named) > 1:
            raise entry.margin.place.error(f"a margin for {' and '.join(word for word, _ in named)}", "make two of it")
        size = parse_quantity(entry.margin, entry.margin.place)
        if size.value <= 0:
            raise entry.margin.place.error(f"a margin of {size} allows nothing", "write a quantity above 0")
        if not entry.reason.strip():
            raise entry.reason.place.error("the reason is blank", "say why this much counts as the same")
        key = (*(named[0] if named else ("", "")), size.unit.dimension.difference)
        if key in self._found:
            raise entry.margin.place.error("a second margin for the same", "keep one of the two")
        self._found[key] = size.value, str(entry.reason)

    def find(self, kind: str, name: str, requirement: str | None, unit: str) -> Margin | None:
        """The margin of a quantity in `unit`; `kind` is that of its step, or 'rule'. None: nobody has fixed one."""
        if unit not in UNITS:
            return None
        dimension = UNITS[unit].dimension.difference
        for key in (("rule" if kind == "rule" else "step", name), ("requirement", requirement or ""), ("", "")):
            if (*key, dimension) in self._found:
                size, reason = self._found[(*key, dimension)]
                return Margin(size / UNITS[unit].factor, unit, reason)
        return None


def load_margins(path: str | Path | None = None) -> Margins:
    """Read a margins file, None being the shipped one. Raises InputError with every problem."""
    path = shipped_file("margins.yaml") if path is None else Path(path)
    return resolve_margins(compose(read_text(path), str(path)), str(path))


def resolve_margins(data: Map, file: str) -> Margins:
    """The margins of a composed file. Raises InputError."""
    document, findings = validate(MarginsDocument, data)
    if document is None:
        raise InputError(finding.problem for finding in findings)
    margins, problems = Margins(file), Problems()
    for entry in document.margins:
        with problems.collecting():
            margins.add(entry)
    problems.raise_if_any()
    return margins
