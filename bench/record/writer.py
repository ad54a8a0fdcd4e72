"""Writes a record as the run goes.

`batches` is the hot path and only appends to lists. Samples wait in open blocks, one a channel, for at most 50 ms
of run time; any other event closes them first, so the order of lines is the order of judging. Finished lines
wait for at most 25 ms of wall time before the system has them. In a wall-clock run the open blocks are cut at
that moment too and the loop calls `tick` when nothing comes, so that a killed process loses less than 50 ms; in
virtual time they are not, because the same seed must give the same bytes.

A wall-clock run reserves room first. When the disk gets full it is told once, and what is reserved takes the rest of
the run: how it was made safe, and the manifest. No verdict without its record.

Every batch comes back from the reader as it went in. Where a batch is not later than the one before it (two
devices, or two phases of one instant) an `apart` line keeps the two from being merged.
"""

from __future__ import annotations

import hashlib
import platform
import shutil
from collections.abc import Mapping, Sequence
from contextlib import suppress
from datetime import UTC, datetime
from itertools import count
from math import inf
from pathlib import Path, PurePosixPath
from threading import RLock
from time import monotonic
from typing import Any, NoReturn

from bench.errors import RecordError
from bench.events import KIND_OF, Batch, Passed, as_fields
from bench.record import FRAMES_FILE, MANIFEST_FILE, RECORD_FILE, SIGNATURE_FILE
from bench.record.growing import GrowingFile, Reserve
from bench.record.header import FORMAT
from bench.record.keys import SigningKey
from bench.record.lines import (
    FIRST_PREV,
    fields_text,
    frames_text,
    line_start,
    quoted,
    value_text,
    values_text,
)  # fmt: skip
from bench.record.manifest import (
    entry_of,
    software_versions,
    tool_version,
    write_manifest,
    write_whole,
)

BLOCK_S = 0.05
HAND_OVER_S = 0.025  # wall time
RESERVED = 8 << 20  # bytes: some ten minutes of a busy bench, and the manifest
_ROUNDING_S = 1e-9  # so that ten steps of 5 ms are 50 ms


class FolderTaken(RecordError):
    """The record's folder exists already."""


class DiskFull(RecordError):
    """Told once: the writer goes on in what it had reserved."""


