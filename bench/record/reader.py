"""Reads a record folder back: the same events in the order in which they were judged.

Whatever stands before the first torn or wrong line is recovered; `problems` says what was wrong. Records may be
longer than memory, so lines are parsed as they are asked for.
"""

from __future__ import annotations

import json
from bisect import bisect_right
from collections.abc import Callable, Iterable, Iterator
from contextlib import suppress
from functools import partial
from itertools import islice
from pathlib import Path
from typing import Any, BinaryIO, NoReturn

from bench.errors import InputError, RecordError
from bench.events import KINDS, Batch, Driven, Driving, Event, Frame, Stale, Value
from bench.record import FRAMES_FILE, MANIFEST_FILE, RECORD_FILE
from bench.record.chain import Chain, read_chain
from bench.record.columns import Columns, Trace
from bench.record.header import FORMAT, is_header
from bench.record.lines import line_lists, numbers, parse_frame, quantity_names
from bench.record.manifest import load_manifest

_NO_EVENTS = {"record", "apart", "samples", "scans"}  # kinds of lines that are no event by themselves
#: Traces by channel, and the times (s) of each scan group's scans.
Samples = tuple[dict[str, Trace], dict[str, list[float]]]
_NO_NUMBER = (KeyError, TypeError, ValueError)


class NoEvent(RecordError):
    """A line of a good chain that is no event."""


def read_record(folder: Path | str, samples: bool = False, checked: Callable[[], Chain] | None = None) -> Record:
    """Open a record. `samples` says that all of them will be wanted: they are read at once, while somebody else reads
    the chain, if `checked` gives it. Raises InputError if `folder` is none, RecordError if it cannot be read at all."""
    folder = Path(folder)
    if not (folder / RECORD_FILE).is_file() and not (folder / MANIFEST_FILE).is_file():
        raise InputError.at(folder, "this is not the folder of a record", f"a record holds {RECORD_FILE}")
    return Record(folder, samples, checked or partial(read_chain, folder))


