"""A port through PyVISA, for instruments on USB or LAN that need it (extra `visa`); used by `scpi` only.

PyVISA gives an object for an address where nobody is and cannot tell a peer that has closed from one that is slow
(both measured): only the identity that `scpi` asks for at once, and its limit for silence, can.
"""

from __future__ import annotations

from bench.devices.base import DeviceLost
from bench.errors import BenchError


class VisaPort:
    """Message based: one read gives one whole answer, and blocks as long as the instrument is allowed to take."""

    def __init__(self, resource: str, timeout_s: float):
        try:
            import pyvisa
        except ImportError as error:
            raise BenchError(f"'resource: {resource}' needs PyVISA: pip install 'topbox-bench[visa]'") from error
        self.name = resource
        self.buffer = bytearray()
        self._timed_out = pyvisa.constants.StatusCode.error_timeout
        try:
            self._manager = pyvisa.ResourceManager()
        except (OSError, ValueError):  # no vendor's library here: the one written in Python
            self._manager = pyvisa.ResourceManager("@py")
        try:
            self._resource = self._manager.open_resource(
                resource, timeout=round(1000 * timeout_s), read_termination="\n", write_termination=""
            )
        except Exception as error:  # each library behind PyVISA raises its own
            raise DeviceLost(f"{resource} cannot be opened: {error}") from error

    def write(self, data: bytes) -> None:
        try:
            self._resource.write_raw(data)
        except Exception as error:
            raise DeviceLost(f"{self.name} is gone ({error})") from error

    def wait(self, timeout_s: float) -> bool:
        """One answer, or nothing for as long as the resource waits: a read that is cut short may lose its answer."""
        try:
            self.buffer += self._resource.read_raw()
        except Exception as error:
            if getattr(error, "error_code", None) == self._timed_out:
                return False
            raise DeviceLost(f"{self.name} is gone ({error})") from error
        return True

    def take(self, end: bytes) -> bytes | None:
        if not self.buffer:
            return None
        piece = bytes(self.buffer)
        self.buffer.clear()
        return piece.removesuffix(end)

    def drop(self) -> bytes:
        """What was read and not taken; the instrument's own queue is emptied by the re-asked identity."""
        dropped = bytes(self.buffer)
        self.buffer.clear()
        return dropped

    def close(self) -> None:
        for each in (self._resource, self._manager):
            try:
                each.close()
            except Exception:  # whatever state the library is in
                continue
