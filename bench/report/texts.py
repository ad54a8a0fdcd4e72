"""Values as people read them on a page."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

NBSP = "\N{NO-BREAK SPACE}"


def number(value: Any, unit: str = "", sign: bool = False) -> str:
    """A value as people read it: five significant digits, its unit, a real minus sign."""
    if value is None or value == "":
        return ""
    if isinstance(value, int | float) and not isinstance(value, bool):
        value = f"{value:+.5g}" if sign else f"{value:.5g}"
        value = value.replace("-", "−")
    return f"{value}{NBSP}{unit}" if unit else str(value)


def seconds(value: float | None) -> str:
    return "" if value is None else f"{value:.3f}".replace("-", "−")


def plain(value: Any) -> str:
    """A text, a list or a mapping from the manifest, on one line."""
    if isinstance(value, Mapping):
        return ", ".join(
            f"{key} {plain(item)}" if key != "text" else plain(item) for key, item in value.items() if plain(item)
        )
    if isinstance(value, list | tuple):
        return "; ".join(map(plain, value))
    return "" if value is None else str(value)


def firmware_text(firmware: Any) -> str:
    """`1.4.2`, or `box.bin (3f3f3f3f3f3f)` where the binary was hashed; '' where nothing is known."""
    fields = firmware if isinstance(firmware, Mapping) else {"text": plain(firmware)}
    name = str(fields.get("text") or fields.get("file") or "")
    digest = str(fields.get("sha256") or "")[:12]
    return f"{name} ({digest})".strip() if digest else name


def uncertainty_text(step: Mapping[str, Any]) -> str:
    """Expanded uncertainty in the value's unit; where there is none, the bound (b) on an instant between samples."""
    for key, mark in (("uncertainty", ""), ("bound", f"{NBSP}b")):
        size = step.get(key)
        if isinstance(size, int | float) and size > 0:
            return f"±{NBSP}{number(float(format(size, '.2g')), step['unit'])}{mark}"
    return ""


def utc_text(stamp: Any) -> str:
    """`2026-11-25 13:20:35 UTC` from the manifest's `2026-11-25T13:20:35.568Z`."""
    return f"{str(stamp)[:19].replace('T', ' ')} UTC"
