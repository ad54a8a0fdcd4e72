"""`topbox-bench wiring BENCHFILE`: the harness that a bench file describes, as table, drawing and checklist."""

from __future__ import annotations

import argparse
from pathlib import Path


def add_parser(subparsers: argparse._SubParsersAction) -> argparse.ArgumentParser:
    parser = subparsers.add_parser(
        "wiring",
        help="the harness of a bench: table, drawing, checklist",
        description="Print the harness that a bench file describes and what looks wrong with it. Nothing is opened or "
        "driven. Exit status: 0 nothing looks wrong, 2 something does, or the file is no description of a real bench.",
    )
    parser.add_argument("bench", metavar="BENCHFILE", type=Path, help="the bench description")
    parser.add_argument("--svg", metavar="FILE", type=Path, help="also write the drawing")
    parser.add_argument("--checklist", action="store_true", help="also print a list to wire by")
    return parser


def work(arguments: argparse.Namespace) -> int:
    from bench.errors import InputError
    from bench.language.bench_file import load_bench
    from bench.wiring.checklist import checklist_text
    from bench.wiring.harness import harness_of
    from bench.wiring.telling import table_text

    harness = harness_of(load_bench(arguments.bench))
    if not harness.rows:
        wrong = "nothing in this bench has a wire: its devices are simulated, or read by people"
        raise InputError.at(arguments.bench, wrong, "name the file of a real bench")
    print(table_text(harness), end="")
    if arguments.checklist:
        print("\n" + checklist_text(harness), end="")
    if arguments.svg:
        from bench.wiring.drawing import drawing_of

        try:
            arguments.svg.write_text(drawing_of(harness).svg(), encoding="utf-8")
        except OSError as error:
            raise InputError.at(arguments.svg, f"cannot be written: {error.strerror}", "name another file") from error
    return InputError.exit_status if harness.problems else 0
