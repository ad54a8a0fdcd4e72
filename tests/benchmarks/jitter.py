"""Wall-loop jitter of scheduled drives: how late an output is driven after a pause that should have ended then.

A sequence drives, pauses 10 ms, drives, ... on a device that notes when it is called; another device reads a thousand
times a second meanwhile, as on a busy bench. All goes through driver threads, queue, engine, judge and record. Beside
it, in the same run, a bare thread that only sleeps 10 ms again and again.

    python tests/benchmarks/jitter.py [COUNT]
"""

import os
import sys
import tempfile
import time
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[2]))

from bench.devices.base import Device
from bench.devices.wall_bench import WallBench
from bench.events import Batch
from bench.judging.judge import Judge
from bench.language.bench_file import bench_from_text
from bench.language.loading import plans_from_text
from bench.language.register import load_register
from bench.record.header import header_fields
from bench.record.writer import new_record
from bench.runner.collector import short_pauses
from bench.runner.engine import Engine
from bench.runner.hands import Hands
from bench.runner.stopping import Stop
from bench.runner.wall_loop import run_wall

PAUSE_S = 0.01
BENCH = """\
bench: jitter
devices: {relays: {driver: line}, meter: {driver: line}}
channels:
  relay: {device: relays, direction: driven, states: [open, closed], safe: open}
  volts: {device: meter, direction: read, unit: V}
"""
SEQUENCE = f"""\
sequence: jitter
title: Jitter
energy: dry
power: off
steps:
  - repeat: COUNT
    steps:
      - {{drive: {{relay: closed}}}}
      - {{pause: {PAUSE_S * 1e3:g} ms}}
      - {{drive: {{relay: open}}}}
      - {{pause: {PAUSE_S * 1e3:g} ms}}
"""


class Relays(Device):
    """`lateness` (s): of each drive behind the end of the one before plus the pause."""

    def connect(self):
        self.lateness, self._ended = [], None
        return "relays"

    def listen(self, timeout_s):
        time.sleep(timeout_s)
        return ()

    def drive(self, changes):
        now = time.monotonic()
        if self._ended is not None:
            self.lateness.append(now - self._ended - PAUSE_S)
        self._ended = time.monotonic()

    def close(self):
        pass


class Meter(Device):
    def connect(self):
        self.volts = 0.0
        return "meter"

    def listen(self, timeout_s):
        time.sleep(0.001)
        self.volts += 0.1
        return [Batch(time.monotonic(), (("volts", self.volts),), ("meter",))]

    def close(self):
        pass


def drives(count):
    bench = bench_from_text(BENCH, "jitter.yaml")
    text = SEQUENCE.replace("COUNT", str(count // 2))
    (plan,) = plans_from_text(text, "jitter-sequence.yaml", bench, load_register(None))
    devices = [
        kind(name, {}, {n: c for n, c in bench.channels.items() if c.device == name}, bench)
        for name, kind in (("relays", Relays), ("meter", Meter))
    ]
    with tempfile.TemporaryDirectory() as folder, WallBench(devices) as wall, Stop() as stop, short_pauses():
        judge = Judge(plan, wall.late_s)
        record = new_record(Path(folder), "record", header_fields(plan, "simple", 0, wall.late_s), plan.sources, True)
        engine = Engine(plan, judge, 0.0)
        wall.begin(0.0)
        run_wall(engine, wall, Hands(engine, wall, record), stop)
        record.abandon()
        if judge.trouble:
            sys.exit(f"trouble: {judge.trouble}")
    return devices[0].lateness[1:-1]  # without the initial value and the safe state


def sleeping(count):
    lateness = []
    for _ in range(count):
        began = time.monotonic()
        time.sleep(PAUSE_S)
        lateness.append(time.monotonic() - began - PAUSE_S)
    return lateness


def shown(name, times):
    times.sort()
    p50, p99 = times[len(times) // 2], times[int(len(times) * 0.99)]
    print(f"{name:34} {len(times):6} {times[0] * 1e3:8.3f} {p50 * 1e3:8.3f} {p99 * 1e3:8.3f} {times[-1] * 1e3:8.3f}")
    return p50, p99


def main():
    count = int(sys.argv[1]) if len(sys.argv) > 1 else 2000
    print(f"{'lateness, ms':34} {'n':>6} {'least':>8} {'p50':>8} {'p99':>8} {'max':>8}")
    floor = shown("bare sleep of 10 ms", sleeping(count))
    ours = shown("a drive after a pause of 10 ms", drives(count))
    load = ", ".join(f"{each:.1f}" for each in os.getloadavg())
    print(f"p50 is {ours[0] / floor[0]:.1f}, p99 {ours[1] / floor[1]:.1f} times the bare sleep's; load {load}")


if __name__ == "__main__":
    main()
