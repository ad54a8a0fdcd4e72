"""SVG figures of drawings: quantities against time, and contacts and states as lanes.

Text stays text, every figure reads in black and white (line styles, words on the bars), and the same record
gives the same bytes: no date, a fixed salt for ids, and matplotlib's own defaults whatever the user's are.
"""

from __future__ import annotations

import io
import re
from itertools import cycle
from typing import TYPE_CHECKING, Any, NamedTuple

from bench.report.decimation import POINTS

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

    from bench.report.drawings import Drawing, Shared
    from bench.report.lines_drawn import Duration, Level

INK, _FAINT, LIMIT = "#1c1c1c", "#8a8a8a", "#7a1f1f"
STYLES = [("#12343b", "-"), ("#96521a", (0, (5, 1.5))), ("#44603a", (0, (1, 1))), ("#5b4a7d", (0, (6, 1.5, 1, 1.5)))]
RESTING = {"open", "off", "released", "absent", "ok", ""}  # drawn as a thin bar
SETTINGS: dict[Any, Any] = {
    "svg.fonttype": "none", "text.parse_math": False, "font.size": 9, "axes.linewidth": 0.6, "axes.edgecolor": INK,
    "axes.spines.top": False, "axes.spines.right": False, "xtick.major.width": 0.6, "ytick.major.width": 0.6,
    "legend.frameon": False, "path.simplify": True, "font.family": "sans-serif",
}  # fmt: skip


class Plot(NamedTuple):
    """`svg` is whole and safe to put into a page; `caption` and `description` are plain text."""

    caption: str
    description: str
    svg: str


def draw(drawing: Drawing) -> Plot:
    """The figure of a drawing."""
    import matplotlib

    with matplotlib.rc_context():
        matplotlib.rcdefaults()
        matplotlib.rcParams.update(SETTINGS | {"svg.hashsalt": f"topbox-bench {drawing.place}"})
        figure, caption, description = (_draw_lanes if drawing.unit is None else _draw_quantities)(drawing)
        return Plot(caption, description, svg_of(figure, f"plot-{drawing.place}", caption, description))


def get_ready() -> None:
    """Load what `draw` needs, in a process that has time for it."""
    import matplotlib.backends.backend_svg
    import matplotlib.figure  # noqa: F401


def _draw_quantities(drawing: Drawing) -> tuple[Figure, str, str]:
    import numpy as np

    figure, axes = new_axes(2.5, above=0.43)
    shared, unit = drawing.shared, drawing.unit
    ranges = []
    for (name, (times, values)), (colour, dashes) in zip(drawing.lines.items(), cycle(STYLES), strict=False):
        axes.plot(times, values, color=colour, linestyle=dashes, linewidth=1.3, label=name)
        if not np.isnan(values).all():
            ranges.append(f"{name} from {np.nanmin(values):.5g} to {np.nanmax(values):.5g} {unit}")
    for level in _legible([level for level in shared.levels if level.channel in drawing.lines], axes):
        _draw_level(axes, level, shared)
    axes.margins(y=0.08)
    axes.ticklabel_format(axis="y", style="plain", useOffset=False)
    axes.set_ylabel(unit)
    axes.legend(loc="lower left", bbox_to_anchor=(0, 1.07), ncols=4, borderaxespad=0, handlelength=3, fontsize=8.5)
    _time_axis(axes, shared)
    return (
        figure,
        f"{', '.join(drawing.lines)} in {unit}",
        f"Against run time: {'; '.join(ranges) or 'no finite value'}.",
    )


def _draw_lanes(drawing: Drawing) -> tuple[Figure, str, str]:
    shared, names = drawing.shared, list(drawing.lines)
    rows = len(names) + bool(drawing.with_durations and shared.durations)
    figure, axes = new_axes(0.62 + 0.27 * rows, above=0.2)
    words = []
    for row, (name, segments) in enumerate(drawing.lines.items()):
        for from_s, to_s, word in longest(segments):
            active = word not in RESTING
            height = 0.62 if active else 0.12
            face = "#c9d3d6" if active else "#ffffff"
            axes.broken_barh(
                [(from_s, to_s - from_s)], (row - height / 2, height), facecolor=face, edgecolor=INK, linewidth=0.6
            )
            if to_s - from_s > (0.012 * len(str(word)) + 0.01) * (shared.last_s - shared.first_s):
                axes.text((from_s + to_s) / 2, row if active else row - 0.12, str(word), ha="center",
                          va="center" if active else "bottom", fontsize=7, color=INK, clip_on=True)  # fmt: skip
        words.append(f"{name} {_told(segments)}")
    if rows > len(names):
        for duration in shared.durations:
            _draw_duration(axes, duration, rows - 1, shared)
    axes.set_yticks(range(rows), [*names, "measured times"][:rows])
    axes.tick_params(axis="y", length=0)
    axes.set_ylim(rows - 0.4, -0.75)
    axes.spines["left"].set_visible(False)
    _time_axis(axes, shared)
    return figure, f"States of {', '.join(names)}", f"Against run time: {'; '.join(words)}."


