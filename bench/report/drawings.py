"""What the figures of a record show, small and by itself: `plots.py` draws it, perhaps in another process."""

from __future__ import annotations

from typing import Any, NamedTuple

from bench.record.columns import Trace
from bench.record.reader import Record
from bench.report.decimation import decimate
from bench.report.lines_drawn import Boundary, Duration, Level, boundaries, durations, levels

FIRST = ("ts_voltage", "pack_voltage", "current")
_APART = 20.0  # channels of one unit whose size differs by more get axes of their own
_LANES = 14


class Shared(NamedTuple):
    """What all figures of one page share. Times in s."""

    first_s: float
    last_s: float
    boundaries: list[Boundary]
    levels: list[Level]
    durations: list[Duration]


class Drawing(NamedTuple):
    """Channels of one kind in one figure, in the order in which they are drawn.

    `lines`: of a quantity its times in s and values in `unit`; of a state, where `unit` is None, its stretches (from,
    to, state). `place` numbers the figures of a page, from 1.
    """

    unit: str | None
    lines: dict[str, Any]
    shared: Shared
    place: int
    with_durations: bool


def drawings(record: Record, steps: list[dict[str, Any]]) -> tuple[list[Drawing], list[str]]:
    """What the figures show, and the names of channels that kept one value throughout and are not drawn."""
    moving, still = _sort_channels(record)
    drawn = {name: record.channel(name) for name in moving}
    times = [t for trace in drawn.values() for t in (trace.times[0], trace.times[-1])]
    times += [t for step in steps for t in (step["began_s"], step["ended_s"]) if t is not None]
    if not drawn:
        return [], still
    first, last = min(times), max(times)
    shared = Shared(
        first, max(last, first + 1e-3), boundaries(steps, first, last), levels(record, steps), durations(steps)
    )
    quantities = [name for name in moving if "unit" in record.channels[name]]
    states = [name for name in moving if "unit" not in record.channels[name]]
    groups = quantity_groups(record, quantities, drawn)
    lanes = [states[place : place + _LANES] for place in range(0, len(states), _LANES)]
    ahead = [group for group in groups if set(group) & set(FIRST)]
    kinds = [*ahead, *lanes, *(group for group in groups if group not in ahead)]
    found = []
    for place, names in enumerate(kinds, 1):
        traces = {name: drawn[name] for name in names}
        found.append(drawing(record, traces, shared, place, with_durations=names in lanes[:1]))
    return found, still


def drawing(record: Record, traces: dict[str, Trace], shared: Shared, place: int, with_durations: bool) -> Drawing:
    """Of these traces, all of one kind."""
    import numpy as np

    unit = record.channels[next(iter(traces))].get("unit")
    lines: dict[str, Any] = {}
    for name, trace in traces.items():
        if unit is None:
            lines[name] = segments_of(trace, shared.last_s)
        else:
            lines[name] = decimate(np.asarray(trace.times), np.asarray(trace.values, dtype=float))
    return Drawing(unit, lines, shared, place, with_durations)


def _sort_channels(record: Record) -> tuple[list[str], list[str]]:
    """(names to draw, names that kept one value). The voltages and the current are drawn in any case."""
    names = [name for name in FIRST if name in record.channels]
    names += [name for name in record.channels if name not in names]
    moving: list[str] = []
    still: list[str] = []
    for name in names:
        values = record.changes(name).values
        if not values:
            continue
        changed = any(value != values[0] for value in values)
        (moving if changed or name in FIRST else still).append(name)
    return moving, still


def quantity_groups(record: Record, names: list[str], drawn: dict[str, Any]) -> list[list[str]]:
    """Channels that share axes: same unit and like size."""
    groups: list[tuple[str, float, list[str]]] = []
    for name in names:
        unit = record.channels[name]["unit"]
        size = _size(drawn[name].values)
        for other_unit, other_size, members in groups:
            if unit == other_unit and max(size, other_size) <= _APART * min(size, other_size) and len(members) < 4:
                members.append(name)
                break
        else:
            groups.append((unit, size, [name]))
    return [members for _, _, members in groups]


def _size(values: Any) -> float:
    """The largest finite one, whatever its sign; 0 if there is none."""
    import numpy as np

    values = np.abs(np.asarray(values, dtype=float))
    return float(values.max(where=np.isfinite(values), initial=0.0))


def segments_of(trace: Any, last_s: float) -> list[tuple[float, float, str]]:
    """(from, to, state) of each stretch of one state."""
    found: list[tuple[float, float, str]] = []
    start, word = trace.times[0], trace.values[0]
    for t, value in zip(trace.times, trace.values, strict=True):
        if value != word:
            found.append((start, t, word))
            start, word = t, value
    return [*found, (start, max(last_s, trace.times[-1]), word)]
