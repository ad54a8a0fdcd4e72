"""`topbox-bench run`: sequences on the bench, with progress, a table, a record and a verdict."""

from __future__ import annotations

import argparse
import json
from pathlib import Path


def add_parser(subparsers) -> None:
    run = subparsers.add_parser("run", help="run sequences and judge them", description="Run sequences and judge them.")
    run.add_argument("paths", nargs="+", type=Path, metavar="PATH", help="sequence files, or folders of them")
    run.add_argument("--bench", type=Path, metavar="FILE", help="what is wired (default: the simulated bench)")
    run.add_argument("--wall-clock", action="store_true", help="the simulated bench in real time")
    run.add_argument("--records", type=Path, default=Path("records"), metavar="DIR", help="where records go")
    run.add_argument("--firmware", default="", metavar="TEXT|FILE", help="what runs in the box; a file is hashed")
    run.add_argument("--box", default="", metavar="TEXT", help="which box this is")
    run.add_argument("--operator", default="", metavar="NAME", help="who runs it")
    run.add_argument("--people", action="append", default=[], metavar="NAME,NAME", help="who else is at the bench")
    run.add_argument("--stage", choices=("dry", "reduced", "live"), default="", help="energy stage (real bench: dry)")
    run.add_argument("--override", metavar="REASON", help="go up a stage without the record that it needs")
    run.add_argument("--rules", type=Path, metavar="FILE", help="local rules, acknowledged line by line for live")
    run.add_argument("--seed", type=int, default=0, metavar="N", help="seed of everything random (default 0)")
    run.add_argument("--set", action="append", default=[], metavar="NAME=VALUE", help="a simulated parameter")
    run.add_argument("--fault", action="append", default=[], metavar="NAME[@SECONDS]", help="put a simulated fault in")
    run.add_argument("--controller", metavar="MODULE:CLASS", help="the controller in the simulated box")
    run.add_argument("--plan", action="store_true", help="say what would be driven, and drive nothing")
    run.add_argument("--junit", type=Path, metavar="FILE", help="also write a JUnit summary")
    run.add_argument("--json", action="store_true", help="one machine-readable document on standard output")


def work(arguments: argparse.Namespace) -> int:
    from contextlib import nullcontext

    from bench.devices.opening import bench_in_wall_time, check_installed, devices_of
    from bench.judging.document import refused_document
    from bench.language.bench_file import load_bench
    from bench.language.loading import load_plans
    from bench.language.register import load_register
    from bench.runner import options as option
    from bench.runner import stages
    from bench.runner.acknowledging import real_terminal
    from bench.runner.budgets import memory_for
    from bench.runner.progress import Progress
    from bench.runner.run import run_plan
    from bench.runner.stopping import Stop
    from bench.verdicts import Verdict, exit_status, worst

    bench = load_bench(arguments.bench)
    register = load_register(None)
    plans = load_plans(arguments.paths, bench, register)
    if arguments.plan:
        from bench.runner.planning import plan_text

        print(plan_text(plans, bench, register, option.injections(arguments.fault), arguments.json))
        return 0
    if not bench.simulated:
        check_installed(devices_of(bench))  # before anything is asked of people
    permit = stages.permit(plans, bench, _wanted(arguments), arguments.records, real_terminal())
    options = option.Options(
        records=arguments.records,
        controller=option.controller(arguments.controller),
        parameters=option.parameters(arguments.set, bench),
        injections=option.injections(arguments.fault),
        seed=arguments.seed,
        wall_clock=arguments.wall_clock,
        firmware=option.firmware(arguments.firmware),
        box=arguments.box,
        operator=arguments.operator,
        people=permit.wanted.people,
        permit=permit,
        heat=memory_for(bench, permit.stage, arguments.records, arguments.box),
    )
    documents = []
    opened = nullcontext() if bench.simulated else bench_in_wall_time(bench)
    with Stop() as stop, opened as real, Progress(len(plans), quiet=arguments.json) as progress:
        if real is not None:
            options = _checked(bench, register, options, stop, real, progress)
        for plan in plans:
            progress.begin(plan)
            reason = options.reason_not_to_run(plan)
            not_now = "" if reason else _not_now(plan, options, stop, progress)
            reason = reason or not_now
            documents.append(
                refused_document(plan, reason) if reason else run_plan(plan, options, stop, progress.watch, real)
            )
            progress.end(documents[-1])
            if stop.was_asked or not_now or (real is not None and documents[-1]["trouble"]):
                break  # what was lost is not opened again: begin anew when it is mended
    verdict = worst(Verdict(document["verdict"]) for document in documents)
    if len(documents) < len(plans):
        verdict = worst([verdict, Verdict.NOT_RUN, Verdict.INCONCLUSIVE])
    if arguments.junit:
        from bench.report.junit import write_junit

        write_junit(documents, arguments.junit)
    if arguments.json:
        print(json.dumps({"verdict": str(verdict), "runs": documents}, indent=1))
    else:
        from bench.runner.table import print_outcome

        print_outcome(documents, verdict, len(plans))
    return exit_status(verdict)


def _checked(bench, register, options, stop, real, progress):
    """Before any run on hardware the bench checks itself; what it found goes into every record."""
    from dataclasses import replace

    from bench.runner.selfcheck import check_bench

    progress.say("the bench checks itself ...")
    found = check_bench(bench, register, options, stop, real)
    progress.say(f"self-check: {found.verdict}" + "".join(f"; {name}: {why}" for name, why in found.failed.items()))
    return replace(options, selfcheck=found)


def _wanted(arguments):
    from bench.runner import options as option
    from bench.runner.stages import Wanted, names_of

    return Wanted(
        stage=arguments.stage,
        box=arguments.box,
        firmware=option.firmware(arguments.firmware),
        override=arguments.override,
        people=names_of(arguments.people),
        rules=arguments.rules,
    )


def _not_now(plan, options, stop, progress) -> str:
    """What keeps this run from beginning, once the people have been asked and the resistors have cooled; ''."""
    from bench.errors import InputError
    from bench.runner.budgets import wait_until_cool

    if options.heat is not None and not wait_until_cool(options.heat, plan, progress.countdown, lambda: stop.was_asked):
        return "stopped while a resistor had to cool"
    if options.permit.has_lapsed:
        with progress.paused():
            try:
                options.permit.acknowledge()
            except InputError as error:
                return f"the acknowledgement of the local rules has lapsed: {error.problems[0].wrong}"
    return ""
