"""A measured quantity over firmware versions: one row a firmware, and one figure."""

from __future__ import annotations

import io
from itertools import cycle
from math import nan
from pathlib import Path
from statistics import fmean, stdev
from typing import Any, NamedTuple

from bench.errors import InputError
from bench.record.index import Filter, Index
from bench.verdicts import Verdict, worst

_MOST_SERIES = 8
_INK, _LIMIT = "#1c1c1c", "#7a1f1f"
_MARKS = cycle("osD^vPX*")
_FORMATS = (".svg", ".png", ".pdf")


class Row(NamedTuple):
    """One quantity at one firmware. `values` in `unit`, oldest first; `min` and `max` are the latest limit's."""

    series: str
    firmware: str
    values: list[float]
    unit: str
    min: float | None
    max: float | None
    verdict: Verdict

    @property
    def mean(self) -> float:
        return fmean(self.values)

    @property
    def deviation(self) -> float:
        """Standard deviation of the sample; NaN for a single value."""
        return stdev(self.values) if len(self.values) > 1 else nan


def trend(index: Index, quantity: str, wanted: Filter) -> list[Row]:
    """`quantity` is a requirement's id or a step's name. Only values of one step of one sequence and case are put
    together, and simulated ones stay apart; firmware comes in the order in which it was first run.

    Raises InputError where there is no such value, or too many kinds of it for one look.
    """
    order: dict[str, None] = {}
    groups: dict[tuple[str, str], list[dict[str, Any]]] = {}
    for entry, step in index.measured(quantity, wanted):
        digest = f" ({entry.firmware_sha256[:12]})" if entry.firmware_sha256 else ""
        firmware = f"{entry.firmware}{digest}".strip() or "not stated"
        case = f" / {entry.case}" if entry.case else ""
        marked = ", simulated" if entry.simulated else ""
        order[firmware] = None
        groups.setdefault((f"{entry.sequence}{case}: {step['name']}{marked}", firmware), []).append(step)
    series = sorted({name for name, _ in groups})
    if not groups:
        raise InputError.at(
            "--trend", f"no closed record here holds a value of {quantity!r}", "name a requirement or a step"
        )
    if len(series) > _MOST_SERIES:
        right = "narrow it with --sequence NAME or --case NAME"
        raise InputError.at("--trend", f"{quantity!r} was measured in {len(series)} different ways", right)
    rows = []
    for name in series:
        for firmware in order:
            if steps := groups.get((name, firmware)):
                last = steps[-1]
                verdict = worst(Verdict(step["verdict"]) for step in steps if step["verdict"])
                values = [step["value"] for step in steps]
                rows.append(Row(name, firmware, values, last["unit"], last["min"], last["max"], verdict))
    return rows


def write_trend(rows: list[Row], quantity: str, path: Path) -> None:
    """The figure, as .svg, .png or .pdf. Raises InputError for another name, or if it cannot be written."""
    from matplotlib.figure import Figure

    from bench.record.manifest import write_whole

    if path.suffix.lower() not in _FORMATS:
        raise InputError.at(path, "is no kind of figure", f"end its name in {', '.join(_FORMATS)}")
    firmware = list(dict.fromkeys(row.firmware for row in rows))
    names = list(dict.fromkeys(row.series for row in rows))
    figure = Figure(figsize=(7.6, 3.6 + 0.2 * len(names)), layout="constrained")
    axes = figure.add_subplot()
    for name, mark in zip(names, _MARKS, strict=False):
        mine = [row for row in rows if row.series == name]
        at = [firmware.index(row.firmware) for row in mine]
        (line,) = axes.plot(at, [row.mean for row in mine], marker=mark, color=_INK, linewidth=0.8, label=name)
        for place, row in zip(at, mine, strict=True):
            axes.plot(
                [place] * len(row.values), row.values, mark, color=line.get_color(), markersize=3, fillstyle="none"
            )
            for edge in ("min", "max"):
                if (limit := getattr(row, edge)) is not None:
                    axes.plot(
                        [place - 0.35, place + 0.35], [limit] * 2, color=_LIMIT, linestyle=(0, (3, 2)), linewidth=1
                    )
                    axes.annotate(f"{edge} {limit:.5g}", (place + 0.35, limit), xytext=(2, 0), color=_LIMIT, fontsize=7,
                                  textcoords="offset points", va="center")  # fmt: skip
    axes.set_xticks(range(len(firmware)), firmware)
    axes.set_xlim(-0.6, len(firmware) - 0.4)
    axes.margins(y=0.12)
    axes.set_xlabel("firmware, in the order in which it was first run")
    axes.set_ylabel(f"{quantity} in {rows[0].unit}" if rows[0].unit else quantity)
    axes.spines[["top", "right"]].set_visible(False)
    figure.legend(loc="outside upper left", frameon=False, fontsize=8)
    file = io.BytesIO()
    metadata = {"Date": None} if path.suffix.lower() == ".svg" else {}
    figure.savefig(file, format=path.suffix[1:].lower(), dpi=150, metadata=metadata)
    try:
        write_whole(path, file.getvalue())
    except OSError as error:
        raise InputError.at(path, f"cannot be written: {error.strerror}") from error
