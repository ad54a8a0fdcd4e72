"""Folding a record: the same judge, fed from the disk instead of from a bench."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from bench.events import Batch
from bench.judging.document import run_document
from bench.judging.judge import Judge
from bench.language.loading import load_plan_from_record
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
    judge = Judge(plan, header.get("late_s", 0.0), rule or header["rule"], header.get("overdue"))
    for event in record.events():
        judge.fold(event)
        if type(event) is Batch:
            judge.settle()
    judge.settle()
    if not record.complete:
        judge.trouble = judge.trouble or "the record is incomplete"
    document = run_document(judge, str(folder))
    return document, record.manifest.get("document") if record.manifest else None


def differences(before: dict[str, Any] | None, after: dict[str, Any]) -> list[str]:
    """What differs between two documents of one run, in words; where the record lies does not count."""
    if before is None:
        return ["the record holds no verdict to compare with"]
    lines = []
    for key in after:
        if key not in ("record", "steps", "invariants") and before.get(key) != after[key]:
            lines.append(f"{key}: {before.get(key)!r} became {after[key]!r}")
    for key in ("steps", "invariants"):
        old, new = before.get(key, []), after[key]
        if len(old) != len(new):
            lines.append(f"{key}: {len(old)} became {len(new)}")
        for one, other in zip(old, new, strict=False):
            for name in other:
                if one.get(name) != other[name]:
                    lines.append(f"{key[:-1]} {other['name']}: {name} {one.get(name)!r} became {other[name]!r}")
    return lines
