"""A bench operator in miniature: drives a World and remembers everything that was seen."""

from __future__ import annotations

import pytest

from bench.language.bench_file import load_bench
from simulators.world import World


@pytest.fixture(scope="session")
def bench():
    return load_bench()


class Stand:
    """`seen` holds (t, channel, value) in order; `self[channel]` is the last value."""

    def __init__(self, bench, **options):
        self.world = World(bench, **options)
        self.now = self.world.start_s
        self.seen, self.batches, self.frames, self.last = [], [], [], {}
        self.run(0.0)

    def __getitem__(self, channel):
        return self.last[channel]

    def _take(self, batch):
        self.batches.append(batch)
        for channel, value in batch.samples:
            self.last[channel] = value
            self.seen.append((batch.t, channel, value))
        self.frames += [(batch.t, frame) for frame in batch.frames]

    def run(self, seconds):
        """Let `seconds` pass; a later stimulus comes before the controller step of the same instant."""
        end = round(max(self.now, 0.0) + seconds, 6)
        while self.world.next_s() < (end, 1):
            self._take(self.world.advance((end, 1)))
        self.world.elapse(end)
        self.now = end
        return self

    def drive(self, **changes):
        for channel, value in changes.items():
            self._take(self.world.drive(self.now, channel, value))
        return self

    def inject(self, fault):
        self._take(self.world.inject(self.now, fault))
        return self

    def restore(self, name):
        self._take(self.world.restore(self.now, name))
        return self

    def press(self, button, seconds=0.1):
        self.drive(**{f"{button}_request": "pressed"}).run(seconds)
        return self.drive(**{f"{button}_request": "released"})

    def start(self):
        return self.drive(shutdown_loop="closed").press("start")

    def when(self, channel, value, after=-10.0):
        """First time at or after `after` at which `channel` became `value`; None when never."""
        return next((t for t, c, v in self.seen if c == channel and v == value and t >= after), None)

    @property
    def energised(self):
        return any(self[name] == "closed" for name in ("air_plus", "air_minus", "precharge"))

    @property
    def all_open(self):
        coils = ("air_plus_coil", "air_minus_coil", "precharge_coil", "discharge_coil")
        return not self.energised and all(self[name] == "off" for name in coils)


@pytest.fixture
def stand(bench):
    return lambda **options: Stand(bench, **options)


@pytest.fixture
def running(stand):
    """A stand that has been in `run` for a while."""

    def make(**options):
        made = stand(**options).start().run(2.0)
        assert made["controller_state"] == "run" and made["precharge"] == "open"
        return made

    return make
