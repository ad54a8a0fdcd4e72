"""The two pictures of a suite's strength: requirements x sequences, and defects x sequences."""

from __future__ import annotations

from typing import TYPE_CHECKING

from bench.language.coverage import CLAIMED
from bench.report.heat_map import Level, heat_map

if TYPE_CHECKING:
    from bench.language.coverage import Coverage
    from bench.sweep.detection import Detections

_COVERAGE_LEVELS = (
    Level("names it on the way", ".", 1.0),
    Level("says that it proves it; a rule or another sequence's step shows it", "o", 0.75),
    Level("proves it, by a step or a rule that names it", "s", 0.25),
)
_DETECTION_LEVELS = (
    Level("fails, and does not name a requirement that the defect breaks", "x", 0.8),
    Level("fails, and names a requirement that the defect breaks", "s", 0.25),
)


def coverage_picture(found: Coverage) -> str:
    """Every requirement that a test shows, against every sequence."""
    rows = found.to_prove
    unproved = [id for id in rows if not found.proved_by(id)]
    description = (
        f"{len(rows) - len(unproved)} of {len(rows)} requirements that a test shows are proved by some of "
        f"{len(found.sequences)} sequences. Proved by nothing: {', '.join(unproved) or 'none'}."
    )
    cells = {cell: how for cell, how in found.cells.items() if cell[0] in set(rows)}
    return heat_map("Requirements and the sequences that prove them", description, rows, found.sequences, cells,
                    _COVERAGE_LEVELS, counted_from=CLAIMED)  # fmt: skip


def defects_picture(found: Detections) -> str:
    """Every defect of the sweep, undetected ones first, against every sequence that was run."""
    rows = [row.defect.name for row in found.rows]
    columns = tuple(dict.fromkeys(outcome.sequence for outcome in sorted(found.healthy)))
    cells: dict[tuple[str, str], int] = {}
    for row in found.rows:
        for outcome in row.catches:
            cell = row.defect.name, outcome.sequence
            cells[cell] = max(cells.get(cell, 0), int(bool(row.named_by(outcome))))
    missed = [row.defect.name for row in found.rows if not row.catches]
    description = (
        f"{len(rows) - len(missed)} of {len(rows)} seeded defects are found by some of {len(columns)} sequences. "
        f"Undetected: {', '.join(missed) or 'none'}."
    )
    return heat_map("Seeded defects and the sequences that find them", description, rows, columns, cells,
                    _DETECTION_LEVELS)  # fmt: skip
