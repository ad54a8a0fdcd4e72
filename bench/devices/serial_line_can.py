"""CAN through an adapter that speaks in lines of ASCII over a serial port.

A frame is `tiiildd..` (11-bit identifier, length, data, all hexadecimal), `Tiiiiiiiildd..` (29 bits), `r`/`R` for
remote frames, each ended by CR; with time stamps on (`Z1`) four more digits count milliseconds up to 59999 (from
memory). CR alone says done, BELL says refused; `F` asks for the status, of which bit 7 is a bus error, 5 error passive,
3 overrun, 0 a full receive buffer (from memory). De-facto standard, no norm.

Read in whole chunks; a line that is not exactly one of these is counted and never decoded.
"""

from __future__ import annotations

import re
import threading
import time
from binascii import unhexlify
from collections import deque
from collections.abc import Sequence

from bench.devices.base import DeviceLost
from bench.devices.can_database import EXTENDED
from bench.devices.can_port import NOBODY, Count, Heard
from bench.devices.serial_port import PortSettings, SerialPort

#: bit/s -> command. 750 and 800 kbit/s are left out: adapters disagree on what S7 is.
BIT_RATES = {
    10_000: "S0", 20_000: "S1", 50_000: "S2", 100_000: "S3", 125_000: "S4", 250_000: "S5", 500_000: "S6",
    1_000_000: "S8",
}  # fmt: skip
_STAMP_WRAP_S = 60.0
_LINE = re.compile(rb"(?:t([0-7][0-9A-Fa-f]{2})|T([01][0-9A-Fa-f]{7}))([0-8])((?:[0-9A-Fa-f]{2})*)")
_REMOTE = re.compile(rb"r[0-7][0-9A-Fa-f]{2}[0-8](?:[0-9A-Fa-f]{4})?|R[01][0-9A-Fa-f]{7}[0-8](?:[0-9A-Fa-f]{4})?")
_STATUS = re.compile(rb"F([0-9A-Fa-f]{2})")
_MOST_KEPT = 8192


def frame_of(line: bytes, stamped: bool = False) -> tuple[int, bytes, int | None] | None:
    """Key, data and time stamp (ms; None without) of a whole line without its CR; None for anything else."""
    found = _LINE.fullmatch(line)
    if found is None:
        return None
    short, long, length, digits = found.groups()
    size = 2 * (length[0] - 48)
    if len(digits) != size + 4 * stamped:
        return None
    stamp = int(digits[size:], 16) if stamped else None
    if stamp is not None and stamp >= 60_000:
        return None
    return int(short, 16) if short else int(long, 16) | EXTENDED, unhexlify(digits[:size]), stamp


def line_of(key: int, data: bytes) -> bytes:
    """The line that sends a frame, with its CR."""
    start = f"T{key & ~EXTENDED:08X}" if key & EXTENDED else f"t{key:03X}"
    return f"{start}{len(data)}{data.hex().upper()}\r".encode()


