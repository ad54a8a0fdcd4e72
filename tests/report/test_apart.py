"""What other processes answer is what would be answered here, whatever becomes of the processes."""

import os
import signal
from multiprocessing import parent_process

import heron_record
import pytest

from bench.apart import apart
from bench.errors import RecordError
from bench.record.chain import read_chain
from bench.record.reader import read_record
from bench.report.content import report_content
from bench.report.plots import get_ready


def test_a_report_is_the_same(tmp_path):
    folder = heron_record.write_record(tmp_path / "run")
    with apart(1) as begin:
        checked = begin(read_chain, folder)
        begin(get_ready)
        record = read_record(folder, samples=True, checked=checked)
        there = report_content(record, begin)
    here = read_record(folder)
    assert record.chain == here.chain and there == report_content(here)
    assert len(there["plots"]) == 4


def test_what_they_raise_is_raised(tmp_path):
    with apart(1) as begin, pytest.raises(RecordError, match=r"record.jsonl: cannot be read: No such file"):
        begin(read_chain, tmp_path)()


def test_what_a_process_that_died_owes_is_done_here():
    with apart(1) as begin:
        assert begin(os.getpid)() != os.getpid()
        first = begin(_die_elsewhere)
        assert [first(), begin(_die_elsewhere)()] == [os.getpid()] * 2


def _die_elsewhere():
    if parent_process() is not None:
        os.kill(os.getpid(), signal.SIGKILL)
    return os.getpid()
