"""The drawing: well-formed, everything said in words, and nothing on top of anything else."""

from itertools import combinations
from xml.etree import ElementTree

import pytest

from bench.language.bench_file import bench_from_text, load_bench
from bench.language.shipped import shipped_file
from bench.wiring.drawing import drawing_of
from bench.wiring.harness import harness_of

SVG = "{http://www.w3.org/2000/svg}"
AWKWARD = """
bench: b
title: "A title with <marks> & 'quotes' that is longer than the drawing is wide, so it has to be broken into lines"
devices:
  a-very-long-name-of-a-device: {driver: board, isolated: false}
  m: {driver: scpi}
channels:
  x: {device: a-very-long-name-of-a-device, direction: driven, states: [a, b], safe: a}
  a_channel_with_a_name_that_is_as_long_as_names_may_be: {device: m, direction: read, unit: V, at: 'MEAS:VOLT? (@101)',
    wire: {pin: "<&>", colour: "green/yellow", hazard: hot}}
  y: {device: m, direction: read, unit: V, at: q, wire: {hazard: high-voltage, pin: a pin with a long description}}
  z: {device: m, direction: read, unit: V, at: r, wire: {hazard: high-current}}
""".replace("a-very-long-name-of-a-device", "a_very_long_name_of_a_device")


def harnesses():
    return [harness_of(load_bench(shipped_file("benches/first-bench.yaml"))), harness_of(bench_from_text(AWKWARD, "b"))]


@pytest.fixture(params=[0, 1], ids=["first-bench", "awkward"])
def harness(request):
    return harnesses()[request.param]


def test_it_is_well_formed_and_says_what_it_is(harness):
    root = ElementTree.fromstring(drawing_of(harness).svg())
    assert root.tag == f"{SVG}svg"
    assert root.get("role") == "img"
    ids = {element.get("id") for element in root.iter() if element.get("id")}
    assert set(root.get("aria-labelledby").split()) <= ids
    assert harness.bench.title in root.find(f"{SVG}title").text
    assert len(root.findall(f"{SVG}g")) == len(harness.rows)


def test_every_label_is_there_as_text(harness):
    root = ElementTree.fromstring(drawing_of(harness).svg())
    shown = " ".join("".join(element.itertext()) for element in root.iter(f"{SVG}text"))
    for row in harness.rows:
        for word in (*row.names, row.device, row.terminal, row.wire.pin, row.wire.colour):
            assert word in shown
        assert f"{row.wire.hazard.replace('-', ' ')}" in shown
        assert f"up to {row.wire.energy}" in shown
    description = root.find(f"{SVG}desc").text
    assert all(name in description for row in harness.rows for name in row.names)


def test_nothing_lies_on_anything_else(harness):
    drawing = drawing_of(harness)
    labels, wires = drawing.sheet.labels, drawing.sheet.wires
    assert len(wires) == len(harness.rows)
    for one, other in combinations(labels, 2):
        assert not one.room.overlaps(other.room), (one, other)
    for label in labels:
        assert not any(label.room.overlaps(wire) for wire in wires), label
        assert label.room.left >= 0 and label.room.right <= drawing.width, label
        assert label.room.top >= 0 and label.room.bottom <= drawing.height, label
    for one, other in combinations(wires, 2):
        assert not one.overlaps(other)


def test_black_and_white_only(harness):
    root = ElementTree.fromstring(drawing_of(harness).svg())
    paints = {element.get(key) for element in root.iter() for key in ("fill", "stroke")} - {None}
    assert paints <= {"black", "white", "none"}


def test_each_hazard_has_a_shape_of_its_own():
    _, awkward = harnesses()
    root = ElementTree.fromstring(drawing_of(awkward).svg())
    corners = {}
    for group, row in zip(root.findall(f"{SVG}g"), awkward.rows, strict=True):
        heads = {"in": 1, "out": 1, "both": 2}[row.direction]
        shapes = [*group.findall(f"{SVG}circle"), *group.findall(f"{SVG}polygon")[heads:]]
        assert len(shapes) == 1
        points = shapes[0].get("points", "")
        level_top = len({point.split(",")[1] for point in points.split()[:2]}) == 1
        corners[row.wire.hazard] = (len(points.split()), level_top)
    assert len(corners) == len(set(corners.values())) == 4


def test_the_same_file_gives_the_same_bytes(harness):
    assert drawing_of(harness).svg() == drawing_of(harness).svg()
