"""`topbox-bench selfcheck`: can this bench be believed today?"""

from __future__ import annotations

import argparse
import json
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from bench.runner.selfcheck import SelfCheck


def add_parser(subparsers) -> None:
    text = (
        "Let the bench check itself: every input read, every switched output moved by itself and confirmed, and a "
        "known-bad case shown to fail."
    )
    selfcheck = subparsers.add_parser("selfcheck", help="can this bench be believed today?", description=text)
    selfcheck.add_argument("--bench", type=Path, metavar="FILE", help="what is wired (default: the simulated bench)")
    selfcheck.add_argument("--records", type=Path, default=Path("records"), metavar="DIR", help="where records go")
    selfcheck.add_argument("--operator", default="", metavar="NAME", help="who runs it")
    selfcheck.add_argument("--walk", action="store_true", help="go through the wiring with a person, wire by wire")
    selfcheck.add_argument("--from", dest="begin_at", default="", metavar="CHANNEL", help="where the walk begins")
    selfcheck.add_argument("--json", action="store_true", help="one machine-readable document on standard output")


def work(arguments: argparse.Namespace) -> int:
    from contextlib import nullcontext

    from bench.devices.opening import bench_in_wall_time
    from bench.devices.person import Person
    from bench.errors import InputError
    from bench.language.bench_file import load_bench
    from bench.language.register import load_register
    from bench.record.keys import configured_key
    from bench.runner.options import Options
    from bench.runner.selfcheck import check_bench
    from bench.runner.stages import CAUTIONS
    from bench.runner.stopping import Stop
    from bench.terminal import is_there, terminal_prompt

    if arguments.begin_at and not arguments.walk:
        raise InputError.at("--from", "says where a walk begins", "give --walk as well")
    bench = load_bench(arguments.bench)
    register = load_register(None)
    options = Options(records=arguments.records, operator=arguments.operator, key=configured_key(None))
    plan = None
    if arguments.walk:
        from bench.language.loading import plans_from_text
        from bench.runner.wire_walk import NAME, wire_walk_text

        (plan,) = plans_from_text(wire_walk_text(bench, arguments.begin_at), f"{NAME}.yaml", bench, register)
        if bench.real and not is_there():
            raise InputError.at("--walk", "a person is to be asked, and there is no terminal", "start it by hand")
    if bench.real:
        for line in CAUTIONS["dry"]:
            print(line, file=sys.stderr)
    person = Person(terminal_prompt(), arguments.operator) if bench.real and is_there() else None
    real = nullcontext() if bench.simulated else bench_in_wall_time(bench, arguments.operator, person)
    with Stop() as stop, real as opened:
        if plan is None:
            return _told(check_bench(bench, register, options, stop, opened), arguments.json)
        from bench.runner.run import run_plan

        return _walked(run_plan(plan, options, stop, opened=opened), arguments.json)


def _told(found: SelfCheck, as_json: bool) -> int:
    from bench.runner.table import print_outcome
    from bench.verdicts import SHAPES, Verdict, exit_status

    if as_json:
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


def _walked(document: dict[str, Any], as_json: bool) -> int:
    from bench.runner.table import print_outcome
    from bench.verdicts import Verdict, exit_status

    verdict = Verdict(document["verdict"])
    if as_json:
        print(json.dumps(document, indent=1))
    else:
        print_outcome([document], verdict, 1)
        if any(step["kind"] == "ask" and step["verdict"] == "fail" for step in document["steps"]):
            print("mend that wire, with everything off, and go on with: --walk --from CHANNEL")
    return exit_status(verdict)
