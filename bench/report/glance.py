"""The picture of a dossier: requirements x sequences, each cell with the verdict of what decides there."""

from __future__ import annotations

from collections.abc import Iterable, Mapping

from bench.report.heat_map import Level, heat_map
from bench.report.plots import inline
from bench.verdicts import Verdict

_LEVELS = (Level("fail", "x", 0.1), Level("inconclusive, or not run", "o", 1.0), Level("pass", "s", 0.75))
_OF_VERDICT = {Verdict.FAIL: 0, Verdict.INCONCLUSIVE: 1, Verdict.NOT_RUN: 1, Verdict.PASS: 2}


def glance(shown: Mapping[str, Iterable[tuple[str, str]]]) -> list[dict[str, str]]:
    """One figure, or none where nothing is shown. `shown`: requirement -> (sequence, verdict) of each record that
    decides; of several with one sequence the worst is drawn."""
    cells: dict[tuple[str, str], int] = {}
    for name, verdicts in shown.items():
        for sequence, verdict in verdicts:
            cells[name, sequence] = min(cells.get((name, sequence), 2), _OF_VERDICT[Verdict(verdict)])
    if not cells:
        return []
    bad = {name for (name, _), level in cells.items() if level < 2}
    passed = {name for name, _ in cells} - bad
    sequences = sorted({sequence for _, sequence in cells})
    description = (
        f"{len(passed)} of {len(shown)} requirements have passed in each of the {len(sequences)} sequences that shows "
        f"them. Not so: {', '.join(sorted(bad)) or 'none'}. Shown by no record: "
        f"{', '.join(name for name in shown if name not in passed | bad) or 'none'}."
    )
    title = "Requirements and the sequences that show them"
    svg = heat_map(title, description, list(shown), sequences, cells, _LEVELS, counted_from=2)
    caption = f"{title}; beside each requirement, in how many of them it has passed"
    return [{"caption": caption, "description": description, "svg": inline(svg, "glance", caption, description)}]
