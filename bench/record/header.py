"""The first line of a record: what was run, on which channels. No clock and no host, so that the same seed
gives the same bytes; those stand in the manifest."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

from bench.record.shape import NUMBER, fits

if TYPE_CHECKING:
    from bench.language.channel import Channel
    from bench.language.plan import Plan

FORMAT = 1
_NEEDED = {"sequence", "case", "title", "energy", "bench", "simulated", "rule", "seed", "channels", "groups"}
_SHAPE = {
    "sequence": str, "case": str, "title": str, "energy": str, "bench": str, "simulated": bool, "rule": str,
    "seed": int, "late_s": NUMBER, "overdue": {...: str}, "made_of": {"firmware": dict},
    "channels": {...: {"direction": str, "unit": str}}, "groups": {...: [str]},
}  # fmt: skip


def header_fields(
    plan: Plan,
    rule: str,
    seed: int,
    late_s: float = 0.0,
    overdue: Mapping[str, str] | None = None,
    made_of: Mapping[str, Any] | None = None,
) -> dict[str, Any]:
    """The header of a run of `plan`, judged by decision rule `rule` ('simple' or 'guarded').

    `late_s`: how late a reading could arrive after its stamp; `overdue`: calibrations that had run out (see `Judge`);
    `made_of`: firmware, controller, faults and parameters of the box, as the user gave them.
    """
    bench = plan.bench
    groups: dict[str, list[str]] = {}
    for name, channel in bench.channels.items():
        if channel.direction == "read":
            groups.setdefault(channel.group, []).append(name)
    return {
        "format": FORMAT,
        "sequence": plan.sequence,
        "case": plan.case,
        "title": plan.title,
        "energy": plan.energy,
        "bench": bench.name,
        "simulated": not bench.real,
        "rule": rule,
        "seed": seed,
        "late_s": late_s,
        "overdue": dict(overdue or {}),
        "made_of": dict(made_of or {}),
        "channels": {name: _channel_fields(channel) for name, channel in bench.channels.items()},
        "groups": groups,
    }


def is_header(fields: Mapping[str, Any]) -> bool:
    """Whether a first line says, as `header_fields` would, what the rest of a record is about."""
    return (
        fields.get("kind") == "record" and fields.get("format") == FORMAT and fits(fields, _SHAPE)
        and fields.keys() >= _NEEDED
    )  # fmt: skip


def _channel_fields(channel: Channel) -> dict[str, Any]:
    fields: dict[str, Any] = {"direction": channel.direction}
    if channel.unit is not None:
        fields["unit"] = channel.unit
    elif channel.states is not None:
        fields["states"] = list(channel.states)
    else:
        fields["text"] = True
    return fields
