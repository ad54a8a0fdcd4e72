"""Strict reading of YAML: every scalar stays text and keeps its place; whatever YAML 1.1 would guess is not guessed.

PyYAML's event stream is folded here without recursion, because its own composer recurses (a deeply nested file ends
the process) and lets the last of two equal keys win. Refused, with place: more than 1 MB, bytes that are not UTF-8,
control characters, tabs, tags, merge keys, several documents, empty values, duplicate keys, nesting or aliases beyond
bounds. Sources: YAML 1.2.2 (yaml.org), PyYAML issues 165, 450, 613.
"""

from __future__ import annotations

import re
from pathlib import Path
from typing import Any

from bench.errors import InputError, Problem
from bench.language.located import Map, Place, Seq, Text, shown

MOST_BYTES = 1_000_000
MOST_VALUES = 50_000
MOST_DEPTH = 30

#: YAML's printable characters without the exotic line ends, which editors count otherwise.
_UNPRINTABLE = re.compile(
    "[^\\t\\n\\r\\x20-\\x7e\\xa0-\\u2027\\u202a-\\ud7ff\\ue000-\\ufefe\\uff00-\\ufffd\\U00010000-\\U0010ffff]"
)

#: What PyYAML says, and what the author most likely has to do.
_HINTS = {
    "mapping values are not allowed": "put quotes around a text that contains ': ', and check the indentation",
    "could not find expected ':'": "a key is written 'key: value'",
    "did not find expected key": "check the indentation, and quotes inside quotes",
    "did not find expected '-'": "align the entries of a list",
    "did not find expected ',' or": "close the bracket or brace",
    "found character that cannot start": "put quotes around the text",
    "found unexpected end of stream": "close the quotes",
    "did not find expected alphabetic": "put quotes around a text that begins with * or &",
    "did not find expected <document start>": "indent what belongs to the line before",
    "exceeded maximum nesting": "write it flatter",
    "block sequence entries are not allowed": "begin the list on a line of its own",
}


def read_text(path: str | Path) -> str:
    """The file's text. Raises InputError when it is missing, unreadable, too large, not a file, or not text."""
    try:
        info = Path(path).stat()
        if not Path(path).is_file():
            raise InputError.at(path, "not a file", "name a YAML file")
        if info.st_size > MOST_BYTES:
            raise InputError.at(path, f"the file has {info.st_size:,} bytes", f"at most {MOST_BYTES:,} are read")
        with open(path, "rb") as file:
            raw = file.read(MOST_BYTES + 1)
    except (OSError, ValueError) as cause:
        wrong = f"cannot be read: {getattr(cause, 'strerror', None) or cause}"
        raise InputError.at(path, wrong, "name a file that is there and may be read") from None
    return decode(raw, str(path))


def decode(raw: bytes, file: str) -> str:
    """Bytes to text, refusing what is not text, tabs first. A byte order mark is dropped, line ends become LF."""
    if len(raw) > MOST_BYTES:
        raise InputError.at(file, "the file is too large", f"at most {MOST_BYTES:,} bytes are read")
    try:
        text = raw.decode("utf-8-sig")
    except UnicodeDecodeError as cause:
        before = _line_ends(raw[: cause.start].decode("utf-8", "replace"))
        line, column = _line_column(before, len(before))
        raise InputError.at(file, "not UTF-8 text", "save the file as UTF-8", line, column) from None
    text = _line_ends(text)
    at = text.find("\t")
    if at >= 0:
        raise InputError.at(file, "a tab", "use spaces", *_line_column(text, at))
    odd = _UNPRINTABLE.search(text)
    if odd:
        wrong = f"the character U+{ord(odd[0]):04X} is not text"
        raise InputError.at(file, wrong, "take it out", *_line_column(text, odd.start()))
    return text


def compose(text: str, file: str) -> Map:
    """The file's one document, a mapping. Raises InputError with every problem found."""
    import yaml

    composer = _Composer(file)
    try:
        for event in yaml.parse(text, Loader=getattr(yaml, "CSafeLoader", yaml.SafeLoader)):
            composer.take(event)
    except yaml.MarkedYAMLError as cause:
        composer.problems.append(_syntax_problem(cause, file))
    except (yaml.YAMLError, ValueError, OverflowError) as cause:
        composer.problems.append(Problem(file, 0, 0, f"not YAML: {shown(str(cause))}", ""))
    if composer.problems:
        raise InputError(composer.problems)
    if composer.root is None:
        raise InputError.at(file, "the file is empty", "it begins with 'sequence:', 'bench:' or 'requirements:'")
    if not isinstance(composer.root, Map):
        raise InputError.at(file, "the file is not a mapping of keys to values", "write lines such as 'title: ...'")
    return composer.root


class _Open:
    """A mapping or list that is being filled."""

    __slots__ = ("anchor", "began", "height", "key", "node")

    def __init__(self, node: Map | Seq, anchor: str | None, began: int):
        self.node = node
        self.anchor = anchor
        self.began = began  # the number of values before it
        self.height = 1
        self.key: Text | None = None