class Record:
    """A record on the disk. `complete` is whether its run was closed; `problems` is what a reader must know."""

    def __init__(self, folder: Path, samples: bool, checked: Callable[[], Chain]) -> None:
        self.folder = folder
        self.problems: list[str] = []
        self._path = folder / RECORD_FILE
        ahead = self._read_ahead() if samples else None
        self.chain = chain = checked()
        self.lines = chain.lines
        self.last_line_sha256 = chain.last
        if not chain.lines:
            raise RecordError(f"{self._path}: {chain.broken or 'holds no whole line'}")
        first, line = chain.marks[0] if chain.marks else (0, b"")
        self.header = self._parse(line, 1) if first == 1 else {}
        if not is_header(self.header):
            raise RecordError(f"{self._path}:1: is not the first line of a record of format {FORMAT}")
        self.channels: dict[str, dict[str, Any]] = self.header["channels"]
        self._quantities = quantity_names(self.channels)
        all_good = ahead is not None and not (chain.broken or chain.torn) and chain.size == ahead[0]
        self._columns = ahead[1] if all_good else None
        self.manifest = load_manifest(folder)
        self.complete = self.manifest is not None and not chain.broken and not chain.torn
        if chain.broken:
            self.problems.append(chain.broken)
        if chain.torn:
            self.problems.append(f"{RECORD_FILE}: ends in the middle of line {self.lines + 1}")
        if self.manifest is None:
            self.problems.append(f"the run was never closed: there is no {MANIFEST_FILE}")
        elif not chain.broken and self.manifest.get("lines") != self.lines:
            self.complete = False
            self.problems.append(f"{RECORD_FILE}: has {self.lines} lines, the manifest {self.manifest.get('lines')}")

    def events(self) -> Iterator[Event]:
        """The events in judged order. Within a Batch the order of samples has no meaning; frames are apart, in
        `frames()`. Raises RecordError at a line that is no event."""
        together: dict[float, tuple[list[tuple[str, Value]], list[str]]] = {}
        for number, fields in self._parsed():
            kind = fields["kind"]
            if kind in ("samples", "scans") and not set(map(type, fields["times"])) <= {float}:
                self._refuse(number)
            if kind == "samples":
                channel = fields["channel"]
                for t, value in zip(fields["times"], self._decoded(channel, fields["values"]), strict=True):
                    together.setdefault(t, ([], []))[0].append((channel, value))
            elif kind == "scans":
                for t in fields["times"]:
                    together.setdefault(t, ([], []))[1].append(fields["group"])
            else:
                yield from _batches(together)
                together = {}
                if kind not in _NO_EVENTS:
                    yield self._event(number, fields)
        yield from _batches(together)

    def marks(self) -> Iterator[Event]:
        """The events that are no Batch, in order: quicker than `events`. Raises RecordError like it."""
        for number, line in self.chain.marks:
            fields = self._checked(line, number)
            if fields["kind"] not in _NO_EVENTS:
                yield self._event(number, fields)

    def changes(self, channel: str) -> Trace:
        """What was recorded of a channel: a read channel's new values, a driven one's read-backs."""
        return self._all_columns()[0].get(channel, Trace([], []))

    def channel(self, channel: str) -> Trace:
        """The channel as it was seen: an unchanged value is present again at each scan of its group."""
        changes = self.changes(channel)
        group = next((name for name, members in self.header["groups"].items() if channel in members), None)
        scans = self._all_columns()[1].get(group, []) if group else []
        if not changes.times or not scans:
            return changes
        known = set(changes.times)
        times = list(changes.times) + [t for t in scans if t > changes.times[0] and t not in known]
        times.sort()
        return Trace(times, [changes.values[bisect_right(changes.times, t) - 1] for t in times])

    def frames(self) -> Iterator[tuple[float, Frame]]:
        """Time in s and frame, for every whole line of frames.log. Raises RecordError at a line that is none."""
        path = self.folder / FRAMES_FILE
        try:
            with path.open(encoding="utf-8", newline="\n") as file:
                for number, line in enumerate(file, 1):
                    if not line.endswith("\n"):
                        return
                    frame = parse_frame(line[:-1])
                    if frame is None:
                        raise RecordError(f"{path}:{number}: is not a frame")
                    yield frame
        except (OSError, UnicodeError) as error:
            raise RecordError(f"{path}: cannot be read: {error}") from error

    def text(self, name: str) -> str | None:
        """One of the files as used (sequence.yaml, requirements.yaml ...), None if the record has no such file."""
        try:
            return (self.folder / name).read_text(encoding="utf-8")
        except FileNotFoundError:
            return None
        except (OSError, UnicodeError) as error:
            raise RecordError(f"{self.folder / name}: cannot be read: {error}") from error

    def _all_columns(self) -> Samples:
        if self._columns is None:
            try:
                self._columns = self._collected(self._quantities, self._numbered())
            except _NO_NUMBER:  # many lines are read at once
                self._name_wrong_line()
        return self._columns

    def _read_ahead(self) -> tuple[int, Samples] | None:
        """(bytes, all samples in them) while it is not known yet whether they are good; None where something is wrong,
        which is then found when they are asked for."""
        with suppress(NoEvent, OSError, AttributeError, *_NO_NUMBER), self._path.open("rb") as file:
            quantities = quantity_names(self._parse(file.readline(), 1).get("channels", {}))
            samples = self._collected(quantities, enumerate(_lines(file), 2))
            return file.tell(), samples
        return None

    def _collected(self, quantities: Iterable[str], numbered: Iterable[tuple[int, bytes]]) -> Samples:
        columns, scans = Columns(quantities), {}
        for number, line in columns.take(numbered):
            self._add_line(columns, scans, number, line)
        return columns.traces(), scans

    def _add_line(self, columns: Columns, scans: dict[str, list[float]], number: int, line: bytes) -> None:
        fields = self._checked(line, number)
        kind = fields["kind"]
        if kind == "scans":
            scans.setdefault(fields["group"], []).extend(fields["times"])
        elif kind == "samples":
            columns.add(fields["channel"], fields["times"], fields["values"])
        elif kind == "driven":
            columns.add(fields["channel"], [fields["t"]], [fields["value"]])

    def _name_wrong_line(self) -> NoReturn:
        for number, line in self._numbered():
            try:
                self._add_line(Columns(self._quantities), {}, number, line)
            except _NO_NUMBER:
                self._refuse(number)
        raise RecordError(f"{self._path}: was changed while it was read")

    def _numbered(self) -> Iterator[tuple[int, bytes]]:
        with self._path.open("rb") as file:
            yield from enumerate(islice(_lines(file), self.lines), 1)

    def _parsed(self) -> Iterator[tuple[int, dict[str, Any]]]:
        for number, line in self._numbered():
            yield number, self._checked(line, number)

    def _checked(self, line: bytes, number: int) -> dict[str, Any]:
        fields = self._parse(line, number)
        if fields.get("kind") in ("samples", "scans") and not _is_block(fields):
            self._refuse(number)
        return fields

    def _parse(self, line: bytes, number: int) -> dict[str, Any]:
        import orjson

        try:
            try:
                fields = orjson.loads(line)
            except ValueError:  # it refuses half a surrogate pair, which a device's text may hold
                fields = json.loads(line, parse_constant=_no_constant)
        except (ValueError, RecursionError):
            self._refuse(number)
        if not isinstance(fields, dict) or not isinstance(fields.get("kind"), str):
            self._refuse(number)
        return fields

    def _event(self, number: int, fields: dict[str, Any]) -> Event:
        del fields["n"], fields["prev"]
        cls = KINDS.get(fields.pop("kind"))
        if cls is None or set(fields) != set(cls._fields) or not isinstance(fields["t"], float):  # type: ignore[attr-defined]
            self._refuse(number)
        try:
            if cls is Driven:
                fields["value"] = self._decoded(fields["channel"], [fields["value"]])[0]
            elif cls is Driving:
                fields["changes"] = {n: self._decoded(n, [v])[0] for n, v in fields["changes"].items()}
            elif cls is Stale:
                fields["age_s"] = float(fields["age_s"])
        except (TypeError, ValueError, AttributeError):
            self._refuse(number)
        return cls(**{name: tuple(item) if isinstance(item, list) else item for name, item in fields.items()})

    def _decoded(self, channel: str, values: list[Any]) -> list[Any]:
        return numbers(values) if channel in self._quantities else values

    def _refuse(self, number: int) -> NoReturn:
        raise NoEvent(f"{self._path}:{number}: is not an event that this version knows")


def _lines(file: BinaryIO) -> Iterator[bytes]:
    for lines, _ in line_lists(file):
        yield from lines


def _batches(together: dict[float, tuple[list[tuple[str, Value]], list[str]]]) -> Iterator[Batch]:
    for t in sorted(together):
        samples, scanned = together[t]
        yield Batch(t, tuple(samples), tuple(scanned))


def _is_block(fields: dict[str, Any]) -> bool:
    times, values = fields.get("times"), fields.get("values")
    if not isinstance(times, list):
        return False
    if fields["kind"] == "scans":
        return isinstance(fields.get("group"), str)
    return isinstance(fields.get("channel"), str) and isinstance(values, list) and len(values) == len(times)


def _no_constant(word: str) -> NoReturn:
    raise ValueError(word)
