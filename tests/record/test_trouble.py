"""Killed runs, full disks: what was there stays readable, and the record says that it is incomplete."""

import os
import signal
import subprocess
import sys
from pathlib import Path

import heron_record
import pytest

from bench.errors import RecordError
from bench.events import Batch, Driven, Life
from bench.record.reader import read_record
from bench.record.verifying import verify
from bench.record.writer import RecordWriter

REPOSITORY = Path(__file__).parents[2]


def test_everything_before_a_torn_line_is_recovered(tmp_path):
    folder = heron_record.write_record(tmp_path / "run", last_s=0.05, close=False)
    path = folder / "record.jsonl"
    whole = path.read_bytes()
    lines = whole.splitlines(keepends=True)
    all_events = list(read_record(folder).events())
    start = len(whole) - sum(map(len, lines[-3:]))
    for cut in range(start, len(whole)):
        path.write_bytes(whole[:cut])
        kept = whole[:cut].count(b"\n")
        record = read_record(folder)
        found = verify(folder)
        at_line_end = whole[:cut].endswith(b"\n")
        assert record.lines == kept
        assert not record.complete and found.level == "incomplete"
        assert any("middle of line" in problem for problem in record.problems) is not at_line_end
        events = list(record.events())
        others = [event for event in events if type(event) is not Batch]
        assert others == [event for event in all_events if type(event) is not Batch][: len(others)]
        assert len(others) == sum(b'"kind": "samples"' not in line and b'"kind": "scans"' not in line
                                  for line in lines[1:kept])  # fmt: skip


def test_a_changed_line_is_named_and_nothing_behind_it_is_read(tmp_path):
    folder = heron_record.write_record(tmp_path / "run", last_s=0.05)
    path = folder / "record.jsonl"
    lines = path.read_bytes().splitlines(keepends=True)
    changed = lines.copy()
    changed[4] = changed[4].replace(b'"t": ', b'"t":  ')
    for broken, line, what in (
        (changed, 6, "hash of the line before"),
        (lines[:4] + lines[5:], 5, "number"),
        ([*lines[:4], lines[4], *lines[4:]], 6, "number"),
        ([*lines[:4], lines[5], lines[4], *lines[6:]], 5, "number"),
        (lines[1:], 1, "number"),
    ):
        path.write_bytes(b"".join(broken))
        found = verify(folder)
        assert found.level == "altered"
        assert any(f"record.jsonl:{line}:" in finding and what in finding for finding in found.findings), found.findings
        if line > 1:
            record = read_record(folder)
            assert record.lines == line - 1 and not record.complete
            assert any(f"record.jsonl:{line}:" in problem for problem in record.problems)
        else:
            with pytest.raises(RecordError, match=r"record\.jsonl:1"):
                read_record(folder)


CHILD = """
import sys
sys.path[:0] = [{repository!r}, {helpers!r}]
import heron_record
from bench.events import Batch, Frame, Life
from bench.record import writer as writing

clock = [0.0]
writing.monotonic = lambda: clock[0]
writer = writing.RecordWriter({folder!r}, heron_record.HEADER, heron_record.TEXTS, wall_clock={wall_clock})
writer.event(Life(-3.0, "driving"))
for count in range(100000):
    t = round(count / 1000, 6)
    clock[0] += 0.001
    writer.batches([Batch(t, (("ts_voltage", float(count)),), ("io",), (Frame("can0", 0x120, b"x"),))])
    if count % 50 == 49:
        print(count, flush=True)
        if count == 999:
            sys.stdin.read()
"""


@pytest.mark.parametrize("wall_clock", [False, True])
def test_a_killed_process_loses_at_most_the_last_50_ms(tmp_path, wall_clock):
    """The child's clock runs 1 ms a sample. After sample 999 it waits to be killed."""
    folder = tmp_path / "run"
    script = CHILD.format(
        repository=str(REPOSITORY), helpers=str(Path(__file__).parent), folder=str(folder), wall_clock=wall_clock
    )
    child = subprocess.Popen([sys.executable, "-c", script], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True)
    for line in child.stdout:
        if line.strip() == "999":
            break
    child.send_signal(signal.SIGKILL)
    assert child.wait() == -signal.SIGKILL
    child.stdin.close()
    child.stdout.close()
    record = read_record(folder)
    batches = [event for event in record.events() if type(event) is Batch]
    kept = 999 - 50 if wall_clock else 999 - 100  # virtual time: an open block is not cut, and then 25 ms more
    assert [batch.samples for batch in batches] == [(("ts_voltage", float(n)),) for n in range(len(batches))]
    assert len(batches) >= kept
    assert len(list(record.frames())) >= 999 - 50
    assert not record.complete
    assert verify(folder).level == "incomplete"


