"""What the three kinds of document share: strict pydantic models, and pydantic's errors said with line and column.

The models check the shape of a file only (which keys, lists where lists are due) and keep every scalar as `Text` with
its place; what the texts mean is checked where names and units are known (`bench_file`, `register`, `resolving`).
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable
from typing import Annotated, Any, ClassVar, NamedTuple, TypeVar, Union, get_args, get_origin

from pydantic import BaseModel, BeforeValidator, ConfigDict, Discriminator, Tag, ValidationError, WithJsonSchema
from pydantic_core import PydanticCustomError

from bench.errors import Problem
from bench.language.located import Map, Seq, Text, either, shown, suggestion


class Document(BaseModel):
    """Base of all models. `KIND` is the key that tells which of several models a mapping is meant to be."""

    KIND: ClassVar[str] = ""
    model_config = ConfigDict(strict=True, extra="forbid", frozen=True)


def refusal(wrong: str, right: str = "") -> PydanticCustomError:
    """An error for validators to raise; braces in the text are harmless."""
    return PydanticCustomError("refusal", "{wrong}", {"wrong": wrong, "right": right})


# -- scalars -----------------------------------------------------------------------------------------------------


def _matching(pattern: str, example: str) -> Callable[[Any], Any]:
    def check(value: Any) -> Any:
        if isinstance(value, Text) and not re.fullmatch(pattern, value):
            raise refusal(f"{shown(value)} is not a name here", f"write for example {example}")
        return value

    return check


def _truth(value: Any) -> Any:
    if isinstance(value, Text):
        if value in ("true", "false"):
            return value == "true"
        meant = {"yes": "true", "on": "true", "no": "false", "off": "false"}.get(value.lower(), "true or false")
        raise refusal(f"{shown(value)} is neither true nor false", f"write {meant}")
    return value


def one_of(*words: str) -> Any:
    """A scalar that is one of a few words."""

    def check(value: Any) -> Any:
        if isinstance(value, Text) and value not in words:
            near = suggestion(value, words)
            right = near if near.startswith("did") else f"write {either(map(shown, words))}"
            raise refusal(f"{shown(value)} is not known here", right)
        return value

    return Annotated[Text, BeforeValidator(check), WithJsonSchema({"enum": list(words)})]


_NUMBER_OR_TEXT = WithJsonSchema({"type": ["string", "number"]})
SequenceName = Annotated[
    Text,
    BeforeValidator(_matching(r"[a-z0-9][a-z0-9_-]{0,79}", "precharge-then-close")),
    WithJsonSchema({"type": "string", "pattern": "^[a-z0-9][a-z0-9_-]{0,79}$"}),
]
VariableName = Annotated[
    Text,
    BeforeValidator(_matching(r"(?!(?:and|or|not|abs|min|max|inf|nan|in|is|if)$)[a-z][a-z0-9_]{0,59}", "pack_voltage")),
    WithJsonSchema({"type": "string"}),
]
#: An expression, a quantity or a plain number: editors may see a number where we see its text.
Formula = Annotated[Text, _NUMBER_OR_TEXT]
Truth = Annotated[bool, BeforeValidator(_truth), WithJsonSchema({"type": "boolean"})]


# -- several models by their key ---------------------------------------------------------------------------------


def by_key(*models: type[Document]) -> Any:
    """A mapping that is one of several models, told apart by which of their `KIND` keys it has."""
    words = [model.KIND for model in models]

    def which(value: Any) -> Any:
        return next((word for word in words if isinstance(value, dict) and word in value), None)

    def check(value: Any) -> Any:
        if not isinstance(value, dict):
            return value
        found = [word for word in words if word in value]
        if len(found) > 1:
            raise refusal(f"{either(map(shown, found)).replace(' or ', ' and ')} in one entry", "make two of it")
        if not found:
            near = [hint for key in value if (hint := suggestion(key, words)).startswith("did")]
            right = near[0] if near else f"one key of {either(words)} is due"
            raise refusal(
                "nothing here says what is to be done" if len(words) > 4 else "a rule without its condition", right
            )
        return value

    union = Union[tuple(Annotated[model, Tag(model.KIND)] for model in models)]  # noqa: UP007 - built at run time
    chosen = Annotated[
        union,
        Discriminator(which, custom_error_type="refusal", custom_error_message="a mapping is due here"),
    ]
    return Annotated[chosen, BeforeValidator(check)]


# -- errors ------------------------------------------------------------------------------------------------------


M = TypeVar("M", bound=Document)


class Finding(NamedTuple):
    """A problem of the file's shape. `path` leads to the value or key concerned."""

    problem: Problem
    path: tuple[str | int, ...]


