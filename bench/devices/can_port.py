"""A CAN interface as the driver sees it, and any interface of python-can as one.

Every exception of the library and of what lies under it becomes `DeviceLost` with a text that a person understands.
Its state property is believed when it says trouble, never when it says that all is well.
"""

from __future__ import annotations

import errno
import sys
import threading
import time
from collections.abc import Mapping, Sequence
from contextlib import contextmanager
from typing import TYPE_CHECKING, Any, Protocol

from bench.devices.base import DeviceLost
from bench.devices.can_database import EXTENDED

if TYPE_CHECKING:
    import can

NOBODY = "no other node acknowledges (switch the box on first; then check bit rate, termination and wiring)"


#: A frame as it came: arrival on the bench clock (s), the adapter's own stamp (s) or None, key, data.
#: A plain tuple: thousands come in a second.
Heard = tuple[float, float | None, int, bytes]


class CanPort(Protocol):
    """What the driver needs of an interface. `count` is given what must be told but decides nothing."""

    name: str
    identity: str
    behind: bool  # whether more had come than was last received

    def receive(self, timeout_s: float) -> Sequence[Heard]:
        """What has come; waits at most so long for the first frame. Raises DeviceLost."""

    def send(self, key: int, data: bytes) -> None:
        """Raises DeviceLost."""

    def wait_confirmed(self) -> None:
        """Until what was sent has left, as far as the interface tells. Raises DeviceLost."""

    def close(self) -> None:
        """Never raises."""


class Count(Protocol):
    def __call__(self, text: str, times: int = 1) -> None: ...


class PythonCanPort:
    """One python-can bus with its own receive loop (no Notifier: that dies in silence)."""

    MOST_AT_ONCE = 256
    LOOK_S = 0.25  # how often the state is looked at when nothing comes
    MOST_RUBBISH = 20  # failures to read a frame, one after the other

    def __init__(self, interface: str, channel: str, keys: Mapping[str, Any], listen_only: bool, count: Count):
        self.name = f"{interface} {channel}".strip()
        self._interface = interface
        self.behind = False
        self._count = count
        self._looked = 0.0
        self._rubbish = 0
        self._lock = threading.Lock()
        self._bus = open_bus(self.name, interface, channel, dict(keys), listen_only, count)
        self.identity = f"{interface}: {self._bus.channel_info}"

    def receive(self, timeout_s: float) -> Sequence[Heard]:
        heard: list[Heard] = []
        self.behind = False
        receive, now, wait_s = self._bus.recv, time.monotonic, timeout_s
        try:
            for n in range(self.MOST_AT_ONCE):
                message = receive(wait_s)
                if message is None:
                    if n == 0:
                        self._look()
                    break
                arrival = now()
                wait_s = self._rubbish = 0
                if message.is_error_frame:
                    self._error_frame(message)
                elif message.is_remote_frame:
                    self._count("remote frames, not used")
                elif message.is_rx:
                    key, data = message.arbitration_id, bytes(message.data)
                    if len(data) == message.dlc and key < (0x20000000 if message.is_extended_id else 0x800):
                        key = key | EXTENDED if message.is_extended_id else key
                        heard.append((arrival, message.timestamp, key, data))
                    else:
                        self._count("malformed frames, not decoded")
            else:
                self.behind = True
        except DeviceLost:
            raise
        except (ValueError, IndexError) as error:  # python-can could not read a line of its slcan adapter
            self._rubbish += 1
            if self._rubbish > self.MOST_RUBBISH:
                raise DeviceLost(f"{self.name} sends nothing but rubbish ({error})") from error
            self._count("malformed frames, not decoded")
        except Exception as error:  # CanError, OSError, SerialException, termios.error, a driver library's own
            if heard:
                return heard  # the next call meets it again
            raise DeviceLost(in_words(self.name, error)) from error
        return heard

    def send(self, key: int, data: bytes) -> None:
        import can

        message = can.Message(
            arbitration_id=key & ~EXTENDED, is_extended_id=bool(key & EXTENDED), data=data, check=True
        )
        try:
            with self._lock:
                self._bus.send(message)
        except Exception as error:
            raise DeviceLost(in_words(self.name, error)) from error

    def wait_confirmed(self) -> None:
        """No interface of python-can tells."""

    def close(self) -> None:
        shut_quietly(self._bus)

    def _look(self) -> None:
        now = time.monotonic()
        if now - self._looked < self.LOOK_S:
            return
        self._looked = now
        import can

        try:
            state = self._bus.state
        except NotImplementedError:
            return
        if state == can.BusState.ERROR:
            raise DeviceLost(f"{self.name} is off the bus: {NOBODY}")

    def _error_frame(self, message: can.Message) -> None:
        if self._interface == "socketcan":
            text = linux_error(message.arbitration_id, bytes(message.data))
        else:
            text = "error frame"
        if text == "bus-off":
            raise DeviceLost(f"{self.name} is off the bus: {NOBODY}, or a short in the wiring")
        self._count(text)


