"""The closing tables of a run: every judged step with value and expanded uncertainty, limit, margin,
verdict and requirement."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from itertools import groupby
from typing import Any

from bench.judging.judge import TRIAGE
from bench.judging.limits import show
from bench.verdicts import SHAPES, Verdict

#: Instead of a group.
NO_WIRING = "none is named by the bench file's rules"
COLUMNS = (
    ("", "left"), ("step", "left"), ("value", "right"), ("limit", "left"), ("margin", "right"), ("verdict", "left"),
    ("requirement", "left"), ("reason", "left"),
)  # fmt: skip
WIDE = 120  # characters: on a narrower screen the reasons stand below the table


def looked_for(document: dict[str, Any]) -> bool:
    """Whether this run has a wiring group to name: a run of the triage set that did not pass."""
    return TRIAGE in document["tags"] and document["verdict"] in (Verdict.FAIL, Verdict.INCONCLUSIVE)


def wiring_to_look_at(documents: Sequence[dict[str, Any]]) -> dict[str, int]:
    """Of all triage runs that did not pass: wiring group -> how many of them name it first, most of them in front."""
    firsts = Counter(next(iter(document["wiring"]), NO_WIRING) for document in documents if looked_for(document))
    return dict(firsts.most_common())


def print_outcome(
    documents: list[dict[str, Any]],
    verdict: Verdict,
    planned: int,
    warnings: Sequence[str] = (),
    repeated: bool = False,
) -> None:
    """The step table of a single run, or of each run that did not pass (of `repeated` ones the first of its sequence
    and case); then the verdict of the whole, and warnings."""
    from rich.console import Console

    console = Console(highlight=False)
    if not console.is_terminal:
        console.width = 140
    shown = set()
    for document in documents:
        plan = (document["sequence"], document["case"])
        if len(documents) == 1 or (document["verdict"] != "pass" and not (repeated and plan in shown)):
            shown.add(plan)
            console.print(_steps(document, console.width))
            if console.width < WIDE:
                for step in document["steps"]:
                    if step["reason"]:
                        _line(console, f"{step['path']} {step['name']}: {step['reason']}")
            for invariant in document["invariants"]:
                if invariant["verdict"] != "pass" or invariant["excused"]:
                    _line(console, f"invariant {invariant['name']}: {invariant['verdict']} {invariant['reason']}")
                    for excused in invariant["excused"]:
                        _line(console, f"  excused {excused}")
            if looked_for(document):
                _line(console, f"wiring to look at first: {', then '.join(document['wiring']) or NO_WIRING}")
    if len(documents) == 1:
        _line(console, f"record: {documents[0]['record']}")
    counts = {word: sum(document["verdict"] == word for document in documents) for word in SHAPES if word}
    told = ", ".join(f"{count} {word}" for word, count in counts.items() if count)
    if planned > len(documents):
        told += f", {planned - len(documents)} not begun"
    virtual_s = sum(document["virtual_s"] for document in documents)
    _line(console, f"{SHAPES[str(verdict)]} {verdict}: {told}; {virtual_s:.1f} s of bench time")
    if groups := wiring_to_look_at(documents):
        told = ", ".join(
            f"{group} (first in {count} of {sum(groups.values())} runs)" for group, count in groups.items()
        )
        _line(console, f"Wiring to look at first: {told}")
    for warning in warnings:
        _line(console, warning)


def _line(console: Any, text: str) -> None:
    console.print(text, markup=False, soft_wrap=True)


def _steps(document: dict[str, Any], width: int) -> Any:
    from rich.box import SIMPLE
    from rich.table import Table
    from rich.text import Text

    name = f"{document['sequence']} / {document['case']}" if document["case"] else document["sequence"]
    table = Table(title=Text(name), title_justify="left", box=SIMPLE, pad_edge=False)
    columns = COLUMNS if width >= WIDE else COLUMNS[:-1]
    for heading, justify in columns:
        most = width // 4 if heading == "reason" else None
        wraps = heading in ("step", "limit", "reason")
        table.add_column(heading, justify=justify, max_width=most, no_wrap=not wraps, overflow="fold")
    for not_run, group in groupby(
        document["steps"], lambda step: step["verdict"] == "not-run" and step["began_s"] is None
    ):
        steps = list(group)
        if not_run and len(steps) > 1:
            table.add_row(
                SHAPES["not-run"], f"{len(steps)} steps from {steps[0]['path']} on: not reached", "", "", "", "not-run"
            )
            continue
        for step in steps:
            table.add_row(*(Text(cell) for cell in _cells(step)[: len(columns)]))
    return table


def _cells(step: dict[str, Any]) -> tuple[str, ...]:
    unit = step["unit"]
    return (
        SHAPES[step["verdict"]],
        f"{step['path']} {step['name']}",
        _measured(step) if step["value"] is not None else "",
        step["limit"],
        show(step["margin"], unit) if step["margin"] is not None else "",
        step["verdict"] or "",
        step["requirement"] or "",
        step["reason"],
    )


def _measured(step: dict[str, Any]) -> str:
    """The value with its expanded uncertainty, where it has one."""
    if not step["uncertainty"]:
        return show(step["value"], step["unit"])
    return f"{show(step['value'])} ± {step['uncertainty']:.2g} {step['unit']}".rstrip()
