"""A bench that stays open over several runs: each run learns what was told before it began."""

import queue

from bench.devices.base import Device
from bench.devices.wall_bench import WallBench
from bench.events import Aligned, Batch


class Talking(Device):
    """Tells what is put to it, and then nothing."""

    def __init__(self):
        super().__init__("talking", {}, {}, None)
        self.to_tell = queue.SimpleQueue()

    def connect(self):
        return "talking"

    def listen(self, timeout_s):
        try:
            return [self.to_tell.get(timeout=timeout_s)]
        except queue.Empty:
            return []

    def close(self):
        pass


def test_the_second_run_knows_the_channels_and_the_bounds_of_the_clocks():
    device = Talking()
    with WallBench([device]) as bench:
        for event in (
            Aligned(0.0, "talking", 1.0, 10.0, 0.5),
            Aligned(0.0, "talking", 1.0, 10.0, 0.002),
            Batch(0.0, (("loop", "open"),)),
        ):
            device.to_tell.put(event)
            bench.events.get(timeout=10.0)
        bench.begin(-3.0)
        told = [bench.events.get(timeout=10.0) for _ in range(2)]
        assert bench.events.empty()
    assert told == [Aligned(-3.0, "talking", 1.0, 10.0, 0.002), Batch(-3.0, (("loop", "open"),))]
