"""SVG figures of two sides laid over each other: the channels that both have, and the differences in their margins.

Line styles and words tell A from B, so that the figures read in black and white.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from typing import TYPE_CHECKING, Any

from bench.comparing.comparison_table import plan_name
from bench.record.columns import Trace
from bench.record.reader import Record
from bench.report.decimation import POINTS, decimate
from bench.report.drawings import quantity_groups, segments_of
from bench.report.plots import (
    INK,
    LIMIT,
    RESTING,
    SETTINGS,
    STYLES,
    Plot,
    longest,
    new_axes,
    svg_of,
)

if TYPE_CHECKING:
    from matplotlib.figure import Figure

_LANES = 10
_WIDEST = 3.0  # margins either side that the figure of differences shows

Traces = Mapping[str, tuple[Trace, Trace]]


def overlays(a: Record, b: Record, name: str) -> list[Plot]:
    """The figures of the channels that both records have and that moved in one of them; `name` makes ids unique."""
    shared = {channel: (a.channel(channel), b.channel(channel)) for channel in a.channels if channel in b.channels}
    moving = {
        channel: sides
        for channel, sides in shared.items()
        if all(side.values for side in sides) and len({value for side in sides for value in side.values}) > 1
    }
    quantities = [channel for channel in moving if "unit" in a.channels[channel]]
    states = [channel for channel in moving if "unit" not in a.channels[channel]]
    groups = [
        part
        for group in quantity_groups(a, quantities, {channel: moving[channel][0] for channel in quantities})
        for part in (group[place : place + 2] for place in range(0, len(group), 2))
    ]
    lanes = [states[place : place + _LANES] for place in range(0, len(states), _LANES)]
    return [
        _made(f"{name}-{place}", lambda channels=channels: _quantities(a, channels, moving))
        for place, channels in enumerate(groups)
    ] + [
        _made(f"{name}-lanes-{place}", lambda channels=channels: _lanes(channels, moving))
        for place, channels in enumerate(lanes)
    ]


def differences_plot(rows: Sequence[Mapping[str, Any]]) -> Plot:
    """Each difference with its 95 % interval, in units of its margin. `rows` have a margin and an uncertainty."""
    return _made("differences", lambda: _differences(rows))


def _made(name: str, draw: Callable[[], tuple[Figure, str, str]]) -> Plot:
    import matplotlib

    with matplotlib.rc_context():
        matplotlib.rcdefaults()
        matplotlib.rcParams.update(SETTINGS | {"svg.hashsalt": f"topbox-bench {name}"})
        figure, caption, description = draw()
        return Plot(caption, description, svg_of(figure, name, caption, description))


def _quantities(record: Record, channels: Sequence[str], moving: Traces) -> tuple[Figure, str, str]:
    import numpy as np

    figure, axes = new_axes(2.6, above=0.3)
    unit = record.channels[channels[0]]["unit"]
    told = []
    for place, channel in enumerate(channels):
        for side, trace, (colour, dashes) in zip("AB", moving[channel], STYLES[2 * place :], strict=False):
            times, values = decimate(np.asarray(trace.times), np.asarray(trace.values, dtype=float), POINTS)
            axes.plot(times, values, color=colour, linestyle=dashes, linewidth=1.3, label=f"{side} {channel}")
            if not np.isnan(values).all():
                told.append(f"{channel} of {side} from {np.nanmin(values):.5g} to {np.nanmax(values):.5g} {unit}")
    axes.margins(y=0.08)
    axes.ticklabel_format(axis="y", style="plain", useOffset=False)
    axes.set_ylabel(unit)
    axes.set_xlabel("run time in s", labelpad=1)
    axes.legend(loc="lower left", bbox_to_anchor=(0, 1.0), ncols=4, borderaxespad=0, handlelength=3, fontsize=8.5)
    return figure, f"{', '.join(channels)} in {unit}, A and B", f"Against run time: {'; '.join(told)}."


def _lanes(channels: Sequence[str], moving: Traces) -> tuple[Figure, str, str]:
    figure, axes = new_axes(0.62 + 0.42 * len(channels), above=0.2)
    last_s = max(side.times[-1] for channel in channels for side in moving[channel])
    told = []
    for row, channel in enumerate(channels):
        for side, trace, middle in zip("AB", moving[channel], (row - 0.18, row + 0.18), strict=True):
            segments = segments_of(trace, last_s)
            for from_s, to_s, word in longest(segments):
                active = word not in RESTING
                height = 0.28 if active else 0.06
                axes.broken_barh(
                    [(from_s, to_s - from_s)], (middle - height / 2, height), edgecolor=INK, linewidth=0.6,
                    facecolor=("#c9d3d6" if side == "A" else "#f0dcc8") if active else "#ffffff",
                )  # fmt: skip
            told.append(f"{channel} of {side} changes {len(segments) - 1} times")
    axes.set_yticks(
        [row + off for row in range(len(channels)) for off in (-0.18, 0.18)],
        [f"{channel} {side}" if side == "A" else side for channel in channels for side in "AB"],
    )
    axes.tick_params(axis="y", length=0, labelsize=7.5)
    axes.set_ylim(len(channels) - 0.5, -0.5)
    axes.spines["left"].set_visible(False)
    axes.set_xlabel("run time in s", labelpad=1)
    return figure, f"States of {', '.join(channels)}, A above B", f"Against run time: {'; '.join(told)}."


def _differences(rows: Sequence[Mapping[str, Any]]) -> tuple[Figure, str, str]:
    from matplotlib.figure import Figure

    height = 0.75 + 0.19 * len(rows)
    figure = Figure(figsize=(7.6, height))
    axes = figure.add_axes((0.42, 0.42 / height, 0.55, 1 - 0.55 / height))
    axes.axvspan(-1, 1, facecolor="#e9edef", zorder=0)
    for edge in (-1, 1):
        axes.axvline(edge, color=LIMIT, linewidth=0.9, linestyle=(0, (3, 2)))
    axes.axvline(0, color=INK, linewidth=0.6)
    for place, row in enumerate(rows):
        d, half = row["difference"] / row["margin"], row["uncertainty"] / row["margin"]
        shown = min(max(d, -_WIDEST), _WIDEST)
        axes.plot([max(d - half, -_WIDEST), min(d + half, _WIDEST)], [place] * 2, color=INK, linewidth=1.1)
        marker = "o" if shown == d else ">" if d > 0 else "<"
        filled = row["outcome"] == "equivalent"
        axes.plot([shown], [place], marker, color=INK, markersize=4, markerfacecolor=INK if filled else "#ffffff")
    several = len({plan_name(row) for row in rows}) > 1
    names = [f"{plan_name(row)}, {row['label']}" if several else row["label"] for row in rows]
    labels = [f"{name}: {row['outcome']}" for name, row in zip(names, rows, strict=True)]
    axes.set_yticks(range(len(rows)), labels, fontsize=6 if several else 7.5)
    axes.tick_params(axis="y", length=0)
    axes.set_ylim(len(rows) - 0.4, -0.6)
    axes.set_xlim(-_WIDEST - 0.1, _WIDEST + 0.1)
    axes.set_xlabel("B less A, in margins", labelpad=1)
    told = "; ".join(f"{row['label']} {row['difference'] / row['margin']:+.2f}, {row['outcome']}" for row in rows)
    return figure, "Differences with their 95 % intervals, in units of the margin", f"In margins: {told}."
