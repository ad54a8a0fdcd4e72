"""An index of the records folder, so that ten thousand records are listed at once.

index.sqlite holds nothing that the records do not: whatever is new, changed or gone since is read again, and a file
that is damaged or of another version is made anew. What a record's state says here comes from its manifest, its
signature and the sizes of its files; only `verify` reads everything.
"""

from __future__ import annotations

import os
import sqlite3
from collections.abc import Iterator
from pathlib import Path
from typing import Any, NamedTuple

from bench.errors import InputError
from bench.record import MANIFEST_FILE, RECORD_FILE, SIGNATURE_FILE
from bench.record.firmware import Claim

INDEX_FILE = "index.sqlite"
VERSION = 2
#: What a record can look like from outside. `closed`: whole, as far as one sees without hashing all of it.
CLOSED, INCOMPLETE, ALTERED, UNREADABLE = "closed", "incomplete", "altered", "unreadable"

_COLUMNS = (
    "folder", "state", "finding", "sequence", "case_name", "verdict", "reason", "box", "firmware", "firmware_sha256",
    "stage", "simulated", "started_utc", "signed", "label", "controller",
)  # fmt: skip
_MEASURED = ("folder", "path", "name", "requirement", "value", "unit", "uncertainty", "min", "max", "verdict")
_TABLES = f"""
CREATE TABLE records ({", ".join(_COLUMNS)}, stamp TEXT, PRIMARY KEY (folder)) WITHOUT ROWID;
CREATE INDEX by_start ON records (started_utc);
CREATE TABLE measured ({", ".join(_MEASURED)});
CREATE INDEX by_folder ON measured (folder);
PRAGMA user_version = {VERSION};
"""


class Entry(NamedTuple):
    """One record as the index knows it. Texts are '' where nothing is known; `simulated` and `signed` are 0 or 1;
    `label` is what its firmware goes by (`firmware.label_of`)."""

    folder: str
    state: str
    finding: str
    sequence: str
    case: str
    verdict: str
    reason: str
    box: str
    firmware: str
    firmware_sha256: str
    stage: str
    simulated: int
    started_utc: str
    signed: int
    label: str = ""
    controller: str = ""


class Filter(NamedTuple):
    """Which records are meant; '' lets everything by. Dates are `2026-11-25` (UTC), both days included."""

    sequence: str = ""
    case: str = ""
    verdict: str = ""
    firmware: str = ""
    box: str = ""
    stage: str = ""
    since: str = ""
    until: str = ""

    def clause(self) -> tuple[str, list[str]]:
        """SQL and its values. Firmware is its text, its file's name, or how its SHA-256 begins."""
        parts, values = [], []
        for column, value in (
            ("sequence", self.sequence), ("case_name", self.case), ("verdict", self.verdict), ("box", self.box),
            ("stage", self.stage),
        ):  # fmt: skip
            if value:
                parts.append(f"{column} = ?")
                values.append(value)
        if self.firmware:
            parts.append("(firmware = ? OR (length(?) >= 6 AND firmware_sha256 LIKE ? || '%'))")
            values += [self.firmware] * 3
        if self.since:
            parts.append("started_utc >= ?")
            values.append(self.since)
        if self.until:
            parts.append("started_utc < ?")
            values.append(self.until + "U")  # behind every T of that day
        return " AND ".join(parts) or "1", values


