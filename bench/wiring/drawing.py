"""The harness as a drawing: devices on the left, the box on the right, one level line a wire.

A wire is told apart by its label; what it carries by a word, a shape and the kind of line, never by colour alone.
"""

from __future__ import annotations

from itertools import groupby
from textwrap import wrap
from typing import TYPE_CHECKING

from bench.wiring.sheet import Room, Sheet, width_of
from bench.wiring.telling import NOT_GIVEN

if TYPE_CHECKING:
    from bench.wiring.harness import Harness, Row

MARGIN = 24.0
NAME_SIZE, DETAIL_SIZE, HEAD_SIZE, TITLE_SIZE = 13.0, 11.0, 15.0, 18.0
NAME_LINE, DETAIL_LINE = 17.0, 16.0
HEAD_HEIGHT = 46.0
ROW_GAP, DEVICE_GAP = 14.0, 22.0
ARROW = 11.0
MOST_LETTERS = 58  # of channel names in a line
CAUTION = (
    "The emergency stop stands in the loop feed, before everything drawn here and outside any software. This drawing "
    "is no proof that anything is dead or wired right: local rules, the checklist and an approved tester come first."
)
DIRECTIONS = "An arrow into the box: the bench drives it. An arrow into a device: the bench reads it. Both: a bus."


class Drawing:
    """The finished sheet. `width` and `height` in px."""

    def __init__(self, harness: Harness):
        bench = harness.bench
        wires = "; ".join(spoken(row) for row in harness.rows)
        self.sheet = Sheet(f"Harness of {bench.title}", f"Devices on the left, the box on the right. {wires}.")
        rows = harness.rows
        device_width = max(
            *(width_of(row.terminal or NOT_GIVEN, NAME_SIZE) for row in rows),
            *(width_of(_about(harness, row.device), DETAIL_SIZE) for row in rows),
            *(width_of(row.device, HEAD_SIZE) for row in rows),
        )
        box_width = max(width_of(row.wire.pin or NOT_GIVEN, NAME_SIZE) for row in rows)
        wire_width = max(width_of(line, NAME_SIZE) for row in rows for line in _name_lines(row))
        wire_width = max(wire_width, *(width_of(_detail(row), DETAIL_SIZE) + 20 for row in rows))
        box_left = MARGIN + device_width + 28 + wire_width + 4 * ARROW
        self._device = (MARGIN, MARGIN + device_width + 28)
        self._box = (box_left, box_left + max(box_width, width_of("the box", HEAD_SIZE)) + 28)
        self.width = self._box[1] + MARGIN
        self.height = self._draw(harness)

    def svg(self) -> str:
        return self.sheet.svg(self.width, self.height)

    def _draw(self, harness: Harness) -> float:
        """Everything, from the top; the height in px."""
        y = MARGIN + TITLE_SIZE
        for line in wrap(harness.bench.title, int((self.width - 2 * MARGIN) / width_of("x", TITLE_SIZE))):
            self.sheet.label(MARGIN, y, line, TITLE_SIZE, bold=True)
            y += 1.3 * TITLE_SIZE
        top = y
        for device, rows in groupby(harness.rows, lambda row: row.device):
            y = self._draw_device(harness, device, list(rows), y) + DEVICE_GAP
        y -= DEVICE_GAP
        left, right = self._box
        self.sheet.rectangle(Room(left, top, right, y), thickness=2.5)
        self.sheet.label(left + 12, top + 22, "the box", HEAD_SIZE, bold=True)
        return self._draw_legend(y + 30)

    def _draw_device(self, harness: Harness, device: str, rows: list[Row], top: float) -> float:
        """A device and its wires; where it ends, in px."""
        left, right = self._device
        self.sheet.label(left + 12, top + 20, device, HEAD_SIZE, bold=True)
        self.sheet.label(left + 12, top + 37, _about(harness, device), DETAIL_SIZE)
        y = top + HEAD_HEIGHT
        for row in rows:
            y = self._draw_wire(row, y)
        self.sheet.rectangle(Room(left, top, right, y), rounding=8)
        return y

    def _draw_wire(self, row: Row, top: float) -> float:
        left, right = self._device[1], self._box[0]
        names = _name_lines(row)
        y = top + NAME_LINE * len(names) + 3
        with self.sheet.group(spoken(row)):
            for number, line in enumerate(names, 1):
                self.sheet.label(left + 2 * ARROW, top + NAME_LINE * number - 5, line, NAME_SIZE, bold=True)
            start = left + (ARROW if row.direction in ("out", "both") else 0)
            end = right - (ARROW if row.direction in ("in", "both") else 0)
            self.sheet.wires.append(Room(left, y - 4, right, y + 4))
            line_of(self.sheet, row.wire.hazard, start, end, y)
            if row.direction in ("out", "both"):
                self.sheet.polygon([(left, y), (left + ARROW, y - 5), (left + ARROW, y + 5)])
            if row.direction in ("in", "both"):
                self.sheet.polygon([(right, y), (right - ARROW, y - 5), (right - ARROW, y + 5)])
            shape_of(self.sheet, row.wire.hazard, left + 2 * ARROW + 6, y + 14)
            self.sheet.label(left + 2 * ARROW + 18, y + 18, _detail(row), DETAIL_SIZE)
            self.sheet.label(left - 10, y + 4, row.terminal or NOT_GIVEN, NAME_SIZE, "end")
            self.sheet.label(right + 10, y + 4, row.wire.pin or NOT_GIVEN, NAME_SIZE)
        return y + DETAIL_LINE + ROW_GAP

    def _draw_legend(self, y: float) -> float:
        for hazard, what in (
            ("low-voltage", "low voltage: 60 V DC at most, little current"),
            ("high-current", "high current at low voltage"),
            ("hot", "hot: burns whoever touches it"),
            ("high-voltage", "high voltage: only for people qualified for it"),
        ):
            shape_of(self.sheet, hazard, MARGIN + 8, y - 4)
            line_of(self.sheet, hazard, MARGIN + 24, MARGIN + 84, y - 4)
            self.sheet.label(MARGIN + 96, y, what, DETAIL_SIZE)
            y += 20
        y += 4
        letters = int((self.width - 2 * MARGIN) / width_of("x", DETAIL_SIZE))
        for line in [*wrap(DIRECTIONS, letters), *wrap(CAUTION, letters)]:
            self.sheet.label(MARGIN, y, line, DETAIL_SIZE)
            y += DETAIL_LINE
        return y + MARGIN - DETAIL_LINE


