"""`topbox-bench verify RECORD`: is the record what it was when its run was closed?"""

from __future__ import annotations

import argparse


def add_parser(subparsers: argparse._SubParsersAction) -> argparse.ArgumentParser:
    parser = subparsers.add_parser(
        "verify",
        help="check that a record is whole and unchanged",
        description="Check every hash of a record. Exit status: 0 intact, 1 altered, 3 incomplete.",
    )
    parser.add_argument("record", metavar="RECORD", help="the record's folder")
    parser.add_argument("--json", action="store_true", help="print one JSON document")
    return parser


def work(arguments: argparse.Namespace) -> int:
    from bench.record.verifying import EXIT_STATUS, verify

    found = verify(arguments.record)
    if arguments.json:
        import json

        print(json.dumps({"record": arguments.record, **found._asdict()}, indent=1, ensure_ascii=False))
    else:
        print(f"{arguments.record}: {found.level} ({found.files} files, {found.lines} lines)")
        for finding in found.findings:
            print(f"  {finding}")
    return EXIT_STATUS[found.level]
