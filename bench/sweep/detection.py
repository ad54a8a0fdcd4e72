"""Which seeded defects the suite finds, where, how fast, and whether it says which requirement is broken."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from bench.sweep.outcome import Finding, Outcome
from bench.verdicts import Verdict, worst

if TYPE_CHECKING:
    from simulators.defect import Defect

UNDETECTED, UNNAMED, NAMED = "undetected", "found, requirement not named", "found"
UNDECIDED = "undecided"


@dataclass(frozen=True)
class Detection:
    """One defect, and what came of the runs against it, all of which pass on the healthy box."""

    defect: Defect
    outcomes: tuple[Outcome, ...]

    @property
    def catches(self) -> list[Outcome]:
        """The runs that found it."""
        return [outcome for outcome in self.outcomes if outcome.verdict == Verdict.FAIL]

    def named_by(self, outcome: Outcome) -> list[str]:
        """Ids that the defect breaks and that this run names: at a step or rule that failed."""
        told = {finding.requirement for finding in outcome.findings}
        return [id for id in self.defect.breaks if id in told]

    @property
    def named(self) -> list[str]:
        """Ids that the defect breaks and that some run names; where none does, those that a sequence which found it
        says it proves."""
        catches = self.catches
        told = {id for outcome in catches for id in self.named_by(outcome)}
        told = told or {id for outcome in catches for id in outcome.proves}
        return [id for id in self.defect.breaks if id in told]

    @property
    def fastest(self) -> tuple[Outcome, Finding] | None:
        """The first finding of the run that finds it soonest after a stimulus; runs that name a requirement first."""
        found = [(outcome, outcome.findings[0]) for outcome in self.catches]
        return min(found, key=lambda pair: (not self.named_by(pair[0]), pair[1].after_s), default=None)

    @property
    def standing(self) -> str:
        if self.catches:
            return NAMED if self.named else UNNAMED
        return UNDECIDED if any(outcome.verdict != Verdict.PASS for outcome in self.outcomes) else UNDETECTED


@dataclass
class Detections:
    """All of a sweep: the runs on the healthy box, and the defects that were finished, of `planned`. Undetected ones
    come first, then those whose requirement nobody names."""

    planned: int
    healthy: list[Outcome]
    rows: list[Detection]

    def __post_init__(self) -> None:
        order = [UNDETECTED, UNDECIDED, UNNAMED, NAMED]
        self.rows.sort(key=lambda row: order.index(row.standing))

    @property
    def unsound(self) -> list[Outcome]:
        """Runs that do not pass on the healthy box, and were not made against a defect."""
        return [outcome for outcome in self.healthy if outcome.verdict != Verdict.PASS]

    @property
    def verdict(self) -> Verdict:
        """pass: every defect is found by a run that names a requirement it breaks, and the healthy box passes."""
        verdicts = [Verdict.PASS if row.standing == NAMED else Verdict.FAIL for row in self.rows]
        verdicts += [Verdict.FAIL] * any(outcome.verdict == Verdict.FAIL for outcome in self.unsound)
        verdicts += [Verdict.INCONCLUSIVE] * bool(self.unsound or not self.healthy)
        verdicts += [Verdict.NOT_RUN] * (len(self.rows) < self.planned)
        return worst(verdicts)

    def count(self, *standings: str) -> int:
        return sum(row.standing in standings for row in self.rows)

    @property
    def virtual_s(self) -> float:
        return sum(o.virtual_s for outcomes in [self.healthy, *(r.outcomes for r in self.rows)] for o in outcomes)


def detection_document(found: Detections) -> dict[str, Any]:
    """For `--json`: one case a run, and one entry a defect."""
    return {
        "verdict": str(found.verdict),
        "cases": [
            {
                "sequence": outcome.sequence,
                "case": outcome.case,
                "fault": row.defect.name,
                "moment": 0.0,
                "verdict": outcome.verdict,
                "reason": outcome.reason,
            }
            for row in found.rows
            for outcome in row.outcomes
        ],
        "windows": [],
        "defects": [_row_document(row) for row in found.rows],
        "unsound": [{"sequence": o.sequence, "case": o.case, "reason": o.reason} for o in found.unsound],
        "virtual_s": round(found.virtual_s, 3),
    }


def _row_document(row: Detection) -> dict[str, Any]:
    defect = row.defect
    return {
        "defect": defect.name,
        "kind": defect.kind,
        "meaning": defect.meaning,
        "breaks": list(defect.breaks),
        "hidden_by": defect.hidden_by,
        "standing": row.standing,
        "named": row.named,
        "caught_by": [
            {
                "sequence": outcome.sequence,
                "case": outcome.case,
                "named": row.named_by(outcome),
                "findings": [finding._asdict() for finding in outcome.findings],
            }
            for outcome in row.catches
        ],
    }