def drawing_of(harness: Harness) -> Drawing:
    """The drawing of a harness that has at least one wire."""
    return Drawing(harness)


def line_of(sheet: Sheet, hazard: str, x1: float, x2: float, y: float) -> None:
    """A wire's line: thin, thick, thick and broken, or double."""
    if hazard == "high-voltage":
        sheet.line(x1, x2, y - 3)
        sheet.line(x1, x2, y + 3)
    elif hazard == "low-voltage":
        sheet.line(x1, x2, y)
    else:
        sheet.line(x1, x2, y, 4, "12 5" if hazard == "hot" else "")


def shape_of(sheet: Sheet, hazard: str, x: float, y: float) -> None:
    """A hazard's shape around a centre: circle, diamond, square, or full triangle."""
    match hazard:
        case "low-voltage":
            sheet.circle(x, y, 4.5)
        case "high-current":
            sheet.polygon([(x, y - 6), (x + 6, y), (x, y + 6), (x - 6, y)], "white")
        case "hot":
            sheet.polygon([(x - 5, y - 5), (x + 5, y - 5), (x + 5, y + 5), (x - 5, y + 5)], "white")
        case _:
            sheet.polygon([(x, y - 6), (x + 6.5, y + 5), (x - 6.5, y + 5)])


def spoken(row: Row) -> str:
    """A wire in one sentence."""
    way = {"in": "to", "out": "from", "both": "to and from"}[row.direction]
    terminal = f"{row.device} {row.terminal or 'without a terminal'}"
    return f"{', '.join(row.names)}: {terminal} {way} box {row.wire.pin or 'without a pin'}, {_detail(row)}"


def _detail(row: Row) -> str:
    parts = [row.wire.hazard.replace("-", " "), row.wire.colour, f"up to {row.wire.energy}"]
    return ", ".join(filter(None, parts))


def _about(harness: Harness, device: str) -> str:
    known = harness.bench.devices[device]
    isolated = {True: ", isolated", False: ", not isolated", None: ""}[known.isolated]
    return f"{known.driver}{isolated}"


def _name_lines(row: Row) -> list[str]:
    return wrap(", ".join(row.names), MOST_LETTERS, break_long_words=False)