class Index:
    """The records of one folder. Raises InputError if there is no such folder."""

    def __init__(self, records: Path) -> None:
        self.records = records
        if not records.is_dir():
            raise InputError.at(records, "there is no such folder", "name the folder that records are kept in")
        self._base = _opened(records / INDEX_FILE)
        try:
            self._refresh()
        except sqlite3.Error:  # another program's, damaged, or on a disk that cannot be written: the records remain
            self._base.close()
            self._base = _fresh(":memory:")
            self._refresh()

    def __enter__(self) -> Index:
        return self

    def __exit__(self, *_: object) -> None:
        self._base.close()

    def entries(self, wanted: Filter) -> list[Entry]:
        """What matches, newest first."""
        clause, values = wanted.clause()
        rows = self._base.execute(
            f"SELECT {', '.join(_COLUMNS)} FROM records WHERE {clause} ORDER BY started_utc DESC, folder DESC", values
        )
        return list(map(Entry._make, rows))

    def claims(self, wanted: Filter) -> list[Claim]:
        """What the closed records that match say of their firmware: everything once, with its first record."""
        clause, values = wanted.clause()
        rows = self._base.execute(
            "SELECT label, firmware_sha256, controller, substr(min(started_utc), 1, 10), folder FROM records"
            f" WHERE state = ? AND {clause} GROUP BY label, firmware_sha256, controller",
            [CLOSED, *values],
        )
        return list(map(Claim._make, rows))

    def measured(self, quantity: str, wanted: Filter) -> list[tuple[Entry, dict[str, Any]]]:
        """Every value of a requirement or of a step of that name in closed records, oldest first."""
        clause, values = wanted.clause()
        columns = ", ".join([f"records.{name}" for name in _COLUMNS] + [f"measured.{name}" for name in _MEASURED])
        rows = self._base.execute(
            f"SELECT {columns} FROM measured JOIN records USING (folder) WHERE {_qualified(clause)}"
            " AND records.state = ? AND (measured.requirement = ? OR measured.name = ?)"
            " ORDER BY records.started_utc, records.folder, measured.rowid",
            [*values, CLOSED, quantity, quantity],
        )
        size = len(_COLUMNS)
        return [(Entry._make(row[:size]), dict(zip(_MEASURED, row[size:], strict=True))) for row in rows]

    def _refresh(self) -> None:
        known = dict(self._base.execute("SELECT folder, stamp FROM records"))
        there = dict(_stamps(self.records))
        changed = [name for name, stamp in there.items() if known.get(name) != stamp]
        gone = [name for name in known if name not in there]
        if not changed and not gone:
            return
        from bench.record.indexing import read_entry  # with all that reading a record takes

        with self._base:
            for table in ("records", "measured"):
                self._base.executemany(f"DELETE FROM {table} WHERE folder = ?", [(n,) for n in [*changed, *gone]])
            for name in changed:
                entry, measured = read_entry(self.records / name)
                self._base.execute(
                    f"INSERT INTO records VALUES ({', '.join('?' * (len(_COLUMNS) + 1))})", (*entry, there[name])
                )
                self._base.executemany(f"INSERT INTO measured VALUES ({', '.join('?' * len(_MEASURED))})", measured)


def _qualified(clause: str) -> str:
    """Both tables have a verdict; the filter means the record's."""
    return clause.replace("verdict = ?", "records.verdict = ?")


def _opened(path: Path) -> sqlite3.Connection:
    try:
        base = sqlite3.connect(path)
        try:
            base.execute("PRAGMA synchronous = OFF")  # it can be made again
            if base.execute("PRAGMA user_version").fetchone()[0] == VERSION:
                return base
        except sqlite3.Error:
            base.close()
            path.unlink()
            return _fresh(path)
        base.close()
        path.unlink(missing_ok=True)
        return _fresh(path)
    except (sqlite3.Error, OSError):
        return _fresh(":memory:")


def _fresh(path: Path | str) -> sqlite3.Connection:
    base = sqlite3.connect(path)
    base.executescript(_TABLES)
    return base


def _stamps(records: Path) -> Iterator[tuple[str, str]]:
    """(folder, what changes when a file in it does) of every record. Plain strings: this is the hot path."""
    root = os.fspath(records)
    with os.scandir(root) as places:
        names = [place.name for place in places if place.is_dir()]
    for name in names:
        found = []
        for inside in ("", f"/{MANIFEST_FILE}", f"/{RECORD_FILE}", f"/{SIGNATURE_FILE}"):
            try:
                stat = os.stat(f"{root}/{name}{inside}")
                found.append(f"{stat.st_mtime_ns}:{stat.st_size}")
            except OSError:
                found.append("")
        if found[1] or found[2]:
            yield name, " ".join(found)
