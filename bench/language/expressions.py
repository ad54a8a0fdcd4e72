"""The closed expression language: `0.9 * pack_voltage`, `ts_voltage < 60 V`, `air_plus == 'closed' and ...`.

Names, states and dimensions are all checked by `parse`, so that nothing can be wrong with an expression once a box is
driven; what it gives back compiles to one plain Python expression over a flat list of values.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from functools import cached_property, lru_cache

from bench.events import Value
from bench.language import terms
from bench.language.grammar import Scope, read
from bench.language.located import Place, Text, shown
from bench.language.rules import preferred_unit
from bench.language.terms import BOOLEAN, TEXT, ChannelType, Kind, Refusal, Term
from bench.language.units import UNITS, Dimension, Quantity, Unit

__all__ = ["BOOLEAN", "TEXT", "Atom", "ChannelType", "Condition", "Expression", "Scope", "constant", "parse"]


class Expression:
    """A checked expression. `channels` are those it names, in order of appearance."""

    def __init__(self, text: str, term: Term):
        self.text = str(text)
        self.term = term

    def __repr__(self) -> str:
        return f"{type(self).__name__}({self.text!r})"

    @property
    def dimension(self) -> Dimension | Kind:
        return self.term.dimension

    @cached_property
    def channels(self) -> tuple[str, ...]:
        return _channels(self.term)

    @property
    def unit(self) -> Unit | None:
        """The unit to show results in, as the author would; None for a condition, a text or an unnamed dimension."""
        return preferred_unit(self.term)

    @property
    def constant(self) -> Quantity | str | None:
        """The value, when no channel is named."""
        if isinstance(self.term, terms.Number):
            return Quantity(self.term.value, self.term.unit or self.unit or UNITS[""])
        return self.term.value if isinstance(self.term, terms.Word) else None

    def compile(self, slots: Mapping[str, int]) -> Callable[[list[Value]], float | bool | str]:
        """A function of the channels' values (each in the channel's own unit); results are in base units."""
        return _function("v", self.term.code(slots))


class Atom:
    """One comparison of a condition. `kind` is 'quantity' or 'state'."""

    def __init__(self, term: terms.Comparison):
        self.text = term.text
        self.kind = "state" if term.left.dimension is TEXT else "quantity"
        self._term = term

    @cached_property
    def channels(self) -> tuple[str, ...]:
        return _channels(self._term)

    @property
    def unit(self) -> Unit | None:
        """The unit in which the two sides differ, as the author would write it."""
        return preferred_unit(self._term.left) or preferred_unit(self._term.right)

    def compile_truth(self, slots: Mapping[str, int]) -> Callable[[list[Value]], bool]:
        return _function("v", self._term.code(slots))

    def compile_margin(self, slots: Mapping[str, int]) -> Callable[[list[Value]], float]:
        """How far inside (above 0) or outside (below 0) the comparison is, in base units. Quantities only."""
        if self.kind != "quantity":
            raise ValueError(f"{self.text!r} has no margin")
        return _function("v", self._term.margin_code(slots))


class Condition(Expression):
    """An expression that is true or false."""

    @cached_property
    def atoms(self) -> tuple[Atom, ...]:
        return tuple(Atom(term) for term in self.term.walk() if isinstance(term, terms.Comparison))

    def compile_margin(self, slots: Mapping[str, int]) -> Callable[[list[Value]], float]:
        """How far the whole is from changing its truth, above 0 when true, in base units; what hangs on states alone
        is infinite. `and` takes the least, `or` the greatest (the robustness of signal temporal logic)."""
        return _function("v", self.term.margin_code(slots))

    @cached_property
    def combine(self) -> Callable[[Sequence[bool]], bool]:
        """The truth of the whole from the truths of `atoms`, in their order."""
        numbers = iter(range(len(self.atoms)))

        def code(term: Term) -> str:
            if isinstance(term, terms.Junction):
                return "(" + f" {term.operator} ".join(code(part) for part in term.conditions) + ")"
            return f"(not {code(term.condition)})" if isinstance(term, terms.Not) else f"a[{next(numbers)}]"

        return _function("a", code(self.term))


def parse(text: str, scope: Scope, where: Place | None = None) -> Expression:
    """Check an expression; a Condition is given back for one that is true or false.

    Raises InputError at the character concerned; `where` is the place of the text (a `Text` brings its own).
    """
    where = where or (text.place if isinstance(text, Text) else Place("expression"))
    try:
        term = read(str(text), scope)
    except Refusal as refusal:
        place = where.shifted(refusal.offset) if refusal.offset else where
        raise place.error(refusal.wrong, refusal.right) from None
    return Condition(text, term) if term.dimension is BOOLEAN else Expression(text, term)


def constant(text: str, scope: Scope, where: Place | None = None) -> Quantity | str:
    """The value of an expression that names no channel."""
    where = where or (text.place if isinstance(text, Text) else Place("expression"))
    expression = parse(text, scope, where)
    value = expression.constant
    if value is None:
        named = f"{expression.channels[0]} changes while the box runs" if expression.channels else "this is a condition"
        raise where.error(f"{shown(text)}: {named}", "a fixed value is due here, for example a quantity")
    return value


def _channels(term: Term) -> tuple[str, ...]:
    return tuple(dict.fromkeys(part.name for part in term.walk() if isinstance(part, terms.Reading)))


@lru_cache(maxsize=4096)
def _function(argument: str, code: str) -> Callable:
    """Compiles code made by `Term.code`: numbers, quoted words and slots, never the user's own text.

    Kept: every run of a suite watches the same rules, and a repeated step compiles its own anew each round.
    """
    return eval(f"lambda {argument}: {code}", {"__builtins__": {}, **_FUNCTIONS})


_FUNCTIONS = {"abs": abs, "min": min, "max": max, "divide": terms.divide, "inf": math.inf}
