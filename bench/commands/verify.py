"""`topbox-bench verify RECORD`: is the record what it was when its run was closed, and does it say what it shows?"""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from bench.record.verifying import Verification


def add_parser(subparsers: argparse._SubParsersAction) -> argparse.ArgumentParser:
    parser = subparsers.add_parser(
        "verify",
        help="check that a record is whole and unchanged",
        description="Check every hash of a record, its signature, and that its events give the verdicts that it "
        "states. Exit status: 0 intact, 1 altered, 3 incomplete or judged otherwise by another version of this tool.",
    )
    parser.add_argument("record", metavar="RECORD", help="the record's folder")
    parser.add_argument("--key", type=Path, metavar="FILE", help="public key that must have signed it (see keys)")
    parser.add_argument("--json", action="store_true", help="print one JSON document")
    return parser


def work(arguments: argparse.Namespace) -> int:
    from bench.record.keys import load_public
    from bench.record.verifying import EXIT_STATUS, Level, verify

    public = load_public(arguments.key) if arguments.key else None
    found = verify(arguments.record, public)
    if found.level is Level.INTACT:
        found = _judged_again(Path(arguments.record), found)
    if arguments.json:
        import json

        print(json.dumps({"record": arguments.record, **found._asdict()}, indent=1, ensure_ascii=False))
        return EXIT_STATUS[found.level]
    print(f"{arguments.record}: {found.level} ({found.files} files, {found.lines} lines)")
    for finding in found.findings:
        print(f"  {finding}")
    if found.level is not Level.INTACT:
        return EXIT_STATUS[found.level]
    print("  judging its events again gives the verdicts that it states")
    if found.signed_by:
        whose = "the key that you gave" if public else "a key that nobody vouched for here; give --key FILE"
        print(f"  signed by {found.signed_by} ({whose})")
    else:
        print("  not signed: whoever can write to it could have made all of it anew")
    return EXIT_STATUS[found.level]


def _judged_again(folder: Path, found: Verification) -> Verification:
    """Hashes show that nothing was changed since; judging again shows that the verdict was right to begin with."""
    from bench.errors import InputError, RecordError
    from bench.judging.rejudge import differences, rejudge
    from bench.record.manifest import load_manifest, tool_version
    from bench.record.verifying import Level

    try:
        document, before = rejudge(folder)
    except (InputError, RecordError) as error:
        return found._replace(level=Level.INCOMPLETE, findings=[f"it cannot be judged again: {error}"])
    changed = differences(before, document)
    if not changed:
        return found
    made_by = str(((load_manifest(folder) or {}).get("tool") or {}).get("version", "unknown"))
    if made_by != tool_version():
        why = f"version {made_by} judged it, and this one, {tool_version()}, judges otherwise"
        return found._replace(level=Level.INCOMPLETE, findings=[f"{why}: {it}" for it in changed])
    return found._replace(level=Level.ALTERED, findings=[f"its events give another verdict: {it}" for it in changed])