class RecordWriter:
    """One record folder, from the first line to the manifest.

    `header` is what `header_fields` gives; `texts` is file name to text (sequence.yaml, bench.yaml, ...) as used;
    `key` signs the manifest.
    Any trouble with the disk raises RecordError once; but for a full disk with a reserve, the writer is closed then and
    stays quiet.
    """

    def __init__(
        self,
        folder: Path,
        header: Mapping[str, Any],
        texts: Mapping[str, str],
        wall_clock: bool = False,
        key: SigningKey | None = None,
    ) -> None:
        self.folder = Path(folder)
        self._key = key
        self._header = dict(header)
        self._wall_clock = wall_clock
        self._blocks: dict[str, tuple[list[float], list[Any]]] = {}
        self._scans: dict[str, list[float]] = {}
        self._frames: list[str] = []
        self._lines: list[bytes] = []
        self._count = 0
        self._prev = FIRST_PREV
        self._close_at = -inf  # run time at which the open blocks are full; -inf while none is open
        self._last_t = -inf  # of the last batch since the last other line
        self._due = monotonic() + HAND_OVER_S
        self._started = datetime.now(UTC)
        self._entries: dict[str, dict[str, Any]] = {}
        self._files: list[GrowingFile] = []
        self._closed = False
        self._one_at_a_time = RLock()  # a file may be added from any thread, and never to a closed record
        self._reserve: Reserve | None = None
        self._is_full = False
        self._make_folder()
        try:
            if wall_clock:
                self._reserve = Reserve(self.folder, RESERVED)
            for name, text in texts.items():
                self._write_text(name, text)
            for name in (RECORD_FILE, FRAMES_FILE):
                self._files.append(GrowingFile(self.folder / name, self._make_room))
            self._record_file, self._frames_file = self._files
            self._add_line(f'"kind": "record", {fields_text(self._header)}')
            self._hand_over()
        except BaseException as error:
            self._drop()
            shutil.rmtree(self.folder, ignore_errors=True)
            if isinstance(error, OSError):
                raise RecordError(f"{self.folder}: cannot write the record: {error.strerror}") from error
            raise

    def batches(self, batches: Sequence[Batch]) -> None:
        """Keep what was read, each batch at one instant."""
        if self._closed:
            return
        self._frames.append(frames_text(batches))
        for t, samples, scanned, _ in batches:
            if not samples and not scanned:
                continue
            t = float(t)
            if t >= self._close_at or t <= self._last_t:
                self._open_blocks(t)
            self._last_t = t
            blocks, scans = self._blocks, self._scans
            for channel, value in samples:
                if channel in blocks:
                    times, values = blocks[channel]
                    times.append(t)
                    values.append(value)
                else:
                    blocks[channel] = ([t], [value])
            for group in scanned:
                if group in scans:
                    scans[group].append(t)
                else:
                    scans[group] = [t]
        if monotonic() >= self._due:
            self._hand_over()

    def event(self, event: Any) -> None:
        """Keep any other event (one of bench.events.KINDS; `Passed` is let by, what follows from it is recorded)."""
        if self._closed or type(event) is Passed:
            return
        self._close_blocks()
        self._last_t = -inf
        fields = as_fields(event)
        inside = f", {fields_text(fields)}" if fields else ""
        self._add_line(f'"t": {value_text(event.t)}, "kind": "{KIND_OF[type(event)]}"{inside}')
        if monotonic() >= self._due:
            self._hand_over()

    def add_file(self, name: str, data: bytes) -> str:
        """Keep a file beside the events, whole and on the disk; its SHA-256. Called from any thread; the event that
        names it is the caller's. Raises RecordError, and then nothing was kept."""
        with self._one_at_a_time:
            if self._closed:
                raise RecordError(f"{self.folder}: the run is over")
            try:
                (self.folder / name).parent.mkdir(parents=True, exist_ok=True)
                write_whole(self.folder / name, data)
            except OSError as error:
                raise RecordError(f"{self.folder / name}: cannot be written: {error.strerror}") from error
            self._entries[name] = entry_of(data)
            return self._entries[name]["sha256"]

    def tick(self) -> None:
        """Nothing came. A wall-clock loop calls this at least every 25 ms, so that what came before is safe."""
        if not self._closed and monotonic() >= self._due:
            self._hand_over()

    def close(self, fields: Mapping[str, Any]) -> None:
        """Finish the record. `fields` go into the manifest: document, firmware, box, people, stage, overrides."""
        with self._one_at_a_time:
            self._close(fields)

    def _close(self, fields: Mapping[str, Any]) -> None:
        if self._closed:
            return
        self._close_blocks()
        with suppress(DiskFull):  # what was reserved took the rest
            self._hand_over()
        self._make_room()
        try:
            for name, file in zip((RECORD_FILE, FRAMES_FILE), self._files, strict=True):
                self._entries[name] = file.finish()
            write_manifest(self.folder, self._manifest(fields), self._key)
        except OSError as error:
            self._give_up(error)
        self._closed = True

    def abandon(self) -> None:
        """Leave the record unclosed: everything so far is on the disk, but it stays incomplete."""
        if not self._closed:
            self._close_blocks()
            with suppress(DiskFull):
                self._hand_over()
            self._drop()

    def _manifest(self, fields: Mapping[str, Any]) -> dict[str, Any]:
        header = self._header
        return {
            "format": FORMAT,
            "tool": {"name": "topbox-bench", "version": tool_version()},
            "software": software_versions(),
            "sequence": header["sequence"],
            "case": header["case"],
            "simulated": header["simulated"],
            "seed": header["seed"],
            "host": platform.node(),
            "started_utc": _utc_text(self._started),
            "ended_utc": _utc_text(datetime.now(UTC)),
            **fields,
            "lines": self._count,
            "last_line_sha256": self._prev,
            "files": dict(sorted(self._entries.items())),
            "derived": [],
        }

    def _open_blocks(self, t: float) -> None:
        self._close_blocks()
        if t <= self._last_t:
            self._add_line(f'"t": {value_text(t)}, "kind": "apart"')
        self._close_at = t + BLOCK_S - _ROUNDING_S

    def _close_blocks(self) -> None:
        last: list[float] = []
        text = ""
        for channel, (times, values) in self._blocks.items():
            if times != last:  # signals of one message come together
                last, text = times, values_text(times)
            self._add_line(
                f'"t": {text.partition(",")[0]}, "kind": "samples", "channel": {quoted(channel)}, '
                f'"times": [{text}], "values": [{values_text(values)}]'
            )
        for group, times in self._scans.items():
            if times != last:
                last, text = times, values_text(times)
            self._add_line(
                f'"t": {text.partition(",")[0]}, "kind": "scans", "group": {quoted(group)}, "times": [{text}]'
            )
        self._blocks = {}
        self._scans = {}
        self._close_at = -inf

    def _add_line(self, inside: str) -> None:
        self._count += 1
        line = f"{line_start(self._count, self._prev)}{inside}}}".encode("ascii")
        self._prev = hashlib.sha256(line).hexdigest()
        self._lines.append(line)

    def _hand_over(self) -> None:
        if self._wall_clock:
            self._close_blocks()
        try:
            if self._frames:
                self._frames_file.add("".join(self._frames).encode())
                self._frames.clear()
            if self._lines:
                self._record_file.add(b"\n".join(self._lines) + b"\n")
                self._lines.clear()
        except OSError as error:
            self._give_up(error)
        self._due = monotonic() + HAND_OVER_S
        if self._is_full:
            self._is_full = False
            raise DiskFull(f"{self.folder}: the disk is full; what was reserved takes the end of the run")

    def _make_room(self) -> bool:
        """Give up the reserve; whether there was one."""
        self._is_full = self._reserve is not None
        if self._reserve is not None:
            self._reserve.free()
            self._reserve = None
        return self._is_full

    def _give_up(self, error: OSError) -> NoReturn:
        self._drop()
        raise RecordError(f"{self.folder}: cannot write the record: {error.strerror}") from error

    def _drop(self) -> None:
        self._closed = True
        for file in self._files:
            file.drop()
        self._make_room()

    def _make_folder(self) -> None:
        try:
            self.folder.parent.mkdir(parents=True, exist_ok=True)
            self.folder.mkdir()
        except FileExistsError as error:
            raise FolderTaken(f"{self.folder}: is there already; a record is never written over") from error
        except OSError as error:
            raise RecordError(f"{self.folder}: cannot make the record's folder: {error.strerror}") from error

    def _write_text(self, name: str, text: str) -> None:
        place = PurePosixPath(name)
        if place.is_absolute() or ".." in place.parts or name in (MANIFEST_FILE, SIGNATURE_FILE):
            raise ValueError(f"{name!r} cannot be a file of a record")
        data = text.encode()
        path = self.folder / place
        path.parent.mkdir(parents=True, exist_ok=True)
        with path.open("xb") as file:
            file.write(data)
        self._entries[name] = entry_of(data)


def new_record(
    records: Path,
    stem: str,
    header: Mapping[str, Any],
    texts: Mapping[str, str],
    wall_clock: bool = False,
    key: SigningKey | None = None,
) -> RecordWriter:
    """A writer on a folder of its own: `records/stem`, or `stem-2`, `stem-3` ... where that is taken."""
    for number in count(1):
        try:
            folder = records / (stem if number == 1 else f"{stem}-{number}")
            return RecordWriter(folder, header, texts, wall_clock, key)
        except FolderTaken:
            if not (records / stem).is_dir():
                raise  # a file is in the way, or of a parent: no other number helps
    raise AssertionError("count has no end")


def _utc_text(moment: datetime) -> str:
    return moment.strftime("%Y-%m-%dT%H:%M:%S.%f")[:-3] + "Z"
