"""The requirements as the run used them, read for their words: nothing here is judged."""

from __future__ import annotations

from collections.abc import Mapping
from functools import lru_cache
from typing import Any, NamedTuple

from bench.record.reader import Record


class Wording(NamedTuple):
    """`shown_by` is how it is shown where not by a test."""

    title: str = ""
    text: str = "not in this record's register"
    limit: str = ""
    source: str = ""
    shown_by: str = ""


def wordings(record: Record) -> dict[str, Wording]:
    """Requirement id to its words, from requirements.yaml in the record; empty if that cannot be read."""
    return _wordings(record.text("requirements.yaml"))


@lru_cache(16)  # the records of a dossier have a few registers between them
def _wordings(text: str | None) -> dict[str, Wording]:
    data = load_yaml(text)
    if isinstance(data, Mapping):
        data = data.get("requirements", data)
    if isinstance(data, Mapping):
        data = [{"id": key} | dict(item) for key, item in data.items() if isinstance(item, Mapping)]
    if not isinstance(data, list):
        return {}
    return {str(item["id"]): _wording(item) for item in data if isinstance(item, Mapping) and "id" in item}


def load_mapping(text: str | None) -> Mapping[str, Any]:
    """A YAML file as used, read for its words; empty where it is none."""
    data = load_yaml(text)
    return data if isinstance(data, Mapping) else {}


@lru_cache(64)
def load_yaml(text: str | None) -> Any:
    """A YAML file as used, to be read only; None where it is none."""
    import yaml

    try:
        return yaml.load(text or "", Loader=getattr(yaml, "CSafeLoader", yaml.SafeLoader))
    except (yaml.YAMLError, RecursionError, ValueError):
        return None


def limit_text(limit: Any) -> str:
    """`min 10 V, max 60 V` from a mapping; a text stays as it is."""
    if isinstance(limit, Mapping):
        return ", ".join(f"{edge} {limit[edge]}" for edge in ("min", "max") if limit.get(edge) is not None)
    return "" if limit is None else str(limit)


def _wording(item: Mapping[str, Any]) -> Wording:
    sources = item.get("sources") or item.get("source") or []
    if isinstance(sources, str | Mapping):
        sources = [sources]
    limit = limit_text(item.get("limit"))
    source = "; ".join(map(_source, sources))
    return Wording(
        str(item.get("title") or ""), str(item.get("text") or ""), limit, source, str(item.get("shown_by") or "")
    )


def _source(source: Any) -> str:
    if not isinstance(source, Mapping):
        return str(source)
    words = [str(source[key]) for key in ("document", "edition", "clause") if source.get(key)]
    note = f" ({source['note']})" if source.get("note") else ""
    return " ".join(words) + note
