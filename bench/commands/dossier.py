"""`topbox-bench dossier RECORDS... -o FILE`: many records in one document for the inspection."""

from __future__ import annotations

import argparse
import os
from pathlib import Path

MOST_PROCESSES = 4


def add_parser(subparsers: argparse._SubParsersAction) -> None:
    parser = subparsers.add_parser(
        "dossier",
        help="many records in one document for the inspection",
        description="Show which record proves which requirement, with what is missing first.",
    )
    parser.add_argument("records", nargs="+", type=Path, metavar="RECORDS", help="records, or folders of records")
    parser.add_argument("-o", "--output", type=Path, metavar="FILE", required=True, help="a .html or .pdf file")


def work(arguments: argparse.Namespace) -> int:
    from bench.apart import apart
    from bench.errors import InputError
    from bench.record.manifest import write_whole
    from bench.report.dossier import dossier_content
    from bench.report.page import html_page, pdf_pages

    layouts = {".html": html_page, ".pdf": pdf_pages}
    layout = layouts.get(arguments.output.suffix.lower())
    if layout is None:
        raise InputError.at(arguments.output, "says no format that a dossier has", "end its name in .html or .pdf")
    with apart(min(os.cpu_count() or 1, MOST_PROCESSES)) as begin:
        content = dossier_content(arguments.records, begin)
    try:
        write_whole(arguments.output, layout("dossier", content))
    except OSError as error:
        raise InputError.at(arguments.output, f"cannot be written: {error.strerror}") from error
    doubts = len(content["contradictions"])
    also = (
        f", {doubts} {'contradiction' if doubts == 1 else 'contradictions'} in what the firmware was" if doubts else ""
    )
    print(f"{arguments.output}: {len(content['rows'])} requirements, {len(content['gaps'])} gaps{also}")
    return 0
