"""The tables of a sweep on the terminal: what was found first is what is wrong."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from bench.sweep import detection
from bench.sweep.intervals import CONFIDENCE, share_at_least
from bench.verdicts import SHAPES, Verdict

if TYPE_CHECKING:
    from bench.sweep.detection import Detection, Detections
    from bench.sweep.tolerance import Tolerances

NAMES_SHOWN = 3
_SHAPES = {detection.UNDETECTED: "✗", detection.UNDECIDED: "?", detection.UNNAMED: "◐", detection.NAMED: "●"}


def print_detections(found: Detections, first: bool) -> None:
    """`first`: each defect was left at the run that settled it, so it is not said how many more find it."""
    console = _console()
    for outcome in found.unsound:
        console.print(f"{SHAPES[outcome.verdict]} not believed: {outcome.run} is {outcome.verdict} on the healthy box: "
                      f"{outcome.reason}", markup=False, soft_wrap=True)  # fmt: skip
    table = _table("", "defect", "", "breaks", "named", "found by", "soonest at", "after", "in")
    for row in found.rows:
        table.add_row(*_cells(row, first))
    console.print(table)
    for row in found.rows:
        if row.standing != detection.NAMED:
            hidden = f" (hidden by the {row.defect.hidden_by})" if row.defect.hidden_by else ""
            line = f"{_SHAPES[row.standing]} {row.standing}: {row.defect.name}: {row.defect.meaning}{hidden}"
            console.print(line, markup=False, soft_wrap=True)
    caught, tried = found.count(detection.NAMED, detection.UNNAMED), len(found.rows)
    told = [f"{caught} of {tried} defects found"]
    if tried:
        told[0] += f" (at least {share_at_least(caught, tried):.1%} of such defects, {CONFIDENCE:.0%} one-sided)"
    told.append(f"{found.count(detection.NAMED)} with a requirement that they break")
    if tried < found.planned:
        told.append(f"{found.planned - tried} not tried")
    _close(console, found.verdict, told, found.virtual_s)


def _cells(row: Detection, first: bool) -> tuple[Any, ...]:
    from rich.text import Text

    catches, fastest = row.catches, row.fastest
    names = list(dict.fromkeys(outcome.run for outcome in catches))
    more = f" and {len(names) - NAMES_SHOWN} more" if len(names) > NAMES_SHOWN else ""
    shown = ", ".join(names[:NAMES_SHOWN]) + more
    count = "" if first or not catches else f"{len(catches)} of {len(row.outcomes)}: "
    cells = [_SHAPES[row.standing], row.defect.name, row.defect.kind, " ".join(row.defect.breaks), " ".join(row.named)]
    cells += [count + shown]
    if fastest is None:
        cells += [row.standing, "", ""]
    else:
        outcome, finding = fastest
        cells += [finding.where, f"{finding.after_s:.3g} s", outcome.run]
    return tuple(map(Text, cells))


def print_tolerances(found: Tolerances) -> None:
    console = _console()
    for row in found.rows:
        if row.verdict is Verdict.PASS:
            break
        values = ", ".join(f"{name}={value:.6g}" for name, value in row.parameters.items())
        for outcome in row.outcomes:
            if outcome.verdict != Verdict.PASS:
                console.print(f"{SHAPES[outcome.verdict]} draw {row.number}: {outcome.run}: {outcome.verdict} - "
                              f"{outcome.reason}", markup=False, soft_wrap=True)  # fmt: skip
        console.print(f"  period {row.period_s * 1e3:g} ms; {values}", markup=False, soft_wrap=True)
    draws = len(found.rows)
    runs = sum(len(row.outcomes) for row in found.rows)
    told = [f"{found.false_fails} of {draws} healthy boxes failed in {runs} runs, seed {found.seed}"]
    told.append(f"at most {found.at_most:.2%} of them do (Clopper-Pearson, {CONFIDENCE:.0%} one-sided)")
    if draws < found.planned:
        told.append(f"{found.planned - draws} not tried")
    _close(console, found.verdict, told, found.virtual_s)


def _console() -> Any:
    from rich.console import Console

    console = Console(highlight=False)
    if not console.is_terminal:
        console.width = 200
    return console


def _table(*headings: str) -> Any:
    from rich.box import SIMPLE
    from rich.table import Table

    table = Table(box=SIMPLE, pad_edge=False)
    for heading in headings:
        table.add_column(heading, justify="right" if heading == "after" else "left")
    return table


def _close(console: Any, verdict: Verdict, told: list[str], virtual_s: float) -> None:
    text = f"{SHAPES[str(verdict)]} {verdict}: {'; '.join(told)}; {virtual_s:.0f} s of bench time"
    console.print(text, markup=False, soft_wrap=True)
