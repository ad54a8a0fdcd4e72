"""How often the suite fails a box that is healthy: the false fails of draws of tolerances."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any, NamedTuple

from bench.sweep.intervals import CONFIDENCE, share_at_most
from bench.sweep.outcome import Outcome
from bench.sweep.specimen import tolerances
from bench.verdicts import Verdict, worst

if TYPE_CHECKING:
    from bench.language.bench_file import Bench


class Row(NamedTuple):
    """One draw: what was drawn (base units, s) and what came of its runs."""

    number: int
    period_s: float
    parameters: Mapping[str, float]
    outcomes: tuple[Outcome, ...]

    @property
    def verdict(self) -> Verdict:
        return worst(Verdict(outcome.verdict) for outcome in self.outcomes)


@dataclass
class Tolerances:
    """All draws of a sweep that were finished, of `planned`."""

    planned: int
    seed: int
    rows: list[Row] = field(default_factory=list)

    @property
    def verdict(self) -> Verdict:
        short = [Verdict.NOT_RUN] if len(self.rows) < self.planned else []
        return worst([*(row.verdict for row in self.rows), *short])

    @property
    def false_fails(self) -> int:
        """Draws in which at least one run failed."""
        return sum(row.verdict == Verdict.FAIL for row in self.rows)

    @property
    def at_most(self) -> float:
        """Upper bound of the share of healthy boxes that fail."""
        return share_at_most(self.false_fails, len(self.rows)) if self.rows else 1.0

    @property
    def virtual_s(self) -> float:
        return sum(outcome.virtual_s for row in self.rows for outcome in row.outcomes)


def tolerance_rows(by_draw: Mapping[int, list[Outcome]], bench: Bench, seed: int, planned: int) -> Tolerances:
    """Draws that did not pass come first."""
    rows = []
    for number, outcomes in by_draw.items():
        drawn = tolerances(bench, seed, number)
        rows.append(Row(number, drawn.period_s, drawn.parameters, tuple(outcomes)))
    rows.sort(key=lambda row: (row.verdict == Verdict.PASS, row.number))
    return Tolerances(planned, seed, rows)


def tolerance_document(found: Tolerances) -> dict[str, Any]:
    """For `--json`: one case a run; the parameters of each draw that did not pass."""
    return {
        "verdict": str(found.verdict),
        "cases": [
            {
                "sequence": outcome.sequence,
                "case": outcome.case,
                "fault": "",
                "moment": 0.0,
                "draw": row.number,
                "verdict": outcome.verdict,
                "reason": outcome.reason,
            }
            for row in found.rows
            for outcome in row.outcomes
        ],
        "windows": [],
        "tolerances": {
            "seed": found.seed,
            "draws": len(found.rows),
            "false_fails": found.false_fails,
            "share_at_most": found.at_most,
            "confidence": CONFIDENCE,
            "not_passed": [
                {"draw": row.number, "period_s": row.period_s, "parameters": dict(row.parameters)}
                for row in found.rows
                if row.verdict != Verdict.PASS
            ],
        },
        "virtual_s": round(found.virtual_s, 3),
    }
