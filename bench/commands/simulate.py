"""`topbox-bench simulate`: the simulated box behind stand-ins that speak the real protocols, until it is stopped."""

from __future__ import annotations

import argparse
from pathlib import Path


def add_parser(subparsers) -> None:
    text = (
        "Serve the simulated box behind a serial I/O board, a CAN adapter, a meter and a relay board, on "
        "pseudo-terminals and 127.0.0.1, until Ctrl-C. Use it with: topbox-bench run PATH --bench FILE"
    )
    simulate = subparsers.add_parser("simulate", help="a bench to try, behind the real protocols", description=text)
    simulate.add_argument("--write-bench", type=Path, metavar="FILE", help="write the bench file here when all listen")
    simulate.add_argument("--set", action="append", default=[], metavar="NAME=VALUE", help="a simulated parameter")
    simulate.add_argument("--controller", metavar="MODULE:CLASS", help="the controller in the simulated box")
    simulate.add_argument("--seed", type=int, default=0, metavar="N", help="seed of everything random (default 0)")


def work(arguments: argparse.Namespace) -> int:
    from bench.language.bench_file import load_bench
    from bench.runner import options
    from bench.runner.stopping import Stop
    from simulators.stand_ins import StandIns

    bench = load_bench(None)
    parameters = options.parameters(arguments.set, bench)
    controller = options.controller(arguments.controller, bench)
    with Stop() as stop, StandIns(parameters, controller, arguments.seed) as stand_ins:
        if arguments.write_bench is None:
            print(stand_ins.bench_text, flush=True)
        else:
            stand_ins.write_bench(arguments.write_bench)
            print(f"listening; the bench file is {arguments.write_bench}; Ctrl-C ends it", flush=True)
        stop.wait()
    return 0
