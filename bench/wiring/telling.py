"""The harness as plain text: the table of wires, and what looks wrong."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from itertools import groupby, zip_longest
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from bench.wiring.harness import Harness, Row

#: A hazard is a word and a shape; both read in black and white.
SHAPES = {"low-voltage": "○", "high-current": "◇", "hot": "□", "high-voltage": "▲"}
NOT_GIVEN = "-"
HEADINGS = ("channel", "direction", "device", "terminal", "box pin", "colour", "up to", "hazard", "note")
LEGEND = (
    "direction is seen from the box; up to: the highest energy stage at which the wire may be plugged in",
    "hazard: ○ low voltage (60 V DC at most)  ◇ high current  □ hot  ▲ high voltage",
)


def table_text(harness: Harness) -> str:
    """The table, what has no wire, and the problems; ends with a line break."""
    lines = [harness.bench.title, ""]
    lines += columns([HEADINGS, *(line for row in harness.rows for line in _lines(row))])
    lines += ["", *LEGEND]
    for why, names in groupby(harness.without_wire, lambda entry: entry[1]):
        lines.append(f"no wire ({why}): {', '.join(name for name, _ in names)}")
    lines.append("")
    if harness.problems:
        count = len(harness.problems)
        lines.append(f"{count} {'problem' if count == 1 else 'problems'}:")
        lines += [f"  ! {problem}" for problem in harness.problems]
    else:
        lines.append("no problem found in the file; the wires themselves are for the checklist and the self-check")
    return "\n".join(lines) + "\n"


def columns(lines: Sequence[Sequence[str]]) -> list[str]:
    """Lines of cells, as text in columns."""
    widths = [max(map(len, column)) for column in zip_longest(*lines, fillvalue="")]
    padded = ("  ".join(cell.ljust(width) for cell, width in zip(line, widths, strict=False)) for line in lines)
    return [line.rstrip() for line in padded]


def _lines(row: Row) -> Iterable[tuple[str, ...]]:
    """A line for the wire, and one for every further channel on it."""
    wire = row.wire
    yield (
        row.names[0],
        row.direction,
        row.device,
        row.terminal or NOT_GIVEN,
        wire.pin or NOT_GIVEN,
        wire.colour or NOT_GIVEN,
        wire.energy,
        hazard_text(wire.hazard),
        wire.note,
    )
    for name in row.names[1:]:
        yield name, "same wire"


def hazard_text(hazard: str) -> str:
    """Shape and word."""
    return f"{SHAPES[hazard]} {hazard.replace('-', ' ')}"
