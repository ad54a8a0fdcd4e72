"""Reaction: from the bytes of a fault on the wire to the bytes of the safe-state command on the wire.

Each trial is a whole run: an I/O board reports that the loop has opened, the hold on it fails, the bench makes safe.
Between the two lie driver threads, queue, engine, judge and the record on disk. The board is a process of its own that
runs the board's own firmware and looks at the clock around its system calls only, so its turn of 1 ms does not count.
Beside it, in the same run, a bare loop that reads a line and writes one, on the same kind of wire.

    python tests/benchmarks/reaction.py [COUNT]
"""

import multiprocessing
import os
import pty
import random
import select
import sys
import tempfile
import time
import tty
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[2]))

from bench.devices.board import Board
from bench.devices.firmware.main import Board as Firmware
from bench.devices.wall_bench import WallBench
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

RELAY, LOOP = 3, 4
BENCH = f"""\
bench: reaction
devices: {{board: {{driver: board, port: PORT}}}}
channels:
  relay: {{direction: driven, states: [open, closed], safe: open, at: out {RELAY}}}
  loop: {{direction: read, states: [open, closed], at: in {LOOP}, capture: edges, time_accuracy: 50 us}}
"""
SEQUENCE = """\
sequence: reaction
title: Reaction
energy: dry
power: off
steps:
  - {name: Close, drive: {relay: closed}}
  - {name: Closed, await: loop == 'closed', within: 1 s}
  - {name: Stays, hold: loop == 'closed', for: 100 s}
"""
SPACING_S = 0.02  # between the bench's command and the fault; at least two scans


class Wire:
    """The firmware's hardware: two pins, one pseudo terminal. `times` (s): fault written to safe state read."""

    ident, cause, missed = "BENCHMARK", "PWRON_RESET", 0

    def __init__(self):
        self.master, self.slave = pty.openpty()
        tty.setraw(self.slave)
        self.levels = {RELAY: 0, LOOP: 1}
        self.times = []
        self.fault_due = self.mend_due = float("inf")
        self._edges = []
        self._fault_at = None

    def read(self, wait_ms):
        data = b""
        if select.select([self.master], [], [], wait_ms * 1e-3)[0]:
            data = os.read(self.master, 4096)
        now = time.monotonic()
        if b" drive " in data:
            if f"{RELAY}=1".encode() in data:
                self.fault_due = now + SPACING_S + random.random() * 0.01
            elif self._fault_at is not None:
                self.times.append(now - self._fault_at)
                self._fault_at, self.mend_due = None, now + 0.002
        if now >= self.fault_due:
            self.fault_due = float("inf")
            self._change(0)
        if now >= self.mend_due:
            self.mend_due = float("inf")
            self._change(1)
        return data

    def _change(self, level):
        self.levels[LOOP] = level
        self._edges.append((LOOP, level, self.ticks()))

    def write(self, data):
        if f" {LOOP}=0*".encode() in data and b" change " in data:
            self._fault_at = time.monotonic()
        return os.write(self.master, data) == len(data)

    def edge(self):
        return self._edges.pop(0) if self._edges else None

    def ticks(self):
        return int(time.monotonic() * 1e6) & 0x3FFFFFFF

    def ticks_diff(self, later, earlier):
        return (later - earlier + 0x20000000 & 0x3FFFFFFF) - 0x20000000

    def put(self, pin, level):
        self.levels[pin] = level

    def get(self, pin):
        return self.levels[pin]

    def open(self, pin, role, option):
        if pin == RELAY:
            self.levels[pin] = option

    def watch(self, ms):
        pass

    def feed(self):
        pass


def board_process(pipe, count):
    wire = Wire()
    pipe.send(os.ttyname(wire.slave))
    firmware = Firmware(wire)
    while len(wire.times) < count:
        firmware.turn()
    pipe.send(wire.times)
    while not pipe.poll():
        firmware.turn()


def echo_process(pipe, count):
    master, slave = pty.openpty()
    tty.setraw(slave)
    pipe.send(os.ttyname(slave))
    pipe.recv()
    times = []
    for _ in range(count):
        time.sleep(SPACING_S / 2)
        began = time.monotonic()
        os.write(master, b"0000 change 00000000 4=0*0000\n")
        os.read(master, 100)
        times.append(time.monotonic() - began)
    pipe.send(times)
    pipe.recv()


def bare(count):
    here, there = multiprocessing.Pipe()
    process = multiprocessing.Process(target=echo_process, args=(there, count))
    process.start()
    port = os.open(here.recv(), os.O_RDWR | os.O_NOCTTY)
    here.send("go")
    for _ in range(count):
        os.read(port, 100)
        os.write(port, b"0000 drive 3=0*0000\n")
    times = here.recv()
    here.send("done")
    process.join()
    return times


def through_the_engine(count):
    here, there = multiprocessing.Pipe()
    process = multiprocessing.Process(target=board_process, args=(there, count))
    process.start()
    bench = bench_from_text(BENCH.replace("PORT", here.recv()), "reaction.yaml")
    (plan,) = plans_from_text(SEQUENCE, "reaction-sequence.yaml", bench, load_register(None))
    board = Board("board", bench.devices["board"].options, bench.channels, bench)
    with tempfile.TemporaryDirectory() as folder, WallBench([board]) as wall, Stop() as stop, short_pauses():
        record = new_record(Path(folder), "record", header_fields(plan, "simple", 0, wall.late_s), plan.sources, True)
        while not here.poll():
            judge = Judge(plan, wall.late_s)
            engine = Engine(plan, judge, 0.0)
            wall.begin(0.0)
            run_wall(engine, wall, Hands(engine, wall, record), stop)
            if judge.trouble:
                sys.exit(f"trouble: {judge.trouble}")
        record.abandon()
        times = here.recv()
        here.send("done")
        process.join()
    return times


def shown(name, times):
    times.sort()
    p50, p99 = times[len(times) // 2], times[int(len(times) * 0.99)]
    print(f"{name:44} {len(times):6} {p50 * 1e3:8.3f} {p99 * 1e3:8.3f} {times[-1] * 1e3:8.3f}")
    return p50, p99


def main():
    count = int(sys.argv[1]) if len(sys.argv) > 1 else 2000
    print(f"{'ms':44} {'n':>6} {'p50':>8} {'p99':>8} {'max':>8}")
    before = bare(count // 2)
    reaction = shown("fault to safe state, threads, engine, record", through_the_engine(count))
    floor = shown("bare read, then write (half before, half after)", before + bare(count - count // 2))
    load = ", ".join(f"{each:.1f}" for each in os.getloadavg())
    print(f"p50 is {reaction[0] / floor[0]:.1f}, p99 {reaction[1] / floor[1]:.1f} times the bare loop's; load {load}")


if __name__ == "__main__":
    main()
