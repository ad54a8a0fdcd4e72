"""`topbox-bench run`: sequences on the bench, with progress, a table, a record and a verdict."""

from __future__ import annotations

import argparse
import json
from pathlib import Path


def add_parser(subparsers) -> None:
    run = subparsers.add_parser("run", help="run sequences and judge them", description="Run sequences and judge them.")
    run.add_argument("paths", nargs="+", type=Path, metavar="PATH", help="sequence files, or folders of them")
    run.add_argument(
        "--proves", nargs="+", action="extend", default=[], metavar="ID", help="only what proves one of these"
    )
    run.add_argument("--tag", action="append", default=[], help="only sequences with this tag, for example triage")
    run.add_argument(
        "--replaced", action="append", default=[], metavar="PART", help="a part was replaced: show it again"
    )
    run.add_argument("--bench", type=Path, metavar="FILE", help="what is wired (default: the simulated bench)")
    run.add_argument("--wall-clock", action="store_true", help="the simulated bench in real time")
    run.add_argument("--records", type=Path, default=Path("records"), metavar="DIR", help="where records go")
    run.add_argument(
        "--firmware", action="append", default=[], metavar="TEXT|FILE",
        help="what runs in the box: its version, its file (which is hashed), or both",
    )  # fmt: skip
    run.add_argument("--box", default="", metavar="TEXT", help="which box this is")
    run.add_argument("--operator", default="", metavar="NAME", help="who runs it")
    run.add_argument("--people", action="append", default=[], metavar="NAME,NAME", help="who else is at the bench")
    run.add_argument("--stage", choices=("dry", "reduced", "live"), default="", help="energy stage (real bench: dry)")
    run.add_argument("--override", metavar="REASON", help="go up a stage without the record that it needs")
    run.add_argument("--rules", type=Path, metavar="FILE", help="local rules, acknowledged line by line for live")
    run.add_argument("--rule", choices=("simple", "guarded"), help="how uncertainty decides")
    run.add_argument("--limits", type=Path, metavar="FILE", help="the team's own limits, each with its reason")
    run.add_argument("--repeat", type=int, default=1, metavar="N", help="run each N times, and say how it spread")
    run.add_argument("--seed", type=int, default=0, metavar="N", help="seed of everything random (default 0)")
    run.add_argument("--set", action="append", default=[], metavar="NAME=VALUE", help="a simulated parameter")
    run.add_argument("--fault", action="append", default=[], metavar="NAME[@SECONDS]", help="put a simulated fault in")
    run.add_argument("--controller", metavar="MODULE:CLASS", help="the controller in the simulated box")
    run.add_argument("--plan", action="store_true", help="say what would be driven, and drive nothing")
    run.add_argument("--key", type=Path, metavar="FILE", help="private key that signs the records (see keys)")
    run.add_argument("--junit", type=Path, metavar="FILE", help="also write a JUnit summary")
    run.add_argument("--json", action="store_true", help="one machine-readable document on standard output")


def work(arguments: argparse.Namespace) -> int:
    from bench.devices.opening import check_installed, devices_of
    from bench.errors import InputError
    from bench.language.bench_file import load_bench
    from bench.language.loading import load_plans
    from bench.language.register import load_register
    from bench.runner import options as option
    from bench.runner.retest import Retest, wanted_parts
    from bench.verdicts import exit_status

    if arguments.repeat < 1:
        raise InputError.at("--repeat", f"{arguments.repeat} runs are none", "write a number from 1 on")
    bench = load_bench(arguments.bench)
    register = load_register(None, arguments.limits)
    parts = wanted_parts(arguments.replaced, register)
    retested = [id for ids in parts.values() for id in ids]
    plans = option.chosen(
        load_plans(arguments.paths, bench, register), [*arguments.proves, *retested], arguments.tag, register
    )
    if arguments.plan:
        from bench.runner.planning import plan_text

        injections = option.injections(arguments.fault)
        print(plan_text(plans, bench, register, injections, arguments.repeat, arguments.json))
        return 0
    if not bench.simulated:
        check_installed(devices_of(bench))  # before anything is asked of people
    options = _options(arguments, plans, bench)
    retest = Retest(arguments.records, arguments.box, bench)
    retest.replaced(parts)
    runs = [(plan, number) for plan in plans for number in range(arguments.repeat)]
    documents = _run_all(runs, bench, register, options, quiet=arguments.json)
    retest.ran(documents)
    verdict = _verdict(documents, len(runs))
    _tell(arguments, documents, verdict, len(runs), options.firmware_doubts, retest)
    return exit_status(verdict)


