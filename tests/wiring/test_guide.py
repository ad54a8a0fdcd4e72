"""The guide for a first bench: its numbers are worked out again, its commands and files exist, its cautions stand."""

import re
from importlib import resources
from math import log

import pytest

from bench.__main__ import COMMANDS
from bench.language.shipped import shipped_folder

VOLTS, FARADS, PRECHARGE, DISCHARGE, POINT, METER = 403.2, 560e-6, 470.0, 2200.0, 15e3, 10e6
TAU = DISCHARGE * FARADS


@pytest.fixture(scope="module")
def guide():
    return " ".join((resources.files("bench") / "guide" / "first-bench.md").read_text(encoding="utf-8").split())


@pytest.mark.parametrize(
    ("text", "value"),
    [
        ("`1.905 * tau`", log(VOLTS / 60)),
        ("`tau` up to 2.62 s", 5 / log(VOLTS / 60)),
        ("that is 201.6 kohm and", 500 * VOLTS / 1e3),
        ("kohm and 1209.6 V", 3 * VOLTS),
        ("152.4 mm", 6 * 25.4),
        ("470 ohm = 106 mA", 50 / PRECHARGE * 1e3),
        ("| 0.2632 s |", PRECHARGE * FARADS),
        ("90 %: 0.606 s", PRECHARGE * FARADS * log(1 / 0.1)),
        ("95 %: 0.788 s", PRECHARGE * FARADS * log(1 / 0.05)),
        ("| 0.858 A,", VOLTS / PRECHARGE),
        ("A, 346 W |", VOLTS**2 / PRECHARGE),
        ("puts 45.5 J", FARADS * VOLTS**2 / 2),
        ("| 1.232 s |", TAU),
        ("| 2.347 s |", TAU * log(VOLTS / 60)),
        ("gets 73.9 W", VOLTS**2 / DISCHARGE),
        ("| 4687 ohm |", 5 / (FARADS * log(VOLTS / 60))),
        ("10 Mohm: 0.299 %", 100 * 2 * POINT / (2 * POINT + METER)),
        ("so 401.994 V for", VOLTS * METER / (2 * POINT + METER)),
        ("| 0.18 V low", 60 * 2 * POINT / (2 * POINT + METER)),
        ("| 13.44 mA |", VOLTS / (2 * POINT) * 1e3),
        ("| 2.71 W,", VOLTS**2 / (4 * POINT)),
        ("| 100.8 kohm; must", 250 * VOLTS / 1e3),
        ("| 115.8 kohm, which", (250 * VOLTS + POINT) / 1e3),
        ("which is 287.2 ohm/V", (250 * VOLTS + POINT) / VOLTS),
        ("| 85.8 kohm |", (250 * VOLTS - POINT) / 1e3),
        ("100.8 kohm: 1.61 W", VOLTS**2 / (250 * VOLTS)),
        ("it is 91.6 kohm", 1 / (2 / 2e6 + 1 / (250 * VOLTS)) / 1e3),
    ],
)  # fmt: skip
def test_numbers(guide, text, value):
    assert text in guide
    (written,) = [number for number in re.findall(r"\d+(?:\.\d+)?", text) if abs(float(number) / value - 1) < 0.01]
    digits = len(written.partition(".")[2])
    assert float(written) == pytest.approx(value, abs=0.51 * 10**-digits)


def test_commands_and_files_exist(guide):
    named = set(re.findall(r"topbox-bench ([a-z]+)", guide))
    assert named <= {*COMMANDS, "ports", "simulate"}
    for path in re.findall(r"sequences/[a-z0-9/.-]+\.yaml", guide):
        assert (shipped_folder().parent / path).is_file(), path


def test_cautions_stand_at_the_top(guide):
    top = guide[:1200]
    for words in ("Local rules", "not a safety device", "qualified", "approved tester", "never by a value"):
        assert words in top
