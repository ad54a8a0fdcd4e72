"""Where the sequences that come with the tool are: beside the package in a checkout, inside it once installed."""

from __future__ import annotations

from pathlib import Path

_PACKAGE = Path(__file__).resolve().parents[1]


def shipped_folder() -> Path:
    """The folder of the shipped sequences, bench description and requirements register."""
    inside = _PACKAGE / "sequences"
    return inside if inside.is_dir() else _PACKAGE.parent / "sequences"


def shipped_file(name: str) -> Path:
    return shipped_folder() / name