class SerialLinePort:
    """An open adapter. One thread receives; sending may come from others.

    `ask_status`: when nothing is heard the adapter is asked for its status every `ASK_S`; without an answer within
    `ANSWER_S` it hangs. That finds a dead adapter on a bus that is rightly silent. So it is asked when it confirms
    frames (most do), and one of ours stays without: silence of the bench's own messages must not pass for the box's.
    Nothing but malformed lines for `ANSWER_S` is rubbish.
    """

    ANSWER_S = 0.5
    ASK_S = 0.2

    def __init__(
        self, settings: PortSettings, bit_rate: int, listen_only: bool, stamped: bool, ask_status: bool, count: Count
    ):
        """Raises DeviceLost: not there, taken, mute, or it refuses what it is asked."""
        self.behind = False
        self._count = count
        self._stamped, self._ask_status = stamped, ask_status
        self._kept: dict[bytes, tuple[int, bytes, int | None] | None] = {}
        self._rest = b""
        self._lock = threading.Lock()
        self._unconfirmed: deque[float] = deque(maxlen=4096)  # when each frame was sent, the oldest first
        self._sent = 0
        self._confirms = False
        self._doubted_at: float | None = None
        self._confirmed = threading.Condition()
        self._rubbish_since: float | None = None
        self._stamp_s: float | None = None
        self._stamp_ms = 0
        self._stamp_arrival = 0.0
        self._port = SerialPort(settings)
        self.name = self._port.name
        try:
            self.identity = self._set_up(bit_rate, listen_only)
        except BaseException:
            self._port.close()
            raise
        self._heard_at = time.monotonic()
        self._asked_at: float | None = None

    # -- what the driver calls ------------------------------------------------------------------------------

    def receive(self, timeout_s: float) -> Sequence[Heard]:
        if not self._port.wait(timeout_s):
            self._look()
            return ()
        arrival = time.monotonic()
        if self._ask_status:
            self._check_confirmed(arrival)
        self.behind = self._port.behind
        buffer = self._port.buffer
        if b"\a" in buffer:
            raise DeviceLost(f"{self.name}: the adapter refuses to send: {NOBODY}")
        lines, end, rest = bytes(buffer).rpartition(b"\r")
        buffer[:] = rest
        if len(rest) > 64:  # no line is that long
            self._rubbish_since = self._rubbish_since or arrival
            self._count("malformed lines, not decoded")
            buffer.clear()
        self._heard_at, self._asked_at = arrival, None
        heard: list[Heard] = []
        kept = self._kept
        for line in lines.split(b"\r") if end else ():
            frame = kept.get(line)
            if frame is None:
                frame = frame_of(line, self._stamped)
                if frame is None:
                    self._other(line)
                    continue
                if not self._stamped:
                    if len(kept) >= _MOST_KEPT:
                        kept.clear()
                    kept[line] = frame
            key, data, ms = frame
            heard.append((arrival, None if ms is None else self._unwrapped(ms, arrival), key, data))
        if heard:
            self._rubbish_since = None
        elif self._rubbish_since is not None and arrival - self._rubbish_since > self.ANSWER_S:
            raise DeviceLost(f"{self.name}: only rubbish comes for more than {self.ANSWER_S:g} s")
        return heard

    def send(self, key: int, data: bytes) -> None:
        with self._lock:
            self._unconfirmed.append(time.monotonic())
            self._sent += 1
            self._port.write(line_of(key, data))

    def wait_confirmed(self) -> None:
        """Until all that was sent so far is confirmed, by an adapter that does that at all. Raises DeviceLost."""
        due, limit = self._sent, self.ASK_S + self.ANSWER_S
        with self._confirmed:
            if not self._confirmed.wait_for(
                lambda: not self._confirms or self._sent - len(self._unconfirmed) >= due, limit
            ):
                raise self._hangs()

    def close(self) -> None:
        try:
            with self._lock:
                self._port.write(b"C\r")
        except DeviceLost:
            pass
        self._port.close()

    # -- setting up -----------------------------------------------------------------------------------------

    def _set_up(self, bit_rate: int, listen_only: bool) -> str:
        self._port.write(b"\r\rC\r")  # ends a half line, and the flow of frames if somebody left it open
        if not self._answers(self.ANSWER_S):
            raise DeviceLost(f"{self.name} does not answer as a CAN adapter does; is it the right port?")
        identity = [answer for command in ("V", "N") if (answer := self._ask(command, must=False))]
        self._ask(BIT_RATES[bit_rate], must=True)
        if self._stamped:
            self._ask("Z1", must=True)
        self._ask("L" if listen_only else "O", must=True)
        return f"serial-line adapter {' '.join(identity) or '(says nothing of itself)'}"

    def _answers(self, timeout_s: float) -> bool:
        """Wait for any answer, then until it is quiet, and forget what came."""
        deadline = time.monotonic() + timeout_s
        answered = False
        while time.monotonic() < deadline and self._port.wait(0.05 if answered else timeout_s):
            answered = answered or b"\r" in self._port.buffer or b"\a" in self._port.buffer
        self._port.buffer.clear()
        return answered

    def _ask(self, command: str, must: bool) -> str:
        """The answer without its end; '' where the adapter refuses or does not know. Frames on the way are let by."""
        self._port.write(f"{command}\r".encode())
        deadline = time.monotonic() + self.ANSWER_S
        buffer = self._port.buffer
        while time.monotonic() < deadline:
            end = min((at for at in (buffer.find(b"\r"), buffer.find(b"\a")) if at >= 0), default=-1)
            if end < 0:
                self._port.wait(0.05)
                continue
            refused, line = buffer[end : end + 1] == b"\a", bytes(buffer[:end])
            del buffer[: end + 1]
            if refused:
                if must:
                    raise DeviceLost(f"{self.name}: the adapter refuses {command!r}")
                return ""
            if must or line.startswith(command.encode()):
                return line.decode("ascii", "replace")
        if must:
            raise DeviceLost(f"{self.name}: the adapter does not answer {command!r}")
        return ""

    # -- while it is open -----------------------------------------------------------------------------------

    def _look(self) -> None:
        """Nothing has come: is the adapter there at all?"""
        if not self._ask_status:
            return
        now = time.monotonic()
        self._check_confirmed(now)
        if self._asked_at is None:
            if now - self._heard_at >= self.ASK_S:
                self._asked_at = now
                with self._lock:
                    self._port.write(b"F\r")
        elif now - self._asked_at >= self.ANSWER_S:
            raise self._hangs()

    def _check_confirmed(self, now: float) -> None:
        """A frame without its confirmation: that may have been lost, so the adapter is asked whether it lives."""
        if not (self._confirms and self._unconfirmed and now - self._unconfirmed[0] > self.ASK_S):
            self._doubted_at = None
        elif self._doubted_at is None:
            self._doubted_at = now
            with self._lock:
                self._port.write(b"F\r")
        elif now - self._doubted_at >= self.ANSWER_S:
            raise self._hangs()

    def _hangs(self) -> DeviceLost:
        return DeviceLost(f"{self.name}: the adapter hangs, no answer for {self.ANSWER_S:g} s")

    def _other(self, line: bytes) -> None:
        """A line that is no frame."""
        if line in (b"", b"z", b"Z"):  # done, or sent
            self._confirm(1)
            return
        status = _STATUS.fullmatch(line)
        if status:
            self._confirm(len(self._unconfirmed) if self._doubted_at is not None else 0)
            self._status(int(status[1], 16))
        elif _REMOTE.fullmatch(line):
            self._count("remote frames, not used")
        else:
            self._rubbish_since = self._rubbish_since or time.monotonic()
            self._count("malformed lines, not decoded")

    def _confirm(self, frames: int) -> None:
        """The adapter lives; so many of the frames sent are off its hands."""
        self._rubbish_since = None
        with self._confirmed:
            for _ in range(min(frames, len(self._unconfirmed))):
                self._unconfirmed.popleft()
                self._confirms = True
            self._confirmed.notify_all()

    def _status(self, bits: int) -> None:
        if bits & 0x80:
            raise DeviceLost(f"{self.name} is off the bus: {NOBODY}, or a short in the wiring")
        if bits & 0x20:
            self._count("error passive")
        if bits & 0x09:
            self._count("the adapter lost received frames")

    def _unwrapped(self, ms: int, arrival: float) -> float:
        """The adapter's count in s, without its return to 0 every minute; the host's clock counts the minutes."""
        if self._stamp_s is None:
            self._stamp_s = ms / 1000
        else:
            step = (ms - self._stamp_ms) % 60_000 / 1000
            waited = arrival - self._stamp_arrival
            self._stamp_s += step + _STAMP_WRAP_S * max(round((waited - step) / _STAMP_WRAP_S), 0)
        self._stamp_ms, self._stamp_arrival = ms, arrival
        return self._stamp_s
