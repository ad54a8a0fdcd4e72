"""Are two firmwares the same, as far as the records show? Two one-sided tests a quantity, never "no difference seen".

A quantity is `equivalent` when its difference is shown to be inside the margin fixed beforehand, `worse` or `better`
when it is shown to be outside, towards its limit or away from it (`different` where no limit says which), else
`undecided`. All p-values of one kind are adjusted together (Holm 1979), so that many quantities do not find something
by chance. The whole is `worse` as soon as one quantity is or one verdict has become a fail; `equivalent` only when all
quantities are, everything passed on both sides, and both were asked the same; else `undecided`. Records that
contradict each other in what the firmware was decide nothing.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from math import sqrt
from typing import Any, NamedTuple

from bench.comparing import statistics
from bench.comparing.inputs import changes
from bench.comparing.quantities import Key, Measured, together, worst_steps
from bench.comparing.side import Side
from bench.language.margins import Margin, Margins
from bench.record.firmware import claim_of, contradictions
from bench.verdicts import Verdict, worst

LEVEL = 1 - statistics.CONFIDENCE
EXIT_STATUS = {"equivalent": 0, "worse": 1, "undecided": 3}
METHOD = (
    "Two one-sided tests within the margin (Schuirmann 1987), degrees of freedom by Welch's formula, p-values adjusted "
    f"over all quantities (Holm 1979), level {LEVEL:.2g}. The uncertainty of a difference is made of the spread of the "
    "runs and of what the records state as their own uncertainty; the latter is taken as not averaging out."
)


class _Tested(NamedTuple):
    """A quantity that both sides have, as far as it goes without the others."""

    row: dict[str, Any]
    difference: statistics.Difference | None  # None: nothing can be said, and `row` has the reason
    margin: Margin | None
    towards_limit: bool | None


def compare(a: Side, b: Side, margins: Margins) -> dict[str, Any]:
    """The machine-readable document of `compare`. Differences are B less A, in the unit beside them; `uncertainty` is
    half the width of the 95 % interval."""
    doubts = contradictions(claim_of(kept.manifest, kept.folder.name) for side in (a, b) for kept in side.records)
    inputs = [change._asdict() for change in changes(a, b)]
    verdicts = _verdicts(a.documents, b.documents)
    quantities = _quantities(a, b, margins)
    outcome, reasons = _outcome(a, b, inputs, verdicts, quantities)
    if doubts:  # whose difference, or whose sameness, it would be is not known
        outcome, reasons = "undecided", [*doubts, *reasons]
    return {
        "outcome": outcome,
        "reasons": reasons,
        "a": _about(a),
        "b": _about(b),
        "inputs": inputs,
        "verdicts": verdicts,
        "quantities": quantities,
        "margins": margins.file,
        "confidence": statistics.CONFIDENCE,
        "method": METHOD,
    }


def _about(side: Side) -> dict[str, Any]:
    return {
        "name": side.name,
        "firmware": side.firmware,
        "verdicts": dict(Counter(str(document["verdict"]) for document in side.documents)),
        "records": [str(kept.folder) for kept in side.records],
        "passed_over": [str(folder) for folder in side.passed_over],
    }


# -- verdicts ------------------------------------------------------------------------------------------------------


def _verdicts(a: Sequence[Mapping], b: Sequence[Mapping]) -> list[dict[str, Any]]:
    """Every step and rule whose worst verdict, or share of fails, is not the same on both sides; worse ones first."""
    before, after = worst_steps(a), worst_steps(b)
    plans = [{(document["sequence"], document["case"]) for document in side} for side in (a, b)]
    found = []
    for key in dict.fromkeys((*before, *after)):
        if not all((key.sequence, key.case) in side for side in plans):
            continue
        sides = [side.get(key, []) for side in (before, after)]
        one, other = (str(worst(side)) if side else "not there" for side in sides)
        shares = [side.count(Verdict.FAIL) / len(side) if side else 0.0 for side in sides]
        if one != other or shares[0] != shares[1]:
            worse = other == Verdict.FAIL and (one != Verdict.FAIL or shares[1] > shares[0])
            counts = [dict(Counter(map(str, side))) for side in sides]
            row = {
                **_named(key, key.label),
                "a": one,
                "b": other,
                "a_counts": counts[0],
                "b_counts": counts[1],
                "worse": worse,
            }
            found.append(row)
    return sorted(found, key=lambda row: not row["worse"])


def _named(key: Key, label: str) -> dict[str, str]:
    return {"sequence": key.sequence, "case": key.case, "label": label, "kind": key.kind}


# -- quantities ----------------------------------------------------------------------------------------------------


def _quantities(a: Side, b: Side, margins: Margins) -> list[dict[str, Any]]:
    runs = [{plan: len(kept) for plan, kept in side.plans().items()} for side in (a, b)]
    tested = []
    for key, by_run in together([*a.documents, *b.documents]).items():
        plan = (key.sequence, key.case)
        if plan not in runs[0] or plan not in runs[1]:
            continue
        sides = (
            [one for place, one in by_run.items() if place < len(a.records)],
            [one for place, one in by_run.items() if place >= len(a.records)],
        )
        tested.append(_test(key, sides, (runs[0][plan], runs[1][plan]), margins))
    decidable = [each for each in tested if each.difference is not None and each.margin is not None]
    inside = statistics.holm([each.difference.p_equivalent(each.margin.size) for each in decidable])
    outside = statistics.holm([each.difference.p_beyond(each.margin.size) for each in decidable])
    for each, p_equivalent, p_beyond in zip(decidable, inside, outside, strict=True):
        _decide(each, p_equivalent, p_beyond)
    order = ("worse", "different", "better", "undecided", "equivalent")
    return sorted((each.row for each in tested), key=lambda row: order.index(row["outcome"]))


def _test(key: Key, sides: tuple[list[Measured], list[Measured]], runs: tuple[int, int], margins: Margins) -> _Tested:
    one = next(iter((*sides[0], *sides[1])))
    margin = margins.find(key.kind, key.name, one.requirement, one.unit)
    row: dict[str, Any] = {
        **_named(key, key.quantity), "requirement": one.requirement, "unit": one.unit, "limit": one.limit,
        "a": _side_row(sides[0], runs[0]), "b": _side_row(sides[1], runs[1]),
        "difference": None, "uncertainty": None, "freedom": None,
        "margin": None if margin is None else margin.size,
        "margin_reason": "" if margin is None else margin.reason,
        "p_equivalent": None, "p_beyond": None, "outcome": "undecided", "reason": "",
    }  # fmt: skip
    for word, side, count in zip("AB", sides, runs, strict=True):
        if len(side) < count and not row["reason"]:
            row["reason"] = f"{word} has it in {len(side)} of {count} runs"
    if not sides[0] or not sides[1]:
        return _Tested(row, None, margin, None)
    found = [statistics.summary([each.value for each in side]) for side in sides]
    own = [_own_uncertainty(side) for side in sides]
    if None in own and min(each.n for each in found) < 2:
        row["reason"] = row["reason"] or "a record does not say how accurate it is, and one run shows no spread"
        row["difference"] = found[1].mean - found[0].mean
        return _Tested(row, None, margin, None)
    difference = statistics.difference(found[0], found[1], *(each or 0.0 for each in own))
    row |= {
        "difference": difference.d,
        "uncertainty": difference.uncertainty,
        "freedom": difference.freedom if difference.freedom < 1e9 else None,
    }
    if margin is None:
        row["reason"] = row["reason"] or "no margin has been fixed for it"
    return _Tested(row, difference, None if row["reason"] else margin, _towards_limit(sides, difference.d))


def _side_row(side: Sequence[Measured], runs: int) -> dict[str, Any]:
    blank = dict.fromkeys(statistics.Summary._fields) | {"n": 0}
    found = statistics.summary([each.value for each in side])._asdict() if side else blank
    return {**found, "runs": runs, "u": _own_uncertainty(side)}


def _own_uncertainty(side: Sequence[Measured]) -> float | None:
    """Standard uncertainty of one value, as the records state it; None where one does not."""
    stated = [each.uncertainty for each in side]
    if not stated or None in stated:
        return None
    return sqrt(sum(each**2 for each in stated) / len(stated)) / 2


def _towards_limit(sides: tuple[Sequence[Measured], Sequence[Measured]], d: float) -> bool | None:
    """Whether a difference like `d` leads towards the limit; None where there is none."""
    edges = {edge for each in sides[1] for edge in each.distances}
    if len(edges) < 2:
        return None if not edges else (d > 0) is ("max" in edges)
    closest = [min(each.margin for each in side if each.margin is not None) for side in sides if side]
    return closest[1] < closest[0]


def _decide(tested: _Tested, p_equivalent: float, p_beyond: float) -> None:
    row, margin = tested.row, tested.margin
    row |= {"p_equivalent": p_equivalent, "p_beyond": p_beyond}
    if p_equivalent <= LEVEL:
        row["outcome"] = "equivalent"
    elif p_beyond <= LEVEL:
        row["outcome"] = {True: "worse", False: "better", None: "different"}[tested.towards_limit]
        row["reason"] = f"shown to have moved by more than {margin.size:.4g} {margin.unit}".rstrip()
    else:
        row["reason"] = "not shown to be inside the margin, nor outside"


# -- the whole -----------------------------------------------------------------------------------------------------


def _outcome(
    a: Side, b: Side, inputs: list[dict], verdicts: list[dict], quantities: list[dict]
) -> tuple[str, list[str]]:
    """The outcome of the whole, and why it is not `equivalent`."""
    counts = Counter(row["outcome"] for row in quantities)
    worse = []
    if fails := sum(row["worse"] for row in verdicts):
        worse.append(f"{fails} {_plural('verdict', fails)} became a fail, or fail more often")
    if counts["worse"]:
        worse.append(f"{counts['worse']} {_plural('quantity', counts['worse'])} moved towards the limit")
    reasons = []
    if weighing := [change["what"] for change in inputs if change["weighs"]]:
        reasons.append(f"the two sides were not asked the same: {', '.join(weighing)}")
    plans = [side.plans() for side in (a, b)]
    for plan in plans[0]:
        if plan not in plans[1]:
            reasons.append(f"{' / '.join(filter(None, plan))} was not run for B")
    if not set(plans[0]) & set(plans[1]):
        reasons.append("no sequence was run for both")
    for word, side in zip("AB", (a, b), strict=True):
        passed = sum(document["verdict"] == Verdict.PASS for document in side.documents)
        if passed < len(side.records):
            reasons.append(f"{len(side.records) - passed} of {len(side.records)} runs of {word} did not pass")
        if side.passed_over:
            reasons.append(f"{len(side.passed_over)} runs of {word} were never closed")
    if other := sum(row["a"] != row["b"] and not row["worse"] for row in verdicts):
        reasons.append(f"{other} other {_plural('verdict', other)} changed")
    for outcome, words in (
        ("different", "moved, and no limit says which way is worse"),
        ("better", "moved away from the limit by more than the margin"),
        ("undecided", "not shown to be equivalent"),
    ):
        if counts[outcome]:
            reasons.append(f"{counts[outcome]} {_plural('quantity', counts[outcome])} {words}")
    if not quantities:
        reasons.append("nothing was measured on both sides")
    if worse:
        return "worse", [*worse, *reasons]
    return ("undecided", reasons) if reasons else ("equivalent", [])


def _plural(word: str, count: int) -> str:
    if count == 1:
        return word
    return f"{word[:-1]}ies" if word.endswith("y") else f"{word}s"
