"""A stream of bytes that this process alone has: a serial port by path or serial number, or `socket://HOST:PORT`.

The buffer is our own, because `readline` gives back half a line at a time-out and never gives up while bytes come.
Whatever the port raises when it is unplugged (OSError, SerialException, termios.error, TypeError on a port closed under
a reader) becomes one `DeviceLost` that names the port.
"""

from __future__ import annotations

import os
import select
import socket
import time
from typing import TYPE_CHECKING, Any, NamedTuple

from bench.devices.base import DeviceLost

if TYPE_CHECKING:
    import serial


class PortSettings(NamedTuple):
    """How a port is opened. `framing` is data bits, parity, stop bits; `dtr` also says what RTS is.

    DTR stays low unless asked for, because many boards take its edge for a reset. (Linux raises it for an instant
    while it opens a port; nothing in user space can prevent that, so outputs are read back after opening.) Some
    boards with USB of their own send only while DTR is high.
    """

    port: str = ""
    serial_number: str = ""
    baud: int = 115200
    framing: str = "8N1"
    dtr: bool = False
    write_timeout_s: float = 0.5


class SerialPort:
    """One open port. `name` is what messages call it. One thread reads; writes may come from another."""

    #: How long (s) one read may block: the grain of every time-out here.
    GRAIN_S = 0.01
    #: Longest piece without an end that is kept, bytes: beyond it the piece is handed out as it is.
    LONGEST = 4096

    def __init__(self, settings: PortSettings):
        """Open it. Raises DeviceLost: not there, no permission, or somebody else has it."""
        self.name = settings.port or f"the port with serial number {settings.serial_number}"
        self.buffer = bytearray()
        self.behind = False  # whether more had come than was last received
        self._rest = b""  # of what was written without waiting
        self._serial = open_serial(settings, self.GRAIN_S)
        if settings.serial_number:
            self.name = f"{self._serial.port} (serial number {settings.serial_number})"

    def write(self, data: bytes) -> None:
        """Put all of it on the wire. Raises DeviceLost, too when the port takes no more for `write_timeout_s`."""
        data, self._rest = self._rest + data, b""
        try:
            sent = self._serial.write(data)
        except _port_errors() as error:
            raise lost(self.name, error) from error
        if sent is not None and sent != len(data):
            raise DeviceLost(f"{self.name} took {sent} of {len(data)} bytes")

    def write_at_once(self, data: bytes) -> bool:
        """As `write`, but never waiting; whether all of it has left. The rest of a part leaves with the next one."""
        if os.name != "posix" or self._rest:
            return False
        try:
            sent = os.write(self._serial.fileno(), data)  # the port does not block
        except BlockingIOError:
            return False
        except _port_errors() as error:
            raise lost(self.name, error) from error
        self._rest = data[sent:]
        return not self._rest

    def wait(self, timeout_s: float) -> bool:
        """Receive into the buffer; True as soon as something has come. Raises DeviceLost."""
        deadline = time.monotonic() + timeout_s
        while not self._receive():
            if time.monotonic() >= deadline:
                return False
        return True

    def take(self, end: bytes) -> bytes | None:
        """The next complete piece in the buffer without its end, or None; receives nothing."""
        at = self.buffer.find(end)
        if at < 0:
            if len(self.buffer) <= self.LONGEST:
                return None
            at, end = self.LONGEST, b""
        piece = bytes(self.buffer[:at])
        del self.buffer[: at + len(end)]
        return piece

    def drop(self) -> bytes:
        """Throw away what has come so far and give it back, to be noted. Raises DeviceLost."""
        try:
            while waiting := self._serial.in_waiting:
                self.buffer += self._serial.read(waiting)
                if len(self.buffer) > 64 * self.LONGEST:
                    break  # it never stops talking
        except _port_errors() as error:
            raise lost(self.name, error) from error
        dropped = bytes(self.buffer)
        self.buffer.clear()
        return dropped

    def close(self) -> None:
        close_quietly(self._serial)

    def _receive(self) -> bool:
        before = len(self.buffer)
        try:
            self.buffer += self._read_some()
            if len(self.buffer) == before:
                self.behind = False
                return False
            self.behind = len(self.buffer) - before >= self.LONGEST // 2  # a terminal may give less than asked for
        except _port_errors() as error:
            if len(self.buffer) > before:
                return True  # what came before the end counts; the next read meets the end again
            raise lost(self.name, error) from error
        return True

    def _read_some(self) -> bytes:
        """What is there, or what comes first within `GRAIN_S`. The port's own `read` waits for a number of bytes: it
        would have to be called for one and again for the rest, each time with a wait of its own."""
        if os.name != "posix":
            return self._serial.read(1) + self._serial.read(min(self._serial.in_waiting, self.LONGEST - 1))
        ready, _, _ = select.select([self._serial], [], [], self.GRAIN_S)
        if not ready:
            return b""
        try:
            data = os.read(self._serial.fileno(), self.LONGEST)
        except BlockingIOError:  # it was ready, and is not any more
            return b""
        if not data:
            raise OSError("it is ready to be read and has nothing")
        return data


