"""A list to wire by: one line a wire, mildest first, with what to measure before the next one.

The order keeps everything de-energised: supply, loop and pack are apart until every wire is in and measured. The
resistances to expect are common practice, no source; 60 ohm is two terminations of 120 ohm in parallel.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from bench.devices.wire_values import from_wire
from bench.language.wire_entry import HAZARDS
from bench.wiring.harness import HIGH_VOLTAGE
from bench.wiring.telling import NOT_GIVEN, hazard_text

if TYPE_CHECKING:
    from collections.abc import Iterable

    from bench.wiring.harness import Harness, Row

#: The standard channel that feeds the coils.
SHUTDOWN_LOOP = "shutdown_loop"
BEFORE = (
    "Local rules read; the person in charge is named and present; a second person can help.",
    "Pack absent, or disconnected, locked off and marked by the person in charge.",
    "Bench supply off and its plug out; fuse of the loop feed out; emergency stop pressed.",
    "USB cables out, so that no device can move an output.",
    "Zero voltage proven at every plug of box and bench with an approved tester, checked before and after.",
)
AFTER = (
    "Every pin counted: nothing is in a pin that the table does not name, no strand stands out, plugs are latched.",
    "Low-voltage ground to the high-voltage plugs of the box, still without voltage: no continuity either way.",
    "Emergency stop turned and pressed again with a tester across the loop feed: closed, open.",
    "USB cables in, supply still off: topbox-bench selfcheck --bench {file} --walk",
    "Supply on, its limit just above the box's quiescent current, loop still without fuse: the limit is not reached.",
    "Supply off, fuse of the loop feed in: ready for the first sequence at the stage dry.",
)


def checklist_text(harness: Harness) -> str:
    """The list, ready to print; ends with a line break."""
    lines = [f"Checklist to wire by: {harness.bench.title}", f"from {harness.bench.name}; tick each box by hand", ""]
    lines += ["Before the first wire", *(f"[ ]     {line}" for line in BEFORE)]
    present = ""
    for number, row in enumerate(in_wiring_order(harness.rows), 1):
        if row.wire.hazard != present:
            present = row.wire.hazard
            lines += ["", f"Wires: {hazard_text(present)}"]
            if present == HIGH_VOLTAGE:
                lines.append("        Only by people qualified for it under local rules, with everything still dead.")
        lines += [f"[ ] {number:3} {_wire(row)}", f"        measure: {_measure(row)}"]
        if row.wire.note:
            lines.append(f"        note: {row.wire.note}")
    lines += ["", "After the last wire"]
    lines += [f"[ ]     {line.format(file=harness.bench.file)}" for line in AFTER]
    lines += ["", "Done by ____________________  checked by ____________________  date ____________"]
    return "\n".join(lines) + "\n"


def in_wiring_order(rows: Iterable[Row]) -> list[Row]:
    """Mildest first, inputs of the bench before its outputs, the loop last of its kind, high voltage at the end."""
    order = {"out": 0, "both": 1, "in": 2}

    def rank(row: Row) -> tuple[int, bool, int]:
        return HAZARDS.index(row.wire.hazard), SHUTDOWN_LOOP in row.names, order[row.direction]

    return sorted(rows, key=rank)


def _wire(row: Row) -> str:
    ends = f"{row.device} {row.terminal or NOT_GIVEN} to box {row.wire.pin or NOT_GIVEN}"
    colour = f", {row.wire.colour}" if row.wire.colour else ""
    names = row.names if len(row.names) < 4 else (row.names[0], f"{len(row.names) - 1} more on the same wires")
    return f"{' and '.join(names)}: {ends}{colour}, up to {row.wire.energy}"


def _measure(row: Row) -> str:
    channel = row.channels[0]
    if row.bus:
        return "60 ohm between the two lines with both terminations in; no continuity to ground or to any supply"
    if row.wire.hazard == HIGH_VOLTAGE:
        return (
            "the resistor or sensor named in the note is in the wire; no continuity to low-voltage ground or chassis; "
            "covers on"
        )
    if row.direction == "out":
        kind = "its neighbours" if channel.states else "its neighbours and to low-voltage ground; polarity right"
        return f"below 1 ohm from end to end; no continuity to {kind}"
    if channel.states:
        resting = from_wire(channel, 0.0) if not channel.table else channel.safe
        return f"below 1 ohm from end to end; {row.device} without power: the box side sees {resting!r}"
    return f"polarity, and no more than {_most(row)} at the open plug; then off again"


def _most(row: Row) -> str:
    channel = row.channels[0]
    return f"{channel.range[1]:g} {channel.unit}" if channel.range else f"what the box stands in {channel.unit}"
