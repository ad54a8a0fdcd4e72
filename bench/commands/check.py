"""`topbox-bench check PATH...`: are the files in order? Also prints the schemas that editors complete from."""

from __future__ import annotations

import argparse

KINDS = ("sequence", "bench", "requirements", "limits", "margins")


def add_parser(subparsers: argparse._SubParsersAction) -> argparse.ArgumentParser:
    parser = subparsers.add_parser(
        "check",
        help="check sequences, bench descriptions and requirements registers",
        description="Check files, and folders with all in them, without driving anything. Exit status: 0 in order, "
        "2 not. A sequence is checked against the shipped bench and register unless --bench names another bench.",
    )
    parser.add_argument("paths", metavar="PATH", nargs="*", help="a file or a folder")
    parser.add_argument("--schema", choices=KINDS, help="print the JSON Schema of a kind of file and stop")
    parser.add_argument("--bench", metavar="FILE", help="bench description to check sequences against")
    parser.add_argument("--json", action="store_true", help="print one JSON document")
    return parser


def work(arguments: argparse.Namespace) -> int:
    import json

    from bench.errors import InputError
    from bench.language.checking import check_files, schema

    if arguments.schema:
        print(json.dumps(schema(arguments.schema), indent=2, ensure_ascii=False))
        return 0
    if not arguments.paths:
        raise InputError.at("check", "no file is named", "name a file or a folder, or --schema sequence")
    count, problems = check_files(arguments.paths, arguments.bench)
    if arguments.json:
        listed = [problem._asdict() for problem in problems]
        print(json.dumps({"files": count, "problems": listed}, indent=1, ensure_ascii=False))
        return InputError.exit_status if problems else 0
    if problems:
        raise InputError(problems)
    if not count:
        raise InputError.at(", ".join(arguments.paths), "no YAML file is here", "name a file or another folder")
    print(f"{count} {'file' if count == 1 else 'files'} in order")
    return 0