def open_serial(settings: PortSettings, timeout_s: float) -> serial.SerialBase:
    """A pyserial port, opened for us alone with its lines set beforehand. Raises DeviceLost."""
    import serial

    port = settings.port or find_port(settings.serial_number)
    bits, parity, stop = int(settings.framing[0]), settings.framing[1], float(settings.framing[2:])
    try:
        opened = serial.serial_for_url(
            port,
            do_not_open=True,
            baudrate=settings.baud,
            bytesize=bits,
            parity=parity,
            stopbits=int(stop) if stop == int(stop) else stop,
            timeout=timeout_s,
            write_timeout=settings.write_timeout_s,
            exclusive=True if "://" not in port else None,
        )
        opened.dtr = opened.rts = settings.dtr
        opened.open()
        if connection := getattr(opened, "_socket", None):
            # else a question that follows a command waits for its acknowledgement: 40 ms, measured
            connection.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
    except _port_errors() as error:
        raise DeviceLost(f"{port} cannot be opened: {_why_not(port, error)}") from error
    return opened


def find_port(serial_number: str) -> str:
    """The path of the port whose adapter has this serial number. Raises DeviceLost with those that are there."""
    from serial.tools import list_ports

    found = {info.device: info.serial_number for info in list_ports.comports()}
    matching = [device for device, number in found.items() if number == serial_number]
    if len(matching) == 1:
        return matching[0]
    if matching:
        raise DeviceLost(f"serial number {serial_number} is on {' and '.join(sorted(matching))}; name one with 'port:'")
    there = ", ".join(f"{number} on {device}" for device, number in sorted(found.items()) if number) or "none at all"
    raise DeviceLost(f"no port has the serial number {serial_number}; there is {there}")


def lost(name: str, error: BaseException) -> DeviceLost:
    """The cause in a person's words, for an error of a port that was open."""
    import serial

    if isinstance(error, serial.SerialTimeoutException):
        return DeviceLost(f"{name} takes no more bytes: the other end hangs")
    return DeviceLost(f"{name} is gone: unplugged, closed by the other end, or opened twice ({error})")


def close_quietly(opened: Any) -> None:
    """Close a pyserial port, whatever state it is in."""
    connection = getattr(opened, "_socket", None)
    try:
        opened.close()
        if connection is not None:
            connection.close()  # pyserial leaves it open when the other end was faster
    except Exception:  # a port that is gone may raise anything
        return


def _why_not(port: str, error: BaseException) -> str:
    from bench.devices.ports import holders

    names = ", ".join(holders(port))
    if names:
        return f"{names} has it open"
    return "another program has it open" if "lock" in str(error) else f"{error}; see 'topbox-bench ports'"


def _port_errors() -> tuple[type[BaseException], ...]:
    try:
        import termios
    except ImportError:  # Windows
        return (OSError, ValueError, TypeError, AttributeError)
    return (OSError, ValueError, TypeError, AttributeError, termios.error)
