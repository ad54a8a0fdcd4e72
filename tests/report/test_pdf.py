"""The PDF: the same twice, tagged for readers of all kinds, with every text of the content in it, and safe."""

import re

import heron_record
import pytest
from pypdf import PdfReader

from bench.record.reader import read_record
from bench.report.content import report_content
from bench.report.page import pdf_pages


@pytest.fixture(scope="module")
def content(tmp_path_factory):
    return report_content(read_record(heron_record.write_record(tmp_path_factory.mktemp("pdf") / "run")))


@pytest.fixture(scope="module")
def path(content, tmp_path_factory):
    path = tmp_path_factory.mktemp("pdf") / "report.pdf"
    path.write_bytes(pdf_pages("report", content))
    return path


def texts(path):
    """Page by page, without the places at which a long word may break."""
    return [" ".join(page.extract_text().replace("\u200b", "").split()) for page in PdfReader(path).pages]


def test_the_same_content_gives_the_same_bytes(content, path):
    assert pdf_pages("report", content) == path.read_bytes()


def test_it_is_tagged_archivable_and_says_its_language_and_title(path):
    root = PdfReader(path).trailer["/Root"]
    assert root["/MarkInfo"]["/Marked"] and root["/Lang"].startswith("en")
    metadata = root["/Metadata"].get_data().decode()
    assert re.search(r"pdfuaid:part\W+1\b", metadata)  # ISO 14289-1
    assert re.search(r"pdfaid:part\W+2\b", metadata) and re.search(r"pdfaid:conformance\W+A\b", metadata)  # ISO 19005-2
    assert "pass: Energise, run and shut down" in metadata


def kinds(node):
    """Every structure element below `node`: (kind, element)."""
    node = node.get_object()
    if isinstance(node, list):
        for child in node:
            yield from kinds(child)
    elif isinstance(node, dict):
        if "/S" in node:
            yield str(node["/S"]), node
        if "/K" in node:
            yield from kinds(node["/K"])


def test_headings_tables_and_figures_are_what_they_look_like(content, path):
    found = list(kinds(PdfReader(path).trailer["/Root"]["/StructTreeRoot"]))
    names = [name for name, _ in found]
    assert names.count("/H1") == 1 and names.count("/H2") == 10
    assert names.count("/TH") > 30 and names.count("/Table") == 7
    told = [str(element["/Alt"]) for name, element in found if name == "/Figure" and "/Alt" in element]
    assert {plot["description"] for plot in content["plots"]} <= set(told)


def test_page_one_has_what_decides(path):
    first = texts(path)[0]
    for part in (
        "pass", "Heron 3 box B, serial 0007", "heron-box 1.4.2", "heron-3", "M. Okafor; L. Tarn", "UTC to", "live",
        "Overrides none", "not signed", "PRE-01", "not a safety device",
    ):  # fmt: skip
        assert part in first, part
    assert all("Simulated: no evidence about hardware" in text for text in texts(path))


def test_hostile_names_are_text(content, tmp_path):
    hostile = '#read("/etc/passwd") $x$ *b* _i_ <label> @ref `raw` \\ // /* [ ] { } \ud800 \u0000'
    changed = dict(content) | {"title": hostile, "reason": hostile, "facts": [(hostile, hostile)], "faults": hostile}
    changed["steps"] = [dict(step) | {"name": hostile, "path": hostile} for step in content["steps"]]
    path = tmp_path / "hostile.pdf"
    path.write_bytes(pdf_pages("report", changed))
    words = " ".join(texts(path))
    assert "root:" not in words and words.count("#read(") > 5 and "*b* _i_ <label> @ref `raw`" in words


def test_words_without_end_stay_on_the_page(content, tmp_path):
    changed = dict(content) | {"reason": "x" * 500}
    changed["steps"] = [dict(step) | {"name": "y" * 300, "limit": "z" * 300} for step in content["steps"]]
    path = tmp_path / "long.pdf"
    path.write_bytes(pdf_pages("report", changed))
    right = 0.0
    for page in PdfReader(path).pages:

        def visit(text, _, matrix, *rest):
            nonlocal right
            right = max(right, matrix[4])

        page.extract_text(visitor_text=visit)
    assert 0 < right < 595.3 - 42  # A4 less its margin of 15 mm, in points
