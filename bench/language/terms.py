"""The checked tree of an expression: each term knows its dimension and gives its Python code.

Terms are built by `rules`, which checks them. Generated code sees nothing of the user's text but numbers, quoted
words and slots. Division follows IEEE 754 (x/0 is infinite, 0/0 is NaN): no condition
can raise while outputs are driven.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from enum import Enum
from typing import ClassVar, NamedTuple

from bench.language.units import Dimension, Unit


class Kind(Enum):
    """What an expression can be besides a quantity."""

    BOOLEAN = "a condition"
    TEXT = "a text"

    @property
    def noun(self) -> str:
        return self.value


BOOLEAN = Kind.BOOLEAN
TEXT = Kind.TEXT


class ChannelType(NamedTuple):
    """What an expression needs to know of a channel: its unit, or its states, or neither for free text."""

    unit: Unit | None = None
    states: tuple[str, ...] = ()
    by_person: bool = False


class Refusal(Exception):
    """Internal: what is wrong, what would be right, at which character of the expression."""

    def __init__(self, offset: int, wrong: str, right: str = ""):
        self.offset, self.wrong, self.right = offset, wrong, right


@dataclass(frozen=True, slots=True)
class Term:
    """`text` is the part of the user's expression, `offset` where it begins in it."""

    text: str
    offset: int
    dimension: Dimension | Kind

    def code(self, slots: Mapping[str, int]) -> str:
        """A Python expression over the list `v`, in base units."""
        raise NotImplementedError

    def margin_code(self, slots: Mapping[str, int]) -> str:
        """For conditions: Python code for how far it is from changing its truth, in base units."""
        raise NotImplementedError

    def parts(self) -> tuple[Term, ...]:
        return ()

    def walk(self) -> Iterator[Term]:
        """This term and all in it, in order of appearance."""
        yield self
        for part in self.parts():
            yield from part.walk()


@dataclass(frozen=True, slots=True)
class Number(Term):
    """A constant in the base unit. `unit` is as written; None for a computed one, '' for a bare number."""

    value: float
    unit: Unit | None

    def code(self, slots: Mapping[str, int]) -> str:
        return repr(self.value)


@dataclass(frozen=True, slots=True)
class Word(Term):
    value: str

    def code(self, slots: Mapping[str, int]) -> str:
        return repr(self.value)


@dataclass(frozen=True, slots=True)
class Reading(Term):
    """A channel's value."""

    name: str
    channel: ChannelType

    def code(self, slots: Mapping[str, int]) -> str:
        unit, value = self.channel.unit, f"v[{slots[self.name]}]"
        if unit is None or unit.factor == 1.0:
            return value
        multiply = f" * {unit.multiply}" if unit.multiply != 1 else ""
        return f"({value}{multiply} / {unit.divide})" if unit.divide != 1 else f"({value}{multiply})"


@dataclass(frozen=True, slots=True)
class Arithmetic(Term):
    operator: str
    left: Term
    right: Term

    def code(self, slots: Mapping[str, int]) -> str:
        left, right = self.left.code(slots), self.right.code(slots)
        if self.operator == "/" and not isinstance(self.right, Number):
            return f"divide({left}, {right})"
        return f"({left} {self.operator} {right})"

    def parts(self) -> tuple[Term, ...]:
        return self.left, self.right


@dataclass(frozen=True, slots=True)
class Call(Term):
    function: str
    arguments: tuple[Term, ...]

    def code(self, slots: Mapping[str, int]) -> str:
        return f"{self.function}({', '.join(argument.code(slots) for argument in self.arguments)})"

    def parts(self) -> tuple[Term, ...]:
        return self.arguments


@dataclass(frozen=True, slots=True)
class Comparison(Term):
    operator: str
    left: Term
    right: Term

    FLIPPED: ClassVar = {"<", "<="}

    def code(self, slots: Mapping[str, int]) -> str:
        return f"({self.left.code(slots)} {self.operator} {self.right.code(slots)})"

    def margin_code(self, slots: Mapping[str, int]) -> str:
        """lhs - rhs for > and >=, rhs - lhs for < and <=, -|lhs - rhs| for ==, |lhs - rhs| for !=; states: infinite."""
        if self.left.dimension is TEXT:
            return f"(inf if {self.code(slots)} else -inf)"
        left, right = self.left.code(slots), self.right.code(slots)
        if self.operator in self.FLIPPED:
            left, right = right, left
        if self.operator in ("==", "!="):
            return f"{'-' if self.operator == '==' else ''}abs({left} - {right})"
        return f"({left} - {right})"

    def parts(self) -> tuple[Term, ...]:
        return self.left, self.right


@dataclass(frozen=True, slots=True)
class Junction(Term):
    """'and' or 'or' over conditions."""

    operator: str
    conditions: tuple[Term, ...]

    def code(self, slots: Mapping[str, int]) -> str:
        return "(" + f" {self.operator} ".join(condition.code(slots) for condition in self.conditions) + ")"

    def margin_code(self, slots: Mapping[str, int]) -> str:
        least = "min" if self.operator == "and" else "max"
        return f"{least}({', '.join(condition.margin_code(slots) for condition in self.conditions)})"

    def parts(self) -> tuple[Term, ...]:
        return self.conditions


@dataclass(frozen=True, slots=True)
class Not(Term):
    condition: Term

    def code(self, slots: Mapping[str, int]) -> str:
        return f"(not {self.condition.code(slots)})"

    def margin_code(self, slots: Mapping[str, int]) -> str:
        return f"-{self.condition.margin_code(slots)}"

    def parts(self) -> tuple[Term, ...]:
        return (self.condition,)


def divide(dividend: float, divisor: float) -> float:
    """IEEE 754 division, which Python's raises instead of doing."""
    if divisor:
        return dividend / divisor
    return math.nan if not dividend or dividend != dividend else math.copysign(math.inf, dividend)