def linux_error(flags: int, data: bytes) -> str:
    """An error frame of Linux (can/error.h, from memory) in words; 'bus-off' ends the run."""
    if flags & 0x40:
        return "bus-off"
    controller = data[1] if flags & 0x04 and len(data) > 1 else 0
    found = [
        text
        for set_, text in (
            (flags & 0x20, f"error frame: {NOBODY}"),
            (controller & 0x01, "error frame: the adapter lost received frames"),
            (controller & 0x02, "error frame: the adapter lost frames to be sent"),
            (controller & 0x30, "error frame: error passive"),
            (controller & 0x0C, "error frame: error warning"),
            (flags & 0x0A, "error frame: rubbish or a lost arbitration on the bus"),
        )
        if set_
    ]
    return found[0] if found else "error frame"


#: How interfaces are told to only listen, beside that the driver sends nothing.
_LISTEN_ONLY: dict[str, dict[str, Any]] = {"slcan": {"listen_only": True}, "kvaser": {"driver_mode": False}}
_NO_NEED = ("virtual", "udp_multicast")


def open_bus(
    name: str, interface: str, channel: str, keys: dict[str, Any], listen_only: bool, count: Count
) -> can.BusABC:
    """Raises DeviceLost, in plain words."""
    with without_asammdf():
        import can
    if interface == "slcan":
        keys.setdefault("sleep_after_open", 0.0)
    if listen_only:
        if interface == "pcan":
            keys["state"] = can.BusState.PASSIVE
        elif interface in _LISTEN_ONLY:
            keys.update(_LISTEN_ONLY[interface])
        elif interface not in _NO_NEED:
            count(f"{interface} must be set to listen-only outside; the bench sends nothing, but may acknowledge")
    try:
        bus = can.Bus(interface=interface, channel=channel or None, ignore_config=True, **keys)
        port = getattr(bus, "serialPortOrig", None)
        if port is not None:  # python-can lets a second program in
            try:
                port.exclusive = True
            except Exception:
                shut_quietly(bus)
                raise
        return bus
    except NotImplementedError as error:  # also a CanInterfaceNotImplementedError
        wrong = f"python-can has no interface {interface!r}, or its driver is missing ({error})"
        raise DeviceLost(f"{name}: {wrong}") from error
    except Exception as error:
        raise DeviceLost(f"{name} cannot be opened: {_why(error)}") from error


@contextmanager
def without_asammdf():
    """python-can imports the measurement-file library asammdf (1.4 s, with pandas) wherever that is installed."""
    if "can" in sys.modules or "asammdf" in sys.modules:
        yield
        return
    sys.modules["asammdf"] = None  # type: ignore[assignment] - makes the import fail, as if it were not there
    try:
        yield
    finally:
        del sys.modules["asammdf"]


def shut_quietly(bus: can.BusABC) -> None:
    """Shut a bus down, whatever state it is in; afterwards it does not complain when it is collected either."""
    try:
        bus.shutdown()
    except Exception:
        port = getattr(bus, "serialPortOrig", None)
        try:
            if port is not None:
                port.close()
        except Exception:
            return
        finally:
            bus._is_shutdown = True  # or __del__ prints to standard error


def in_words(name: str, error: BaseException) -> str:
    """The cause of an error on an open bus."""
    numbers = {getattr(each, "errno", None) or getattr(each, "error_code", None) for each in _chain(error)}
    if numbers & {errno.ENOBUFS, errno.EAGAIN}:
        return f"{name} takes no more frames: {NOBODY}"
    if numbers & {errno.ENETDOWN, errno.ENXIO, errno.ENODEV, errno.EIO, errno.EBADF}:
        return f"{name} is gone: unplugged, switched off or closed ({error})"
    if "imeout" in type(error).__name__:
        return f"{name} takes no more frames, or hangs: {NOBODY} ({error})"
    return f"{name} is gone: {str(error) or type(error).__name__}"


def _why(error: BaseException) -> str:
    numbers = {getattr(each, "errno", None) or getattr(each, "error_code", None) for each in _chain(error)}
    if numbers & {errno.EACCES, errno.EPERM}:
        return f"no permission ({error}); see 'topbox-bench ports'"
    if numbers & {errno.EAGAIN, errno.EBUSY} or "lock" in str(error):
        return "another program has it open"
    if numbers & {errno.ENODEV, errno.ENOENT, errno.ENXIO}:
        return f"it is not there ({error}); see 'topbox-bench ports'"
    return str(error) or type(error).__name__


def _chain(error: BaseException | None) -> list[BaseException]:
    found: list[BaseException] = []
    while error is not None and error not in found:
        found.append(error)
        error = error.__cause__ or error.__context__
    return found
