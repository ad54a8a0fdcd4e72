"""A simulated I/O board on a pseudo terminal: the board's own firmware, on simulated pins, with trouble on request.

The very firmware of the real board runs here (`bench/devices/firmware/main.py`), so the protocol, the dead-man and the
scans are its own. Left out: what only a microcontroller has (interrupt latency, ADC noise, coarse PWM steps, a
serial line that is slower than the pseudo terminal), and modem lines: opening the port does not restart it.
"""

from __future__ import annotations

import os
import pty
import random
import select
import threading
import time
import tty
from collections import deque
from collections.abc import Callable, Mapping
from contextlib import suppress
from typing import TYPE_CHECKING

from bench.devices.board_pins import FULL, Pins
from bench.devices.firmware.main import WATCHDOG_MS, Board
from bench.devices.wire_values import from_wire, to_wire
from bench.events import Value

if TYPE_CHECKING:
    from bench.language.channel import Channel

TICKS = 1 << 30  # where ticks wrap
STEADY_HZ = 100.0  # frequency of a pulse pin of which only the duty is a channel


class BoardStandIn:
    """`read(channel)` gives a channel's present value (None: not known), `write(channel, value)` takes a driven one.

    A context manager; its thread runs from entering to leaving, and both callbacks are called on it. `port` is the
    path to open. `clock_ppm` is how much too fast the board's clock runs, `clock_us` what it shows at first. A change
    told by `changed` is stamped with its own instant, one found by `read` when the pin is next looked at.

    Trouble: call `unplug`, `hang`, `restart`; set `delay_s`, `deaf`, `clock_stands`, and
    `stuck` (outputs that do not follow any more, by pin); set `mangle`, which gets each
    outgoing line (with its end) and gives back what is sent instead, for example `rubbish`, `half`, `Repeating()`.
    """

    def __init__(
        self,
        channels: Mapping[str, Channel],
        read: Callable[[str], Value | None],
        write: Callable[[str, Value], None],
        ident: str = "57A4D1400001",
        clock_ppm: float = 0.0,
        clock_us: int = 0,
    ):
        self.hardware = _Hardware(Pins("board", channels, ""), read, write, ident, clock_ppm, clock_us)
        self._closing = threading.Event()
        self._thread = threading.Thread(target=self._run, name="board stand-in", daemon=True)

    def __enter__(self) -> BoardStandIn:
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._closing.set()
        self._thread.join(5.0)
        self.unplug()
        with suppress(OSError):
            os.close(self.hardware.terminal)

    @property
    def port(self) -> str:
        return self.hardware.port

    def changed(self, channel: str, value: Value, at_s: float | None = None) -> None:
        """The channel has changed, at `at_s` on the monotonic clock (now if left out). From any thread."""
        self.hardware.changed(channel, value, time.monotonic() if at_s is None else at_s)

    def level(self, channel: str) -> int:
        """The level that the output really has now."""
        return self.hardware.outputs[self.hardware.pins.terminals[channel].pin]

    # -- trouble -------------------------------------------------------------------------------------------

    def unplug(self) -> None:
        """Pull the cable. The board lives on and its dead-man acts."""
        self.hardware.unplug()

    def hang(self) -> None:
        """The firmware's loop stops; its watchdog restarts it a second later."""
        self.hardware.hung_since = time.monotonic()

    def restart(self) -> None:
        """As after a reset: all pins let go, a new session is due."""
        self.hardware.restart_due = True

    def __setattr__(self, name: str, value: object) -> None:
        if name in _TROUBLES:
            setattr(self.hardware, name, value)
        else:
            super().__setattr__(name, value)

    def _run(self) -> None:
        hardware = self.hardware
        firmware = Board(hardware)
        while not self._closing.is_set():
            hung = hardware.hung_since
            if hung is not None and time.monotonic() - hung < WATCHDOG_MS * 1e-3:
                self._closing.wait(0.005)
                continue
            if hardware.restart_due or hung is not None:
                hardware.reset("WDT_RESET" if hung is not None else "PWRON_RESET")
                firmware = Board(hardware)
            firmware.turn()


_TROUBLES = ("delay_s", "deaf", "clock_stands", "stuck", "mangle")


