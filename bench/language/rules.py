"""What may be computed and compared: the rules that build checked terms.

Only alike values are added or compared; degC - degC is K, degC + K is degC, and two temperatures are never added; a
bare number never stands for a quantity; a state is compared with a word that the channel knows. Every function raises
Refusal, saying what would be right, where its rule is broken.
"""

from __future__ import annotations

import math

from bench.language.located import either, shown, suggestion
from bench.language.terms import (
    BOOLEAN,
    TEXT,
    Arithmetic,
    Call,
    ChannelType,
    Comparison,
    Kind,
    Number,
    Reading,
    Refusal,
    Term,
    Word,
)
from bench.language.units import PLAIN, TEMPERATURE, Dimension, Unit


def arithmetic(operator: str, left: Term, right: Term, text: str, offset: int) -> Term:
    """left + - * / right, folded where both are constant. Raises Refusal where the dimensions do not go together."""
    for side in (left, right):
        if isinstance(side.dimension, Kind):
            wrong = f"{shown(side.text)} is {side.dimension.noun}"
            raise Refusal(side.offset, wrong, "only quantities are computed with")
    dimension = _sum(operator, left, right) if operator in "+-" else _product(operator, left, right)
    if isinstance(left, Number) and isinstance(right, Number):
        return _folded(operator, left, right, Number(text, offset, dimension, 0.0, None))
    if operator == "/" and isinstance(right, Number) and right.value == 0:
        raise Refusal(right.offset, "division by zero")
    return Arithmetic(text, offset, dimension, operator, left, right)


def _sum(operator: str, left: Term, right: Term) -> Dimension:
    ours, theirs = left.dimension, right.dimension
    assert isinstance(ours, Dimension) and isinstance(theirs, Dimension)
    if ours.point and theirs.point:
        if operator == "-":
            return ours.difference
        raise Refusal(right.offset, "two temperatures cannot be added", "write a difference in K, for example '5 K'")
    if ours.point and theirs == ours.difference:
        return ours
    if theirs.point and ours == theirs.difference and operator == "+":
        return theirs
    must_be_alike(left, right, "added" if operator == "+" else "subtracted")
    return ours


def _product(operator: str, left: Term, right: Term) -> Dimension:
    for side in (left, right):
        if side.dimension == TEMPERATURE:
            wrong = f"{shown(side.text)} is a temperature, which has no multiples"
            raise Refusal(side.offset, wrong, "subtract another temperature first")
    assert isinstance(left.dimension, Dimension) and isinstance(right.dimension, Dimension)
    return left.dimension * right.dimension if operator == "*" else left.dimension / right.dimension


def _folded(operator: str, left: Number, right: Number, result: Number) -> Number:
    a, b = left.value, right.value
    if operator == "/" and b == 0:
        raise Refusal(right.offset, "division by zero")
    value = {"+": a + b, "-": a - b, "*": a * b}[operator] if operator != "/" else a / b
    if not math.isfinite(value):
        raise Refusal(result.offset, f"{shown(result.text)} is too large")
    bare = left.unit is not None and right.unit is not None and left.unit.name == right.unit.name == ""
    units = [side.unit for side in (left, right) if side.unit and side.unit.dimension == result.dimension]
    unit = units[0] if units and (bare or units[0].name) else None
    return Number(result.text, result.offset, result.dimension, value, unit)


def is_ratio(term: Term) -> bool:
    """Whether it is one channel divided by another of its kind: 1 when both see the same."""
    if not isinstance(term, Arithmetic) or term.operator != "/" or term.dimension != PLAIN:
        return False
    return isinstance(term.left, Reading) and isinstance(term.right, Reading) and term.left.name != term.right.name


def negative(term: Term, text: str, offset: int) -> Term:
    if isinstance(term, Number) and (term.dimension != TEMPERATURE or term.unit is not None):
        return Number(text, offset, term.dimension, -term.value, term.unit)
    if term.dimension == TEMPERATURE:
        raise Refusal(offset, f"{shown(text)}: a temperature has no negative", "subtract two temperatures")
    zero = Number("0", offset, term.dimension, 0.0, None)
    return arithmetic("-", zero, term, text, offset)


