"""Readings of two devices arrive in another order than they were stamped: the judged instants do not mind."""

from types import SimpleNamespace

import pytest

from bench.events import Batch
from bench.judging.readings import Readings
from bench.judging.watches import Watch
from bench.language.expressions import ChannelType, Scope, parse
from bench.language.units import UNITS

TYPES = {
    "loop": ChannelType(states=("open", "closed")),
    "ts": ChannelType(unit=UNITS["V"]),
}


def channel(name, device):
    unit = "V" if TYPES[name].unit else None
    return SimpleNamespace(
        name=name, device=device, group=device, unit=unit, direction="read", capture="edges" if unit is None else "",
        time_accuracy_s=0.001, stale_after_s=0.1, every_s=None, accuracy=None, resolution=None,
    )  # fmt: skip


def crossings(text, *batches):
    """(instant, truth) of the condition's crossings."""
    bench = SimpleNamespace(channels={"loop": channel("loop", "board"), "ts": channel("ts", "meter")})
    readings = Readings(bench)
    watch = Watch(parse(text, Scope(TYPES, {})), readings)
    for batch in batches:
        readings.apply(batch)
        watch.update(batch.t)
        readings.changed.clear()
    return [(round(crossing.t, 6), crossing.truth) for crossing in watch.crossings]


def board(t, loop):
    return Batch(t, (("loop", loop),), ("board",))


def meter(t, ts):
    return Batch(t, (("ts", ts),), ("meter",))


IN_ORDER = [board(0.0, "closed"), meter(0.0, 100.0), meter(1.0, 70.0), board(1.02, "open"), meter(1.1, 50.0)]
LATE = [*IN_ORDER[:3], IN_ORDER[4], IN_ORDER[3]]


@pytest.mark.parametrize("batches", [IN_ORDER, LATE])
def test_and(batches):
    assert crossings("loop == 'open' and ts < 60 V", *batches) == [(1.05, True)]


@pytest.mark.parametrize("batches", [IN_ORDER, LATE])
def test_or(batches):
    (first, *_) = crossings("loop == 'open' or ts < 60 V", *batches)
    assert first == ((1.02, True) if batches is IN_ORDER else (1.05, True))


def test_a_late_reading_cannot_move_what_came_true_after_it():
    late = [board(0.0, "closed"), meter(0.0, 50.0), board(1.0, "open"), meter(0.9, 50.0), meter(1.1, 50.0)]
    assert crossings("loop == 'open' and ts < 60 V", *late) == [(1.0, True)]
