"""A CAN adapter that speaks the ASCII serial-line protocol over a pseudo-terminal, with everything that can go wrong.

Other nodes of its bus put frames on it with `put`; what the bench sends comes to `on_frame`. The hooks are plain
attributes and methods, to be used from any thread while it runs.

Leaves out: the bus itself. Nothing is arbitrated, nothing takes time on the wire, every frame is acknowledged.
"""

from __future__ import annotations

import os
import select
import threading
import time
import tty
from collections.abc import Callable

from bench.devices.can_database import EXTENDED
from bench.devices.serial_line_can import BIT_RATES, frame_of, line_of
from bench.events import Frame


class CanAdapter:
    """`port` is the path to open. Use as a context manager."""

    VERSION, SERIAL_NUMBER = b"V1013", b"NH3CA"
    MOST_WAITING = 1 << 20  # bytes kept for a bench that does not read; what comes then is lost, as in a real one

    def __init__(self, on_frame: Callable[[Frame], None] = lambda frame: None, bus: str = "can"):
        self.on_frame = on_frame
        self.bus = bus
        self.commands: list[bytes] = []  # as they came, frames left out
        self.bit_rate = 0
        self.listen_only = False
        self.opened = threading.Event()
        # -- trouble, each off
        self.hanging = False  # reads nothing and says nothing
        self.deaf = False  # frames of the other nodes pass, the bench's do not, and nothing is answered
        self.confirms = True  # frames that are sent are confirmed; some adapters never do
        self.swallows = 0  # so many of the next confirmations are lost
        self.mangle: Callable[[bytes], bytes] | None = None  # gets whatever is said, gives what is sent instead
        self.mute = False  # takes frames and commands, never answers and never passes frames on
        self.refusing = False  # every frame to be sent is refused
        self.bus_off = False  # status says bus error, no frame gets through
        self.overrun = False  # status says that frames were lost
        self.drop_every = 0  # every n-th frame is lost on the way to the bench
        self.frozen: dict[int, bytes] = {}  # identifier -> data that it repeats whatever is put
        self._stamped = False
        self._put = 0
        self._out = bytearray()
        self._rest = b""
        self._lock = threading.Lock()
        self._begun = time.monotonic()
        self._master, self._slave = os.openpty()
        tty.setraw(self._slave)
        os.set_blocking(self._master, False)
        self.port = os.ttyname(self._slave)
        self._wake, self._waker = os.pipe()
        self._closing = False
        self._thread = threading.Thread(target=self._run, name="CAN adapter", daemon=True)

    def __enter__(self) -> CanAdapter:
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self.unplug()

    # -- the other side of the bus ------------------------------------------------------------------------------

    def put(self, *frames: Frame) -> None:
        """Frames of other nodes."""
        lines = bytearray()
        for frame in frames:
            self._put += 1
            if self.drop_every and self._put % self.drop_every == 0:
                continue
            line = line_of(frame.id | EXTENDED if frame.extended else frame.id, self.frozen.get(frame.id, frame.data))
            if self._stamped:
                line = line[:-1] + b"%04X\r" % (int((time.monotonic() - self._begun) * 1000) % 60_000)
            lines += line
        if self.opened.is_set() and not self.mute and not self.bus_off:
            self._say(lines)

    # -- trouble ------------------------------------------------------------------------------------------------

    def say(self, rubbish: bytes) -> None:
        """Any bytes, between or in the middle of lines."""
        self._say(rubbish)

    def unplug(self) -> None:
        """The device is gone, as when its cable is pulled; for good."""
        if self._closing:
            return
        self._closing = True
        os.write(self._waker, b"x")
        self._thread.join(2.0)
        for number in (self._master, self._slave, self._wake, self._waker):
            os.close(number)

    # -- its work -----------------------------------------------------------------------------------------------

    def _say(self, data: bytes) -> None:
        if self.mangle is not None:
            data = self.mangle(data)
        with self._lock:
            if len(self._out) < self.MOST_WAITING:
                self._out += data
        if not self._closing:
            os.write(self._waker, b"x")

    def _run(self) -> None:
        while not self._closing:
            reading = [self._wake] if self.hanging else [self._wake, self._master]
            writing = [self._master] if self._out and not self.hanging else []
            ready, writable, _ = select.select(reading, writing, [], 0.1)
            if self._wake in ready:
                os.read(self._wake, 4096)
            if self._closing:
                return
            if self._master in ready:
                self._receive()
            if writable:
                self._transmit()

    def _receive(self) -> None:
        try:
            received = os.read(self._master, 65536)
        except OSError:
            return
        *lines, self._rest = (self._rest + received).split(b"\r")
        for line in lines:
            answer = self._answer(line)
            if not (self.mute or self.deaf):
                self._say(answer)

    def _transmit(self) -> None:
        with self._lock:
            try:
                del self._out[: os.write(self._master, self._out[:65536])]
            except BlockingIOError:
                return

    def _answer(self, line: bytes) -> bytes:
        if line[:1] in (b"t", b"T"):
            return self._send(line)
        self.commands.append(line)
        match line[:1]:
            case b"":
                return b"\r"
            case b"O" | b"L" if self.bit_rate and not self.opened.is_set():
                self.listen_only = line == b"L"
                self.opened.set()
                return b"\r"
            case b"C" if self.opened.is_set():
                self.opened.clear()
                return b"\r"
            case b"S" if not self.opened.is_set():
                rates = [rate for rate, command in BIT_RATES.items() if command.encode() == line]
                self.bit_rate = rates[0] if rates else self.bit_rate
                return b"\r" if rates else b"\a"
            case b"Z" if not self.opened.is_set():
                self._stamped = line == b"Z1"
                return b"\r"
            case b"F" if self.opened.is_set():
                return b"F%02X\r" % (0x80 * self.bus_off | 0x08 * self.overrun)
            case b"V":
                return self.VERSION + b"\r"
            case b"N":
                return self.SERIAL_NUMBER + b"\r"
        return b"\a"

    def _send(self, line: bytes) -> bytes:
        frame = frame_of(line)
        if frame is None or self.listen_only or self.refusing or not self.opened.is_set():
            return b"\a"
        key, data, _ = frame
        if not (self.bus_off or self.deaf):
            self.on_frame(Frame(self.bus, key & ~EXTENDED, data, bool(key & EXTENDED), False))
        if self.swallows or not self.confirms:
            self.swallows = max(self.swallows - 1, 0)
            return b""
        return b"z\r" if key < EXTENDED else b"Z\r"
