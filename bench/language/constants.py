"""Fixed values of a sequence: `values`, what a case or a `use` puts in their place, and simulated parameters."""

from __future__ import annotations

import re
from collections.abc import Mapping

from bench.language.bench_file import Bench
from bench.language.collecting import Problems
from bench.language.expressions import Scope, constant
from bench.language.located import Text, shown, suggestion
from bench.language.surroundings import known_parameters
from bench.language.units import TIME, UNITS, Quantity, parse_quantity

Constant = Quantity | str
_WORD = re.compile(r"[A-Za-z_][A-Za-z0-9_-]*")


def value_of(text: Text, scope: Scope) -> Constant:
    """A quantity, an expression of values, or a word that is no value: a text."""
    if _WORD.fullmatch(text) and text not in scope.values and text not in scope.channels:
        return str(text)
    return constant(text, scope)


def resolve_values(
    own: Mapping[Text, Text] | None, instead: Mapping[Text, Constant], bench: Bench, problems: Problems
) -> dict[str, Constant]:
    """The values of a sequence in order, with those of `instead` put in place of its own."""
    own = own or {}
    values: dict[str, Constant] = {}
    for name in instead:
        if name not in own:
            wrong = f"the sequence has no value called {shown(name)}"
            problems.add(name.place.problem(wrong, suggestion(name, own, "a value of it")))
    for name, text in own.items():
        if name in bench.channels:
            problems.add(name.place.problem(f"{name} is a channel of the bench", "give the value another name"))
        with problems.collecting():
            values[str(name)] = own_value = value_of(text, Scope(bench.scope.channels, values))
            if name in instead:
                if _noun(instead[name]) != _noun(own_value):
                    key = next(each for each in instead if each == name)
                    wrong = f"{name} becomes {_noun(instead[name])}"
                    raise key.place.error(wrong, f"{_noun(own_value)} is due, as in {shown(text)}")
                values[str(name)] = instead[name]
    return values


def overrides(given: Mapping[Text, Text] | None, scope: Scope, problems: Problems) -> dict[Text, Constant]:
    """The values that a case or a `use` gives, evaluated in `scope`."""
    found: dict[Text, Constant] = {}
    for name, text in (given or {}).items():
        with problems.collecting():
            found[name] = value_of(text, scope)
    return found


def duration_s(text: Text, scope: Scope, zero: bool = False) -> float:
    """A constant time, s. Raises InputError unless it is above 0 s (or at it, where `zero`)."""
    value = constant(text, scope)
    if isinstance(value, str) or value.unit.dimension != TIME:
        bare = not isinstance(value, str) and not value.unit.name
        example = f"{text} s" if bare else "5 s"
        raise text.place.error(f"{shown(text)} is {_noun(value)}; a time is due", f"write for example '{example}'")
    if value.value < 0 or (value.value == 0 and not zero):
        raise text.place.error(f"{shown(text)} is not a length of time", "write a time above 0 s")
    return value.value


def simulated_parameters(given: Mapping[Text, Text] | None, scope: Scope, problems: Problems) -> dict[str, float]:
    """Parameters of the simulated box, base units."""
    found: dict[str, float] = {}
    for name, text in (given or {}).items():
        with problems.collecting():
            found[str(name)] = _parameter(name, text, scope)
    return found


def _parameter(name: Text, text: Text, scope: Scope) -> float:
    known = known_parameters()
    if name not in known:
        raise name.place.error(f"the simulated box has no parameter {shown(name)}", suggestion(name, known))
    infinite = text.startswith(("inf ", "-inf "))
    value = parse_quantity(text, text.place, infinite=True) if infinite else constant(text, scope)
    due = UNITS[known[name].unit]
    if isinstance(value, str) or value.unit.dimension != due.dimension:
        wrong = f"{shown(text)} is {_noun(value)}, {name} is {due.dimension.noun}"
        raise text.place.error(wrong, f"write for example '{Quantity(known[name].default, due)}'")
    if value.value < known[name].least:
        raise text.place.error(f"{text} is too small", f"{name} is at least {Quantity(known[name].least, due)}")
    return value.value


def _noun(value: Constant) -> str:
    return "a text" if isinstance(value, str) else value.unit.dimension.noun
