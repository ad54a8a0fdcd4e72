"""How long the suite takes on one healthy box, and all seeded defects on some processes; against a named floor.

The floor of a sweep is the CPU time of the runs themselves, measured in this same run on one process, divided by the
number of processes: what is above it is starting them, waiting for the last one, and sending results.
Run: python tests/benchmarks/sweep_speed.py [--every N] [--workers N]; --every 1 tries all defects (minutes), left out
every tenth.
"""

import argparse
import os
import time
from pathlib import Path

from bench.language.shipped import shipped_folder
from bench.runner.run import run_plan
from bench.runner.stopping import Stop
from bench.sweep.pool import Suite, sweep
from bench.sweep.specimen import DEFECT, Specimen
from simulators.defects import DEFECTS


def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("--every", type=int, default=10)
    parser.add_argument("--workers", type=int, default=os.cpu_count())
    arguments = parser.parse_args()
    suite = Suite((Path(shipped_folder() / "standard"),))
    plans = suite.load()

    wall, cpu = time.perf_counter(), time.process_time()
    documents = [run_plan(plan, Specimen().options(plan, None), Stop()) for plan in plans]
    wall, cpu = time.perf_counter() - wall, time.process_time() - cpu
    virtual = sum(document["virtual_s"] for document in documents)
    print(
        f"one healthy box: {len(plans)} runs, {virtual:.0f} virtual s, {wall:.2f} s of wall time, {cpu:.2f} s of CPU: "
        f"{virtual / wall:.0f} virtual s per wall s"
    )

    specimens = [Specimen(DEFECT, name) for name in list(DEFECTS)[:: arguments.every]]
    cpu = time.process_time()
    for specimen in specimens:
        for plan in plans:
            run_plan(plan, specimen.options(plan, None), Stop())
    floor = (time.process_time() - cpu) / arguments.workers
    wall = time.perf_counter()
    swept = list(sweep(specimens, suite, arguments.workers, Stop()))
    wall = time.perf_counter() - wall
    virtual = sum(outcome.virtual_s for _, outcomes in swept for outcome in outcomes)
    print(
        f"{len(swept)} of {len(DEFECTS)} defects x suite on {arguments.workers} processes: {wall:.1f} s of wall time, "
        f"{virtual / wall:.0f} virtual s per wall s; sweep / floor = {wall / floor:.2f}"
    )


if __name__ == "__main__":
    main()
