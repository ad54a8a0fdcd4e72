"""From the text of an expression to its checked terms.

Text goes through two gates before anything is built: quantities are cut out by a scanner (Python's grammar has none),
and the rest is parsed by `ast` and read node by node, where what is not listed is refused.
"""

from __future__ import annotations

import ast
import re
from collections.abc import Mapping
from dataclasses import dataclass, field

from bench.language import rules, terms
from bench.language.located import shown, suggestion
from bench.language.terms import BOOLEAN, TEXT, ChannelType, Refusal, Term
from bench.language.units import UNIT_PATTERN, UNITS, Quantity, number_complaint, unit_complaint

MOST_CHARACTERS = 500
MOST_DEPTH = 30


@dataclass(frozen=True)
class Scope:
    """The names an expression may use: channels, and values that are constant."""

    channels: Mapping[str, ChannelType] = field(default_factory=dict)
    values: Mapping[str, Quantity | str] = field(default_factory=dict)


def read(text: str, scope: Scope) -> Term:
    """The checked term. Raises Refusal at the character concerned."""
    return _Reader(text, scope).read_all()


_TOKEN = re.compile(
    r"""(?P<string>'[^'\\\n]*'|"[^"\\\n]*")
    | (?P<name>[^\W\d]\w*)
    | (?P<number>\.?[0-9][0-9A-Za-z_.:%]*)
    | (?P<wrong>[^\x20-\x7e]|\*\*|//|&&?|\|\|?|\^|~|<<|>>|:=|(?<![=!<>])=(?!=)|===|!(?!=)|<>|[#@;\\?$`'"\[\]{}])
    | (?P<other>.)""",
    re.VERBOSE | re.DOTALL,
)
_AFTER_NUMBER = re.compile(rf" *(?:(?P<unit>{UNIT_PATTERN})(?!\w|/[A-Za-z])|(?P<word>[^\W\d][\w/]*))")
_INSTEAD = {
    "=": "write == to compare", "===": "write ==", "&&": "write and", "&": "write and", "||": "write or",
    "|": "write or",
    "!": "write not", "<>": "write !=", "**": "write a product", "^": "write a product", "//": "write /",
    "'": "close the quotes", '"': "close the quotes",
    "≤": "write <=", "≥": "write >=", "≠": "write !=", "×": "write *", "·": "write *", "−": "write -", "–": "write -",
    **dict.fromkeys("‘’“”", "write straight quotes"),
}  # fmt: skip
_OPERATORS: dict[type, str] = {
    ast.Add: "+", ast.Sub: "-", ast.Mult: "*", ast.Div: "/", ast.Lt: "<", ast.LtE: "<=", ast.Gt: ">", ast.GtE: ">=",
    ast.Eq: "==", ast.NotEq: "!=", ast.And: "and", ast.Or: "or",
}  # fmt: skip
_REFUSED: dict[type, tuple[str, str]] = {
    ast.Call: ("a call", "only abs, min and max are known"),
    ast.Attribute: ("a name with a dot", "names of channels have none"),
    ast.Subscript: ("an index", "channels are named one by one"),
    ast.Lambda: ("'lambda'", ""), ast.IfExp: ("'if' inside an expression", "write and, or"),
    ast.Tuple: ("a comma", "a decimal point is written '.'"), ast.JoinedStr: ("a letter before quotes", "write 'text'"),
    ast.In: ("'in'", "compare with == and join with or"), ast.NotIn: ("'not in'", "compare with !="),
    ast.Is: ("'is'", "write =="), ast.IsNot: ("'is not'", "write !="), ast.Mod: ("'%' between numbers", ""),
    ast.UAdd: ("a plus sign in front", "take it out"),
}  # fmt: skip
_FEW_WORDS = {"and", "or", "not", "if", "else", "in", "is", "for"}


