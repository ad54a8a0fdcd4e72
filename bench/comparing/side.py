"""One side of a comparison: records that stand for one firmware."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Mapping
from pathlib import Path
from typing import Any, NamedTuple

from bench.errors import InputError, RecordError
from bench.record.manifest import load_manifest
from bench.record.store import Kept, record_folders
from bench.record.verifying import Level, verify
from bench.report.texts import firmware_text


class Side(NamedTuple):
    """`name` as the user gave it. `passed_over`: record folders that were never closed."""

    name: str
    records: list[Kept]
    passed_over: list[Path]

    @property
    def documents(self) -> list[Mapping[str, Any]]:
        return [kept.manifest["document"] for kept in self.records]

    @property
    def firmware(self) -> str:
        return firmware_text(self.records[0].manifest.get("firmware"))

    def plans(self) -> dict[tuple[str, str], list[Kept]]:
        """Records by sequence and case, in the order of their first runs."""
        found: dict[tuple[str, str], list[Kept]] = {}
        for kept in self.records:
            document = kept.manifest["document"]
            found.setdefault((document["sequence"], document["case"]), []).append(kept)
        return found


def load_side(name: str, places: Iterable[Path], firmware: str | None = None) -> Side:
    """The records at `places` (record folders, or folders of records), those of `firmware` if one is given.

    Raises InputError where there is none, or several firmwares, and RecordError for one that is not intact: an altered
    record proves nothing, not even a difference.
    """
    closed, passed_over = [], []
    for folder in (folder for place in places for folder in record_folders(place)):
        manifest = load_manifest(folder)
        if manifest is None:
            passed_over.append(folder)
        elif firmware is None or _is_firmware(manifest, firmware):
            closed.append(Kept(folder, manifest))
    closed.sort(key=lambda kept: (str(kept.manifest.get("started_utc", "")), kept.folder.name))
    if not closed:
        which = f" of firmware {firmware!r}" if firmware is not None else ""
        raise InputError.at(name, f"no closed record{which} is here", "name a record, or a folder of records")
    for kept in closed:
        found = verify(kept.folder)
        if found.level is not Level.INTACT:
            raise RecordError(f"{kept.folder}: {found.level}: {found.findings[0]}")
        if not isinstance(kept.manifest.get("document"), Mapping):
            raise RecordError(f"{kept.folder}: its manifest holds no verdict")
    firmwares = Counter(firmware_text(kept.manifest.get("firmware")) for kept in closed)
    if len(firmwares) > 1:
        known = ", ".join(f"{text or 'none stated'} ({count})" for text, count in firmwares.items())
        raise InputError.at(name, f"the records are of several firmwares: {known}", "choose one with --firmware")
    return Side(name, closed, passed_over)


def _is_firmware(manifest: Mapping[str, Any], wanted: str) -> bool:
    firmware = manifest.get("firmware") or {}
    by_hash = len(wanted) >= 6 and str(firmware.get("sha256", "")).startswith(wanted.lower())
    return by_hash or wanted in (firmware.get("text"), firmware.get("file"), firmware_text(firmware))