def _options(arguments, plans, bench):
    """What the user says about all runs, checked; people have been asked where the energy stage wants it."""
    from dataclasses import replace

    from bench.record.keys import configured_key
    from bench.runner import options as option
    from bench.runner import stages
    from bench.runner.acknowledging import real_terminal
    from bench.runner.budgets import memory_for

    key = configured_key(arguments.key)
    permit = stages.permit(plans, bench, _wanted(arguments), arguments.records, real_terminal())
    options = option.Options(
        records=arguments.records,
        controller=option.controller(arguments.controller, bench),
        parameters=option.parameters(arguments.set, bench),
        injections=option.injections(arguments.fault),
        seed=arguments.seed,
        rule=arguments.rule or bench.rule,
        wall_clock=arguments.wall_clock,
        firmware=option.firmware(arguments.firmware),
        box=arguments.box,
        operator=arguments.operator,
        people=permit.wanted.people,
        permit=permit,
        heat=memory_for(bench, permit.stage, arguments.records, arguments.box),
        key=key,
    )
    return replace(options, firmware_doubts=option.firmware_doubts(options, bench))


def _run_all(runs, bench, register, options, quiet):
    """The documents of `runs`, (plan, number of the repetition) each, in their order; fewer when the bench was lost or
    somebody stopped it."""
    from contextlib import nullcontext
    from dataclasses import replace

    from bench.devices.opening import bench_in_wall_time
    from bench.devices.person import Person
    from bench.judging.document import refused_document
    from bench.runner.clearing import clear_box
    from bench.runner.progress import Progress
    from bench.runner.run import run_plan
    from bench.runner.stopping import Stop
    from bench.terminal import is_there, terminal_prompt
    from bench.verdicts import Verdict

    documents = []
    person = Person(terminal_prompt(), options.operator) if bench.real and is_there() else None
    opened = nullcontext() if bench.simulated else bench_in_wall_time(bench, options.operator, person)
    with Stop() as stop, opened as real, Progress(len(runs), quiet=quiet) as progress:
        for doubt in options.firmware_doubts:
            progress.say(f"warning: {doubt}")
        if person is not None:
            terminal_prompt().around = progress.paused
        if real is not None:
            options = _checked(bench, register, options, stop, real, progress)
        for plan, number in runs:
            if bench.real and number and documents[-1]["verdict"] == Verdict.FAIL:
                continue  # a box that has just failed is not driven the same way again
            progress.begin(plan)
            reason = options.reason_not_to_run(plan)
            not_now = "" if reason else _not_now(plan, options, stop, progress)
            reason = reason or not_now
            if real is not None and documents and not reason:
                clear_box(bench, register, options, stop, real)
            documents.append(
                refused_document(plan, reason)
                if reason
                else run_plan(plan, replace(options, seed=options.seed + number), stop, progress.watch, real)
            )
            progress.end(documents[-1])
            if stop.was_asked or not_now or (real is not None and documents[-1]["trouble"]):
                break  # what was lost is not opened again: begin anew when it is mended
    return documents


def _verdict(documents, due):
    """The worst of all; what was to be run and was not counts, too."""
    from bench.verdicts import Verdict, worst

    missing = [Verdict.NOT_RUN, Verdict.INCONCLUSIVE] if len(documents) < due else []
    return worst([*(Verdict(document["verdict"]) for document in documents), *missing])


def _tell(arguments, documents, verdict, due, doubts, retest):
    """The outcome, as a file for other tools, as one document, or for people."""
    from bench.runner.table import print_outcome, wiring_to_look_at

    if arguments.junit:
        from bench.report.junit import write_junit

        write_junit(documents, arguments.junit)
    repeats = {}
    if arguments.repeat > 1:
        from bench.comparing.repeats import repeats_document

        repeats = {"repeats": repeats_document(documents)}
    if arguments.json:
        whole = {
            "verdict": str(verdict),
            "runs": documents,
            "to_be_shown_again": retest.open,
            "firmware_doubts": doubts,
            "wiring": wiring_to_look_at(documents),
        }
        print(json.dumps(whole | repeats, indent=1))
        return
    if repeats:
        from bench.comparing.repeats_table import print_repeats

        print_repeats(repeats["repeats"])
    print_outcome(documents, verdict, due, retest.warnings(), arguments.repeat > 1)


def _checked(bench, register, options, stop, real, progress):
    """Before any run on hardware the bench checks itself; what it found goes into every record."""
    from dataclasses import replace

    from bench.runner.selfcheck import check_bench

    progress.say("the bench checks itself ...")
    found = check_bench(bench, register, options, stop, real)
    progress.say(f"self-check: {found.verdict}" + "".join(f"; {name}: {why}" for name, why in found.failed.items()))
    for name, day in found.overdue.items():
        progress.say(f"warning: the calibration of {name} ran out after {day}; whatever rests on it says so")
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
