"""What must be shown again after a part was replaced, and what of it still has not been.

`run --replaced PART` opens the part's list of the requirements register for this box. A requirement leaves the list
when every run of one command that proves it has passed, and there was one. The list is kept beside the records, so that
it is remembered over commands and restarts; as long as one is open every summary says so in plain words. A list that
cannot be read is not taken for an empty one. Runs on the simulated bench have a list of their own: they say nothing
about a real box.
"""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

from bench.errors import InputError, RecordError
from bench.language.located import suggestion

if TYPE_CHECKING:
    from bench.language.bench_file import Bench
    from bench.language.register import Register

FILE = "replaced.json"


def wanted_parts(names: Iterable[str], register: Register) -> dict[str, tuple[str, ...]]:
    """Part -> ids of its re-test list. Raises InputError for a part that the register does not know."""
    found = {}
    for name in names:
        if name not in register.parts:
            raise InputError.at(
                "--replaced", f"the register has no part {name!r}", suggestion(name, register.parts, "known")
            )
        found[name] = register.parts[name]
    return found


class Retest:
    """The open lists of one box. Raises RecordError when they cannot be read or written."""

    def __init__(self, records: Path, box: str, bench: Bench):
        self._path = records / FILE
        self._box = f"simulated {box}".strip() if not bench.real else box
        self.open: dict[str, list[str]] = self._read().get(self._box, {})

    def replaced(self, parts: Mapping[str, Sequence[str]]) -> None:
        """These parts have been replaced: everything on their lists is open again."""
        if parts:
            self.open |= {part: list(ids) for part, ids in parts.items()}
            self._write()

    def ran(self, documents: Sequence[Mapping[str, Any]]) -> None:
        """One command has run these. Closes what they have shown, opens again nothing."""
        if not self.open:
            return
        passed = {id for document in documents if document["verdict"] == "pass" for id in document["proves"]}
        failed = {id for document in documents if document["verdict"] != "pass" for id in document["proves"]}
        left = {part: [id for id in ids if id not in passed or id in failed] for part, ids in self.open.items()}
        self.open = {part: ids for part, ids in left.items() if ids}
        self._write()

    def warnings(self) -> list[str]:
        """For people, one line a part; none when nothing is open."""
        return [
            f"NOT SHOWN TO BE SAFE TO USE: {part} was replaced, and this has not been shown again: {', '.join(ids)}"
            for part, ids in self.open.items()
        ]

    def _read(self) -> dict[str, dict[str, list[str]]]:
        try:
            return json.loads(self._path.read_bytes())["boxes"]
        except FileNotFoundError:
            return {}
        except (OSError, ValueError, KeyError, TypeError) as error:
            raise RecordError(f"{self._path}: cannot read which parts were replaced: {error}") from error

    def _write(self) -> None:
        from bench.record.manifest import write_whole

        try:
            self._path.parent.mkdir(parents=True, exist_ok=True)
            boxes = self._read() | {self._box: self.open}
            write_whole(self._path, json.dumps({"boxes": boxes}, indent=1).encode() + b"\n")
        except OSError as error:
            raise RecordError(f"{self._path}: cannot remember which parts were replaced: {error}") from error
