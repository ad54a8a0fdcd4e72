"""The far end of a wire: a pseudo terminal or a TCP port on 127.0.0.1, served by one thread, with trouble on request.

Left out: what a real wire adds by itself (bit errors, the pace of a baud rate, modem lines, a network between).
"""

from __future__ import annotations

import os
import select
import socket
import threading
import time
from abc import ABC, abstractmethod
from collections import deque
from collections.abc import Callable, Iterable
from contextlib import suppress


class WireEnd(ABC):
    """Base of the stand-ins that answer what they are asked. A context manager; `port` is what to open.

    Trouble, at any time and from any thread: `hung` (hears all, says nothing), `late_s` (every answer that much later),
    `mangle` (gets each answer, gives what is sent instead: `half`, `rubbish`, anything), `unplug`, and `say` (unasked).
    """

    def __init__(self, tcp: bool):
        self.hung = False
        self.late_s = 0.0
        self.mangle: Callable[[bytes], bytes] | None = None
        self.port = ""
        self._tcp = tcp
        self._waiting: deque[tuple[float, bytes]] = deque()
        self._ending = self._pulling = False
        self._pulled = threading.Event()
        self._wake_read, self._wake = os.pipe()
        self._open()
        self._thread = threading.Thread(target=self._serve, name=type(self).__name__, daemon=True)

    @abstractmethod
    def heard(self, data: bytes) -> Iterable[bytes]:
        """What comes back for these bytes, answer by answer. Called on the serving thread."""

    def forget(self) -> None:  # noqa: B027 - not every stand-in keeps a part of a question
        """Somebody else is at the other end: half a question from before is none of his. Called likewise."""

    def __enter__(self) -> WireEnd:
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._ending = True
        os.write(self._wake, b"x")
        self._thread.join(5.0)
        self._close()
        for end in (self._wake_read, self._wake):
            os.close(end)

    def unplug(self) -> None:
        """Pull the wire out; comes back when it is out. It stays out."""
        self._pulling = True
        os.write(self._wake, b"x")
        self._pulled.wait(5.0)

    def say(self, data: bytes) -> None:
        """Put something on the wire that nobody has asked for."""
        self._waiting.append((time.monotonic(), data))
        os.write(self._wake, b"x")

    def _open(self) -> None:
        self._listener: socket.socket | None = None
        self._peer: socket.socket | None = None
        self._master = self._slave = -1
        if self._tcp:
            self._listener = socket.create_server(("127.0.0.1", 0))
            self.port = f"socket://127.0.0.1:{self._listener.getsockname()[1]}"
            return
        import pty
        import tty

        self._master, self._slave = pty.openpty()
        tty.setraw(self._slave)
        self.port = os.ttyname(self._slave)

    def _close(self) -> None:
        for each in (self._listener, self._peer):
            if each is not None:
                each.close()
        for end in (self._master, self._slave):
            if end >= 0:
                with suppress(OSError):
                    os.close(end)
        self._listener = self._peer = None
        self._master = self._slave = -1

    def _serve(self) -> None:
        while not self._ending:
            wait = None if not self._waiting else max(self._waiting[0][0] - time.monotonic(), 0.0)
            wire = [each for each in (self._listener, self._peer) if each] + [self._master] * (self._master >= 0)
            ready, _, _ = select.select([self._wake_read, *wire], [], [], wait)
            if self._wake_read in ready:
                os.read(self._wake_read, 64)
            if self._pulling and not self._pulled.is_set():
                self._close()
                self._waiting.clear()
                self._pulled.set()
                continue
            if self._listener is not None and self._listener in ready:
                newcomer, _ = self._listener.accept()
                newcomer.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
                if self._peer is not None:
                    self._peer.close()
                self._peer = newcomer
                self.forget()
            elif wire and (self._peer in ready or self._master in ready):
                self._receive()
            while self._waiting and self._waiting[0][0] <= time.monotonic():
                self._put(self._waiting.popleft()[1])

    def _receive(self) -> None:
        try:
            data = self._peer.recv(4096) if self._peer is not None else os.read(self._master, 4096)
        except OSError:
            data = b""
        if not data and self._peer is not None:
            self._peer.close()
            self._peer = None
            return
        for answer in self.heard(data):
            if not self.hung:
                sent = answer if self.mangle is None else self.mangle(answer)
                self._waiting.append((time.monotonic() + self.late_s, sent))

    def _put(self, data: bytes) -> None:
        with suppress(OSError):
            if self._peer is not None:
                self._peer.sendall(data)
            elif self._master >= 0:
                os.write(self._master, data)


def half(answer: bytes) -> bytes:
    """The first half of an answer, without its end."""
    return answer[: len(answer) // 2]


def rubbish(answer: bytes) -> bytes:
    """As many bytes as were due, none of them right."""
    return bytes((byte * 73 + 41) % 256 if byte not in b"\r\n" else byte for byte in answer)
