"""A comparison in the terminal: what was asked differently, changed verdicts, then the quantities."""

from __future__ import annotations

from collections.abc import Mapping
from itertools import groupby
from typing import Any

from bench.judging.limits import show
from bench.verdicts import SHAPES

#: An outcome is a word and a shape, as a verdict is.
OUTCOMES = {"equivalent": "●", "worse": "✗", "better": "△", "different": "◇", "undecided": "?"}
_MOST = 40


def print_comparison(document: Mapping[str, Any]) -> None:
    """Of many quantities only those that are not equivalent are listed; `--json` and the HTML report have them all."""
    from rich.console import Console

    console = Console(highlight=False)
    if not console.is_terminal:
        console.width = 160

    def line(text: str) -> None:
        console.print(text, markup=False, soft_wrap=True)

    for word in "ab":
        side = document[word]
        counts = ", ".join(f"{count} {verdict}" for verdict, count in side["verdicts"].items())
        line(f"{word.upper()}: {side['name']}, firmware {side['firmware'] or 'not stated'}: {counts}")
    for change in document["inputs"]:
        where = f" in {change['where']}" if change["where"] else ""
        line(f"{'!' if change['weighs'] else ' '} {change['what']}{where}: {change['a']} became {change['b']}")
    for row in document["verdicts"]:
        shape = SHAPES.get(row["b"], " ")
        line(f"{shape} {plan_name(row)}: {row['label']}: {counted(row, 'a')} became {counted(row, 'b')}")
    rows = document["quantities"]
    shown = rows if len(rows) <= _MOST else [row for row in rows if row["outcome"] != "equivalent"]
    for plan, group in groupby(sorted(shown[:_MOST], key=plan_name), key=plan_name):
        console.print(_table(plan, list(group)))
    if len(shown) > _MOST:
        line(f"{len(shown) - _MOST} more that are not equivalent are not shown here")
    if len(shown) < len(rows):
        line(f"{len(rows) - len(shown)} quantities are equivalent and not shown here")
    line(f"margins: {document['margins']}")
    why = f": {'; '.join(document['reasons'])}" if document["reasons"] else ""
    line(f"{OUTCOMES[document['outcome']]} {document['outcome']}{why}")


def plan_name(row: Mapping[str, Any]) -> str:
    return f"{row['sequence']} / {row['case']}" if row["case"] else row["sequence"]


def counted(row: Mapping[str, Any], word: str) -> str:
    """The worst verdict, and how often each came where runs were not of one mind."""
    counts = row[f"{word}_counts"]
    if len(counts) < 2:
        return row[word]
    return f"{row[word]} ({', '.join(f'{count} {verdict}' for verdict, count in counts.items())})"


def _table(plan: str, rows: list[Mapping[str, Any]]) -> Any:
    from rich.box import SIMPLE
    from rich.table import Table
    from rich.text import Text

    table = Table(title=Text(plan), title_justify="left", box=SIMPLE, pad_edge=False)
    for heading, justify in (
        ("", "left"), ("quantity", "left"), ("A", "right"), ("B", "right"), ("B less A", "right"), ("margin", "right"),
        ("outcome", "left"), ("reason", "left"),
    ):  # fmt: skip
        table.add_column(heading, justify=justify)
    for row in rows:
        table.add_row(*(Text(cell) for cell in _cells(row)))
    return table


def _cells(row: Mapping[str, Any]) -> tuple[str, ...]:
    unit = row["unit"]
    requirement = f" [{row['requirement']}]" if row["requirement"] else ""
    moved = ""
    if row["difference"] is not None:
        moved = f"{row['difference']:+.4g}"
        moved += f" ± {row['uncertainty']:.2g} {unit}" if row["uncertainty"] is not None else f" {unit}"
    return (
        OUTCOMES[row["outcome"]],
        f"{row['label']}{requirement}",
        _side(row["a"], unit),
        _side(row["b"], unit),
        moved.rstrip(),
        "none" if row["margin"] is None else f"{row['margin']:.4g} {unit}".rstrip(),
        row["outcome"],
        row["reason"],
    )


def _side(side: Mapping[str, Any], unit: str) -> str:
    if not side["n"]:
        return "-"
    return show(side["mean"], unit) + (f" (of {side['n']})" if side["n"] > 1 else "")
