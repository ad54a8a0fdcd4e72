"""The texts that people meet most often, whole: they change on purpose only."""

from __future__ import annotations

from pathlib import Path

from sequence_texts import problems

MISTAKES = """\
sequence: typical-mistakes
titel: A misspelt key
energy: full
proves: [DIS-1]
steps:
  - {name: Close the loop, drive: {shutdown_lop: closed}}
  - {name: A wrong state, drive: {shutdown_loop: shut}}
  - {name: No unit, await: ts_voltage < 60}
  - {name: The wrong unit, await: ts_voltage < 60 V, within: 5 V}
  - {name: A state without quotes, await: air_plus == closed}
  - {name: One equals sign, await: air_plus = 'closed'}
  - {name: A clock time, pause: 1:30}
  - {name: A comma, pause: "1,5 s"}
  - {name: Limits swapped, check: ts_voltage, limit: {min: 60 V, max: 5 V}}
  - {name: No limit, check: ts_voltage}
  - {name: Who waits for ever, time: {from: loop == 'open', to: ts_voltage < 60 V}}
  - {name: Two things at once, pause: 1 s, hold: loop == 'open', for: 1 s}
  - {name: A misspelt option, await: loop == 'open', wihtin: 5 s}
  - {name: A call, check: max.__class__(ts_voltage) < 5 V}
  - {name: No limit, pause: 1 s}
"""


def test_typical_mistakes(tmp_path):
    golden = Path(__file__).with_name("typical-mistakes.txt").read_text(encoding="utf-8").splitlines()
    assert problems(tmp_path, MISTAKES) == golden
