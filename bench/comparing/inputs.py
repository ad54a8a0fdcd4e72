"""What was not the same for the two sides: limits, sequences, bench files and how it was judged.

These come before any verdict or value, because a value may have moved only because its limit or its sequence did.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Any, NamedTuple

from bench.comparing.side import Side
from bench.record import FRAMES_FILE, RECORD_FILE
from bench.record.store import Kept
from bench.report.register import load_yaml

_EVENTS = (RECORD_FILE, FRAMES_FILE)
#: Of the manifest: key, word, and whether the two sides must agree in it to be called equivalent.
_FACTS = (
    ("simulated", "simulated", True), ("stage", "energy stage", True), ("faults", "faults put in", True),
    ("wall_clock", "in wall-clock time", False), ("box", "box", False), ("controller", "controller", False),
    ("parameters", "simulated parameters", False), ("tool", "tool", False),
)  # fmt: skip


class Change(NamedTuple):
    """`what` differs, in the runs of `where` ('' for all of them). `weighs`: the sides were not asked the same."""

    what: str
    where: str
    a: str
    b: str
    weighs: bool


def changes(a: Side, b: Side) -> list[Change]:
    """Everything that differs, limits first; each difference once, whatever the number of sequences it is in."""
    plans_a, plans_b = a.plans(), b.plans()
    both = [plan for plan in plans_a if plan in plans_b]
    found: dict[Change, list[str]] = {}
    for plan in both:
        for change in _of_plan(plans_a[plan], plans_b[plan]):
            found.setdefault(change, []).append(" / ".join(filter(None, plan)))
    ordered = sorted(found.items(), key=lambda item: (not item[0].what.startswith("limit"), not item[0].weighs))
    listed = [change._replace(where="" if len(where) == len(both) else _few(where)) for change, where in ordered]
    if a.firmware != b.firmware:
        listed.append(Change("firmware", "", a.firmware or "not stated", b.firmware or "not stated", False))
    return listed


def _of_plan(a: list[Kept], b: list[Kept]) -> Iterable[Change]:
    rules = [_all(kept.manifest["document"].get("rule") for kept in side) for side in (a, b)]
    if rules[0] != rules[1]:
        yield Change("decision rule", "", *rules, True)
    for key, word, weighs in _FACTS:
        values = [[kept.manifest.get(key) for kept in side] for side in (a, b)]
        alike = _alike([*values[0], *values[1]])
        told = [_all(_text(value, alike) for value in side) for side in values]
        if told[0] != told[1]:
            yield Change(word, "", *told, weighs)
    files = [_files(side) for side in (a, b)]
    for name in dict.fromkeys((*files[0], *files[1])):
        hashes = [side.get(name, ()) for side in files]
        if hashes[0] != hashes[1]:
            yield from _of_file(name, hashes, a[0], b[0])


def _of_file(name: str, hashes: list[tuple[str, ...]], a: Kept, b: Kept) -> Iterable[Change]:
    told = [", ".join(each[:12] for each in side) or "not there" for side in hashes]
    one, other = (_loaded(kept, name) for kept in (a, b))
    if one is None or other is None or len(hashes[0]) != 1 or len(hashes[1]) != 1:
        yield Change(name, "", *told, True)
    elif one == other:
        yield Change(f"{name} (comments and layout only)", "", *told, False)
    elif name in ("requirements.yaml", "limits.yaml"):
        key = name.partition(".")[0]
        limits = [{str(entry.get("id")): entry.get("limit") for entry in each[key]} for each in (one, other)]
        moved = [each for each in dict.fromkeys((*limits[0], *limits[1])) if limits[0].get(each) != limits[1].get(each)]
        for each in moved:
            yield Change(f"limit of {each}", "", *(_limit(side.get(each)) for side in limits), True)
        if not moved:
            yield Change(f"{name} (no limit changed)", "", *told, False)
    else:
        yield Change(name, "", *told, True)


def _files(side: list[Kept]) -> dict[str, tuple[str, ...]]:
    """File name -> the hashes that it has in the records, without what the run itself wrote."""
    found: dict[str, dict[str, None]] = {}
    for kept in side:
        derived = kept.manifest.get("derived", [])
        for name, entry in kept.manifest["files"].items():
            if name not in derived and name not in _EVENTS:
                found.setdefault(name, {})[entry["sha256"]] = None
    return {name: tuple(sorted(hashes)) for name, hashes in found.items()}


def _loaded(kept: Kept, name: str) -> Any:
    """What a YAML file says; None where it is none."""
    try:
        return load_yaml((kept.folder / name).read_text(encoding="utf-8"))
    except (OSError, ValueError):
        return None


def _limit(limit: Any) -> str:
    if not isinstance(limit, Mapping):
        return "none"
    return ", ".join(f"{edge} {bound}" for edge, bound in limit.items())


def _all(values: Iterable[Any]) -> str:
    return "; ".join(dict.fromkeys(str(value) for value in values))


def _alike(values: list[Any]) -> set[str]:
    """The entries that are the same in every one of several mappings."""
    if not all(isinstance(value, Mapping) for value in values):
        return set()
    return {key for key in values[0] if all(key in value and value[key] == values[0][key] for value in values)}


def _text(value: Any, without: set[str]) -> str:
    if isinstance(value, Mapping):
        return ", ".join(f"{key} {entry}" for key, entry in value.items() if key not in without) or "none"
    if isinstance(value, list):
        return ", ".join(map(str, value)) or "not stated"
    return {None: "not stated", "": "not stated", True: "yes", False: "no"}.get(value, str(value))


def _few(where: list[str]) -> str:
    return ", ".join(where[:3]) + (f" and {len(where) - 3} more" if len(where) > 3 else "")