class _Reader:
    """Reads one text. Quantities are blanked to underscores of the same length, so that positions stay true."""

    def __init__(self, text: str, scope: Scope):
        self.text = text
        self.scope = scope
        self.quantities: dict[int, tuple[str, Quantity]] = {}  # by offset

    def read_all(self) -> Term:
        if len(self.text) > MOST_CHARACTERS:
            raise Refusal(0, f"an expression of {len(self.text)} characters", f"at most {MOST_CHARACTERS}")
        blanked = self._scan()
        start = len(blanked) - len(blanked.lstrip())
        if start == len(blanked):
            raise Refusal(0, "an empty expression", "write for example ts_voltage < 60 V")
        try:
            tree = ast.parse(blanked[start:].rstrip(), mode="eval")
        except SyntaxError as cause:
            raise self._syntax(start + cause.offset - 1 if cause.offset else len(self.text)) from None
        except (ValueError, MemoryError, RecursionError):
            raise Refusal(0, "an expression too deep to read", "write it flatter") from None
        self._start = start
        self._bytes = blanked.encode()
        self._is_ascii = len(self._bytes) == len(blanked)
        return self._read(tree.body, 0)

    def _scan(self) -> str:
        """Cut the quantities out and refuse what only Python or no language at all would know."""
        text = re.sub(r"[\n\r]", " ", self.text)
        pieces: list[str] = []
        at = depth = 0
        while at < len(text):
            token = _TOKEN.match(text, at)
            assert token is not None
            if token["wrong"]:
                raise Refusal(at, f"{shown(token[0])} is not known here", _INSTEAD.get(token[0], ""))
            if token["name"] and token["name"].lower() in ("nan", "inf"):
                raise Refusal(at, *number_complaint(token["name"]))
            end = token.end()
            if token["number"]:
                if not depth and re.match(",[0-9]", text[end : end + 2]):
                    raise Refusal(at, *number_complaint(token["number"] + text[end : end + 2]))
                end = self._quantity(text, at, token["number"])
            pieces.append("_" * (end - at) if at in self.quantities else text[at:end])
            depth += {"(": 1, ")": -1}.get(token[0], 0)
            if depth > MOST_DEPTH:
                raise Refusal(at, f"brackets nested deeper than {MOST_DEPTH}", "write it flatter")
            at = end
        return "".join(pieces)

    def _quantity(self, text: str, at: int, number: str) -> int:
        """Read a number and its unit at a place; gives back where it ends."""
        spelled = re.match(r"[0-9.]+", number)
        assert spelled is not None
        rest = number[spelled.end() :]
        if rest in UNITS and rest:
            raise Refusal(at, f"{shown(number)} is not spelled as a quantity", f"write '{spelled[0]} {rest}'")
        wrong = number_complaint(number)
        if wrong:
            raise Refusal(at, *wrong)
        after = _AFTER_NUMBER.match(text, at + len(number))
        if after is None or after["word"] in _FEW_WORDS:
            self.quantities[at] = (number, Quantity(float(number), UNITS[""]))
            return at + len(number)
        if after["unit"] is None and after["word"].lower() in _FEW_WORDS:
            raise self._syntax(after.start("word"))
        if after["unit"] is None:
            raise Refusal(after.start("word"), *unit_complaint(after["word"]))
        unit = UNITS[after["unit"]]
        self.quantities[at] = (text[at : after.end()], Quantity(unit.to_base(float(number)), unit))
        return after.end()

    def _syntax(self, offset: int) -> Refusal:
        rest = self.text[offset:].split()
        near = f" at {shown(rest[0])}" if rest else ": it ends too early"
        right = "write for example ts_voltage < 60 V and air_plus == 'open'"
        if self.text.count("(") != self.text.count(")"):
            right = "count the brackets"
        elif rest and rest[0] not in _FEW_WORDS and rest[0].lower() in _FEW_WORDS:
            right = f"write {rest[0].lower()}"
        return Refusal(offset, f"not an expression{near}", right)

    def _span(self, node: ast.expr) -> tuple[int, str]:
        """Where the node begins, and its text; `ast` counts bytes."""
        begin, end = self._start + node.col_offset, self._start + (node.end_col_offset or node.col_offset)
        if not self._is_ascii:
            begin, end = (len(self._bytes[:at].decode("utf-8", "replace")) for at in (begin, end))
        return begin, self.text[begin:end]

    def _read(self, node: ast.expr, depth: int) -> Term:
        offset, text = self._span(node)
        if depth > MOST_DEPTH:
            raise Refusal(offset, f"an expression nested deeper than {MOST_DEPTH}", "write it flatter")
        match node:
            case ast.Constant(value=str() as word):
                return terms.Word(text, offset, TEXT, word)
            case ast.Name(id=name):
                return self._name(name, text, offset)
            case ast.UnaryOp(op=ast.USub(), operand=operand):
                return rules.negative(self._read(operand, depth + 1), text, offset)
            case ast.UnaryOp(op=ast.Not(), operand=operand):
                return terms.Not(text, offset, BOOLEAN, self._condition(operand, depth))
            case ast.BinOp(left=left, op=ast.Add() | ast.Sub() | ast.Mult() | ast.Div() as op, right=right):
                left_term, right_term = self._read(left, depth + 1), self._read(right, depth + 1)
                return rules.arithmetic(_OPERATORS[type(op)], left_term, right_term, text, offset)
            case ast.BoolOp(op=op, values=values):
                conditions = tuple(self._condition(value, depth) for value in values)
                return terms.Junction(text, offset, BOOLEAN, _OPERATORS[type(op)], conditions)
            case ast.Compare():
                return self._comparison(node, depth, text, offset)
            case ast.Call(func=ast.Name(id="abs" | "min" | "max" as function), args=arguments, keywords=[]):
                return rules.call(function, tuple(self._read(each, depth + 1) for each in arguments), text, offset)
        refused = node.op if isinstance(node, ast.BinOp | ast.UnaryOp) else node
        what, right = _REFUSED.get(type(refused), (shown(text), ""))
        raise Refusal(
            offset, f"{what} is not known here", right or "write sums and comparisons of channels and quantities"
        )

    def _condition(self, node: ast.expr, depth: int) -> Term:
        term = self._read(node, depth + 1)
        if term.dimension is not BOOLEAN:
            raise Refusal(term.offset, f"{shown(term.text)} is {term.dimension.noun}, not a condition", "compare it")
        return term

    def _comparison(self, node: ast.Compare, depth: int, text: str, offset: int) -> Term:
        links: list[Term] = []
        left = self._read(node.left, depth + 1)
        for op, operand in zip(node.ops, node.comparators, strict=True):
            if type(op) not in _OPERATORS:
                raise Refusal(left.offset, f"{_REFUSED[type(op)][0]} is not known here", _REFUSED[type(op)][1])
            right = self._read(operand, depth + 1)
            operator = _OPERATORS[type(op)]
            whole = text if len(node.ops) == 1 else f"{left.text} {operator} {right.text}"
            links.append(rules.comparison(operator, left, right, whole))
            left = right
        return links[0] if len(links) == 1 else terms.Junction(text, offset, BOOLEAN, "and", tuple(links))

    def _name(self, name: str, text: str, offset: int) -> Term:
        if offset in self.quantities:
            written, (value, unit) = self.quantities[offset]
            return terms.Number(written, offset, unit.dimension, value, unit)
        if name in self.scope.channels:
            channel = self.scope.channels[name]
            return terms.Reading(text, offset, channel.unit.dimension if channel.unit else TEXT, name, channel)
        if name in self.scope.values:
            value = self.scope.values[name]
            if isinstance(value, str):
                return terms.Word(text, offset, TEXT, value)
            return terms.Number(text, offset, value.unit.dimension, value.value, value.unit)
        if any(name in channel.states for channel in self.scope.channels.values()):
            raise Refusal(offset, f"{shown(name)} is a state, not a name", f"write '{name}' in quotes")
        known = (*self.scope.channels, *self.scope.values)
        raise Refusal(offset, f"no channel or value is called {shown(name)}", suggestion(name, known, "known"))
