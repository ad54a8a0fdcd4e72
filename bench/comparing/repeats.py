"""One sequence run several times: what `run --repeat N` says of all runs together, under `repeats`.

The verdict is that of the worst run; nothing here can mend it. The index of performance is Ppk as in ISO 22514-2 (from
memory): the distance of the mean from the nearer limit over three standard deviations. It is worked out from each run's
own distance, so that a limit which follows another channel counts as it stood in that run.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from itertools import groupby
from math import sqrt
from typing import Any

from bench.comparing import statistics
from bench.comparing.quantities import Key, Measured, together
from bench.verdicts import Verdict, worst

BINS = 12
INDEX = "Ppk, distance of the mean from the nearer limit over 3 standard deviations"


def repeats_document(documents: Sequence[Mapping[str, Any]]) -> list[dict[str, Any]]:
    """One entry a plan, from the documents of its runs in the order in which they ran."""
    plans = groupby(documents, key=lambda document: (document["sequence"], document["case"]))
    return [_plan(*plan, list(runs)) for plan, runs in plans]


def _plan(sequence: str, case: str, runs: list[Mapping[str, Any]]) -> dict[str, Any]:
    verdicts = Counter(str(run["verdict"]) for run in runs)
    decided = verdicts["pass"] + verdicts["fail"]
    return {
        "sequence": sequence,
        "case": case,
        "runs": len(runs),
        "verdict": str(worst(Verdict(run["verdict"]) for run in runs)),
        "verdicts": dict(verdicts),
        "fails_at_most": statistics.share_at_most(verdicts["fail"], decided),
        "confidence": statistics.CONFIDENCE,
        "index_means": INDEX,
        "records": [run["record"] for run in runs],
        "quantities": [_quantity(key, by_run, len(runs)) for key, by_run in together(runs).items()],
    }


def _quantity(key: Key, by_run: Mapping[int, Measured], runs: int) -> dict[str, Any]:
    """`missing`: in how many runs it has no value. `slope` is per repetition, `lag_1` the correlation of neighbours;
    None where there are too few values or all are the same."""
    one = next(iter(by_run.values()))
    values = [each.value for each in by_run.values()]
    found = statistics.summary(values)
    drift = statistics.drift(list(by_run), values)
    correlation = statistics.lag_1(values)
    return {
        "name": key.name,
        "kind": key.kind,
        "label": key.quantity,
        "requirement": one.requirement,
        "limit": one.limit,
        "unit": one.unit,
        **found._asdict(),
        "missing": runs - found.n,
        "worst": str(worst(each.verdict for each in by_run.values())),
        "least_margin": min((each.margin for each in by_run.values() if each.margin is not None), default=None),
        **_against_limits(list(by_run.values())),
        "slope": None if drift is None else drift.slope,
        "slope_uncertainty": None if drift is None else drift.uncertainty,
        "drifts": drift is not None and abs(drift.slope) > drift.uncertainty,
        "lag_1": correlation,
        "independent": correlation is None or abs(correlation) <= 2 / sqrt(found.n),
        "histogram": _histogram(values),
        "values": values,
    }


def _against_limits(values: Sequence[Measured]) -> dict[str, Any]:
    """The index, the factor k, and whether k standard deviations fit between the mean and every limit."""
    edges = set.intersection(*(set(each.distances) for each in values))
    distances = [statistics.summary([each.distances[edge] for each in values]) for edge in edges]
    k = statistics.tolerance_factor(len(values))
    indices = [statistics.performance_index(each) for each in distances]
    known = [index for index in indices if index is not None]
    fits = None  # without spread nothing is known of it: the resolution may hide it
    if distances and all(each.sd for each in distances):
        fits = all(each.mean - k * each.sd >= 0 for each in distances)
    return {"index": min(known, default=None), "tolerance_factor": k, "tolerance_fits": fits}


def _histogram(values: Sequence[float]) -> dict[str, Any] | None:
    """Counts in equal bins between the least and the greatest value; None where there is no width."""
    low, high = min(values), max(values)
    if low == high:
        return None
    places = Counter(min(int((value - low) / (high - low) * BINS), BINS - 1) for value in values)
    return {"from": low, "to": high, "counts": [places[bin] for bin in range(BINS)]}
