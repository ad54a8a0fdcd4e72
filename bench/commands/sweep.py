"""`topbox-bench sweep`: the suite against many simulated boxes; how strong it is, and how often it is wrong."""

from __future__ import annotations

import argparse
import json
from pathlib import Path


def add_parser(subparsers) -> None:
    sweep = subparsers.add_parser(
        "sweep",
        help="run sequences against many simulated boxes: seeded defects, tolerances",
        description="Run sequences against many simulated boxes. With --defects each has one seeded defect, and every "
        "one should be found; with --tolerances each is healthy, and none should fail.",
    )
    sweep.add_argument("paths", nargs="+", type=Path, metavar="PATH", help="sequence files, or folders of them")
    what = sweep.add_mutually_exclusive_group(required=True)
    what.add_argument("--defects", nargs="?", const="all", metavar="NAME,NAME", help="seeded defects (default: all)")
    what.add_argument("--tolerances", type=_count, metavar="N", help="N healthy boxes drawn from their tolerances")
    sweep.add_argument("--first", action="store_true", help="leave a defect at the first run that names what it breaks")
    sweep.add_argument("--runs", type=_count, metavar="N", help="about N runs of the suite a draw, by turns")
    sweep.add_argument("--workers", type=_count, metavar="N", help="processes (default: one a core)")
    sweep.add_argument("--seed", type=int, default=0, metavar="N", help="seed of everything random (default 0)")
    sweep.add_argument("--bench", type=Path, metavar="FILE", help="bench description (default: the simulated bench)")
    sweep.add_argument("--records", type=Path, metavar="DIR", help="keep a record of every run (default: of none)")
    sweep.add_argument("--picture", type=Path, metavar="FILE", help="defects x sequences as an SVG")
    sweep.add_argument("--json", action="store_true", help="one machine-readable document on standard output")


def work(arguments: argparse.Namespace) -> int:
    from bench.sweep.pool import Suite
    from bench.verdicts import exit_status

    suite = Suite(tuple(arguments.paths), arguments.bench, arguments.first, arguments.records)
    plans = suite.load()  # says what is wrong before a process is begun
    _refuse_what_does_not_fit(arguments, plans)
    by_defects = arguments.defects is not None
    found, document = (_defects if by_defects else _tolerances)(arguments, suite, plans)
    if arguments.json:
        print(json.dumps(document(found), indent=1))
    elif by_defects:
        from bench.sweep.table import print_detections

        print_detections(found, arguments.first)
    else:
        from bench.sweep.table import print_tolerances

        print_tolerances(found)
    if arguments.picture:
        from bench.sweep.pictures import defects_picture

        arguments.picture.write_text(defects_picture(found), encoding="utf-8")
    return exit_status(found.verdict)


def _defects(arguments, suite, plans):
    """First the healthy box: what does not pass there says nothing about a defect."""
    from dataclasses import replace

    from bench.sweep.detection import Detection, Detections, detection_document
    from bench.sweep.specimen import DEFECT, Specimen

    chosen, workers = _chosen(arguments.defects), _workers(arguments)
    parts = [Specimen(seed=arguments.seed, share=(part, workers)) for part in range(workers)]
    swept, stopped = _swept(workers, suite, parts, "healthy box")
    healthy = [outcome for _, outcomes in swept for outcome in outcomes]
    rows = []
    if not stopped:
        unsound = frozenset((outcome.sequence, outcome.case) for outcome in healthy if outcome.verdict != "pass")
        specimens = [Specimen(DEFECT, name, arguments.seed) for name in chosen]
        swept, stopped = _swept(workers, replace(suite, left_out=unsound), specimens, "defects")
        outcomes = {specimen.name: tuple(found) for specimen, found in swept}
        rows = [Detection(defect, outcomes[name]) for name, defect in chosen.items() if name in outcomes]
    return Detections(len(chosen), healthy, rows), detection_document


def _tolerances(arguments, suite, plans):
    from bench.sweep.specimen import DRAW, Specimen
    from bench.sweep.tolerance import tolerance_document, tolerance_rows

    of = max(1, round(len(plans) / arguments.runs)) if arguments.runs else 1
    specimens = [Specimen(DRAW, str(n), arguments.seed, (n, of)) for n in range(arguments.tolerances)]
    swept, _ = _swept(_workers(arguments), suite, specimens, "draws")
    by_draw = {int(specimen.name): outcomes for specimen, outcomes in swept}
    return tolerance_rows(by_draw, plans[0].bench, arguments.seed, len(specimens)), tolerance_document


def _swept(workers, suite, specimens, what):
    """(specimen, outcomes) of all that were finished, and whether somebody stopped it."""
    from bench.runner.stopping import Stop
    from bench.sweep.pool import sweep
    from bench.sweep.progress import SweepProgress

    results = []
    with Stop() as stop, SweepProgress(len(specimens), what) as progress:
        for result in sweep(specimens, suite, workers, stop):
            results.append(result)
            progress.done()
    return results, stop.was_asked


def _workers(arguments) -> int:
    import os

    return arguments.workers or os.cpu_count() or 1


def _chosen(text):
    """Name -> defect. Raises InputError naming every unknown one."""
    from bench.errors import InputError
    from bench.language.located import suggestion
    from simulators.defects import DEFECTS

    if text == "all":
        return DEFECTS
    names = [name.strip() for name in text.split(",")]
    wrong = [InputError.at("--defects", f"no defect is called {name!r}", suggestion(name, DEFECTS))
             for name in names if name not in DEFECTS]  # fmt: skip
    if wrong:
        raise InputError(problem for error in wrong for problem in error.problems)
    return {name: DEFECTS[name] for name in names}


def _refuse_what_does_not_fit(arguments, plans):
    from bench.errors import InputError

    if not plans[0].bench.simulated:
        raise InputError.at("--bench", "the bench is not simulated", "seeded defects and tolerances are; leave it out")
    for option, wanted in (("first", "defects"), ("picture", "defects"), ("runs", "tolerances")):
        if getattr(arguments, option) and getattr(arguments, wanted) is None:
            raise InputError.at(f"--{option}", f"it goes with --{wanted}", f"leave it out, or say --{wanted}")
    folder = arguments.picture.parent if arguments.picture else None
    if folder is not None and not folder.is_dir():
        raise InputError.at("--picture", f"there is no folder {folder}", "make it first")


def _count(text: str) -> int:
    number = int(text)
    if number < 1:
        raise ValueError
    return number


_count.__name__ = "number from 1 on"  # argparse: invalid number from 1 on value
