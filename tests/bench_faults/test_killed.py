"""kill -9 of the bench's process in the middle of a run: the board lets go by itself, and the record can be read.

`simulate` is one process, `run --bench` another, as on a desk. What is seen is seen from the stand-in's side, where the
box is: the bench is dead. That the dead-man takes exactly the time that it was armed with is shown in the board's own
time, in tests/devices/test_board_firmware.py; here the outputs open without anybody's help, because nothing was heard.
"""

import os
import re
import signal
import subprocess
import sys
from contextlib import contextmanager
from pathlib import Path

from devices.rig import DEADLINE_S, eventually

from bench.__main__ import main
from bench.record.reader import read_record
from bench.record.verifying import verify

ROOT = Path(__file__).parents[2]
#: What the board is armed with in the bench file of the stand-ins, s.
DEAD_MAN_S = 0.25
SEQUENCE = """
sequence: wait
title: The loop is closed and the bench waits
energy: dry
steps:
  - {name: Close the loop, drive: {shutdown_loop: closed}}
  - {name: Wait, hold: air_plus == 'open', for: 100 s}
"""


@contextmanager
def process(*arguments):
    """A process of ours that is gone afterwards, however the test ends."""
    environment = os.environ | {"PYTHONPATH": f"{ROOT}{os.pathsep}{ROOT / 'tests'}", "PYTHONUNBUFFERED": "1"}
    with subprocess.Popen(
        [sys.executable, *map(str, arguments)], cwd=ROOT, env=environment, stdout=subprocess.PIPE, text=True
    ) as child:
        try:
            yield child
        finally:
            child.kill()
            child.wait()


def told(stand_ins, start):
    """What it has told up to the next line that begins so, the last line last."""
    lines = []
    for line in stand_ins.stdout:
        lines.append(line.strip())
        if line.startswith(start):
            return lines
    raise AssertionError(f"it ended, and told {lines}")


def test_the_outputs_open_and_the_record_verifies(tmp_path, capsys):
    (tmp_path / "wait.yaml").write_text(SEQUENCE, encoding="utf-8")
    with process("-m", "bench_faults.watched", tmp_path / "bench.yaml") as stand_ins:
        told(stand_ins, "listening")
        run = ("run", tmp_path / "wait.yaml", "--bench", tmp_path / "bench.yaml", "--records", tmp_path / "records")
        with process("-m", "bench", *run) as bench:
            assert told(bench, "self-check")[-1] == "self-check: pass"
            record = eventually(lambda: in_the_wait(tmp_path / "records", bench))
            bench.send_signal(signal.SIGKILL)
            assert bench.wait(DEADLINE_S) == -signal.SIGKILL
        *_, last, tripped = told(stand_ins, "status tripped")  # for the first time: until now it was armed or idle
        silence = re.fullmatch("loop open, heard nothing for ([0-9.]+) s", last)
        assert silence and float(silence[1]) >= DEAD_MAN_S and tripped == "status tripped"
    found = verify(record)
    assert (found.level, found.lines > 50) == ("incomplete", True), found.findings
    assert main(["verify", str(record)]) == 3
    assert "never closed" in capsys.readouterr().out
    kept = read_record(record)
    assert not kept.complete and kept.changes("shutdown_loop").values[-1] == "closed"


def in_the_wait(records, child):
    """The folder of the run, once it is in its second step; the self-check's records come before."""
    assert child.poll() is None, f"the run ended by itself, with {child.returncode}: {child.stdout.read()}"
    for file in records.glob("*-wait/record.jsonl"):
        if b'"kind": "step-began", "path": "2"' in file.read_bytes():
            return file.parent
    return None
