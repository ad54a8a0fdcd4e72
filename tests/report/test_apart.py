"""Figures from other processes are the same figures, whatever becomes of the processes."""

import os
import signal

import heron_record
import pytest

from bench.record.reader import read_record
from bench.report.document import run_document
from bench.report.drawing_apart import drawing_apart
from bench.report.drawings import drawings
from bench.report.plots import draw_here


@pytest.fixture(scope="module")
def shown(tmp_path_factory):
    record = read_record(heron_record.write_record(tmp_path_factory.mktemp("apart") / "run"))
    return drawings(record, run_document(record)["steps"])[0]


def test_they_are_the_same(shown):
    here = [draw_here(drawing)() for drawing in shown]
    with drawing_apart(1) as begin:
        apart = [figure() for figure in [begin(drawing) for drawing in shown]]
    assert len(here) == 4 and apart == here


def test_what_a_process_that_died_owes_is_drawn_here(shown, monkeypatch):
    monkeypatch.setattr("bench.report.drawing_apart.draw", _die)
    with drawing_apart(1) as begin:
        figure = begin(shown[0])
        monkeypatch.undo()
        for drawing, drawn in zip(shown, [figure, begin(shown[1])], strict=False):
            assert drawn() == draw_here(drawing)()


def _die(drawing):
    os.kill(os.getpid(), signal.SIGKILL)
