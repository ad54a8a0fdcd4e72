"""A made-up run of the Heron 3 box for the tests of record and report: closed-form voltages, no simulator.

Circuit (design scenario): 403.2 V, pre-charge 470 ohm, 560 uF, discharge 2.2 kohm.
"""

from __future__ import annotations

import math
from pathlib import Path
from typing import Any

from bench.events import Batch, Driven, Driving, Frame, Life, StepBegan, StepEnded
from bench.record.writer import RecordWriter

CHANNELS: dict[str, dict[str, Any]] = {
    "shutdown_loop": {"direction": "driven", "states": ["open", "closed"]},
    "start_request": {"direction": "driven", "states": ["released", "pressed"]},
    "pack_voltage": {"direction": "read", "unit": "V"},
    "ts_voltage": {"direction": "read", "unit": "V"},
    "current": {"direction": "read", "unit": "A"},
    "insulation_resistance": {"direction": "read", "unit": "ohm"},
    "loop": {"direction": "read", "states": ["open", "closed"]},
    "air_minus": {"direction": "read", "states": ["open", "closed"]},
    "precharge": {"direction": "read", "states": ["open", "closed"]},
    "air_plus": {"direction": "read", "states": ["open", "closed"]},
    "discharge": {"direction": "read", "states": ["open", "closed"]},
    "indicator": {"direction": "read", "states": ["off", "on"]},
    "controller_state": {"direction": "read", "text": True},
}
IO = [name for name, fields in CHANNELS.items() if fields["direction"] == "read" and name != "controller_state"]
HEADER: dict[str, Any] = {
    "format": 1, "sequence": "energise-and-shutdown", "case": "full", "title": "Energise, run and shut down",
    "energy": "live", "bench": "heron-3", "simulated": True, "rule": "simple", "seed": 7,
    "channels": CHANNELS, "groups": {"io": IO, "box_status": ["controller_state"]},
}  # fmt: skip
SEQUENCE = """\
sequence: energise-and-shutdown
title: Energise, run and shut down
energy: live
proves: [PRE-01, DIS-01]
values: {threshold: 95 %}
steps:
  - {name: Close the loop, drive: {shutdown_loop: closed}}
  - {name: Press start, drive: {start_request: pressed}}
  - {name: Voltage at closing, check: ts_voltage, at: air_plus == 'closed', limit: {min: threshold * pack_voltage}}
  - {name: Stays closed, hold: air_plus == 'closed', for: 2 s}
  - {name: Open the loop, drive: {shutdown_loop: open}}
  - {name: Discharge time, time: {from: shutdown_loop == 'open', to: ts_voltage < 60 V}, requirement: DIS-01}
"""
REQUIREMENTS = """\
requirements:
  - id: PRE-01
    title: Pre-charge before the second contactor
    text: The second contactor closes only when the vehicle side has reached 95 % of the pack voltage.
    limit: {min: 95 %}
    sources: [{document: Example rules, edition: "2026", clause: E.1.2, note: the stricter of two}]
  - id: DIS-01
    title: Discharge after shutdown
    text: The vehicle side is below 60 V within 5 s of the loop opening.
    limit: {max: 5 s}
    sources: [{document: Example rules, edition: "2026", clause: E.3.4}]
"""
TEXTS = {"sequence.yaml": SEQUENCE, "bench.yaml": "bench: heron-3\n", "requirements.yaml": REQUIREMENTS}

PACK_V, AT_CLOSED, AT_OPEN, END = 403.2, 0.9, 3.4, 6.4
STEPS = [
    ("1", "Close the loop", "drive", 0.0, 0.0),
    ("2", "Press start", "drive", 0.0, 0.01),
    ("3", "Voltage at closing", "check", 0.01, AT_CLOSED),
    ("4", "Stays closed", "hold", AT_CLOSED, AT_CLOSED + 2),
    ("5", "Open the loop", "drive", AT_OPEN, AT_OPEN),
    ("6", "Discharge time", "time", AT_OPEN, AT_OPEN + 2.37),
    ("afterwards.1", "Release start", "drive", AT_OPEN + 2.4, AT_OPEN + 2.4),
]


def ts_voltage(t: float) -> float:
    """V on the vehicle side: pre-charge from 0.05 s, AIR+ at AT_CLOSED, discharge from AT_OPEN."""
    if t < 0.05:
        return 0.0
    if t < AT_CLOSED:
        return PACK_V * -math.expm1(-(t - 0.05) / (470 * 560e-6))
    if t < AT_OPEN:
        return PACK_V - 0.4
    return (PACK_V - 0.4) * math.exp(-(t - AT_OPEN) / (2200 * 560e-6))


def current(t: float) -> float:
    if 0.05 <= t < AT_CLOSED:
        return (PACK_V - ts_voltage(t)) / 470
    return 3.2 + math.sin(9 * t) if AT_CLOSED <= t < AT_OPEN else 0.0


