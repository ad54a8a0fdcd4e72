"""`topbox-bench report RECORD`: one self-contained HTML page from a record."""

from __future__ import annotations

import argparse
from pathlib import Path


def add_parser(subparsers: argparse._SubParsersAction) -> argparse.ArgumentParser:
    parser = subparsers.add_parser(
        "report",
        help="make the report of a record",
        description="Make one self-contained HTML page from a record; it needs no network and prints well.",
    )
    parser.add_argument("record", metavar="RECORD", help="the record's folder")
    parser.add_argument(
        "--output",
        metavar="FILE",
        type=Path,
        help="write here (default: report.html in the record, entered in its manifest)",
    )
    return parser


def work(arguments: argparse.Namespace) -> int:
    from bench.errors import InputError
    from bench.record.manifest import add_derived, write_whole
    from bench.record.reader import read_record
    from bench.report.page import report_page

    record = read_record(arguments.record)
    page = report_page(record).encode()
    if arguments.output is None:
        print(add_derived(record.folder, "report.html", page))
        return 0
    try:
        write_whole(arguments.output, page)
    except OSError as error:
        raise InputError.at(arguments.output, f"cannot be written: {error.strerror}") from error
    print(arguments.output)
    return 0
