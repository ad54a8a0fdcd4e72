"""Finding and reading sequence files; from paths to plans.

A sequence named by `use` is looked for in the folder of the file that names it, in the folder `uses` there, and among
the shipped sequences, by what stands behind `sequence:`. A record folder has all it needs inside itself.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator
from functools import cached_property
from pathlib import Path

from bench.errors import InputError, RecordError
from bench.language.bench_file import Bench, load_bench
from bench.language.documents import validate, without
from bench.language.located import Map, Text, either, shown, suggestion
from bench.language.plan import Plan
from bench.language.register import Register, load_register
from bench.language.resolving import resolve_plans
from bench.language.sequence_file import STEP_LISTS, SequenceDocument
from bench.language.shipped import shipped_folder
from bench.language.surroundings import SequenceFile, Surroundings
from bench.language.yaml_nodes import compose, read_text

KINDS = ("sequence", "bench", "requirements", "limits", "margins")
_NAME = re.compile(r"^sequence: *['\"]?([a-z0-9][a-z0-9_-]*)", re.MULTILINE)


def load_plans(paths: Iterable[str | Path], bench: Bench, register: Register) -> list[Plan]:
    """All plans of the sequence files named, and of those in the folders named.

    Files of other kinds are passed over in folders and refused when named. Raises InputError with the problems of all.
    """
    loader = Loader(bench, register)
    plans: list[Plan] = []
    for path, named in yaml_files(paths):
        with loader.problems.collecting():
            text = read_text(path)
            data = compose(text, str(path))
            kind = kind_of(data)
            if kind == "sequence":
                plans += loader.plans(path, text, data)
            elif named:
                raise data.place.error(f"this is a {kind} file", "name a sequence file")
    loader.problems.raise_if_any()
    if not plans:
        raise InputError.at(
            ", ".join(map(str, paths)) or ".", "no sequence is here", "a sequence begins with 'sequence:'"
        )
    return plans


def plans_from_text(text: str, file: str, bench: Bench, register: Register) -> list[Plan]:
    """The plans of a sequence that is made and not read. Raises InputError."""
    loader = Loader(bench, register)
    plans = loader.plans(Path(file), text, compose(text, file))
    loader.problems.raise_if_any()
    return plans


def load_plan_from_record(folder: str | Path, case: str, limits: str | Path | None = None) -> Plan:
    """The plan of a run from its record folder alone; `limits`: others than those it was judged by.

    Raises RecordError when the record does not have it, InputError for limits that cannot be.
    """
    folder = Path(folder)
    own = folder / "limits.yaml"
    if limits is not None:
        load_register(folder / "requirements.yaml", limits)  # a mistake in them is the user's
    elif own.is_file():
        limits = own
    try:
        bench, register = load_bench(folder / "bench.yaml"), load_register(folder / "requirements.yaml", limits)
        loader = Loader(bench, register, archived=True)
        path = folder / "sequence.yaml"
        text = read_text(path)
        plans = loader.plans(path, text, compose(text, str(path)))
        loader.problems.raise_if_any()
    except InputError as error:
        raise RecordError(f"{folder}: what was run cannot be read back: {error.problems[0]}") from error
    for plan in plans:
        if plan.case == case:
            return plan
    raise RecordError(f"{folder}: its sequence has no case {case!r}")


def yaml_files(paths: Iterable[str | Path]) -> Iterator[tuple[Path, bool]]:
    """Files named (True) and files found in folders named (False), each once, hidden ones left out."""
    seen: set[Path] = set()
    for given in map(Path, paths):
        if given.is_dir():
            found = [path for path in given.rglob("*") if path.suffix in (".yaml", ".yml") and _is_visible(path, given)]
        else:
            found = [given]
        for path in sorted(found):
            if path.resolve() not in seen:
                seen.add(path.resolve())
                yield path, path == given


def _is_visible(path: Path, folder: Path) -> bool:
    return not any(part.startswith(".") for part in path.relative_to(folder).parts)


def kind_of(data: Map) -> str:
    """Which kind of document this is: declared by its key, never guessed."""
    found = [kind for kind in KINDS if kind in data]
    if len(found) == 1:
        return found[0]
    if found:
        raise data.key_place(found[1]).error(f"a file with {' and '.join(found)}", "make it two files")
    near = [hint for key in data if (hint := suggestion(key, KINDS)).startswith("did")]
    wrong = "this does not say what kind of file it is"
    words = either(f"'{kind}:'" for kind in KINDS)
    raise data.place.error(wrong, near[0] if near else f"it begins with {words}")


class Loader:
    """Reads sequence files for one bench and register, each file once."""

    def __init__(self, bench: Bench, register: Register, archived: bool = False):
        self._surroundings = Surroundings(bench, register, self.find, archived=archived)
        self.problems = self._surroundings.problems
        self._archived = archived
        self._used: dict[Path, SequenceFile] = {}
        self._names: dict[Path, dict[str, Path]] = {}

    def plans(self, path: Path, text: str, data: Map) -> list[Plan]:
        """The plans of one composed file; problems are collected, and then there are no plans."""
        before = len(self.problems)
        document, findings = validate(SequenceDocument, data)
        for finding in findings:
            self.problems.add(finding.problem)
        if document is None:  # check what is left, so that all problems are told in one pass
            document, _ = validate(SequenceDocument, without(data, findings, STEP_LISTS))
        plans = resolve_plans(SequenceFile(path, text, document), self._surroundings) if document is not None else []
        return plans if len(self.problems) == before else []

    def find(self, name: Text, folder: Path) -> SequenceFile:
        """The sequence called `name`, seen from a folder. Raises InputError."""
        places = [folder, folder / "uses"]
        known: dict[str, Path] = {} if self._archived else dict(self._shipped)
        for place in reversed(places):
            known |= self._names_in(place)
        if name not in known:
            raise name.place.error(f"no sequence is called {shown(name)}", suggestion(name, sorted(known)))
        path = known[name]
        if path not in self._used:
            text = read_text(path)
            document, findings = validate(SequenceDocument, compose(text, str(path)))
            if document is None:
                raise InputError(finding.problem for finding in findings)
            self._used[path] = SequenceFile(path, text, document)
        return self._used[path]

    @cached_property
    def _shipped(self) -> dict[str, Path]:
        folders = {path.parent for path, _ in yaml_files([shipped_folder()])}
        return {name: path for folder in sorted(folders) for name, path in self._names_in(folder).items()}

    def _names_in(self, folder: Path) -> dict[str, Path]:
        """Sequence names to files, of the files right in a folder; unreadable ones are passed over."""
        if folder not in self._names:
            names: dict[str, Path] = {}
            files = sorted(folder.iterdir()) if folder.is_dir() else []
            for path in (each for each in files if each.suffix in (".yaml", ".yml")):
                try:
                    match = _NAME.search(read_text(path))
                except InputError:
                    continue
                if match:
                    names.setdefault(match[1], path)
            self._names[folder] = names
        return self._names[folder]
