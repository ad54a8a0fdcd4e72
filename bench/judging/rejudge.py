"""Folding a record: the same judge, fed from the disk instead of from a bench."""

from __future__ import annotations

from collections.abc import Sequence
from math import isclose
from pathlib import Path
from typing import Any

from bench.judging.document import run_document
from bench.judging.judge import Judge
from bench.language.loading import load_plan_from_record
from bench.record.lines import strict
from bench.record.reader import read_record


def rejudge(
    folder: Path, rule: str | None = None, limits: Path | None = None
) -> tuple[dict[str, Any], dict[str, Any] | None]:
    """(document from the recorded events, document in the manifest or None for an incomplete record).

    By the record's own rule and limits where no others are given.

    Raises RecordError for a folder that is no record, InputError when its sequence no longer loads.
    """
    record = read_record(folder)
    header = record.header
    plan = load_plan_from_record(folder, header["case"], limits)
    firmware = header.get("made_of", {}).get("firmware")
    judge = Judge(plan, header.get("late_s", 0.0), rule or header["rule"], header.get("overdue"), firmware)
    for event in record.events():
        judge.fold(event)
    judge.settle()
    if not record.complete:
        judge.trouble = judge.trouble or "the record is incomplete"
    document = run_document(judge, str(folder))
    return document, record.manifest.get("document") if record.manifest else None


#: What the document of a run has said since the first version; without it there is nothing to compare.
_ALWAYS = (
    "sequence", "case", "title", "energy", "proves", "verdict", "reason", "virtual_s", "steps", "invariants",
)  # fmt: skip
_ALWAYS_OF = {
    "steps": (
        "path", "name", "kind", "limit", "requirement", "verdict", "value", "unit", "bound", "min", "max", "margin",
        "reason", "began_s", "ended_s",
    ),
    "invariants": ("name", "rule", "verdict", "reason", "at_s", "excused"),
}  # fmt: skip


def differences(before: dict[str, Any] | None, after: dict[str, Any]) -> list[str]:
    """What differs between the document in a record and one made now, in words.

    Where the record lies does not count, nor what only the later one says: later versions of the tool say more.
    """
    if before is None:
        return ["the record holds no verdict to compare with"]
    after = strict(after)
    lines = _differing("", before, after, _ALWAYS, ("record", *_ALWAYS_OF))
    for key, always in _ALWAYS_OF.items():
        old, new = before.get(key), after[key]
        if not isinstance(old, list) or len(old) != len(new):
            lines.append(f"{key}: {len(old) if isinstance(old, list) else 'none'} became {len(new)}")
            continue
        for one, other in zip(old, new, strict=True):
            lines += _differing(f"{key[:-1]} {other['name']}: ", one, other, always)
    return lines


def _differing(where: str, one: Any, other: dict[str, Any], always: Sequence[str], apart: Sequence[str] = ()) -> list:
    """Of two mappings; the keys `apart` are looked at elsewhere."""
    if not isinstance(one, dict):
        return [f"{where}{one!r} became {other!r}"]
    colon = "" if where else ":"
    lines = [f"{where}{key}{colon} is missing" for key in always if key not in one]
    for key, value in one.items():
        if key in apart:
            continue
        if key not in other:
            lines.append(f"{where}{key}{colon} {value!r} is not said any more")
        elif isinstance(value, dict) and isinstance(other[key], dict):
            lines += _differing(f"{where}{key}, ", value, other[key], ())
        elif not _same(value, other[key]):
            lines.append(f"{where}{key}{colon} {value!r} became {other[key]!r}")
    return lines


def _same(one: Any, other: Any) -> bool:
    """Numbers are by nine digits: what is beyond them is no measurement, and may depend on the order of adding."""
    numbers = all(isinstance(each, float | int) and not isinstance(each, bool) for each in (one, other))
    return isclose(one, other, rel_tol=1e-9, abs_tol=1e-9) if numbers else one == other
