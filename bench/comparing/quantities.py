"""What was measured in runs: the same quantity of many runs brought together.

A quantity is a judged step that has a value, or the margin of a rule. A step is known by the name of its sequence,
its case, its own name and which of that name it is, so that a step put in before it changes nothing. Of a step that is
repeated within a run the value closest to its limit (or furthest beyond it) stands for the run: runs are what is
counted. A `hold` has no value of its own; the time it lasted is asked for and not measured.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from math import isfinite
from typing import Any, NamedTuple

from bench.language.units import UNITS
from bench.verdicts import Verdict, worst

_STIMULI = ("drive", "send", "inject", "restore", "pause")  # nothing to judge, even where it is `not-run`


class Key(NamedTuple):
    """Which quantity; `kind` is that of the step, or 'rule'."""

    sequence: str
    case: str
    name: str
    kind: str
    number: int = 1

    @property
    def label(self) -> str:
        """What is judged."""
        name = self.name if self.number == 1 else f"{self.name} ({self.number})"
        return f"rule {name}" if self.kind == "rule" else name

    @property
    def quantity(self) -> str:
        """What is measured."""
        return f"margin of {self.label}" if self.kind == "rule" else self.label


class Measured(NamedTuple):
    """One value. All numbers are in `unit`; `distances` are those from its bounds, above 0 inside; `uncertainty` is
    expanded (coverage factor 2), None where nobody can say."""

    value: float
    unit: str
    distances: Mapping[str, float]
    uncertainty: float | None
    verdict: Verdict
    limit: str
    requirement: str | None

    @property
    def margin(self) -> float | None:
        return min(self.distances.values(), default=None)

    def in_unit(self, unit: str) -> Measured | None:
        """The same in another unit; None where that cannot be."""
        if unit == self.unit:
            return self
        if unit not in UNITS or self.unit not in UNITS or UNITS[unit].dimension != UNITS[self.unit].dimension:
            return None

        def turned(number: float) -> float:
            return UNITS[unit].from_base(UNITS[self.unit].to_base(number))

        distances = {edge: turned(distance) for edge, distance in self.distances.items()}
        uncertainty = None if self.uncertainty is None else turned(self.uncertainty)
        return self._replace(value=turned(self.value), unit=unit, distances=distances, uncertainty=uncertainty)


def measured(document: Mapping[str, Any]) -> dict[Key, Measured]:
    """Every quantity of one run, from its document."""
    found: dict[Key, Measured] = {}
    for key, step in named_steps(document):
        value = step.get("value")
        if step["verdict"] is None or key.kind == "hold" or not _is_number(value):
            continue
        distances = {
            edge: _tidy(sign * (value - step[edge]))
            for edge, sign in (("min", 1), ("max", -1))
            if _is_number(step.get(edge))
        }
        one = Measured(
            _tidy(value), step["unit"], distances, step.get("uncertainty"), Verdict(step["verdict"]), step["limit"],
            step["requirement"],
        )  # fmt: skip
        if key not in found or _closeness(one) < _closeness(found[key]):
            found[key] = one
    for rule in document["invariants"]:
        if _is_number(margin := rule.get("margin")):
            margin = _tidy(margin)
            found[Key(document["sequence"], document["case"], rule["name"], "rule")] = Measured(
                margin, rule["unit"], {"min": margin}, rule.get("uncertainty"), Verdict(rule["verdict"]), "", None
            )
    return found


def named_steps(document: Mapping[str, Any]) -> list[tuple[Key, Mapping[str, Any]]]:
    """The steps of a run in order, each with its key; the rounds of a repeated step have one key."""
    numbers: dict[tuple[str, str], list[str]] = {}
    found = []
    for step in document["steps"]:
        places = numbers.setdefault((step["name"], step["kind"]), [])
        place = step["path"].partition("#")[0]
        if place not in places:
            places.append(place)
        number = places.index(place) + 1
        found.append((Key(document["sequence"], document["case"], step["name"], step["kind"], number), step))
    return found


def together(documents: Sequence[Mapping[str, Any]]) -> dict[Key, dict[int, Measured]]:
    """Every quantity with the runs that have it, by their places in `documents`; all in the unit of the first one.

    What comes back in a unit of another dimension is left out, as if the run did not have it.
    """
    found: dict[Key, dict[int, Measured]] = {}
    for place, document in enumerate(documents):
        for key, one in measured(document).items():
            runs = found.setdefault(key, {})
            same = one.in_unit(next(iter(runs.values())).unit) if runs else one
            if same is not None:
                runs[place] = same
    return found


def worst_steps(documents: Sequence[Mapping[str, Any]]) -> dict[Key, list[Verdict]]:
    """The verdicts of every judged step and rule over the runs, the worst round of each run, and of the runs."""
    found: dict[Key, list[Verdict]] = {}
    for document in documents:
        mine: dict[Key, list[Verdict]] = {}
        for key, step in named_steps(document):
            if step["verdict"] is not None and step["kind"] not in _STIMULI:
                mine.setdefault(key, []).append(Verdict(step["verdict"]))
        for rule in document["invariants"]:
            key = Key(document["sequence"], document["case"], rule["name"], "rule")
            mine.setdefault(key, []).append(Verdict(rule["verdict"]))
        for key, verdicts in mine.items():
            found.setdefault(key, []).append(worst(verdicts))
    return found


def _closeness(one: Measured) -> float:
    return float("inf") if one.margin is None else one.margin


def _tidy(value: float) -> float:
    """Without what binary fractions left behind: it would count as spread where there is none."""
    return float(f"{value:.12g}")


def _is_number(value: Any) -> bool:
    return isinstance(value, int | float) and not isinstance(value, bool) and isfinite(value)
