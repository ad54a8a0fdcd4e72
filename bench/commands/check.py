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
    parser.add_argument("--coverage", action="store_true", help="also: what proves which requirement? nothing: error")
    parser.add_argument("--picture", metavar="FILE", help="with --coverage: requirements x sequences as an SVG")
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
    if arguments.picture and not arguments.coverage:
        raise InputError.at("--picture", "it goes with --coverage", "leave it out, or say --coverage")
    count, problems = check_files(arguments.paths, arguments.bench)
    covered = _covered(arguments) if arguments.coverage and not problems else None
    if covered is not None:
        problems = covered.problems()
    if arguments.json:
        document = {"files": count, "problems": [problem._asdict() for problem in problems]}
        if covered is not None:
            document["coverage"] = {id: covered.proved_by(id) for id in covered.to_prove}
        print(json.dumps(document, indent=1, ensure_ascii=False))
        return InputError.exit_status if problems else 0
    if covered is not None:
        for id in covered.to_prove:
            print(f"{id:8} {', '.join(covered.proved_by(id)) or '-'}")
    if problems:
        raise InputError(problems)
    if not count:
        raise InputError.at(", ".join(arguments.paths), "no YAML file is here", "name a file or another folder")
    print(f"{count} {'file' if count == 1 else 'files'} in order")
    return 0


def _covered(arguments: argparse.Namespace):
    """How the sequences named cover the shipped register."""
    from pathlib import Path

    from bench.language.bench_file import load_bench
    from bench.language.coverage import coverage
    from bench.language.loading import load_plans
    from bench.language.register import load_register

    register = load_register(None)
    found = coverage(load_plans(arguments.paths, load_bench(arguments.bench), register), register)
    if arguments.picture:
        from bench.sweep.pictures import coverage_picture

        Path(arguments.picture).write_text(coverage_picture(found), encoding="utf-8")
    return found
