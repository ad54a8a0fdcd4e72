"""The simulated box behind wire-level stand-ins, all in one process: what `topbox-bench simulate` serves.

The wires are real (pseudo-terminals and sockets on 127.0.0.1), the box behind them is a `LiveWorld`. The battery
management system is the bench's own part here: its frames come over the CAN adapter, as on a real dry bench.
"""

from __future__ import annotations

import os
from collections.abc import Callable, Mapping
from contextlib import ExitStack
from pathlib import Path
from typing import Any

from bench.events import Batch
from bench.language.bench_file import Bench, bench_from_text, load_bench
from bench.language.shipped import shipped_file
from simulators.board_stand_in import BoardStandIn
from simulators.can_adapter import CanAdapter
from simulators.live_world import LiveWorld
from simulators.meter import Meter
from simulators.relay_board import RelayBoard

TEMPLATE = "benches/stand-ins.yaml"


class StandIns:
    """Use as a context manager; `bench_text` is the bench file with the ports that are open."""

    def __init__(
        self, parameters: Mapping[str, float] | None = None, controller: Callable[[], Any] | None = None, seed: int = 0
    ):
        extra = {} if controller is None else {"controller": controller}
        self.world = LiveWorld(load_bench(None), parameters, seed=seed, **extra)
        template = shipped_file(TEMPLATE)
        text = template.read_text(encoding="utf-8").replace("../heron3.dbc", str(shipped_file("heron3.dbc")))
        bench = bench_from_text(text, str(template))
        self.board = BoardStandIn(_channels(bench, "io"), self.world.read, self.world.write)
        self.adapter = CanAdapter(self.world.send)
        self.meter = Meter(lambda: self.world.read("pack_voltage"), serial="H3-SIM-1")
        self.relays = RelayBoard(_channels(bench, "relays"), self.world.read, self.world.write)
        self._text = text
        self._stamped = {name for name, channel in _channels(bench, "io").items() if channel.capture}
        self._stack = ExitStack()

    def __enter__(self) -> StandIns:
        self.world.listen(self._seen)
        for part in (self.world, self.board, self.adapter, self.meter, self.relays):
            self._stack.enter_context(part)
        self.world.write("bms_messages", "off")
        return self

    def __exit__(self, *_: object) -> None:
        self._stack.close()

    @property
    def bench_text(self) -> str:
        ports = {"IO": self.board.port, "BUS": self.adapter.port, "METER": self.meter.port, "RELAYS": self.relays.port}
        text = self._text
        for name, port in ports.items():
            text = text.replace(f"PORT-OF-{name}", port)
        return text

    def write_bench(self, path: Path) -> None:
        """Put the bench file in its place in one go, now that everything listens. Raises OSError."""
        part = path.with_name(f".{path.name}.part")
        part.write_text(self.bench_text, encoding="utf-8")
        os.replace(part, path)

    def _seen(self, batch: Batch) -> None:
        """On the world's thread: frames to the bus, changes with their instants to the board."""
        if batch.frames:
            self.adapter.put(*batch.frames)
        for name, value in batch.samples:
            if name in self._stamped:
                self.board.changed(name, value, batch.t)


def _channels(bench: Bench, device: str):
    return {name: channel for name, channel in bench.channels.items() if channel.device == device}
