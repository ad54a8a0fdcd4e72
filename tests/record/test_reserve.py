"""Room on the disk: reserved before a run, and given up for its end (fault 15 of the bench)."""

import errno
import os
import shutil

import heron_record
import pytest

from bench.errors import RecordError
from bench.events import Batch, Life, Lost
from bench.record.growing import GrowingFile, Reserve
from bench.record.reader import read_record
from bench.record.verifying import verify
from bench.record.writer import DiskFull, RecordWriter

SIZE = 1 << 20


def full(*_):
    raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))


def test_what_is_reserved_is_taken_from_the_disk_and_leaves_no_file(tmp_path):
    free = shutil.disk_usage(tmp_path).free
    reserve = Reserve(tmp_path, 64 * SIZE)
    assert free - shutil.disk_usage(tmp_path).free > 32 * SIZE
    assert list(tmp_path.iterdir()) == []
    reserve.free()


def test_no_run_begins_without_its_room(tmp_path, monkeypatch):
    monkeypatch.setattr(os, "posix_fallocate", full)
    with pytest.raises(RecordError, match="No space left on device"):
        RecordWriter(tmp_path / "run", heron_record.HEADER, heron_record.TEXTS, wall_clock=True)
    assert not (tmp_path / "run").exists()


class Disk:
    """A disk with a given room, in bytes, of which the reserve has its part."""

    def __init__(self, room, reserved):
        self.room, self.reserved = room, reserved

    def file(self, path, make_room):
        disk = self

        class Limited(GrowingFile):
            def __init__(self):
                super().__init__(path, self._ask)
                self._raw, self._file = self._file, self

            def _ask(self):
                if not make_room():
                    return False
                disk.room += disk.reserved
                return True

            def write(self, data):
                taken = min(len(data), disk.room)
                if not taken:
                    full()
                disk.room -= taken
                return self._raw.write(data[:taken])

            def fileno(self):
                return self._raw.fileno()

            def close(self):
                self._raw.close()

        return Limited()


@pytest.mark.parametrize("room", range(3000, 9000, 500))
def test_a_disk_that_gets_full_is_told_once_and_the_run_is_recorded_to_its_end(tmp_path, monkeypatch, room):
    disk = Disk(room, SIZE)
    monkeypatch.setattr("bench.record.writer.GrowingFile", disk.file)
    writer = RecordWriter(tmp_path / "run", heron_record.HEADER, {}, wall_clock=True)
    told, events = [], [event for event in heron_record.run_events() if type(event) is Batch][:300]
    for event in events:
        try:
            writer.batches([event])
        except DiskFull as error:
            told.append(str(error))
            writer.event(Lost(event.t, "record", str(error)))
    writer.event(Life(events[-1].t + 1.0, "closed"))
    writer.close({})
    assert len(told) <= 1
    assert verify(tmp_path / "run").level == "intact"
    kept = list(read_record(tmp_path / "run").events())
    assert [event for event in kept if type(event) is Batch] == [event._replace(frames=()) for event in events]
    assert kept[-1].state == "closed"
