"""A record's samples, channel by channel. Numbers are kept as packed doubles: there may be many millions of them."""

from __future__ import annotations

from array import array
from collections.abc import Iterable, Iterator, Sequence
from struct import error as StructError
from struct import pack
from typing import Any, NamedTuple

import orjson

from bench.events import Value
from bench.record.lines import KIND, numbers

_TIMES, _VALUES = b', "times": [', b'], "values": ['
_WAITING = 64  # blocks of a channel whose numbers are read at once: half the time of one by one


class Trace(NamedTuple):
    """One channel over a run: `times` in s on the run clock, `values` in the channel's unit or its states."""

    times: Sequence[float]
    values: Sequence[Value]


class Columns:
    """Collects samples in the order of the record. `quantities` names the channels whose values are numbers."""

    def __init__(self, quantities: Iterable[str]) -> None:
        self._quantities = frozenset(quantities)
        self._columns: dict[str, _Column] = {}
        self._by_text: dict[bytes, _Column] = {}

    def take(self, numbered: Iterable[tuple[int, bytes]]) -> Iterator[tuple[int, bytes]]:
        """Keep each line that is a block of a quantity's samples as the writer spells it; give back any other.

        Raises TypeError or ValueError, here or in `traces`, if this or an earlier block holds something else.
        """
        text, times, commas = b"\n", b"", 0  # the same for channels that were scanned together
        by_text = self._by_text
        for number, line in numbered:
            end = line.find(_TIMES)  # no text in JSON holds a quote behind a space
            head = line[line.find(KIND) : end]
            column = by_text.get(head) or self._named_in(head)
            if column is None or not line.endswith(b"]}"):
                yield number, line
                continue
            start = end + len(_TIMES)
            if not line.startswith(text, start):
                end = line.find(_VALUES, start)
                if end <= start:
                    yield number, line
                    continue
                times = _packed(orjson.loads(b"[%b]" % line[start:end]))
                text, commas = line[start : end + len(_VALUES)], line.count(b",", start, end)
            values = line[start + len(text) : -2]
            if values.count(b",") != commas:
                yield number, line
                continue
            column.times.append(times)
            column.texts.append(values)
            if len(column.texts) == _WAITING:
                column.read_texts()

    def add(self, channel: str, times: list[float], values: list[Any]) -> None:
        """Raises TypeError or ValueError if a time, or a quantity's value, is no number."""
        self._column(channel).add(_packed(times), values)

    def traces(self) -> dict[str, Trace]:
        """By channel, each in order of time. Nothing is left here afterwards."""
        columns, self._columns = self._columns, {}
        traces: dict[str, Trace] = {}
        blocks: list[bytes] = []
        times, rises = array("d"), True
        for name, column in columns.items():
            if column.times != blocks:  # channels that were scanned together share theirs
                blocks = column.times
                times = array("d", b"".join(blocks))
                rises = _rises(times)
            trace = Trace(times, column.values(len(times)))
            traces[name] = trace if rises else _in_time_order(trace)
        return traces

    def _column(self, channel: str) -> _Column:
        if channel not in self._columns:
            self._columns[channel] = _Column(channel in self._quantities)
        return self._columns[channel]

    def _named_in(self, text: bytes) -> _Column | None:
        try:
            fields = orjson.loads(b"{%b}" % text[2:])
        except ValueError:
            return None
        channel = fields.get("channel")
        if fields != {"kind": "samples", "channel": channel} or channel not in self._quantities:
            return None
        return self._by_text.setdefault(text, self._column(channel))


class _Column:
    def __init__(self, is_quantity: bool) -> None:
        self.times: list[bytes] = []  # packed doubles
        self._values: array | list[Any] = array("d") if is_quantity else []
        self.texts: list[bytes] = []  # of values, whose times are there already

    def add(self, times: bytes, values: list[Any]) -> None:
        self.read_texts()
        self.times.append(times)
        if isinstance(self._values, array):
            self._values.frombytes(_packed(values))
        else:
            self._values += values

    def values(self, count: int) -> Sequence[Value]:
        """Raises ValueError if there are not so many."""
        self.read_texts()
        if len(self._values) != count:
            raise ValueError("a block has not as many values as times")
        return self._values

    def read_texts(self) -> None:
        if self.texts:
            self._values.frombytes(_packed(orjson.loads(b"[%b]" % b",".join(self.texts))))
            self.texts.clear()


def _packed(values: list[Any]) -> bytes:
    """As doubles. Raises TypeError or ValueError for what is no number."""
    try:
        return pack(f"{len(values)}d", *values)
    except StructError:  # an infinite one is a text
        return pack(f"{len(values)}d", *numbers(values))


def _rises(times: array) -> bool:
    import numpy as np

    found = np.asarray(times)
    return bool(np.all(found[:-1] <= found[1:]))


def _in_time_order(trace: Trace) -> Trace:
    """Two devices' stamps may cross in a wall-clock run; a plot wants them in order."""
    import numpy as np

    order = np.asarray(trace.times).argsort(kind="stable").tolist()
    return Trace([trace.times[i] for i in order], [trace.values[i] for i in order])