class _Composer:
    """Folds parser events into one tree of Map, Seq and Text."""

    def __init__(self, file: str):
        self.file = file
        self.root: Map | Seq | Text | None = None
        self.problems: list[Problem] = []
        self._open: list[_Open] = []
        self._anchors: dict[str, tuple[Map | Seq | Text, int, int]] = {}  # node, number of values in it, height
        self._values = 0

    def take(self, event: Any) -> None:
        """One event of `yaml.parse`. Raises InputError where going on would make no sense."""
        name = type(event).__name__
        handle = getattr(self, f"_{name}", None)
        if handle is None:  # stream start and end, document end
            return
        place = Place(self.file, event.start_mark.line + 1, event.start_mark.column + 1)
        if getattr(event, "tag", None) is not None and not (name == "ScalarEvent" and event.tag == "!"):
            self.problems.append(place.problem(f"the tag {shown(event.tag)} is not known here", "take it out"))
        handle(event, place)

    def _DocumentStartEvent(self, event: Any, place: Place) -> None:
        if self.root is not None:
            raise place.error("a second document in one file", "take out the line '---', or write a second file")

    def _MappingStartEvent(self, event: Any, place: Place) -> None:
        self._begin(Map(), event.anchor, place)

    def _SequenceStartEvent(self, event: Any, place: Place) -> None:
        self._begin(Seq(), event.anchor, place)

    def _begin(self, node: Map | Seq, anchor: str | None, place: Place) -> None:
        node.place = place
        if len(self._open) >= MOST_DEPTH:
            raise self._error(place, f"nested deeper than {MOST_DEPTH} levels", "write it flatter")
        self._open.append(_Open(node, anchor, self._values))
        self._count(1, place)

    def _MappingEndEvent(self, event: Any, place: Place) -> None:
        done = self._open.pop()
        if done.anchor:
            self._anchors[done.anchor] = (done.node, self._values - done.began, done.height)
        self._put(done.node, done.height)

    _SequenceEndEvent = _MappingEndEvent

    def _ScalarEvent(self, event: Any, place: Place) -> None:
        quoted = event.style in ("'", '"')
        on_one_line = event.start_mark.line == event.end_mark.line and event.style not in ("|", ">")
        text = Text(event.value, place._replace(lead=int(quoted) if on_one_line else None), quoted)
        if not text and not event.style:
            self.problems.append(place.problem("nothing is written here", "write a value, or take the key out"))
        elif _UNPRINTABLE.search(text):
            self.problems.append(place.problem("an escaped character that is not text", "take it out"))
        if event.anchor:
            self._anchors[event.anchor] = (text, 1, 0)
        self._count(1, place)
        self._put(text, 0)

    def _AliasEvent(self, event: Any, place: Place) -> None:
        if event.anchor not in self._anchors:
            wrong = f"nothing is called &{event.anchor} before this place"
            raise self._error(place, wrong, "take the * out, or use quotes")
        node, values, height = self._anchors[event.anchor]
        if len(self._open) + height > MOST_DEPTH:
            raise self._error(place, f"aliases nest deeper than {MOST_DEPTH} levels", "write the values out")
        self._count(values, place)
        self._put(node, height)

    def _put(self, node: Map | Seq | Text, height: int) -> None:
        if not self._open:
            self.root = node
            return
        parent = self._open[-1]
        parent.height = max(parent.height, height + 1)
        if isinstance(parent.node, Seq):
            parent.node.append(node)
        elif parent.key is not None:
            parent.node[parent.key] = node
            parent.key = None
        else:
            parent.key = self._checked_key(parent.node, node)

    def _checked_key(self, parent: Map, key: Map | Seq | Text) -> Text:
        if not isinstance(key, Text):
            raise self._error(key.place, "a key is one word", "quote a key that begins with { or [")
        if key == "<<":
            self.problems.append(key.place.problem("'<<' is not part of YAML 1.2", "write the keys out"))
        elif key in parent:
            first = parent.key_place(key)
            wrong = f"the key {shown(key)} is already in line {first.line}, column {first.column}"
            self.problems.append(key.place.problem(wrong, "keep one of the two"))
        return key

    def _count(self, values: int, place: Place) -> None:
        self._values += values
        if self._values > MOST_VALUES:
            raise self._error(place, f"more than {MOST_VALUES} values, aliases written out", "write a smaller file")

    def _error(self, place: Place, wrong: str, right: str) -> InputError:
        return InputError([*self.problems, place.problem(wrong, right)])


def _syntax_problem(cause: Any, file: str) -> Problem:
    mark = cause.problem_mark or cause.context_mark
    said = str(cause.problem or cause.context or "not YAML")
    hint = next((hint for start, hint in _HINTS.items() if said.startswith(start)), "check quotes and indentation")
    line, column = (mark.line + 1, mark.column + 1) if mark else (0, 0)
    return Problem(file, line, column, f"not YAML: {shown(said)[1:-1]}", hint)


def _line_ends(text: str) -> str:
    return text.replace("\r\n", "\n").replace("\r", "\n")


def _line_column(text: str, offset: int) -> tuple[int, int]:
    return text.count("\n", 0, offset) + 1, offset - text.rfind("\n", 0, offset)
