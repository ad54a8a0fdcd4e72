"""`topbox-bench report RECORD`: the report of a record for a person, or its data for another program."""

from __future__ import annotations

import argparse
from contextlib import AbstractContextManager, nullcontext
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from bench.apart import Begin

LARGE = 16 << 20  # bytes: reading it takes longer than a process takes to start


def add_parser(subparsers: argparse._SubParsersAction) -> argparse.ArgumentParser:
    from bench.report.exports import FILES

    parser = subparsers.add_parser(
        "report",
        help="make the report of a record, or export its data",
        description="Make a self-contained report from a record, or export its data for other programs.",
    )
    parser.add_argument("record", metavar="RECORD", help="the record's folder")
    parser.add_argument(
        "--export",
        action="append",
        choices=tuple(FILES),
        metavar="KIND",
        help=f"what to make: {', '.join(FILES)} (default: html); may be given more than once",
    )
    parser.add_argument(
        "--output",
        metavar="FILE",
        type=Path,
        help="write here (default: in the record's folder, entered in its manifest)",
    )
    parser.add_argument("--key", type=Path, metavar="FILE", help="private key of a signed record (see keys)")
    return parser


def work(arguments: argparse.Namespace) -> int:
    from bench.errors import InputError

    folder, kinds = Path(arguments.record), list(dict.fromkeys(arguments.export or ["html"]))
    if arguments.output is not None and len(kinds) > 1:
        raise InputError.at("--output", "names one file for several exports", "leave it out, or ask for one --export")
    with _helped(folder, kinds) as begin:
        from bench.record.chain import read_chain

        checked = begin(read_chain, folder)
        _make(arguments, folder, kinds, checked, begin)
    return 0


def _make(arguments, folder, kinds, checked, begin):
    """What is loaded here is loaded while a large record's chain is checked elsewhere."""
    from bench.errors import InputError
    from bench.record.keys import configured_key
    from bench.record.manifest import add_derived, write_whole
    from bench.record.reader import read_record
    from bench.report.exports import FILES, export
    from bench.report.plots import get_ready

    begin(get_ready)
    key = configured_key(arguments.key) if arguments.output is None else None
    record = read_record(folder, samples=set(kinds) != {"junit"}, checked=checked)
    for kind in kinds:
        data = export(record, kind, begin)
        if arguments.output is None:
            print(add_derived(record.folder, FILES[kind], data, key))
            continue
        try:
            write_whole(arguments.output, data)
        except OSError as error:
            raise InputError.at(arguments.output, f"cannot be written: {error.strerror}") from error
        print(arguments.output)


def _helped(record: Path, kinds: list[str]) -> AbstractContextManager[Begin]:
    """For the page of a large record another process checks the chain and draws while this one reads the samples."""
    from bench.record import RECORD_FILE

    file = record / RECORD_FILE
    if not {"html", "pdf"}.intersection(kinds) or not file.is_file() or file.stat().st_size < LARGE:
        return nullcontext(partial)
    from bench.apart import apart

    return apart(1)
