"""A heat map as an SVG of its own: what meets what, and how well.

Each level is a mark of its own shape on a grey of its own, so that it reads in black and white and without seeing
colours; text stays text; the same cells give the same bytes.
"""

from __future__ import annotations

import io
from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any, NamedTuple

if TYPE_CHECKING:
    from matplotlib.axes import Axes

_INK, _LINE = "#1c1c1c", "#d8d8d8"
_GUIDE, _EVERY, _LARGE = "#8a8a8a", 10, 40  # darker lines to follow, and from how many rows on the labels stand twice
_CELL_IN, _LETTER_IN = 0.16, 0.075  # width of a cell, and of a letter of the labels
_SETTINGS: dict[Any, Any] = {
    "svg.fonttype": "none", "svg.hashsalt": "topbox-bench", "text.parse_math": False, "font.size": 7.5,
    "font.family": "sans-serif", "axes.edgecolor": _INK, "axes.linewidth": 0.6,
}  # fmt: skip


class Level(NamedTuple):
    """`marker` and `grey` (0 black, 1 white) together say it; `meaning` stands in the legend."""

    meaning: str
    marker: str
    grey: float


def heat_map(
    title: str,
    description: str,
    rows: Sequence[str],
    columns: Sequence[str],
    cells: Mapping[tuple[str, str], int],
    levels: Sequence[Level],
    counted_from: int = 0,
) -> str:
    """`cells`: (row, column) -> index into `levels`; what is not there stays blank. Beside each row stands how many of
    its cells have a level from `counted_from` on."""
    import matplotlib
    from matplotlib.backends.backend_svg import FigureCanvasSVG
    from matplotlib.figure import Figure

    with matplotlib.rc_context():
        matplotlib.rcdefaults()
        matplotlib.rcParams.update(_SETTINGS)
        left = 0.3 + _LETTER_IN * max(map(len, rows), default=1)
        bottom = 0.2 + _LETTER_IN * max(map(len, columns), default=1)
        legend = 0.5 + 0.16 * (len(levels) + 1)
        top = legend + (bottom if len(rows) >= _LARGE else 0.0)
        size = left + _CELL_IN * len(columns) + 0.5, bottom + _CELL_IN * len(rows) + top
        size = max(size[0], 6.0), size[1]
        figure = Figure(figsize=size)
        area = left / size[0], bottom / size[1], _CELL_IN * len(columns) / size[0], _CELL_IN * len(rows) / size[1]
        _draw(figure.add_axes(area), rows, columns, cells, levels, counted_from)
        figure.text(0.1 / size[0], 1 - 0.25 / size[1], title, fontsize=11, fontweight="bold", color=_INK)
        marks = [_mark(level) for level in levels]
        figure.legend(
            marks, [level.meaning for level in levels], loc="upper left", frameon=False, borderaxespad=0.0,
            bbox_to_anchor=(0.1 / size[0], 1 - 0.38 / size[1]), handletextpad=0.4, labelspacing=0.45, handlelength=1.2,
        )  # fmt: skip
        file = io.StringIO()
        FigureCanvasSVG(figure).print_svg(file, metadata={"Date": None, "Creator": None, "Title": title})
    return _described(file.getvalue(), description)


def _draw(
    axes: Axes, rows: Sequence[str], columns: Sequence[str], cells: Mapping[tuple[str, str], int],
    levels: Sequence[Level], counted_from: int,
) -> None:  # fmt: skip
    across = {name: place for place, name in enumerate(columns)}
    down = {name: place for place, name in enumerate(rows)}
    for number, level in enumerate(levels):
        at = [(across[column], down[row]) for (row, column), found in cells.items() if found == number]
        if at:
            x, y = zip(*at, strict=True)
            # A marker of a cell's size, not a patch each: the file stays small.
            axes.scatter(x, y, marker="s", s=(72 * _CELL_IN) ** 2, color=str(level.grey), linewidth=0, zorder=1)
            axes.scatter(x, y, marker=level.marker, s=14, zorder=3, **_ink(level))
    axes.set_xlim(-0.5, len(columns) - 0.5)
    axes.set_ylim(len(rows) - 0.5, -0.5)
    axes.set_xticks(range(len(columns)), columns, rotation=90)
    axes.set_yticks(range(len(rows)), rows)
    axes.tick_params(length=0)
    if len(rows) >= _LARGE:
        axes.tick_params(labeltop=True)
    for line, count in ((axes.axvline, len(columns)), (axes.axhline, len(rows))):
        for place in range(1, count):
            line(place - 0.5, color=_LINE if place % _EVERY else _GUIDE, linewidth=0.4, zorder=2)
    for row, place in down.items():
        count = sum(row == other and found >= counted_from for (other, _), found in cells.items())
        axes.text(len(columns) - 0.3, place, str(count), va="center", fontweight="bold" if not count else "normal")


def _ink(level: Level) -> dict[str, Any]:
    """White on dark; open shapes as lines."""
    colour = "white" if level.grey < 0.5 else _INK
    return {"color": colour, "linewidth": 0.8} if level.marker in "x+" else {"color": colour, "linewidth": 0}


def _mark(level: Level) -> Any:
    """As it looks in the picture: the mark on its grey."""
    from matplotlib.lines import Line2D

    colours = {"markeredgecolor" if level.marker in "x+" else "color": _ink(level)["color"]}
    return (
        Line2D([], [], linestyle="none", marker="s", markersize=8, color=str(level.grey)),
        Line2D([], [], linestyle="none", marker=level.marker, markersize=4, markeredgewidth=0.8, **colours),
    )


def _described(svg: str, description: str) -> str:
    """With a description for those who do not see it."""
    from html import escape

    svg = svg.replace("<svg ", '<svg role="img" ', 1)
    return svg.replace("</title>", f"</title>\n <desc>{escape(description)}</desc>", 1)
