"""`selfcheck --walk`: wire by wire with a person, as a sequence made from the bench file and run like any other.

Each input is shown as the bench sees it, beside the wire it should come from; each output is moved by itself and
confirmed by the one who stands at the box. Low voltage only: the walk does not begin while any voltage reads 60 V or
more, and nothing in the box may be energised. What a person says is wrong ends it; begin again at that channel.
"""

from __future__ import annotations

from collections.abc import Iterator
from itertools import dropwhile
from typing import TYPE_CHECKING

from bench.errors import InputError
from bench.language.located import suggestion
from bench.language.units import UNITS, VOLTAGE
from bench.runner.selfcheck import FOLLOWED_BY, NOT_WALKED, RESET, SETTLE, nothing_energised
from bench.wiring.checklist import SHUTDOWN_LOOP, in_wiring_order
from bench.wiring.harness import LOW_VOLTAGE_MOST, harness_of
from bench.wiring.telling import NOT_GIVEN

if TYPE_CHECKING:
    from bench.language.bench_file import Bench
    from bench.language.channel import Channel
    from bench.wiring.harness import Row

NAME = "bench-wire-walk"


def wire_walk_text(bench: Bench, begin_at: str = "") -> str:
    """The sequence, as YAML; `begin_at` names the channel whose wire comes first.

    Raises InputError for a bench without wires, and for a channel that has none.
    """
    rows = sorted(in_wiring_order(harness_of(bench).rows), key=_last)
    if not rows:
        wrong = "nothing in this bench has a wire: its devices are simulated, or read by people"
        raise InputError.at(bench.file, wrong, "name the file of a real bench with --bench")
    names = [name for row in rows for name in row.names]
    if begin_at and begin_at not in names:
        raise InputError.at("--from", f"no wire belongs to {begin_at!r}", suggestion(begin_at, names))
    rest = dropwhile(lambda row: begin_at not in row.names, rows) if begin_at else rows
    channels = list(bench.channels.values())
    lines = [
        f"sequence: {NAME}",
        "title: Wire by wire with a person",
        "purpose: Every input shows what is at the box, every output moves what it should and nothing else.",
        "energy: dry",
        *nothing_energised(channels),
        "steps:",
        *(f"  - {step}" for channel in channels for step in _is_low(channel)),
        *(f"  - {step}" for row in rest for step in _walk(row, bench)),
    ]
    return "\n".join(lines) + "\n"


def _last(row: Row) -> int:
    """The loop after everything that may keep it open, and what clears a latch just before it."""
    return (SHUTDOWN_LOOP in row.names) * 2 + (RESET in row.names)


def _is_low(channel: Channel) -> Iterator[str]:
    """The walk is for low voltage: a channel that could read more must not."""
    if channel.direction != "read" or channel.unit is None or channel.by_person or channel.may_be_silent:
        return
    unit = UNITS[channel.unit]
    if unit.dimension == VOLTAGE and channel.range and unit.to_base(channel.range[1]) > LOW_VOLTAGE_MOST:
        limit = f"{LOW_VOLTAGE_MOST:g} V"
        yield f"{{name: {channel.name} is low, check: abs({channel.name}), limit: {{max: {limit}}}}}"


def _walk(row: Row, bench: Bench) -> Iterator[str]:
    for channel in row.channels:
        if channel.direction == "read":
            yield _question(f"{channel.name}: is that what is there?", row, channel.name, channel.name)
        elif channel.states and channel.name not in NOT_WALKED:
            follower = FOLLOWED_BY.get(channel.name, "")
            shown = [channel.name, *([follower] if follower in bench.channels else [])]
            for state in (*(state for state in channel.states if state != channel.initial), str(channel.initial)):
                name = f"{channel.name} to {state}"
                yield f"{{name: {name}, drive: {{{channel.name}: '{state}'}}}}"
                yield f"{{pause: {SETTLE}}}"
                yield _question(
                    f"{name}: did it move so, and nothing else?", row, f"{name} confirmed", ", ".join(shown)
                )


def _question(question: str, row: Row, name: str, shown: str) -> str:
    wire = ", ".join(
        filter(None, (f"{row.device} {row.terminal or NOT_GIVEN} to box {row.wire.pin or NOT_GIVEN}", row.wire.colour))
    )
    text = f"{question} ({wire})".replace("'", "''")
    return f"{{name: {name}, ask: '{text}', shows: [{shown}], simulated: 'yes'}}"