class _Hardware:
    """What the firmware runs on here; the same methods as `bench/devices/firmware/hardware.py`."""

    def __init__(self, pins, read, write, ident, clock_ppm, clock_us):
        self.pins: Pins = pins
        self.ident, self.cause, self.missed = ident, "PWRON_RESET", 0
        self.outputs: dict[int, int] = {}
        self.delay_s = 0.0
        self.deaf = self.clock_stands = self.restart_due = False
        self.hung_since: float | None = None
        self.stuck: tuple[int, ...] = ()
        self.mangle: Callable[[bytes], bytes] | None = None
        self._read, self._write = read, write
        self._origin_s = time.monotonic()
        self._rate, self._start_us = 1e6 * (1.0 + clock_ppm * 1e-6), clock_us
        self._stood_us: int | None = None
        self._edges: deque[tuple[int, int, int]] = deque()
        self._noted: dict[int, tuple[int, int]] = {}  # last change of each edge pin: level, ticks
        self._open: set[int] = set()
        self._waiting: deque[tuple[float, bytes]] = deque()
        self._lock, self._edge_lock = threading.Lock(), threading.Lock()  # of the port, of the changes
        master, self.terminal = pty.openpty()
        tty.setraw(self.terminal)
        os.set_blocking(master, False)
        self.port = os.ttyname(self.terminal)
        self._master: int | None = master

    def unplug(self) -> None:
        with self._lock:
            if self._master is not None:
                os.close(self._master)
            self._master = None

    def reset(self, cause: str) -> None:
        self.hung_since, self.restart_due, self.cause = None, False, cause
        for pin in list(self.outputs):
            self._let_go(pin)
        self._open.clear()
        self._edges.clear()

    # -- line and time -------------------------------------------------------------------------------------

    def read(self, wait_ms: float) -> bytes:
        self._flush()
        with self._lock:
            master = self._master
            if master is not None and not self.deaf:
                with suppress(OSError, ValueError):
                    if select.select([master], [], [], wait_ms * 1e-3)[0]:
                        return os.read(master, 4096)
                    return b""
        time.sleep(wait_ms * 1e-3)
        return b""

    def write(self, data: bytes) -> bool:
        if self.mangle is not None:
            data = self.mangle(data)
        if self.delay_s or self._waiting:
            self._waiting.append((time.monotonic() + self.delay_s, data))
            return True
        return self._put_out(data)

    def _flush(self) -> None:
        while self._waiting and self._waiting[0][0] <= time.monotonic():
            self._put_out(self._waiting.popleft()[1])

    def _put_out(self, data: bytes) -> bool:
        with self._lock:
            if self._master is None:
                return False
            try:
                return os.write(self._master, data) == len(data)
            except OSError:  # nobody reads, and the buffer is full
                return False

    def ticks(self) -> int:
        return self._ticks_at(time.monotonic())

    def _ticks_at(self, at_s: float) -> int:
        ticks = (int((at_s - self._origin_s) * self._rate) + self._start_us) % TICKS
        if not self.clock_stands:
            self._stood_us = ticks
        return self._stood_us if self._stood_us is not None else ticks

    def ticks_diff(self, later: int, earlier: int) -> int:
        return (later - earlier + TICKS // 2) % TICKS - TICKS // 2

    def watch(self, timeout_ms: int) -> None:
        """The watchdog is in `BoardStandIn`."""

    def feed(self) -> None:
        """See `watch`."""

    # -- pins ----------------------------------------------------------------------------------------------

    def open(self, pin: int, role: str, option: str | int) -> None:
        if pin not in self.pins.of_pin:
            raise ValueError(f"there is no pin {pin}")
        self._open.add(pin)
        if role in ("out", "level"):
            self.put(pin, int(option))
        elif role == "edge":
            self._noted[pin] = (self._level(pin), self.ticks())

    def put(self, pin: int, level: int) -> None:
        if self.outputs.get(pin) != level and pin not in self.stuck:
            self.outputs[pin] = level
            channel = self.pins.of_pin[pin][0]
            kind = self.pins.terminals[channel.name].kind
            self._write(channel.name, from_wire(channel, level if kind == "out" else level / FULL))

    def _let_go(self, pin: int) -> None:
        """A pin without a driver: the wiring makes it safe."""
        self.put(pin, int(self.pins.role[pin][1]))
        del self.outputs[pin]

    def get(self, pin: int) -> int | str:
        role = self.pins.role[pin][0]
        if role in ("out", "level"):
            return self.outputs[pin]
        if role == "pulse":
            return self._pulse(pin)
        noted = self._noted.get(pin)
        level = self._level(pin)
        if role == "edge":
            with self._edge_lock:
                if self._noted.get(pin) is noted:  # else a change came while it was read
                    self._note(pin, level, self.ticks())
                level = self._noted[pin][0]
        return level

    def edge(self) -> tuple[int, int, int] | None:
        return self._edges.popleft() if self._edges else None

    def changed(self, name: str, value: Value, at_s: float) -> None:
        channel = self.pins.of_pin[pin := self.pins.terminals[name].pin][0]
        if self.pins.role[pin][0] == "edge" and pin in self._open:
            with self._edge_lock:
                self._note(pin, int(to_wire(channel, value)), self._ticks_at(at_s))

    def _note(self, pin: int, level: int, ticks: int) -> None:
        if self._noted[pin][0] != level:
            self._noted[pin] = (level, ticks)
            self._edges.append((pin, level, ticks))

    def _level(self, pin: int) -> int:
        raw = self._raw(self.pins.of_pin[pin][0])
        if self.pins.role[pin][0] == "analog":
            return round(min(max(raw, 0.0), 1.0) * FULL)
        return int(raw)

    def _pulse(self, pin: int) -> str:
        raw = {self.pins.terminals[each.name].kind: self._raw(each) for each in self.pins.of_pin[pin]}
        frequency = raw.get("frequency", STEADY_HZ)
        duty = raw.get("duty", 0.5)
        if frequency <= 0 or not 0 < duty < 1:
            return f"{int(duty >= 0.5)}/0"
        period = 1e6 / frequency
        return f"{round(period * duty)}/{round(period)}"

    def _raw(self, channel: Channel) -> float:
        value = self._read(channel.name)
        return 0.0 if value is None else to_wire(channel, value)


# -- what may be set as `mangle` -------------------------------------------------------------------------------------


def rubbish(line: bytes) -> bytes:
    """Noise of the same length."""
    return random.Random(line).randbytes(len(line))


def half(line: bytes) -> bytes:
    """The line breaks off."""
    return line[: len(line) // 2]


class Repeating:
    """The first line it gets, for ever."""

    def __init__(self) -> None:
        self._line = b""

    def __call__(self, line: bytes) -> bytes:
        self._line = self._line or line
        return self._line
