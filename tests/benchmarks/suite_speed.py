"""Virtual seconds per wall second of the standard suite, one core, records written; and how far the floor is.

The floor is the bare cost, measured in this same run, of as many heap events, controller steps, frame encodings,
frame decodings and hashed record lines as the suite had. Run: python tests/benchmarks/suite_speed.py [--profile]
"""

import hashlib
import heapq
import json
import os
import subprocess
import sys
import tempfile
import time
from pathlib import Path

from bench.language.bench_file import load_bench
from bench.language.loading import load_plans
from bench.language.register import load_register
from bench.language.shipped import shipped_file, shipped_folder
from bench.language.surroundings import can_database
from bench.record.writer import RecordWriter
from bench.runner.options import Options
from bench.runner.run import run_plan
from bench.runner.stopping import Stop
from simulators import messages
from simulators.controller import ReferenceController
from simulators.timeline import Timeline

COUNTS = dict.fromkeys(("heap events", "controller steps", "encodings", "decodings", "record lines"), 0)


def suite(plans) -> tuple[float, float]:
    """(virtual s, CPU s) of one pass."""
    with tempfile.TemporaryDirectory() as folder:
        begun = time.process_time()
        documents = [run_plan(plan, Options(records=Path(folder)), Stop()) for plan in plans]
        spent = time.process_time() - begun
    assert all(document["verdict"] == "pass" for document in documents)
    virtual = sum(
        document["virtual_s"] + (3.0 if plan.power == "on" else 0.0)
        for document, plan in zip(documents, plans, strict=True)
    )
    return virtual, spent


def counted(kind, owner, name):
    real = getattr(owner, name)

    def counting(*arguments, **named):
        COUNTS[kind] += 1
        return real(*arguments, **named)

    setattr(owner, name, counting)
    return lambda: setattr(owner, name, real)


def count(plans) -> None:
    class Recorded(ReferenceController):
        last = None

        def step(self, t, inputs):
            COUNTS["controller steps"] += 1
            Recorded.last = inputs
            return super().step(t, inputs)

    undo = [
        counted("heap events", Timeline, "at"),
        counted("encodings", messages.Encoder, "encode"),
        counted("decodings", messages.Decoder, "decode"),
        counted("record lines", RecordWriter, "_add_line"),
    ]
    with tempfile.TemporaryDirectory() as folder:
        for plan in plans:
            run_plan(plan, Options(records=Path(folder), controller=Recorded), Stop())
    for each in undo:
        each()
    count.inputs = Recorded.last


def floor() -> dict[str, float]:
    """CPU s of the same numbers of bare operations."""
    spent = {}

    def timed(kind, work):
        begun = time.process_time()
        work(COUNTS[kind])
        spent[kind] = time.process_time() - begun

    def heap(number):
        queue = [(0.01 * n, 0, n, None) for n in range(8)]
        for n in range(number):
            t, _, _, _ = heapq.heappop(queue)
            heapq.heappush(queue, (round(t + 0.01, 6), 0, n + 8, None))

    def steps(number):
        controller = ReferenceController()
        for n in range(number):
            controller.step(n * 0.01, count.inputs)

    message = can_database(shipped_file("heron3.dbc")).get_message_by_name("box_status")
    values = message.decode(bytes(message.length), decode_choices=False)
    data = message.encode(values)

    def encode(number):
        for _ in range(number):
            message.encode(values)

    def decode(number):
        for _ in range(number):
            message.decode(data)

    def lines(number):
        previous = ""
        times = [0.01 * n for n in range(5)]
        for n in range(number):
            line = json.dumps({"n": n, "prev": previous, "t": 0.0, "kind": "samples", "times": times, "values": times})
            previous = hashlib.sha256(line.encode()).hexdigest()

    for kind, work in zip(COUNTS, (heap, steps, encode, decode, lines), strict=True):
        timed(kind, work)
    return spent


def process(*command) -> float:
    """Wall s of a whole process, the best of five."""
    best = float("inf")
    for _ in range(5):
        begun = time.perf_counter()
        subprocess.run(command, stdout=subprocess.DEVNULL, check=True, env={**os.environ, "COLUMNS": "80"})
        best = min(best, time.perf_counter() - begun)
    return best


def main() -> None:
    plans = load_plans([shipped_folder() / "standard"], load_bench(None), load_register(None))
    suite(plans[:3])
    if "--profile" in sys.argv:
        import cProfile
        import pstats

        profile = cProfile.Profile()
        profile.runcall(suite, plans)
        pstats.Stats(profile).sort_stats("tottime").print_stats(25)
        return
    virtual, spent = max((suite(plans) for _ in range(3)), key=lambda pair: pair[0] / pair[1])
    print(
        f"suite: {len(plans)} runs, {virtual:.0f} virtual s in {spent:.2f} CPU s: {virtual / spent:.0f} virtual s per s"
    )
    count(plans)
    bare = floor()
    for kind, seconds in bare.items():
        print(f"  floor: {COUNTS[kind]:8d} {kind:17s} {seconds:6.2f} s  {1e6 * seconds / COUNTS[kind]:6.2f} us each")
    total = sum(bare.values())
    print(
        f"  floor in all {total:.2f} s; suite / floor = {spent / total:.2f} (kept encodings and decodings go below it)"
    )
    python = process(sys.executable, "-c", "pass")
    ours = process(sys.executable, "-m", "bench", "--help")
    print(f"--help: {ours * 1e3:.0f} ms, `python -c pass` {python * 1e3:.0f} ms: ratio {ours / python:.1f}")
    check = process(sys.executable, "-m", "bench", "check", str(shipped_folder()))
    print(f"check of all shipped files: {check:.2f} s as a whole process")


if __name__ == "__main__":
    main()
