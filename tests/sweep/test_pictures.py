"""The picture of the last full sweep, as the README shows it, is that of the defects and sequences that there are."""

import re
from xml.etree import ElementTree

from bench.language.shipped import shipped_folder
from simulators.defects import DEFECTS
from tests.suite import PLANS

SVG = "{http://www.w3.org/2000/svg}"
PICTURE = shipped_folder() / "detection.svg"


def ticks(axis):
    """The labels along one axis."""
    groups = ElementTree.parse(PICTURE).getroot().iter(f"{SVG}g")
    mine = [group for group in groups if re.fullmatch(rf"{axis}tick_\d+", group.get("id", ""))]
    return {"".join(text.itertext()) for group in mine for text in group.iter(f"{SVG}text")}


def test_every_seeded_defect_has_its_row():
    assert ticks("y") == set(DEFECTS)


def test_every_sequence_of_the_suite_has_its_column():
    assert ticks("x") == {plan.sequence for plan in PLANS}
