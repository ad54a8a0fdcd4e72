"""`topbox-bench rejudge`: the verdict again, from nothing but the record."""

from __future__ import annotations

import argparse
import json
from pathlib import Path


def add_parser(subparsers) -> None:
    text = "Judge a record again from its recorded events."
    rejudge = subparsers.add_parser("rejudge", help="judge a record again", description=text)
    rejudge.add_argument("record", type=Path, metavar="RECORD", help="a record folder")
    rejudge.add_argument("--rule", choices=("simple", "guarded"), help="by this rule (default: the record's)")
    rejudge.add_argument("--limits", type=Path, metavar="FILE", help="with these limits (default: the record's)")
    rejudge.add_argument("--json", action="store_true", help="one machine-readable document on standard output")


def work(arguments: argparse.Namespace) -> int:
    from bench.judging.rejudge import differences, rejudge
    from bench.verdicts import Verdict, exit_status

    document, before = rejudge(arguments.record, arguments.rule, arguments.limits)
    changed = differences(before, document)
    if arguments.json:
        print(json.dumps({**document, "same": not changed}, indent=1))
    else:
        print(
            f"{document['sequence']}: {document['verdict']}"
            + (f" - {document['reason']}" if document["reason"] else "")
        )
        for line in changed:
            print(f"  {line}")
        print("the same as recorded" if not changed else "not the same as recorded")
    return exit_status(Verdict(document["verdict"]))
