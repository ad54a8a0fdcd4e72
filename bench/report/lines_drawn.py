"""Which limits and step boundaries belong into the plots.

A level is drawn where the record knows its number: limits of `check` steps on a plain channel (as evaluated
at their instant) and quantities that the sequence compares a channel with (`ts_voltage < 60 V`).
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from contextlib import suppress
from typing import Any, NamedTuple

from bench.record.reader import Record
from bench.report.register import load_yaml

_COMPARED = re.compile(r"\b([a-z][a-z0-9_]*)\s*(?:<=|>=|<|>)\s*(-?\d+(?:\.\d+)?)\s*([A-Za-z%]+)")


class Level(NamedTuple):
    """A limit on `channel`, in the channel's unit, valid between two run times (None: the whole run)."""

    channel: str
    value: float
    label: str
    span: tuple[float, float] | None = None


class Duration(NamedTuple):
    """A `time` step: measured from `from_s` to `to_s`; `latest_s` is where its max would have been reached."""

    from_s: float
    to_s: float
    latest_s: float | None
    label: str


class Boundary(NamedTuple):
    """Steps that begin at `t`; `label` names them, and begins at `label_s`. Times in s."""

    t: float
    label: str
    label_s: float


def levels(record: Record, steps: list[dict[str, Any]]) -> list[Level]:
    texts = list(sequence_texts(record))
    found = dict.fromkeys(_compared_levels(record, texts))
    checked = {name: channel for step in texts for name, channel in _checked_channel(step)}
    for step in steps:
        channel = checked.get(step["name"], "")
        if step["kind"] != "check" or record.channels.get(channel, {}).get("unit") != step["unit"]:
            continue
        for edge in ("min", "max"):
            if isinstance(step[edge], int | float) and step["began_s"] is not None and step["ended_s"] is not None:
                label = f"{step['path']}: {edge} {step[edge]:.5g} {step['unit']}"
                found[Level(channel, step[edge], label, (step["began_s"], step["ended_s"]))] = None
    return list(found)


def durations(steps: list[dict[str, Any]]) -> list[Duration]:
    found = []
    for step in steps:
        value, ended = step["value"], step["ended_s"]
        if step["kind"] == "time" and step["unit"] == "s" and isinstance(value, float) and ended is not None:
            start = ended - value  # often before the step began: it looks back to the last stimulus
            latest = start + step["max"] if isinstance(step["max"], int | float) else None
            limit = f" (max {step['max']:.4g} s)" if latest is not None else ""
            found.append(Duration(start, start + value, latest, f"{step['path']}: {value:.4g} s{limit}"))
    return found


def boundaries(steps: list[dict[str, Any]], first_s: float, last_s: float, most: int = 60) -> list[Boundary]:
    """The step starts in a plot from `first_s` to `last_s`; starts whose labels would run into each other share one.
    Empty if there are more than `most` even so."""
    starts = sorted(
        (step["began_s"], place, step["path"]) for place, step in enumerate(steps) if step["began_s"] is not None
    )
    groups: list[tuple[float, list[str]]] = []
    for t, _, path in starts:
        groups.append((t, [path]))
        while len(groups) > 1 and _from_to(groups[-1], first_s, last_s)[0] < _from_to(groups[-2], first_s, last_s)[1]:
            groups[-2][1].extend(groups.pop()[1])
    if len(groups) > most:
        return []
    return [Boundary(t, _label(paths), _from_to((t, paths), first_s, last_s)[0]) for t, paths in groups]


def _from_to(group: tuple[float, list[str]], first_s: float, last_s: float) -> tuple[float, float]:
    """Where its label begins and ends, s: at its line, or at the end of the plot where there is too little room. A
    letter takes about 1 % of the plot."""
    t, paths = group
    width = (0.01 * len(_label(paths)) + 0.01) * (last_s - first_s)
    begins = min(t, last_s - width)
    return begins, begins + width


def _label(paths: list[str]) -> str:
    first, last = (path.replace("afterwards.", "after ") for path in (paths[0], paths[-1]))
    if len(paths) == 1:
        return first
    return f"{first}–{last.removeprefix('after ') if first.startswith('after ') else last}"


def _compared_levels(record: Record, texts: list[Any]) -> Iterator[Level]:
    for text in texts:
        for channel, number, unit in _COMPARED.findall(text) if isinstance(text, str) else ():
            if record.channels.get(channel, {}).get("unit") == unit:
                yield Level(channel, float(number), f"{number} {unit}")


def _checked_channel(step: Any) -> Iterator[tuple[str, str]]:
    if isinstance(step, Mapping) and isinstance(step.get("check"), str):
        yield str(step.get("name", "")), step["check"].strip()


def sequence_texts(record: Record) -> Iterator[Any]:
    """Every mapping and every text in sequence.yaml and the sequences it uses."""
    paths = [record.folder / "sequence.yaml", *sorted(record.folder.glob("uses/*.yaml"))]
    for path in paths:
        with suppress(RecursionError):
            yield from _walk(load_yaml(record.text(path.relative_to(record.folder).as_posix())))


def _walk(data: Any) -> Iterator[Any]:
    if isinstance(data, Mapping):
        yield data
        for item in data.values():
            yield from _walk(item)
    elif isinstance(data, list):
        for item in data:
            yield from _walk(item)
    elif isinstance(data, str):
        yield data
