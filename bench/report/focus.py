"""What the one figure of a step shows, which tells best how it was judged: the channels it names, around its time."""

from __future__ import annotations

import re
from bisect import bisect_left, bisect_right
from collections.abc import Mapping
from typing import Any

from bench.record.columns import Trace
from bench.record.reader import Record
from bench.report.drawings import FIRST, Drawing, Shared, drawing
from bench.report.lines_drawn import boundaries, durations, levels, sequence_texts

_ROOM = 0.35  # shown before and after the step, as a part of its length
_LEAST_ROOM_S = 0.05
_MOST_LANES = 8
_WORD = re.compile(r"[a-z][a-z0-9_]*")


def focused_drawing(record: Record, steps: list[dict[str, Any]], path: str, place: int) -> Drawing | None:
    """For the step at `path` (the whole run where that is ''); None where nothing was recorded of it."""
    step = next((step for step in steps if step["path"] == path and path), None)
    names = [name for name in _named(record, step) if record.changes(name).times]
    quantities = [name for name in names if "unit" in record.channels[name]]
    unit = record.channels[quantities[0]]["unit"] if quantities else None
    shown = [name for name in quantities if record.channels[name]["unit"] == unit][:4] or names[:_MOST_LANES]
    if not shown:
        return None
    traces = {name: record.channel(name) for name in shown}
    first = min(trace.times[0] for trace in traces.values())
    last = max(trace.times[-1] for trace in traces.values())
    if step is not None and None not in (step["began_s"], step["ended_s"]):
        room = max(_ROOM * (step["ended_s"] - step["began_s"]), _LEAST_ROOM_S)
        began = min([step["began_s"], *(duration.from_s for duration in durations([step]))])
        first, last = max(first, began - room), max(min(last, step["ended_s"] + room), first + 1e-3)
    near = [each for each in steps if each["began_s"] is not None and first <= each["began_s"] <= last]
    own = [step] if step is not None else near
    within = [level for level in levels(record, own) if level.span is None or level.span[1] >= first]
    shared = Shared(first, last, boundaries(near, first, last), within, durations(own))
    drawn = {name: _part(trace, first, last) for name, trace in traces.items()}
    return drawing(record, drawn, shared, place, with_durations=True)


def _named(record: Record, step: Mapping[str, Any] | None) -> list[str]:
    """The channels in the step's own text, in its order; the main voltages and the current for a whole run."""
    if step is not None:
        for entry in sequence_texts(record):
            if isinstance(entry, Mapping) and entry.get("name") == step["name"] and step["kind"] in entry:
                words = _WORD.findall(" ".join(map(str, entry.values())))
                if found := [name for name in dict.fromkeys(words) if name in record.channels]:
                    return found
    return [name for name in FIRST if name in record.channels] or list(record.channels)


def _part(trace: Trace, first: float, last: float) -> Trace:
    """The samples between two times and the ones next to them, which say where the lines come from and go to."""
    start = max(bisect_left(trace.times, first) - 1, 0)
    end = bisect_right(trace.times, last) + 1
    return Trace(trace.times[start:end], trace.values[start:end])
