"""Values that know where they stand in the user's file, so that every complaint can say line and column."""

from __future__ import annotations

import difflib
from collections.abc import Iterable
from typing import Any, NamedTuple

from bench.errors import InputError, Problem


class Place(NamedTuple):
    """A position in a file; `line` and `column` count from 1.

    `lead` is the number of characters (an opening quote) between the column and the text proper; None where a
    position inside the text cannot be told, as in a folded block.
    """

    file: str
    line: int = 1
    column: int = 1
    lead: int | None = 0

    def shifted(self, characters: int) -> Place:
        """The place that many characters into the text."""
        if self.lead is None:
            return self
        return Place(self.file, self.line, self.column + self.lead + characters)

    def problem(self, wrong: str, right: str = "") -> Problem:
        return Problem(self.file, self.line, self.column, wrong, right)

    def error(self, wrong: str, right: str = "") -> InputError:
        return InputError([self.problem(wrong, right)])


class Text(str):
    """A scalar of the file, as written: typing it is the business of who knows what is due there."""

    __slots__ = ("place", "quoted")

    place: Place
    quoted: bool

    def __new__(cls, value: str, place: Place, quoted: bool = False) -> Text:
        text = super().__new__(cls, value)
        text.place = place
        text.quoted = quoted
        return text

    def __reduce__(self) -> tuple[Any, ...]:
        return Text, (str(self), self.place, self.quoted)

    @classmethod
    def __get_pydantic_core_schema__(cls, source: Any, handler: Any) -> Any:
        from pydantic_core import core_schema

        return core_schema.is_instance_schema(cls)

    @classmethod
    def __get_pydantic_json_schema__(cls, schema: Any, handler: Any) -> dict[str, Any]:
        return {"type": "string"}


class Map(dict[Text, Any]):
    """A mapping of the file; its keys are `Text`, so each key has a place too."""

    __slots__ = ("place",)

    place: Place

    def key_place(self, key: str) -> Place:
        return next((own.place for own in self if own == key), self.place)


class Seq(list[Any]):
    """A list of the file."""

    __slots__ = ("place",)

    place: Place


def plain(value: Any) -> Any:
    """The same without places: dict, list and str only."""
    if isinstance(value, dict):
        return {str(key): plain(entry) for key, entry in value.items()}
    if isinstance(value, list):
        return [plain(entry) for entry in value]
    return str(value)


def shown(text: str, most: int = 60) -> str:
    """The user's text in quotes, on one line, not longer than a message can bear."""
    return repr(str(text) if len(text) <= most else text[: most - 3] + "...")


def either(words: Iterable[str]) -> str:
    """'a', 'a or b', 'a, b or c'."""
    *head, last = list(words)
    return f"{', '.join(head)} or {last}" if head else last


def suggestion(word: str, known: Iterable[str], what: str = "known") -> str:
    """What would be right: the nearest known word, or the list of them where none is near."""
    words = list(dict.fromkeys(map(str, known)))
    lower = {each.lower(): each for each in words}
    near = difflib.get_close_matches(str(word)[:80].lower(), lower, n=1, cutoff=0.68)
    if near:
        return f"did you mean {shown(lower[near[0]])}?"
    listed = ", ".join(words[:12]) + (", ..." if len(words) > 12 else "")
    return f"{what}: {listed}" if words else f"none is {what}"
