"""The closing table of repeated runs, with a small histogram beside each quantity."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from bench.comparing.repeats import INDEX
from bench.judging.limits import show
from bench.verdicts import SHAPES

_BARS = " ▁▂▃▄▅▆▇█"
_KEY = f"""Judged by the worst run, never by the mean.
Ppk: {INDEX.partition(", ")[2]}.
95/95: with 95 % confidence 95 % of such runs lie on the near side of mean + k deviations; it fits where that is inside.
drift: of the line through all runs, with its 95 % interval; * where it is not 0.
r1: correlation of each run with the next; * where they are not independent, and Ppk and 95/95 promise too much.
"""


def print_repeats(repeats: Sequence[Mapping[str, Any]]) -> None:
    """One table a plan; then what n runs without a fail can show."""
    from rich.console import Console

    console = Console(highlight=False)
    if not console.is_terminal:
        console.width = 160
    for plan in repeats:
        console.print(_table(plan))
        console.print(_told(plan), markup=False, soft_wrap=True)
    console.print(_KEY, markup=False, soft_wrap=True)


def _table(plan: Mapping[str, Any]) -> Any:
    from rich.box import SIMPLE
    from rich.table import Table
    from rich.text import Text

    name = f"{plan['sequence']} / {plan['case']}" if plan["case"] else plan["sequence"]
    k = max((quantity["tolerance_factor"] or 0.0 for quantity in plan["quantities"]), default=0.0)
    title = f"{name}: {plan['runs']} runs" + (f", k(95/95) = {k:.3g}" if k else "")
    table = Table(title=Text(title), title_justify="left", box=SIMPLE, pad_edge=False)
    for heading, justify in (
        ("", "left"), ("quantity", "left"), ("mean", "right"), ("deviation", "right"), ("least", "right"),
        ("most", "right"), ("least … most", "left"), ("limit", "left"), ("Ppk", "right"), ("95/95", "left"),
        ("drift a run", "right"), ("r1", "right"),
    ):  # fmt: skip
        table.add_column(heading, justify=justify, no_wrap=heading not in ("quantity", "limit"))
    for quantity in plan["quantities"]:
        table.add_row(*(Text(cell) for cell in _cells(quantity)))
    return table


def _cells(quantity: Mapping[str, Any]) -> tuple[str, ...]:
    unit = quantity["unit"]
    requirement = f" [{quantity['requirement']}]" if quantity["requirement"] else ""
    without = f" ({quantity['missing']} runs without)" if quantity["missing"] else ""
    return (
        SHAPES[quantity["worst"]],
        f"{quantity['label']}{requirement}{without}",
        show(quantity["mean"], unit),
        "" if quantity["sd"] is None else f"{quantity['sd']:.3g} {unit}".rstrip(),
        show(quantity["least"], unit),
        show(quantity["most"], unit),
        bars(quantity["histogram"]),
        quantity["limit"],
        _number(quantity["index"]),
        {True: "fits", False: "not", None: ""}[quantity["tolerance_fits"]],
        _drift(quantity),
        _number(quantity["lag_1"]) + ("" if quantity["independent"] else " *"),
    )


def bars(histogram: Mapping[str, Any] | None) -> str:
    """The counts as a row of bars; every bin that holds a value shows."""
    if histogram is None:
        return "all the same"
    most = max(histogram["counts"])
    steps = len(_BARS) - 1
    return "".join(_BARS[-(-count * steps // most)] for count in histogram["counts"])


def _drift(quantity: Mapping[str, Any]) -> str:
    if quantity["slope"] is None or not quantity["sd"]:
        return ""
    mark = " *" if quantity["drifts"] else ""
    return f"{quantity['slope']:.2g} ± {quantity['slope_uncertainty']:.2g} {quantity['unit']}".rstrip() + mark


def _number(value: float | None) -> str:
    return "" if value is None else f"{value:.3g}"


def _told(plan: Mapping[str, Any]) -> str:
    counts = ", ".join(f"{count} {verdict}" for verdict, count in plan["verdicts"].items())
    text = f"{SHAPES[plan['verdict']]} {plan['verdict']}: {counts}"
    if plan["fails_at_most"] is None:
        return f"{text}; no run was decided"
    return f"{text}; with 95 % confidence at most {100 * plan['fails_at_most']:.2g} % of such runs fail\n"
