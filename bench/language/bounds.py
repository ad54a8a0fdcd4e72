"""The limit of a judged step: its own, or the one its requirement brings."""

from __future__ import annotations

from typing import Any

from bench.errors import InputError
from bench.language.collecting import Problems
from bench.language.expressions import Expression, Scope, parse
from bench.language.located import Text, shown
from bench.language.plan import Limit
from bench.language.register import Requirement
from bench.language.rules import must_be_alike
from bench.language.terms import Refusal, Term
from bench.language.units import Quantity


def resolve_limit(
    entry: Any, judged: Term, scope: Scope, problems: Problems, requirement: tuple[Requirement, Text] | None = None
) -> Limit | None:
    """The checked limit, None when neither the step nor its requirement has one.

    `entry` has `min` and `max` texts; `requirement` comes with the place where the step names it, which is where a
    limit that does not fit the step is reported.
    """
    if requirement is not None:
        entry, at = requirement[0].limit, requirement[1]
        scope = Scope(scope.channels)
    else:
        at = None
    if entry is None:
        return None
    low = _bound(entry.min, judged, scope, problems, at)
    high = _bound(entry.max, judged, scope, problems, at)
    bounds = [bound for bound in (high, low) if bound is not None]
    if not bounds:
        return None
    if low is not None and high is not None:
        least, most = low.constant, high.constant
        if isinstance(least, Quantity) and isinstance(most, Quantity) and least.value > most.value:
            problems.add(entry.min.place.problem(f"min {entry.min} is above max {entry.max}", "swap the two"))
    unit = next((bound.unit for bound in bounds if bound.unit is not None), None)
    if unit is None:
        problems.add(
            (at or entry.max or entry.min).place.problem("no unit is known for this quantity", "judge another")
        )
        return None
    return Limit(low, high, unit.name, limit_text(entry.min, entry.max))


def limit_problems(entry: Any, scope: Scope, problems: Problems) -> None:
    """Check a limit that no step judges yet: both bounds must be readable and alike, min not above max."""
    found = []
    for text in (entry.min, entry.max):
        if text is not None:
            with problems.collecting():
                found.append(parse(text, scope))
    if found:
        resolve_limit(entry, found[0].term, scope, problems)


def limit_text(low: str | None, high: str | None) -> str:
    """'0.3 s to 3 s', 'at least 0.3 s', 'at most 3 s'."""
    if low is not None and high is not None:
        return f"{low} to {high}"
    return f"at least {low}" if low is not None else f"at most {high}"


def _bound(text: Text | None, judged: Term, scope: Scope, problems: Problems, at: Text | None) -> Expression | None:
    if text is None:
        return None
    try:
        bound = parse(text, scope)
    except InputError as error:
        for problem in error.problems:
            problems.add(problem)
        return None
    try:
        must_be_alike(judged, bound.term, "judged")
    except Refusal as refusal:
        if at is not None:
            wrong = f"{at} limits {bound.dimension.noun}, {shown(judged.text)} is {judged.dimension.noun}"
            problems.add(at.place.problem(wrong, "name a requirement that fits this step"))
        else:
            problems.add(text.place.problem(refusal.wrong, refusal.right))
        return None
    return bound
