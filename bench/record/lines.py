"""How one line of a record is spelt.

record.jsonl: `{"n": 7, "prev": "<64 hex>", "t": 0.123456, "kind": "driven", ...}`. The spelling of the first two
fields is exact, so the chain can be checked without parsing. JSON is strict: an infinite quantity is the string
"inf", and becomes a number again because the header says which channels are quantities.

frames.log: `(0.123456) can0 123#DEADBEEF R`, T for a frame the bench sent; an id of 8 digits is a 29-bit one.
"""

from __future__ import annotations

import json
import re
from collections.abc import Iterable, Iterator, Mapping
from functools import lru_cache
from typing import Any, BinaryIO

import orjson

from bench.events import Batch, Frame, Value

FIRST_PREV = "0" * 64
PIECE = 1 << 20  # bytes that are read at a time
KIND = b', "kind": '  # stands before an event's kind; the first one of a line is the event's own

_FRAME = re.compile(r"\((-?\d+\.\d{6})\) (\S+) ([0-9A-F]{3}|[0-9A-F]{8})#(?:#0)?((?:[0-9A-F]{2})*) ([RT])")


def line_start(number: int, prev: str) -> str:
    """What line `number` must begin with when the line before it hashes to `prev`."""
    return f'{{"n": {number}, "prev": "{prev}", '


def line_lists(file: BinaryIO) -> Iterator[tuple[list[bytes], bytes]]:
    """The lines of `file`, without newline, many at a time, each time with what stands behind the last newline so far.
    Quicker than line by line."""
    rest = b""
    while piece := file.read(PIECE):
        first, *lines = piece.split(b"\n")
        lines.insert(0, rest + first)
        rest = lines.pop()
        yield lines, rest


@lru_cache(maxsize=4096)
def quoted(text: str) -> str:
    return json.dumps(text)


def value_text(value: Value) -> str:
    if isinstance(value, str):
        return quoted(value)
    text = repr(float(value))
    return f'"{text}"' if "n" in text else text  # inf, -inf, nan


def values_text(values: list[Value]) -> str:
    """The values joined by commas. One call a block, so numbers take the short way."""
    if set(map(type, values)) == {float}:
        text = orjson.dumps(values)[1:-1].decode()
        if "n" not in text:  # null: what is no finite number
            return text
    return ",".join(map(value_text, values))


def strict(data: Any) -> Any:
    """`data` as strict JSON can hold it: infinite numbers and NaN become strings."""
    if isinstance(data, float) and data - data != 0.0:
        return str(float(data))
    if isinstance(data, Mapping):
        return {key: strict(item) for key, item in data.items()}
    if isinstance(data, list | tuple):
        return [strict(item) for item in data]
    return data


def fields_text(fields: Mapping[str, Any]) -> str:
    """The fields as the inside of a JSON object."""
    try:
        return json.dumps(fields, allow_nan=False)[1:-1]
    except ValueError:
        return json.dumps(strict(fields), allow_nan=False)[1:-1]


def frames_text(batches: Iterable[Batch]) -> str:
    """The frames of these batches, a line each; formatted all at once."""
    parts: list[Any] = []
    for t, _, _, frames in batches:
        for bus, number, data, extended, heard, after_s in frames:
            start = _frame_start(bus, number, extended, len(data) > 8)
            parts += (t + after_s, start, data.hex().upper(), "R" if heard else "T")
    return "(%.6f) %s%s %s\n" * (len(parts) // 4) % tuple(parts)


@lru_cache(maxsize=4096)
def _frame_start(bus: str, number: int, extended: bool, is_flexible: bool) -> str:
    width = 8 if extended else 3
    flexible = "#0" if is_flexible else ""  # the form for frames longer than classic CAN allows
    return f"{'_'.join(bus.split()) or 'can'} {number:0{width}X}#{flexible}"


def parse_frame(line: str) -> tuple[float, Frame] | None:
    """Time in s on the run clock and the frame; None if the line is not one."""
    match = _FRAME.fullmatch(line)
    if match is None:
        return None
    stamp, bus, number, data, way = match.groups()
    frame = Frame(bus, int(number, 16), bytes.fromhex(data), extended=len(number) == 8, heard=way == "R")
    return float(stamp), frame


def quantity_names(channels: Mapping[str, Mapping[str, Any]]) -> frozenset[str]:
    return frozenset(name for name, fields in channels.items() if "unit" in fields)


def numbers(values: Iterable[Any]) -> list[float]:
    """Recorded values of a quantity as floats ("inf" included)."""
    return list(map(float, values))