def test_tick_hands_over_what_waits_when_nothing_comes(tmp_path, monkeypatch):
    now = [0.0]
    monkeypatch.setattr("bench.record.writer.monotonic", lambda: now[0])
    writer = RecordWriter(tmp_path / "run", heron_record.HEADER, {}, wall_clock=True)
    writer.batches([Batch(0.0, (("ts_voltage", 1.0),), ("io",))])
    now[0] = 0.024
    writer.tick()
    assert list(read_record(tmp_path / "run").events()) == []
    now[0] = 0.025
    writer.tick()
    assert list(read_record(tmp_path / "run").events()) == [Batch(0.0, (("ts_voltage", 1.0),), ("io",))]
    writer.abandon()


def test_an_abandoned_record_is_incomplete_and_whole(tmp_path):
    folder = heron_record.write_record(tmp_path / "run", close=False)
    record = read_record(folder)
    assert len(list(record.events())) == len(heron_record.run_events())
    assert not record.complete and record.manifest is None
    assert not (folder / "manifest.sig").exists()


def fill_disk(path: Path) -> None:
    """Let this process's open file at `path` answer every write as a full disk does."""
    for link in Path("/proc/self/fd").iterdir():
        if link.exists() and link.resolve() == path.resolve():
            full = os.open("/dev/full", os.O_WRONLY)
            os.dup2(full, int(link.name))
            os.close(full)


@pytest.mark.parametrize("name", ["record.jsonl", "frames.log"])
def test_a_full_disk_is_told_once_and_then_the_writer_is_quiet(tmp_path, monkeypatch, name):
    now = [0.0]
    monkeypatch.setattr("bench.record.writer.monotonic", lambda: now[0])
    writer = RecordWriter(tmp_path / "run", heron_record.HEADER, {})
    fill_disk(tmp_path / "run" / name)
    events = [event for event in heron_record.run_events() if type(event) is Batch and event.t >= 0][:20]
    told = []
    for event in events:
        now[0] += 0.01
        try:
            writer.batches([event])
        except RecordError as error:
            told.append(str(error))
    assert len(told) == 1
    assert "No space left on device" in told[0] and str(tmp_path / "run") in told[0]
    writer.event(Life(9.0, "closed"))
    writer.event(Driven(9.0, "shutdown_loop", "open"))
    writer.tick()
    writer.close({})
    writer.abandon()
    assert not (tmp_path / "run" / "manifest.json").exists()
    assert verify(tmp_path / "run").level == "incomplete"


def test_a_disk_that_fills_up_at_the_end_leaves_no_manifest(tmp_path):
    writer = RecordWriter(tmp_path / "run", heron_record.HEADER, {})
    writer.event(Life(0.0, "driving"))
    fill_disk(tmp_path / "run" / "record.jsonl")
    with pytest.raises(RecordError, match="No space left on device"):
        writer.close({})
    writer.close({})
    assert sorted(path.name for path in (tmp_path / "run").iterdir()) == ["frames.log", "record.jsonl"]


def test_a_folder_that_cannot_be_filled_is_taken_away_again(tmp_path):
    """A file-size limit is a real full disk, met while the sequence is being copied."""
    script = f"""
import resource, signal, sys
sys.path[:0] = [{str(REPOSITORY)!r}, {str(Path(__file__).parent)!r}]
import heron_record
from bench.errors import RecordError
from bench.record.writer import RecordWriter
signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
resource.setrlimit(resource.RLIMIT_FSIZE, (100, 100))
try:
    RecordWriter({str(tmp_path / "run")!r}, heron_record.HEADER, heron_record.TEXTS)
except RecordError as error:
    print(error)
"""
    done = subprocess.run([sys.executable, "-c", script], capture_output=True, text=True, check=True)
    assert "cannot write the record: File too large" in done.stdout
    assert not (tmp_path / "run").exists()
