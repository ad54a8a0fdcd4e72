"""Time stamps of adapters, mapped one way; no clock is waited for, all times are made up."""

import itertools
import random

import pytest

from bench.devices.can_stamps import StampMap
from bench.events import Aligned, Noted

DELAY_S = 0.001


def fed(stamp_of, seconds: float = 20.0, every_s: float = 0.005, delay_s: float = DELAY_S, jitter_s: float = 0.003):
    """(map, [(true time, mapped time, bound)]) for frames that come regularly, each a random while after its stamp."""
    chance = random.Random(2)
    mapped = StampMap("can", delay_s)
    seen = []
    for n in range(int(seconds / every_s)):
        true = 1000.0 + n * every_s
        arrival = true + delay_s * chance.random() + (jitter_s * chance.random() if n % 3 else 0.0)
        seen.append((true, *mapped.times([(arrival, stamp_of(true), 0, b"")]), mapped.bound_s, mapped.using))
    return mapped, seen


@pytest.mark.parametrize("ppm", [0, 120, -120, 200, -200])
@pytest.mark.parametrize("origin", [0.0, 1.7e9, -999.0])
def test_mapped_times_are_right_within_the_stated_bound(ppm, origin):
    """Needs 7: any origin, a clock that runs fast or slow, transport with jitter."""
    _, seen = fed(lambda true: origin + true * (1 + ppm * 1e-6))
    used = [(true, t, bound) for true, t, bound, using in seen if using]
    assert len(used) > 0.9 * len(seen)
    assert all(abs(t - true) <= bound for true, t, bound in used)
    assert max(bound for *_, bound in used[400:]) < 3 * DELAY_S


def test_it_beats_the_time_of_arrival():
    _, seen = fed(lambda true: true, jitter_s=0.02)
    used = [(true, t) for true, t, _, using in seen[1000:] if using]
    assert max(abs(t - true) for true, t in used) < 0.003


@pytest.mark.parametrize(
    ("stamp_of", "text"),
    [
        (lambda true: 1.5 * true, "counted"),  # 1.5 x wall time
        (lambda true: 5000.0 - true, "run backwards"),
        (lambda true: 17.0, "counted 0.000 s"),  # stands still
        (lambda true: true * 1000, "counted"),  # milliseconds
        (lambda true: true * 1.03, "do not run as"),
        (lambda true: true * 0.97, "do not run as"),
    ],
)
def test_nonsense_is_refused(stamp_of, text):
    mapped, seen = fed(stamp_of, seconds=5.0)
    assert not mapped.using and mapped.bound_s == DELAY_S
    noted = [event.text for event in mapped.tell(0.0) if isinstance(event, Noted)]
    assert len(noted) == 1 and text in noted[0] and "stamped when they arrive" in noted[0]
    assert all(abs(t - true) < 0.06 for true, t, *_ in seen)


@pytest.mark.parametrize("jump", [3600.0, -3600.0, 0.9, -(2**32) / 1e6])
def test_a_jump_drops_the_stamps_for_good(jump):
    """Needs 7: a time zone's hour, a wrapped 32-bit counter."""
    mapped, seen = fed(lambda true: true + (jump if true > 1005.0 else 0.0), seconds=10.0)
    assert seen[500][3] and not mapped.using
    assert [event.text for event in mapped.tell(0.0) if isinstance(event, Noted)]
    times = [t for _, t, *_ in seen]
    assert all(a < b for a, b in itertools.pairwise(times))
    assert all(abs(t - true) < 0.01 for true, t, *_ in seen)


def test_without_stamps_the_arrival_counts():
    mapped = StampMap("can", DELAY_S)
    assert mapped.times([(1.0, None, 0, b""), (2.0, None, 0, b"")]) == [1.0, 2.0]
    assert mapped.times([(3.0, 0.0, 0, b"")]) == [3.0] and not mapped.using
    assert mapped.times([(3.0, None, 0, b"")])[0] > 3.0  # two frames are never at one time


def test_the_bound_is_told_at_the_start_and_when_it_changes():
    mapped = StampMap("can", DELAY_S)
    (first,) = mapped.tell(10.0)
    assert isinstance(first, Aligned) and first.bound_s == DELAY_S
    assert mapped.tell(11.5) == []
    mapped.bound_s = 1.3 * DELAY_S
    assert len(mapped.tell(13.0)) == 1
    mapped.bound_s = 2 * DELAY_S
    assert mapped.tell(13.5) == []  # at most once a second
    assert len(mapped.tell(14.1)) == 1