def reading(t: float) -> dict[str, float | str]:
    """Every channel of group io at time t."""
    contact = {True: "closed", False: "open"}
    return {
        "pack_voltage": PACK_V - 0.05 * current(t),
        "ts_voltage": ts_voltage(t),
        "current": current(t),
        "insulation_resistance": math.inf if t < -2.9 else 1e6,
        "loop": contact[0 <= t < AT_OPEN],
        "air_minus": contact[0.03 <= t < AT_OPEN + 0.015],
        "precharge": contact[0.05 <= t < AT_CLOSED + 0.1],
        "air_plus": contact[AT_CLOSED <= t < AT_OPEN + 0.015],
        "discharge": contact[not 0.02 <= t < AT_OPEN + 0.01],
        "indicator": "on" if ts_voltage(t) > 60 else "off",
    }


def state(t: float) -> str:
    return "idle" if t < 0.03 or t >= AT_OPEN else "precharge" if t < AT_CLOSED else "run"


def run_events(last_s: float = END) -> list[Any]:
    """The run's events, 10 ms scans and 10 ms status frames, from -3 s to `last_s`."""
    marks: list[tuple[float, int, Any]] = [(-3.0, -3, Life(-3.0, "driving")), (last_s, 3, Life(last_s, "closed"))]
    for number, (path, name, kind, began, ended) in enumerate(STEPS):
        marks.append((began, 1 + 4 * number, StepBegan(began, path, name, kind)))
        marks.append((ended, 4 + 4 * number, StepEnded(ended, path, "" if kind == "drive" else "pass")))
    for t, channel, value, place in (
        (0.0, "shutdown_loop", "closed", 2), (0.01, "start_request", "pressed", 6),
        (AT_OPEN, "shutdown_loop", "open", 18), (AT_OPEN + 2.4, "start_request", "released", 26),
    ):  # fmt: skip
        marks.append((t, place, Driving(t, f"{channel} {value}", {channel: value})))
        marks.append((t, place, Driven(t, channel, value)))
    before: dict[str, float | str] = {}
    for count in range(round((last_s + 3) * 100)):
        t = round(-3 + count / 100, 6)
        now = reading(t)
        samples = [(name, value) for name, value in now.items() if before.get(name) != value]
        frame = Frame("can0", 0x120, bytes([count % 256, *b"\x01\x0f\xc0"]))
        if not before or state(t) != state(t - 0.01):
            samples.append(("controller_state", state(t)))
        marks.append((t, -2, Batch(t, tuple(samples), ("io", "box_status"), (frame,))))
        before = now
    return [event for _, _, event in sorted(marks, key=lambda mark: mark[:2])]


def document(**changes: Any) -> dict[str, Any]:
    """The run's document as the runner would hand it in."""
    steps = [
        {"path": path, "name": name, "kind": kind, "verdict": "" if kind == "drive" else "pass", "value": None,
         "unit": "", "bound": None, "limit": "", "margin": None, "requirement": "", "reason": "",
         "began_s": began, "ended_s": ended}
        for path, name, kind, began, ended in STEPS
    ]  # fmt: skip
    value = ts_voltage(AT_CLOSED - 0.01)
    steps[2] |= {"value": value, "unit": "V", "limit": "min threshold * pack_voltage", "min": 0.95 * PACK_V,
                 "margin": value - 0.95 * PACK_V, "requirement": "PRE-01", "bound": 1.1}  # fmt: skip
    steps[5] |= {"value": 2.3467, "unit": "s", "limit": "max 5 s", "max": 5.0, "margin": 2.6533,
                 "requirement": "DIS-01", "bound": 0.005}  # fmt: skip
    return {
        "sequence": HEADER["sequence"], "case": HEADER["case"], "title": HEADER["title"],
        "purpose": "The ordinary way up and down: pre-charge, run, open the loop, discharge.", "energy": "live",
        "verdict": "pass", "reason": "", "record": "", "virtual_s": 9.4, "steps": steps,
        "invariants": [
            {"name": "no bridge before pre-charge", "verdict": "pass", "reason": "", "at_s": None,
             "rule": "never: air_plus == 'closed' and air_minus == 'closed' and ts_voltage < 0.9 * pack_voltage"},
            {"name": "loop opens all", "verdict": "pass", "reason": "", "at_s": None,
             "rule": "when loop == 'open' must air_plus == 'open' and air_minus == 'open' within 250 ms"},
        ],
        "proves": ["PRE-01", "DIS-01"],
    } | changes  # fmt: skip


MANIFEST: dict[str, Any] = {
    "firmware": {"text": "heron-box 1.4.2", "sha256": "3f" * 32}, "box": "Heron 3 box B, serial 0007",
    "people": ["M. Okafor", "L. Tarn"], "stage": "live", "overrides": [],
}  # fmt: skip


def write_record(folder: Path, last_s: float = END, close: bool = True, **changes: Any) -> Path:
    """A whole record in `folder`; `changes` go into the document."""
    writer = RecordWriter(folder, HEADER, TEXTS)
    for event in run_events(last_s):
        if type(event) is Batch:
            writer.batches([event])
        else:
            writer.event(event)
    if close:
        writer.close({"document": document(**changes), **MANIFEST})
    else:
        writer.abandon()
    return folder
