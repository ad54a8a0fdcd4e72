"""Checking files of all kinds, whatever is wrong with any of them."""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path
from typing import Any

from bench.errors import Problem
from bench.language.bench_file import Bench, BenchDocument, load_bench, resolve_bench
from bench.language.bounds import limit_problems
from bench.language.collecting import Problems
from bench.language.documents import Document
from bench.language.loading import Loader, kind_of, yaml_files
from bench.language.located import Map
from bench.language.margins import MarginsDocument, resolve_margins
from bench.language.register import LimitsDocument, RegisterDocument, change_limits, load_register, resolve_register
from bench.language.sequence_file import SequenceDocument
from bench.language.yaml_nodes import compose, read_text

DOCUMENTS: dict[str, type[Document]] = {
    document.KIND: document
    for document in (SequenceDocument, BenchDocument, RegisterDocument, LimitsDocument, MarginsDocument)
}


def check_files(paths: Iterable[str | Path], bench_file: str | None = None) -> tuple[int, list[Problem]]:
    """The number of files looked at, and what is wrong with them, sorted. Raises InputError for a broken bench."""
    bench, problems, count = load_bench(bench_file), Problems(), 0
    loader = Loader(bench, load_register(None))
    for path, _ in yaml_files(paths):
        count += 1
        with problems.collecting():
            text = read_text(path)
            data = compose(text, str(path))
            kind = kind_of(data)
            if kind == "sequence":
                loader.plans(path, text, data)
            elif kind == "bench":
                _check_bench(path, text, data)
            elif kind == "limits":
                _check_limits(text, data, bench, problems)
            elif kind == "margins":
                resolve_margins(data, str(path))
            else:
                _check_register(path, text, data, bench, problems)
    with problems.collecting():
        loader.problems.raise_if_any()
    return count, problems.sorted()


def _check_bench(path: Path, text: str, data: Map) -> None:
    bench = resolve_bench(data, str(path), text)
    if bench.database is not None and not bench.database.is_file():
        raise data["database"].place.error(f"no file is at {bench.database}", "write the path from this file's folder")
    if not bench.simulated:
        from bench.devices.opening import devices_of

        devices_of(bench)


def _check_register(path: Path, text: str, data: Map, bench: Bench, problems: Problems) -> None:
    for requirement in resolve_register(data, str(path), text).values():
        if requirement.limit is not None:
            limit_problems(requirement.limit, bench.scope, problems)


def _check_limits(text: str, data: Map, bench: Bench, problems: Problems) -> None:
    """Against the shipped register."""
    register = load_register(None)
    change_limits(register, data, text)
    for requirement in register.values():
        if requirement.other is not None:
            limit_problems(requirement.limit, bench.scope, problems)


def schema(kind: str) -> dict[str, Any]:
    """The JSON Schema of a kind of document, for editors."""
    made = _tidied(DOCUMENTS[kind].model_json_schema())
    return {"$schema": "https://json-schema.org/draft/2020-12/schema", **made}


def _tidied(node: Any) -> Any:
    """Without the made-up titles, and without null: a key that is left out is left out, never empty."""
    if isinstance(node, list):
        return [_tidied(each) for each in node]
    if not isinstance(node, dict):
        return node
    tidied = {key: _tidied(value) for key, value in node.items() if (key, value) != ("default", None)}
    if isinstance(tidied.get("title"), str):
        del tidied["title"]
    choices = tidied.get("anyOf")
    if choices is not None and {"type": "null"} in choices:
        choices.remove({"type": "null"})
        if len(choices) == 1:
            tidied = {**tidied.pop("anyOf")[0], **tidied}
    return tidied
