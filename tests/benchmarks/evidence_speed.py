"""Report, verify and rejudge on large records: `python tests/benchmarks/evidence_speed.py [SAMPLES]`.

Report: a run of 8 channels x SAMPLES (default 1 000 000), made by the command in a process of its own; floor: a process
in which plain matplotlib draws the same decimated traces into SVG files, the same number of axes, with legend and
labels. Reading and hashing all samples is in the report's time and not in the floor's; it is printed by itself.
Verify (hashes only) and rejudge: events a second on a record of the shipped energise-and-shutdown held for long.
"""

from __future__ import annotations

import os
import subprocess
import sys
import tempfile
from pathlib import Path
from time import perf_counter

FLOOR = """\
import sys
import numpy as np
from matplotlib.figure import Figure
data = np.load(sys.argv[1])
names = sorted({name.rpartition(":")[0] for name in data})
for place in range(0, len(names), 4):
    figure = Figure(figsize=(7.6, 2.5))
    axes = figure.add_subplot()
    for name in names[place : place + 4]:
        axes.plot(data[name + ":t"], data[name + ":v"], label=name)
    axes.set_xlabel("run time in s")
    axes.set_ylabel("V")
    axes.legend()
    figure.savefig(f"{sys.argv[2]}/{place}.svg")
"""
LONG = """\
sequence: long
steps:
  - {name: Close the loop, drive: {shutdown_loop: closed}}
  - {name: Press start, drive: {start_request: pressed}}
  - {name: AIR+ closes, await: air_plus == 'closed', within: 5 s}
  - {name: Stays closed, hold: air_plus == 'closed', for: 120 s}
"""


READ = """\
import sys
import numpy as np
from time import perf_counter
from bench.record.reader import read_record
from bench.report.decimation import decimate
begin = perf_counter()
record = read_record(sys.argv[1])
traces = {name: record.channel(name) for name in record.channels}
print(f"hashing and reading all of it: {perf_counter() - begin:.2f} s")
arrays = {}
for name, trace in traces.items():
    arrays[name + ":t"], arrays[name + ":v"] = decimate(np.asarray(trace.times), np.asarray(trace.values))
np.savez(sys.argv[2], **arrays)
"""


def timed(*command: str) -> tuple[float, float]:
    """(seconds, peak memory in MiB) of a Python process."""
    begin = perf_counter()
    child = subprocess.Popen([sys.executable, *command], stdout=subprocess.DEVNULL)
    _, status, used = os.wait4(child.pid, 0)
    child.returncode = status
    if status:
        raise SystemExit(f"{command} failed")
    return perf_counter() - begin, used.ru_maxrss / 1024


def report_speed(folder: Path, samples: int) -> None:
    """Everything in processes of their own: the peak memory of a child counts what its parent held at its start."""
    record, traces = folder / "big", folder / "traces.npz"
    subprocess.run(
        [sys.executable, str(Path(__file__).with_name("big_record.py")), str(record), str(samples)], check=True
    )
    print(f"record: 8 x {samples} samples, {(record / 'record.jsonl').stat().st_size / 2**20:.0f} MiB", flush=True)
    subprocess.run([sys.executable, "-c", READ, str(record), str(traces)], check=True)
    floor, floor_memory = min(timed("-c", FLOOR, str(traces), str(folder)) for _ in range(3))
    print(f"floor: plain matplotlib {floor:.2f} s, {floor_memory:.0f} MiB")
    for kind in ("html", "pdf"):
        output = folder / f"report.{kind}"
        command = ("-m", "bench", "report", str(record), "--export", kind, "--output", str(output))
        seconds, memory = min(timed(*command) for _ in range(3))
        size = output.stat().st_size / 2**20
        ratio = f"{seconds / floor:.1f} x the floor"
        print(f"report {kind}: {seconds:.2f} s, {ratio}, {memory:.0f} MiB; {size:.2f} MiB on disk")


def verify_speed(folder: Path) -> None:
    from bench.judging.rejudge import rejudge
    from bench.language.bench_file import load_bench
    from bench.language.loading import plans_from_text
    from bench.language.register import load_register
    from bench.record.reader import read_record
    from bench.record.verifying import verify
    from bench.runner.options import Options
    from bench.runner.run import run_plan
    from bench.runner.stopping import Stop

    (plan,) = plans_from_text(LONG, "long.yaml", load_bench(None), load_register(None))
    record = Path(run_plan(plan, Options(records=folder), Stop())["record"])
    events = sum(1 for _ in read_record(record).events())
    size = sum(path.stat().st_size for path in record.rglob("*") if path.is_file()) / 2**20
    for name, call in (("verify", verify), ("rejudge", rejudge)):
        best = float("inf")
        for _ in range(3):
            begin = perf_counter()
            call(record)
            best = min(best, perf_counter() - begin)
        print(f"{name}: {events / best:,.0f} events/s ({events} events, {size:.1f} MiB, {best:.3f} s)")


if __name__ == "__main__":
    with tempfile.TemporaryDirectory() as place:
        report_speed(Path(place), int(sys.argv[1]) if len(sys.argv) > 1 else 1_000_000)
        verify_speed(Path(place))
