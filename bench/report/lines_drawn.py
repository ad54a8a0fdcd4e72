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


def boundaries(steps: list[dict[str, Any]], span_s: float, most: int = 60) -> list[tuple[float, str]]:
    """(time, label) of the step starts; starts whose labels would run into each other share one. Empty if there are
    more than `most` even so."""
    starts = sorted(
        (step["began_s"], place, step["path"]) for place, step in enumerate(steps) if step["began_s"] is not None
    )
    if not starts:
        return []
    end = starts[0][0] + span_s
    groups: list[tuple[float, list[str]]] = []
    for t, _, path in starts:
        if groups and min(t, end - _width([path], span_s)) < groups[-1][0] + _width(groups[-1][1], span_s):
            groups[-1][1].append(path)
        else:
            groups.append((t, [path]))
    while len(groups) > 1 and end - _width(groups[-1][1], span_s) < groups[-2][0] + _width(groups[-2][1], span_s):
        groups[-2][1].extend(groups.pop()[1])  # the last label is set to the left of its line
    return [(t, _label(paths)) for t, paths in groups] if len(groups) <= most else []


def _label(paths: list[str]) -> str:
    first, last = (path.replace("afterwards.", "after ") for path in (paths[0], paths[-1]))
    if len(paths) == 1:
        return first
    return f"{first}–{last.removeprefix('after ') if first.startswith('after ') else last}"


def _width(paths: list[str], span_s: float) -> float:
    """How long a label is, s on a plot of `span_s`: a letter takes about 1 % of it."""
    return (0.01 * len(_label(paths)) + 0.01) * span_s


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
