"""A sheet of paper for line drawings: labels, lines and shapes, each remembered with the room it takes.

Black on white. Letters are of one width, so the room a label takes is known without the fonts of whoever looks at it.
"""

from __future__ import annotations

from contextlib import contextmanager
from typing import TYPE_CHECKING, NamedTuple
from xml.etree import ElementTree

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

#: Room of one letter, in parts of the font size; the fonts named below stay inside it.
LETTER = 0.61
FONTS = "DejaVu Sans Mono, Liberation Mono, Menlo, Consolas, monospace"


class Room(NamedTuple):
    """A rectangle, in px."""

    left: float
    top: float
    right: float
    bottom: float

    def overlaps(self, other: Room) -> bool:
        apart = self.right <= other.left or other.right <= self.left
        return not (apart or self.bottom <= other.top or other.bottom <= self.top)


class Label(NamedTuple):
    text: str
    room: Room


def width_of(text: str, size: float) -> float:
    """px that a text takes."""
    return len(text) * LETTER * size


class Sheet:
    """`labels` and `wires` say what was drawn where."""

    def __init__(self, title: str, description: str):
        self.labels: list[Label] = []
        self.wires: list[Room] = []
        self._root = ElementTree.Element(
            "svg", {"xmlns": "http://www.w3.org/2000/svg", "role": "img", "aria-labelledby": "title desc"}
        )
        ElementTree.SubElement(self._root, "title", {"id": "title"}).text = title
        ElementTree.SubElement(self._root, "desc", {"id": "desc"}).text = description
        self._paper = ElementTree.SubElement(self._root, "rect", {"fill": "white"})
        self._into = self._root

    @contextmanager
    def group(self, title: str) -> Iterator[None]:
        """What belongs together, with a title of its own for who cannot see it."""
        outer = self._into
        self._into = ElementTree.SubElement(outer, "g")
        ElementTree.SubElement(self._into, "title").text = title
        yield
        self._into = outer

    def label(self, x: float, y: float, text: str, size: float = 13, anchor: str = "start", bold: bool = False) -> None:
        """Text with its baseline at y, and its left or right end ('start', 'end') at x."""
        width = width_of(text, size)
        left = x - width if anchor == "end" else x
        self.labels.append(Label(text, Room(left, y - 0.8 * size, left + width, y + 0.25 * size)))
        weight = {"font-weight": "bold"} if bold else {}
        at = {"x": _px(x), "y": _px(y), "font-size": _px(size), "text-anchor": anchor}
        ElementTree.SubElement(self._into, "text", {**at, "font-family": FONTS, **weight}).text = text

    def rectangle(self, room: Room, fill: str = "none", thickness: float = 1.5, rounding: float = 0) -> None:
        self._add(
            "rect", thickness, fill, x=room.left, y=room.top, rx=rounding,
            width=room.right - room.left, height=room.bottom - room.top,
        )  # fmt: skip

    def line(self, x1: float, x2: float, y: float, thickness: float = 1.5, dashes: str = "") -> None:
        """A level line."""
        self._add("line", thickness, "none", x1=x1, y1=y, x2=x2, y2=y)
        if dashes:
            self._into[-1].set("stroke-dasharray", dashes)

    def polygon(self, points: Sequence[tuple[float, float]], fill: str = "black") -> None:
        self._add("polygon", 1.5, fill)
        self._into[-1].set("points", " ".join(f"{_px(x)},{_px(y)}" for x, y in points))

    def circle(self, x: float, y: float, radius: float) -> None:
        self._add("circle", 1.5, "white", cx=x, cy=y, r=radius)

    def _add(self, kind: str, thickness: float, fill: str, **numbers: float) -> None:
        drawn = {name: _px(number) for name, number in numbers.items()}
        ElementTree.SubElement(
            self._into, kind, {**drawn, "fill": fill, "stroke": "black", "stroke-width": _px(thickness)}
        )

    def svg(self, width: float, height: float) -> str:
        """The whole as a file's text, cut to this size in px."""
        size = {"width": _px(width), "height": _px(height)}
        for name, value in size.items():
            self._root.set(name, value)
            self._paper.set(name, value)
        self._root.set("viewBox", f"0 0 {size['width']} {size['height']}")
        ElementTree.indent(self._root)
        return '<?xml version="1.0" encoding="utf-8"?>\n' + ElementTree.tostring(self._root, encoding="unicode") + "\n"


def _px(number: float) -> str:
    return f"{number:.10g}" if number == round(number) else f"{number:.1f}"
