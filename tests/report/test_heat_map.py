"""Heat maps: valid SVG that says in text what it shows, the same bytes for the same cells, shapes beside greys."""

from xml.etree import ElementTree

from bench.report.heat_map import Level, heat_map

SVG = "{http://www.w3.org/2000/svg}"
LEVELS = (Level("partly", "x", 0.8), Level("wholly", "s", 0.2))
CELLS = {("first <row>", "left"): 0, ("first <row>", "right & far"): 1}


def drawn(cells=CELLS, **more):
    return heat_map(
        "A & B", "One of two < three.", ["first <row>", "second"], ["left", "right & far"], cells, LEVELS, **more
    )


def texts(svg):
    return ["".join(text.itertext()) for text in ElementTree.fromstring(svg).iter(f"{SVG}text")]


def test_it_says_in_text_what_it_shows():
    root = ElementTree.fromstring(drawn())
    assert root.get("role") == "img"
    assert root.find(f"{SVG}title").text == "A & B"
    assert root.find(f"{SVG}desc").text == "One of two < three."
    assert {"first <row>", "second", "left", "right & far", "partly", "wholly"} <= set(texts(drawn()))


def test_the_same_cells_give_the_same_bytes():
    assert drawn() == drawn()
    assert drawn() != drawn({})


def test_each_row_counts_its_cells_from_a_level_on():
    assert [text for text in texts(drawn()) if text.isdigit()] == ["2", "0"]
    assert [text for text in texts(drawn(counted_from=1)) if text.isdigit()] == ["1", "0"]


def test_a_level_has_a_shape_of_its_own():
    """What remains without any colour differs between the levels."""
    bare = [drawn({("second", "left"): level}) for level in (0, 1)]
    shapes = [sorted(path.get("d") for path in ElementTree.fromstring(svg).iter(f"{SVG}path")) for svg in bare]
    assert shapes[0] != shapes[1]


def test_many_rows_have_their_columns_named_above_too():
    rows = [f"row {number}" for number in range(40)]
    for shown, times in ((rows, 2), (rows[1:], 1)):
        svg = heat_map("A", "B", shown, ["left"], {}, LEVELS)
        assert texts(svg).count("left") == times
