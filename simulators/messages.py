"""The box's CAN messages: real bytes through cantools and the CAN database `sequences/heron3.dbc`.

Encoding costs about 10 us and decoding 5 us, so both are kept by content: what the bytes are is a pure function of it.
Leaves out: arbitration, bus load, error frames and the time that a frame takes on the wire (0.27 ms at most).
"""

from __future__ import annotations

from collections.abc import Mapping
from functools import lru_cache
from pathlib import Path

from bench.language.shipped import shipped_file
from bench.language.surroundings import can_database

BUS = "can"
SHIPPED = shipped_file("heron3.dbc")

#: Value of a signal as the bench sees it: a number, or the word that the database has for it.
Signal = float | str


@lru_cache(maxsize=64)
def encoder(message: str, counter: str) -> Encoder:
    """The encoder of one message; one for all boxes, so that its memory is shared."""
    return Encoder(message, counter)


@lru_cache(maxsize=8)
def decoder(path: Path = SHIPPED) -> Decoder:
    """The decoder of one database; one for all who hear it."""
    return Decoder(path)


class Encoder:
    """One message of the shipped database, with the rolling counter 0..15 that it carries."""

    def __init__(self, message: str, counter: str):
        self._message = can_database(SHIPPED).get_message_by_name(message)
        self.frame_id: int = self._message.frame_id
        self._counter = counter
        self._kept: dict[tuple[float, ...], dict[int, bytes]] = {}
        self._limits = {s.name: (s.minimum, s.maximum) for s in self._message.signals}

    def encode(self, signals: Mapping[str, float], counter: int) -> bytes:
        """The frame's bytes; values beyond what the signal can carry become its end value."""
        key = tuple(signals.values())  # callers name the signals in one order
        of_content = self._kept.get(key)
        if of_content is None:
            if len(self._kept) > 4096:
                self._kept.clear()
            of_content = self._kept[key] = {}
        data = of_content.get(counter)
        if data is None:
            limits = self._limits
            clipped = {name: min(max(value, limits[name][0]), limits[name][1]) for name, value in signals.items()}
            data = of_content[counter] = self._message.encode({**clipped, self._counter: counter})
        return data


class Decoder:
    """Frames of one database, by id and bytes."""

    def __init__(self, path: Path):
        self._messages = {m.frame_id: m for m in can_database(path).messages}
        self.frame_ids: dict[str, int] = {m.name: m.frame_id for m in can_database(path).messages}
        self._kept: dict[tuple[int, bytes], dict[str, Signal] | None] = {}

    def decode(self, frame_id: int, data: bytes) -> dict[str, Signal] | None:
        """Signal values, or None for an unknown id or a frame too short for its message."""
        key = (frame_id, data)
        if key not in self._kept:
            if len(self._kept) > 16384:
                self._kept.clear()
            self._kept[key] = self._decode_anew(frame_id, data)
        return self._kept[key]

    def _decode_anew(self, frame_id: int, data: bytes) -> dict[str, Signal] | None:
        from cantools.database import DecodeError

        message = self._messages.get(frame_id)
        if message is None or len(data) != message.length:
            return None
        try:
            values = message.decode(data)
        except DecodeError:
            return None
        return {name: value if isinstance(value, (int, float)) else str(value) for name, value in values.items()}
