"""`topbox-bench records [DIR]`: what has been run, and how a measured quantity went over firmware versions."""

from __future__ import annotations

import argparse
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from bench.record.index import Entry, Filter
    from bench.report.trend import Row


def add_parser(subparsers: argparse._SubParsersAction) -> None:
    text = "List the records of a folder, newest first; what is incomplete, altered or unreadable is listed too."
    parser = subparsers.add_parser("records", help="list records; trends over firmware", description=text)
    parser.add_argument("folder", nargs="?", type=Path, default=Path("records"), metavar="DIR", help="default: records")
    parser.add_argument("--sequence", default="", metavar="NAME", help="only this sequence")
    parser.add_argument("--case", default="", metavar="NAME", help="only this case")
    parser.add_argument("--verdict", default="", choices=("pass", "fail", "inconclusive", "not-run"), help="only this")
    parser.add_argument("--firmware", default="", metavar="TEXT", help="only this text, file name or start of SHA-256")
    parser.add_argument("--box", default="", metavar="TEXT", help="only this box")
    parser.add_argument("--stage", default="", choices=("simulated", "dry", "reduced", "live"), help="only this stage")
    parser.add_argument(
        "--since", default="", metavar="DATE", help="only from this day on, for example 2026-11-25 (UTC)"
    )
    parser.add_argument("--until", default="", metavar="DATE", help="only up to this day (UTC)")
    parser.add_argument("--verify", action="store_true", help="hash every file of what is listed, too")
    parser.add_argument("--trend", metavar="QUANTITY", help="a requirement's or a step's values over firmware versions")
    parser.add_argument("--plot", type=Path, metavar="FILE", help="with --trend: also as a figure (.svg, .png, .pdf)")
    parser.add_argument("--json", action="store_true", help="one machine-readable document on standard output")


def work(arguments: argparse.Namespace) -> int:
    import json

    from bench.errors import InputError
    from bench.record.firmware import contradictions
    from bench.record.index import Filter, Index

    if arguments.plot is not None and arguments.trend is None:
        raise InputError.at("--plot", "there is nothing to draw", "say with --trend which quantity")
    days = {"since": _day("--since", arguments.since), "until": _day("--until", arguments.until)}
    names = ("sequence", "case", "verdict", "firmware", "box", "stage")
    wanted = Filter(**{name: getattr(arguments, name) for name in names}, **days)
    with Index(arguments.folder) as index:
        if arguments.trend is not None:
            return _trend(index, arguments, wanted)
        entries = index.entries(wanted)
        doubts = contradictions(index.claims(wanted))
    if arguments.verify:
        entries = [_verified(arguments.folder, entry) for entry in entries]
    if arguments.json:
        print(json.dumps({"records": [entry._asdict() for entry in entries], "contradictions": doubts}, indent=1))
    else:
        _print_entries(entries)
        for doubt in doubts:
            print(f"! {doubt}")
    return 0


def _day(option: str, text: str) -> str:
    from datetime import date

    from bench.errors import InputError

    try:
        return date.fromisoformat(text).isoformat() if text else ""
    except ValueError:
        raise InputError.at(option, f"{text!r} is no day", "write for example 2026-11-25") from None


def _verified(folder: Path, entry: Entry) -> Entry:
    from bench.errors import RecordError
    from bench.record.verifying import verify

    try:
        found = verify(folder / entry.folder)
    except RecordError as error:
        return entry._replace(state="unreadable", finding=str(error))
    return entry._replace(state=str(found.level), finding="; ".join(found.findings))


def _print_entries(entries: Sequence[Entry]) -> None:
    from bench.verdicts import SHAPES

    rows = []
    for entry in entries:
        name = f"{entry.sequence} / {entry.case}" if entry.case else entry.sequence
        started = entry.started_utc[:19].replace("T", " ")
        verdict = f"{SHAPES.get(entry.verdict, ' ')} {entry.verdict}"
        firmware = entry.firmware or entry.firmware_sha256[:12]
        state = entry.state + (", signed" if entry.signed else "")
        rows.append((started, verdict, name, entry.stage, firmware, entry.box, state, entry.folder))
    _print_columns(("started (UTC)", "verdict", "sequence", "stage", "firmware", "box", "record is", "folder"), rows)
    for entry in entries:
        if entry.finding:
            print(f"{entry.folder}: {entry.finding}")
    print(f"{len(entries)} records")


def _trend(index: Any, arguments: argparse.Namespace, wanted: Filter) -> int:
    import json

    from bench.report.trend import trend, write_trend

    rows = trend(index, arguments.trend, wanted)
    if arguments.json:
        print(json.dumps({"quantity": arguments.trend, "rows": [row._asdict() for row in rows]}, indent=1))
    else:
        _print_trend(rows)
    if arguments.plot is not None:
        write_trend(rows, arguments.trend, arguments.plot)
    return 0


def _print_trend(rows: Sequence[Row]) -> None:
    from bench.judging.limits import show

    table = []
    for row in rows:
        deviation = "" if len(row.values) == 1 else show(row.deviation, row.unit)
        limits = [
            f"{edge} {show(getattr(row, edge), row.unit)}" for edge in ("min", "max") if getattr(row, edge) is not None
        ]
        cells = [show(value, row.unit) for value in (row.mean, min(row.values), max(row.values))]
        mean, lowest, highest = cells
        count = str(len(row.values))
        table.append(
            (row.series, row.firmware, count, mean, deviation, lowest, highest, ", ".join(limits), row.verdict)
        )
    heads = ("measured in", "firmware", "runs", "mean", "deviation", "lowest", "highest", "limit", "worst verdict")
    _print_columns(heads, table)


def _print_columns(heads: Sequence[str], rows: Sequence[Sequence[str]]) -> None:
    """Plain columns: a table that draws itself takes seconds for ten thousand rows."""
    import sys

    widths = [max(map(len, column)) for column in zip(heads, *rows, strict=True)]
    form = "  ".join(f"{{:<{width}}}" for width in widths)
    sys.stdout.write("".join(form.format(*row).rstrip() + "\n" for row in [heads, *rows]))
