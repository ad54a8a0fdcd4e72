"""An I/O board on a pty, and the bench file that goes with it."""

from __future__ import annotations

import threading

from bench.devices.board import Board
from bench.language.bench_file import Bench, bench_from_text
from simulators.board_stand_in import BoardStandIn

BENCH = """\
bench: board-bench
devices: {board: {driver: board, port: PORTOPTIONS}}
channels:
  relay: {direction: driven, states: [open, closed], safe: open, at: out 3}
  lamp: {direction: driven, states: [lit, dark], safe: dark, at: out 2}
  sense: {direction: driven, unit: V, safe: 0 V, at: level 6, scale: 5}
  loop: {direction: read, states: [open, closed], at: in 4 up, capture: edges, time_accuracy: 50 us}
  aux: {direction: read, states: [open, closed], at: in 5, invert: true}
  supply: {direction: read, unit: V, at: analog 26, scale: 20}
  imd_duty: {direction: read, unit: '%', at: duty 7, scale: 100, group: pulses}
  imd_rate: {direction: read, unit: Hz, at: frequency 7, group: pulses}
"""
HEALTHY = {"loop": "open", "aux": "closed", "supply": 12.5, "imd_duty": 50.0, "imd_rate": 10.0}


def bench_of(port: str = "none", options: str = "", text: str = BENCH) -> Bench:
    return bench_from_text(text.replace("PORT", port).replace("OPTIONS", options), "board.yaml")


def board_on(port: str, options: str = "", text: str = BENCH) -> Board:
    bench = bench_of(port, options, text)
    return Board("board", bench.devices["board"].options, bench.channels, bench)


class SimulatedBoard(BoardStandIn):
    """A stand-in over a plain mapping: `values` is what its inputs read, `written` what its outputs got."""

    def __init__(self, **options):
        self.values, self.written = dict(HEALTHY), {}
        self.values_lock = threading.Lock()
        super().__init__(bench_of().channels, self._read, self.written.__setitem__, **options)

    def change(self, name, value, at_s=None):
        with self.values_lock:
            self.values[name] = value
            self.changed(name, value, at_s)

    def _read(self, name):
        with self.values_lock:
            return self.values.get(name)
