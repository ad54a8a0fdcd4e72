"""`python big_record.py FOLDER N`: a record of 8 channels x N samples at 1 kHz, noisy, as the writer writes it."""

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np

from bench.events import Batch, StepBegan, StepEnded
from bench.record.writer import RecordWriter

CHANNELS = [f"voltage_{number}" for number in range(1, 9)]
RATE_HZ = 1000


def write_big_record(folder: Path, samples: int) -> Path:
    """`samples` of each channel, all eight read together, seed 1."""
    header = {
        "format": 1, "sequence": "long-hold", "case": "", "title": "A long hold", "energy": "dry", "bench": "heron-3",
        "simulated": True, "rule": "simple", "seed": 1,
        "channels": {name: {"direction": "read", "unit": "V"} for name in CHANNELS}, "groups": {"io": CHANNELS},
    }  # fmt: skip
    writer = RecordWriter(folder, header, {"sequence.yaml": "sequence: long-hold\n"})
    writer.event(StepBegan(0.0, "1", "Hold", "hold"))
    noise = np.random.default_rng(1)
    chunk = 10_000
    for start in range(0, samples, chunk):
        rows = noise.normal(0, 0.3, (min(chunk, samples - start), len(CHANNELS)))
        rows += [403.2 - 11 * place for place in range(len(CHANNELS))]
        for place, row in enumerate(rows.round(3).tolist(), start):
            writer.batches([Batch(round(place / RATE_HZ, 6), tuple(zip(CHANNELS, row, strict=True)))])
    end = samples / RATE_HZ
    writer.event(StepEnded(end, "1", "pass"))
    step = {"path": "1", "name": "Hold", "kind": "hold", "verdict": "pass", "began_s": 0.0, "ended_s": end}
    writer.close({"document": {"sequence": "long-hold", "verdict": "pass", "steps": [step], "virtual_s": end}})
    return folder


if __name__ == "__main__":
    write_big_record(Path(sys.argv[1]), int(sys.argv[2]))