def call(function: str, arguments: tuple[Term, ...], text: str, offset: int) -> Term:
    """abs of one quantity, min or max of two or more alike."""
    for argument in arguments:
        if isinstance(argument.dimension, Kind):
            raise Refusal(argument.offset, f"{shown(argument.text)} is {argument.dimension.noun}", "a quantity is due")
    if function == "abs":
        if len(arguments) != 1:
            raise Refusal(offset, "abs takes one quantity", "write for example abs(current)")
        if arguments[0].dimension == TEMPERATURE:
            raise Refusal(arguments[0].offset, "abs of a temperature has no meaning", "subtract two temperatures")
    elif len(arguments) < 2:
        raise Refusal(offset, f"{function} takes two quantities or more", f"write for example {function}(a, b)")
    for argument in arguments[1:]:
        must_be_alike(arguments[0], argument, "compared")
    dimension = arguments[0].dimension
    if all(isinstance(argument, Number) for argument in arguments):
        values = [argument.value for argument in arguments if isinstance(argument, Number)]
        value = abs(values[0]) if function == "abs" else (min if function == "min" else max)(values)
        first = arguments[0]
        return Number(text, offset, dimension, value, first.unit if isinstance(first, Number) else None)
    return Call(text, offset, dimension, function, arguments)


def comparison(operator: str, left: Term, right: Term, text: str) -> Term:
    """One comparison of two alike quantities, or of a channel with one of its states."""
    for side in (left, right):
        if side.dimension is BOOLEAN:
            raise Refusal(side.offset, f"{shown(side.text)} is a condition", "join conditions with and, or, not")
    if not any(isinstance(part, Reading) for part in (*left.walk(), *right.walk())):
        raise Refusal(left.offset, f"{shown(text)} compares no channel", "name a channel on one side")
    if TEXT in (left.dimension, right.dimension):
        _check_texts(operator, left, right)
    else:
        must_be_alike(left, right, "compared")
    return Comparison(text, left.offset, BOOLEAN, operator, left, right)


def _check_texts(operator: str, left: Term, right: Term) -> None:
    for side, other in ((left, right), (right, left)):
        if side.dimension is not TEXT:
            if isinstance(other, Reading):
                wrong = f"{other.name} is {_said(other.channel)}, not {side.dimension.noun}"
                raise Refusal(side.offset, wrong, _example(other))
            raise Refusal(
                other.offset, f"{shown(side.text)} is {side.dimension.noun}, {other.text} is a text", _due(side)
            )
    if operator not in ("==", "!="):
        raise Refusal(left.offset, f"{shown(left.text)} is a text, which has no order", "write == or !=")
    for side, other in ((left, right), (right, left)):
        if isinstance(side, Reading) and side.channel.states:
            states = side.channel.states
            if isinstance(other, Word) and other.value not in states:
                near = suggestion(other.value, states)
                right_text = near if near.startswith("did") else f"it is {either(map(shown, states))}"
                raise Refusal(other.offset, f"{shown(other.value)} is not a state of {side.name}", right_text)
            if isinstance(other, Reading) and other.channel.states and not set(states) & set(other.channel.states):
                raise Refusal(other.offset, f"{side.name} and {other.name} have no state in common")


def _said(channel: ChannelType) -> str:
    return either(channel.states) if channel.states else "a text"


def _example(reading: Reading) -> str:
    state = reading.channel.states[0] if reading.channel.states else "text"
    return f"write {reading.name} == '{state}'"


def must_be_alike(left: Term, right: Term, verb: str) -> None:
    """Raises Refusal unless both are the same kind of quantity, a bare number standing for no other."""
    for bare, other in ((right, left), (left, right)):
        if isinstance(bare, Number) and bare.unit is not None and bare.unit.name == "":
            if other.dimension != PLAIN:
                wrong = f"{bare.text} is a plain number, {shown(other.text)} is {other.dimension.noun}"
                raise Refusal(bare.offset, wrong, _due(other, bare.text))
            if isinstance(other, Reading) and other.channel.unit and other.channel.unit.name:
                wrong = f"{bare.text} is a plain number, {other.name} is in {other.channel.unit.name}"
                raise Refusal(bare.offset, wrong, _due(other, bare.text))
    if left.dimension != right.dimension:
        wrong = f"{shown(right.text)} is {right.dimension.noun}, {shown(left.text)} is {left.dimension.noun}"
        raise Refusal(right.offset, wrong, f"only alike quantities are {verb}")


def _due(term: Term, number: str = "5") -> str:
    """Which unit is due beside `term`, as 'write for example ...'."""
    unit = preferred_unit(term)
    return f"write for example '{number} {unit.name}'" if unit else f"{term.dimension.noun} is due"


def preferred_unit(term: Term) -> Unit | None:
    """The unit to show the term in: the first in it of its own dimension, else the base unit, if there is one."""
    if isinstance(term.dimension, Kind):
        return None
    for part in term.walk():
        unit = part.unit if isinstance(part, Number) else part.channel.unit if isinstance(part, Reading) else None
        if unit is not None and unit.dimension == term.dimension:
            return unit
    return term.dimension.base