def validate(model: type[M], data: Map) -> tuple[M | None, list[Finding]]:
    """The model, or everything that is wrong with the shape of `data`."""
    try:
        return model.model_validate(data), []
    except ValidationError as cause:
        return None, [_finding(model, data, error) for error in cause.errors(include_url=False)]


def without(data: Map, findings: Iterable[Finding], lists: Iterable[str]) -> Map:
    """A copy without the entries of `lists` that are wrong and without unknown keys at the top, so that the rest can
    be checked too and all problems be told in one pass. What would only bring follow-on errors is left in."""
    drop = set()
    for path in (finding.path for finding in findings):
        entries = [at for at in range(1, len(path)) if isinstance(path[at], int) and path[at - 1] in lists]
        if entries:
            drop.add(path[: entries[-1] + 1])
        elif len(path) == 1 and not isinstance(data[path[0]], Map):
            drop.add(path)
    return _copied(data, (), drop)


def _copied(node: Any, path: tuple[str | int, ...], drop: set[tuple[str | int, ...]]) -> Any:
    if not isinstance(node, Map | Seq):
        return node
    copy = type(node)()
    copy.place = node.place
    if isinstance(node, Map):
        copy.update((key, _copied(node[key], (*path, str(key)), drop)) for key in node if (*path, str(key)) not in drop)
    else:
        copy.extend(_copied(each, (*path, at), drop) for at, each in enumerate(node) if (*path, at) not in drop)
    return copy


def _finding(model: type[Document], data: Map, error: Any) -> Finding:
    """Follow pydantic's location through document and models; the parts that name a union's choice are no path."""
    node: Any = data
    key_place = data.place
    owners = models = [model]
    named = False  # in a mapping of names to entries, where a key changes no model
    path: list[str | int] = []
    for part in error["loc"]:
        if len(models) > 1 and any(part == each.KIND for each in models):
            models = [each for each in models if part == each.KIND]
        elif isinstance(node, Map) and part in node:
            key_place, node, owners = node.key_place(part), node[part], models
            annotation = _fields(models).get(part)
            models = models if named else _models_in(annotation)
            named = not named and _is_dict(annotation)
            path.append(part)
        elif isinstance(node, Seq) and isinstance(part, int):
            node = node[part]
            path.append(part)
    if error["type"] == "extra_forbidden":
        wrong = f"the key {shown(path[-1])} is not known here"
        return Finding(key_place.problem(wrong, suggestion(path[-1], _fields(owners))), tuple(path))
    place = key_place if error["loc"][-1] == "[key]" else node.place
    return Finding(place.problem(*_said(error, node)), tuple(path))


def _said(error: Any, node: Any) -> tuple[str, str]:
    """What is wrong and what would be right, in our words."""
    context = error.get("ctx", {})
    match error["type"]:
        case "refusal":
            return context.get("wrong", error["msg"]), context.get("right", "")
        case "missing":
            return f"the key {shown(error['loc'][-1])} is missing", "add it"
        case "is_instance_of":
            return f"{_noun(node)} stands where a text is due", "write one word or quantity"
        case "list_type":
            example = f", for example [{node}]" if isinstance(node, Text) and len(node) < 30 else ""
            return f"{_noun(node)} stands where a list is due", f"write a list{example}"
        case "too_short":
            return "the list is empty", "add an entry, or take the key out"
        case "dict_type" | "model_type" | "model_attributes_type":
            return f"{_noun(node)} stands where a mapping is due", "write 'key: value' below it"
    return f"{_noun(node)} does not fit here: {error['msg']}", ""


def _noun(node: Any) -> str:
    return "a mapping" if isinstance(node, Map) else "a list" if isinstance(node, Seq) else shown(str(node))


def _fields(models: Iterable[type[Document]]) -> dict[str, Any]:
    """Keys of the file to the types that are due there."""
    return {field.alias or name: field.annotation for model in models for name, field in model.model_fields.items()}


def _is_dict(annotation: Any) -> bool:
    return get_origin(annotation) is dict or any(get_origin(part) is dict for part in get_args(annotation))


def _models_in(annotation: Any) -> list[type[Document]]:
    if isinstance(annotation, type) and issubclass(annotation, Document):
        return [annotation]
    return [model for part in get_args(annotation) for model in _models_in(part)]