def longest(segments: list[tuple[float, float, str]]) -> list[tuple[float, float, str]]:
    """Of more stretches than a plot can hold, the longest (the description still counts them all)."""
    if len(segments) <= POINTS // 2:
        return segments
    shortest = sorted(to_s - from_s for from_s, to_s, _ in segments)[-POINTS // 2]
    return [segment for segment in segments if segment[1] - segment[0] >= shortest]


def _told(segments: list[tuple[float, float, str]]) -> str:
    if len(segments) > 6:
        return f"changes {len(segments) - 1} times"
    return ", then ".join(f"{word} from {from_s:.3f} s" for from_s, _, word in segments)


def _legible(levels: list[Level], axes: Axes) -> list[Level]:
    """Levels that hold for the whole run and lie close together share one label, on the highest; what holds for a step
    only is left out where such a line is there already."""
    close = 0.08 * max(axes.get_ylim()[1] - axes.get_ylim()[0], *(abs(level.value) for level in levels), 0.0)
    whole: list[list[Level]] = []
    for level in sorted((each for each in levels if each.span is None), key=lambda each: each.value):
        if whole and level.value - whole[-1][-1].value < close:
            whole[-1].append(level)
        else:
            whole.append([level])
    shown = []
    for together in whole:
        shown += [level._replace(label="") for level in together[:-1]]
        shown.append(together[-1]._replace(label=", ".join(level.label for level in together)))
    known = {level.value for level in shown}
    return shown + [level for level in levels if level.span is not None and level.value not in known]


def _draw_level(axes: Axes, level: Level, shared: Shared) -> None:
    """A dashed line with its number: above its start if it holds for the whole run, else beside it."""
    whole = shared.last_s - shared.first_s
    from_s, to_s = level.span or (shared.first_s, shared.last_s)
    from_s = min(from_s, max(shared.first_s, to_s - 0.06 * whole))  # an instant is still drawn 6 % wide
    axes.plot([from_s, to_s], [level.value] * 2, color=LIMIT, linewidth=0.9, linestyle=(0, (3, 2)))
    if level.span is None:
        x, offset, align = from_s, (2, 2), ("left", "bottom")
    elif from_s > shared.first_s + 0.2 * whole:
        x, offset, align = from_s, (-3, 0), ("right", "center")
    else:
        x, offset, align = to_s, (3, 0), ("left", "center")
    axes.annotate(level.label, (x, level.value), xytext=offset, textcoords="offset points", ha=align[0], va=align[1],
                  color=LIMIT, fontsize=7.5)  # fmt: skip


def _draw_duration(axes: Axes, duration: Duration, row: int, shared: Shared) -> None:
    """What a `time` step measured, as a bracket, and where its max would have been."""
    to_s = min(duration.to_s, shared.last_s)
    ends = {"arrowstyle": "|-|,widthA=0.25,widthB=0.25", "linewidth": 0.9, "shrinkA": 0, "shrinkB": 0}
    axes.annotate("", (duration.from_s, row), (to_s, row), arrowprops=ends)
    middle = (duration.from_s + to_s) / 2
    whole = shared.last_s - shared.first_s
    align = (
        "left"
        if middle < shared.first_s + 0.15 * whole
        else "right"
        if middle > shared.last_s - 0.15 * whole
        else "center"
    )
    axes.text(middle, row - 0.12, duration.label, ha=align, va="bottom", fontsize=7)
    if duration.latest_s is not None and duration.latest_s <= shared.last_s:
        axes.plot([duration.latest_s] * 2, [row - 0.4, row + 0.4], color=LIMIT, linewidth=0.9, linestyle=(0, (3, 2)))


def new_axes(height: float, above: float) -> tuple[Figure, Axes]:
    """Axes in a figure of `height`, with `above` left for legend and step numbers (inches)."""
    from matplotlib.figure import Figure

    figure = Figure(figsize=(7.6, height))
    axes = figure.add_axes((0.15, 0.42 / height, 0.83, 1 - (0.42 + above) / height))
    return figure, axes


def _time_axis(axes: Axes, shared: Shared) -> None:
    axes.set_xlim(shared.first_s, shared.last_s)
    axes.set_xlabel("run time in s", labelpad=1)
    for t, label, label_s in shared.boundaries:
        axes.axvline(t, color=_FAINT, linewidth=0.6, zorder=0)
        axes.annotate(label, (label_s, 1), xycoords=("data", "axes fraction"), xytext=(1, 1),
                      textcoords="offset points", fontsize=7, va="bottom")  # fmt: skip


def svg_of(figure: Figure, name: str, caption: str, description: str) -> str:
    """The figure as SVG for the inside of a page (see `inline`)."""
    from matplotlib.backends.backend_svg import FigureCanvasSVG

    file = io.StringIO()
    FigureCanvasSVG(figure).print_svg(file, metadata={"Date": None, "Creator": None, "Format": None, "Type": None})
    return inline(file.getvalue(), name, caption, description)


def inline(whole: str, name: str, caption: str, description: str) -> str:
    """A drawn SVG for the inside of a page: no prologue, no outside names, only ids that are used."""
    from html import escape

    box = re.search(r'viewBox="([-\d. ]+)"', whole)
    inside = whole[whole.index(">", whole.index("<svg")) + 1 :]
    inside = re.sub(r"<(metadata|style|title|desc)\b.*?</\1>", "", inside, flags=re.DOTALL)
    inside = re.sub(r"<!--.*?-->", "", inside, flags=re.DOTALL).replace("xlink:href", "href")
    used = set(re.findall(r"#([\w-]+)", inside))
    inside = re.sub(r' id="([^"]*)"', lambda match: match[0] if match[1] in used else "", inside)
    return (
        f'<svg viewBox="{box[1] if box else ""}" role="img" aria-labelledby="{name}-title {name}-desc">'
        f'<title id="{name}-title">{escape(caption)}</title><desc id="{name}-desc">{escape(description)}</desc>{inside}'
    )
