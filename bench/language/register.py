"""The requirements register: what the box must do, with which limit, and where that is written.

requirements:
  - id: DIS-01
    title: Residual voltage
    text: The vehicle side is below 60 V within 5 s of the shutdown loop opening.
    limit: {max: 5 s}
    sources:
      - {document: ..., edition: ..., clause: ..., note: ...}

A team's own file puts other limits in the place of single ones, each with its reason:

limits:
  - {id: PRE-01, limit: {min: 90 %}, reason: the rules of our event ask for 90 %}
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path
from typing import ClassVar, NamedTuple

from pydantic import Field

from bench.errors import InputError
from bench.language.collecting import Problems
from bench.language.documents import Document, Formula, Truth, validate
from bench.language.located import Map, Text, suggestion
from bench.language.shipped import shipped_file
from bench.language.yaml_nodes import compose, read_text


class SourceEntry(Document):
    """Where it is published."""

    document: Text
    edition: Text | None = None
    clause: Text | None = None
    note: Text | None = None


class BoundsEntry(Document):
    """Bounds, both inclusive; quantities or expressions over channels."""

    min: Formula | None = None
    max: Formula | None = None


class RequirementEntry(Document):
    """One thing the box must do."""

    id: Text = Field(description="For example DIS-01")
    title: Text
    text: Text = Field(description="The requirement in full")
    limit: BoundsEntry | None = None
    sources: list[SourceEntry] | None = None
    shown_by: Text | None = Field(None, description="How it is shown; by a test if left out")
    always: Truth | None = Field(None, description="true: judged whatever a sequence is about")


class RegisterDocument(Document):
    """A requirements register."""

    KIND: ClassVar[str] = "requirements"
    requirements: list[RequirementEntry] = Field(min_length=1)
    title: Text | None = None
    parts: dict[Text, list[Text]] | None = Field(
        None, description="Part to what must be shown again once it is replaced"
    )


class LimitEntry(Document):
    """Another limit for one requirement."""

    id: Text
    limit: BoundsEntry
    reason: Text = Field(description="Why; the report shows it beside both limits")


class LimitsDocument(Document):
    """A team's own limits."""

    KIND: ClassVar[str] = "limits"
    limits: list[LimitEntry] = Field(min_length=1)


class Source(NamedTuple):
    """Where a requirement is published. `note` says what a reader must know, such as 'from memory'."""

    document: str
    edition: str
    clause: str
    note: str


class RequirementLimit(NamedTuple):
    """The bounds as the register writes them, or None."""

    min: Text | None
    max: Text | None

    def __str__(self) -> str:
        bounds = ((word, bound) for word, bound in (("min", self.min), ("max", self.max)) if bound is not None)
        return ", ".join(f"{word} {bound}" for word, bound in bounds)


class OtherLimit(NamedTuple):
    """What a team put in the place of a requirement's own limit (None: it had none), and why."""

    instead_of: RequirementLimit | None
    reason: str


@dataclass(frozen=True, slots=True)
class Requirement:
    """`shown_by` says how it is shown (a test if empty); `always`: judged whatever a sequence is about."""

    id: str
    title: str
    text: str
    limit: RequirementLimit | None = None
    sources: tuple[Source, ...] = ()
    shown_by: str = ""
    always: bool = False
    other: OtherLimit | None = None


class Register(dict[str, Requirement]):
    """Requirements by id. `source_text` and `limits_text` are the files as read, for the record; `parts` maps a part to
    the ids that must be shown again once it has been replaced."""

    file: str = ""
    source_text: str = ""
    limits_text: str = ""
    title: str = ""
    parts: dict[str, tuple[str, ...]]

    def find(self, id: Text) -> Requirement:
        """Raises InputError at the place of `id` for one that is not in the register."""
        if id not in self:
            raise id.place.error(f"the register has no requirement {str(id)!r}", suggestion(id, self, "known"))
        return self[id]


def load_register(path: str | Path | None = None, limits: str | Path | None = None) -> Register:
    """Read a register, None being the shipped one, and a team's own limits. Raises InputError with every problem."""
    path = shipped_file("requirements.yaml") if path is None else Path(path)
    text = read_text(path)
    register = resolve_register(compose(text, str(path)), str(path), text)
    if limits is not None:
        text = read_text(limits)
        change_limits(register, compose(text, str(limits)), text)
    return register


def change_limits(register: Register, data: Map, text: str) -> None:
    """Put a team's limits in the place of the register's own. Raises InputError with every problem."""
    document, findings = validate(LimitsDocument, data)
    if document is None:
        raise InputError(finding.problem for finding in findings)
    problems = Problems()
    for entry in document.limits:
        with problems.collecting():
            before = register.find(entry.id)
            if before.other is not None:
                raise entry.id.place.error(f"a second limit for {entry.id}", "keep one of the two")
            if entry.limit.min is None and entry.limit.max is None:
                raise entry.id.place.error(f"the limit of {entry.id} is empty", "give min, max or both")
            if not entry.reason.strip():
                raise entry.reason.place.error("the reason is blank", "say why this team has another limit")
            limit, other = (
                RequirementLimit(entry.limit.min, entry.limit.max),
                OtherLimit(before.limit, str(entry.reason)),
            )
            register[str(entry.id)] = replace(before, limit=limit, other=other)
    problems.raise_if_any()
    register.limits_text = text


def resolve_register(data: Map, file: str, text: str) -> Register:
    """The register that a composed file describes. Raises InputError."""
    document, findings = validate(RegisterDocument, data)
    if document is None:
        raise InputError(finding.problem for finding in findings)
    problems = Problems()
    register = Register()
    register.file, register.source_text, register.title = file, text, str(document.title or "")
    for entry in document.requirements:
        if entry.id in register:
            problems.add(entry.id.place.problem(f"a second requirement {str(entry.id)!r}", "give each its own id"))
        bounds = entry.limit
        if bounds is not None and bounds.min is None and bounds.max is None:
            problems.add(entry.id.place.problem(f"the limit of {entry.id} is empty", "give min, max or both"))
        register[str(entry.id)] = Requirement(
            id=str(entry.id),
            title=str(entry.title),
            text=str(entry.text),
            limit=RequirementLimit(bounds.min, bounds.max) if bounds else None,
            sources=tuple(
                Source(str(each.document), *(str(part or "") for part in (each.edition, each.clause, each.note)))
                for each in entry.sources or ()
            ),
            shown_by=str(entry.shown_by or ""),
            always=bool(entry.always),
        )
    register.parts = {}
    for part, ids in (document.parts or {}).items():
        with problems.collecting():
            register.parts[str(part)] = tuple(register.find(id).id for id in ids)
    problems.raise_if_any()
    return register
