"""The page of a comparison: outcome, what was asked differently, verdicts, quantities, traces laid over each other."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from typing import Any

from bench.comparing.comparison_table import OUTCOMES, counted, plan_name
from bench.comparing.side import Side
from bench.record.reader import read_record
from bench.record.store import Kept
from bench.report.content import CAUTIONS
from bench.report.overlay import differences_plot, overlays
from bench.report.page import html_page
from bench.report.texts import number
from bench.verdicts import Verdict, worst

_EQUIVALENT = (
    "Equivalent here means: within these margins, in these sequences, on this bench. It opens no energy stage."
)
_MOST_PLANS = 8  # whose traces are drawn
_MOST_ROWS = 40  # in the figure of differences


def comparison_page(document: Mapping[str, Any], a: Side, b: Side) -> bytes:
    """One self-contained HTML page; `document` is what `compare` said of the two sides."""
    drawn = [row for row in document["quantities"] if row["margin"] is not None and row["uncertainty"] is not None]
    plots = [{"heading": "", **differences_plot(drawn[:_MOST_ROWS])._asdict()}] if drawn else []
    content = {
        "cautions": (*CAUTIONS, _EQUIVALENT),
        "document": document,
        "shape": OUTCOMES,
        "verdicts": [
            {**row, "plan": plan_name(row), "a": counted(row, "a"), "b": counted(row, "b")}
            for row in document["verdicts"]
        ],
        "quantities": [_row(row) for row in document["quantities"]],
        "left_out": max(len(drawn) - _MOST_ROWS, 0),
        "plots": [*plots, *_traces(document, a, b)],
        "simulated": any(kept.manifest.get("simulated") for side in (a, b) for kept in side.records),
    }
    return html_page("comparison", content)


def _row(row: Mapping[str, Any]) -> dict[str, Any]:
    unit = row["unit"]
    moved = number(row["difference"], unit, sign=True)
    if moved and row["uncertainty"] is not None:
        moved += f" ± {number(float(format(row['uncertainty'], '.2g')), unit)}"
    p = row["p_equivalent"]
    return dict(row) | {
        "plan": plan_name(row),
        "sides": [_side(row[word], unit) for word in "ab"],
        "moved": moved,
        "margin": "none" if row["margin"] is None else number(row["margin"], unit),
        "p": "" if p is None else "< 0.001" if p < 0.001 else f"{p:.3f}",
    }


def _side(side: Mapping[str, Any], unit: str) -> list[str]:
    """Mean, deviation and number of runs, one line each."""
    if not side["n"]:
        return ["-"]
    if side["n"] == 1:
        return [number(side["mean"], unit)]
    return [number(side["mean"], unit), f"s = {number(side['sd'], unit)}", f"n = {side['n']}"]


def _traces(document: Mapping[str, Any], a: Side, b: Side) -> Iterator[dict[str, str]]:
    """Figures of the sequences where something is not the same, else of the first ones; the worst run a side."""
    plans_a, plans_b = a.plans(), b.plans()
    both = [plan for plan in plans_a if plan in plans_b]
    rows = [*document["verdicts"], *(row for row in document["quantities"] if row["outcome"] != "equivalent")]
    marked = {(row["sequence"], row["case"]) for row in rows}
    chosen = [plan for plan in both if plan in marked] or both
    for place, plan in enumerate(chosen[:_MOST_PLANS]):
        one, other = _worst_run(plans_a[plan]), _worst_run(plans_b[plan])
        heading = f"{' / '.join(filter(None, plan))}: A {one.folder.name}, B {other.folder.name}"
        for plot in overlays(read_record(one.folder), read_record(other.folder), f"traces-{place}"):
            yield {"heading": heading, **plot._asdict()}


def _worst_run(runs: Sequence[Kept]) -> Kept:
    verdicts = [Verdict(kept.manifest["document"]["verdict"]) for kept in runs]
    return runs[verdicts.index(worst(verdicts))]
