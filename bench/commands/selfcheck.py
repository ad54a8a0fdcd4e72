"""`topbox-bench selfcheck`: can this bench be believed today?"""

from __future__ import annotations

import argparse
import json
from pathlib import Path


def add_parser(subparsers) -> None:
    text = (
        "Let the bench check itself: every input read, every switched output moved by itself and confirmed, and a "
        "known-bad case shown to fail."
    )
    selfcheck = subparsers.add_parser("selfcheck", help="can this bench be believed today?", description=text)
    selfcheck.add_argument("--bench", type=Path, metavar="FILE", help="what is wired (default: the simulated bench)")
    selfcheck.add_argument("--records", type=Path, default=Path("records"), metavar="DIR", help="where records go")
    selfcheck.add_argument("--operator", default="", metavar="NAME", help="who runs it")
    selfcheck.add_argument("--json", action="store_true", help="one machine-readable document on standard output")


def work(arguments: argparse.Namespace) -> int:
    from contextlib import nullcontext

    from bench.devices.opening import bench_in_wall_time
    from bench.language.bench_file import load_bench
    from bench.language.register import load_register
    from bench.record.keys import configured_key
    from bench.runner.options import Options
    from bench.runner.selfcheck import check_bench
    from bench.runner.stopping import Stop
    from bench.runner.table import SHAPES, print_outcome
    from bench.verdicts import Verdict, exit_status

    bench = load_bench(arguments.bench)
    options = Options(records=arguments.records, operator=arguments.operator, key=configured_key(None))
    with Stop() as stop, nullcontext() if bench.simulated else bench_in_wall_time(bench) as opened:
        found = check_bench(bench, load_register(None), options, stop, opened)
    if arguments.json:
        print(json.dumps(found.as_document(), indent=1))
        return exit_status(found.verdict)
    print_outcome([found.walk], Verdict(found.walk["verdict"]), 1)
    bad = found.known_bad["verdict"]
    print(f"known-bad case: {bad}; {'the bench can say no' if bad == 'fail' else 'the bench cannot say no'}")
    for name, day in found.overdue.items():
        print(f"calibration of {name} ran out after {day}")
    for name, reason in found.failed.items():
        print(f"not to be relied on: {name}: {reason}")
    print(f"{SHAPES[str(found.verdict)]} self-check: {found.verdict}")
    return exit_status(found.verdict)
