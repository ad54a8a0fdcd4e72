"""The I/O board's line: round trip of a question, and from a change on a pin to the answering output.

The stand-in is a process of its own. Beside it, in the same run, a bare loop that reads a line and writes one.

    python tests/benchmarks/board_line.py [COUNT]
"""

import multiprocessing
import sys
import threading
import time
from pathlib import Path

sys.path[:0] = [str(Path(__file__).parents[2]), str(Path(__file__).parents[1])]

from benchmarks.reaction import bare  # noqa: E402 - after the path
from devices.board_rig import SimulatedBoard, board_on  # noqa: E402 - after the path

from bench.devices.base import DeviceThreads  # noqa: E402
from bench.events import Batch  # noqa: E402


def board_process(pipe, count):
    """Changes the loop contact again and again; how long (s) until the relay follows each time."""
    with SimulatedBoard() as board:
        followed = threading.Event()
        board.written = Following(followed)
        board.hardware._write = board.written.__setitem__
        pipe.send(board.port)
        pipe.recv()
        times = []
        for number in range(count):
            followed.clear()
            began = time.monotonic()
            board.change("loop", ("closed", "open")[number % 2], began)
            if followed.wait(5.0):
                times.append(board.written.at - began)
            time.sleep(0.003)  # not to meet the answer to the one before
        pipe.send(times)
        pipe.recv()


class Following(dict):
    def __init__(self, followed):
        super().__init__()
        self._followed, self.at = followed, 0.0

    def __setitem__(self, name, value):
        super().__setitem__(name, value)
        if name == "relay":
            self.at = time.monotonic()
            self._followed.set()


def shown(name, times):
    times.sort()
    p50, p99 = times[len(times) // 2], times[int(len(times) * 0.99)]
    print(f"{name:28} {len(times):6} {p50 * 1e3:8.3f} {p99 * 1e3:8.3f} {times[-1] * 1e3:8.3f}")
    return p99


def main():
    count = int(sys.argv[1]) if len(sys.argv) > 1 else 2000
    print(f"{'ms':28} {'n':>6} {'p50':>8} {'p99':>8} {'max':>8}")

    floor = shown("bare read, then write", bare(count))
    here, there = multiprocessing.Pipe()
    process = multiprocessing.Process(target=board_process, args=(there, count))
    process.start()
    device = board_on(here.recv())
    device.connect()
    trips = []
    for _ in range(count):
        began = time.perf_counter()
        device._ask("beat")
        trips.append(time.perf_counter() - began)
    shown("beat and its answer", trips)

    def post(events):
        for event in events:
            if isinstance(event, Batch) and event.samples and event.samples[0][0] == "loop":
                threads.drive({"relay": event.samples[0][1]})

    threads = DeviceThreads(device, post)
    threads.start()
    here.send("go")
    reaction = shown("pin to pin, two threads", here.recv())
    here.send("done")
    threads.close()
    process.join()
    print(f"p99 is {reaction / floor:.1f} times the bare loop's")


if __name__ == "__main__":
    main()
