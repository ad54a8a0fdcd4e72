"""What the files of a record must be like for the rest of the tool to read them without a second look."""

from __future__ import annotations

from typing import Any

NUMBER = (int, float)
NUMBER_OR_NULL = (int, float, type(None))
TEXT_OR_NULL = (str, type(None))


def fits(value: Any, shape: Any) -> bool:
    """A type, or several, as for `isinstance`; a list of one shape, that of each item; a mapping from keys to shapes,
    where a key may be missing, others may be there, and `...` stands for every key."""
    if isinstance(shape, list):
        return isinstance(value, list) and all(fits(item, shape[0]) for item in value)
    if isinstance(shape, dict):
        other = shape.get(..., object)
        return isinstance(value, dict) and all(fits(item, shape.get(key, other)) for key, item in value.items())
    return isinstance(value, shape)
