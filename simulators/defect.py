"""What a seeded defect is: a small named change of the reference controller or of the box around it."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import Any, ClassVar, TypeVar

from simulators.box import Box
from simulators.controller import Controller, Inputs, Outputs, ReferenceController
from simulators.loop import ShutdownLoop

T = TypeVar("T", bound=type)


class Changed(ReferenceController):
    """The reference controller with something changed: `reads` what it reads, `says` what it commands.

    It supervises what it really commands; `last` is what it commanded in the step before. `memory` survives a loss of
    supply, and is new in every run.
    """

    memory: ClassVar[dict[str, Any]] = {}
    last = Outputs()

    def step(self, t: float, inputs: Inputs) -> Outputs:
        return super().step(t, self.reads(t, inputs))

    def _outputs(self, t: float, i: Inputs) -> Outputs:
        self.last = self._out
        self._out = self.says(t, i, super()._outputs(t, i))
        return self._out

    def reads(self, t: float, i: Inputs) -> Inputs:
        return i

    def says(self, t: float, i: Inputs, out: Outputs) -> Outputs:
        return out


@dataclass(frozen=True)
class Defect:
    """`meaning` is one sentence. `breaks` are ids of the requirements register. `hidden_by` is the barrier, hardware
    or firmware, that keeps the contacts right in spite of it, '' where none does.

    `change` is the controller with the defect, `hardware` the box with it; `parameters` are in base units.
    """

    name: str
    kind: str  # 'firmware' or 'hardware'
    meaning: str
    breaks: tuple[str, ...]
    hidden_by: str = ""
    change: type[Controller] = ReferenceController
    hardware: type[Box] = Box
    parameters: Mapping[str, float] = field(default_factory=dict)

    def controller(self) -> Callable[[], Controller]:
        """What makes the controller at each power-up of one run. Call it anew for every run."""
        return type(self.change.__name__, (self.change,), {"memory": {}})


class Catalogue(list[Defect]):
    """Defects in the order in which they are written down. The first paragraph of a class's docstring is its meaning;
    `breaks` are requirement ids with blanks between them."""

    def firmware(self, name: str, breaks: str, hidden_by: str = "") -> Callable[[T], T]:
        """The controller class below has this defect."""
        return self._class(name, "firmware", breaks, hidden_by, lambda kind: {"change": kind})

    def wiring(self, name: str, breaks: str, hidden_by: str = "") -> Callable[[T], T]:
        """The box below has this defect."""
        return self._class(name, "hardware", breaks, hidden_by, lambda kind: {"hardware": kind})

    def loop(self, name: str, breaks: str, hidden_by: str = "") -> Callable[[T], T]:
        """A box has the shutdown loop below."""

        def box_with(kind: type[ShutdownLoop]) -> dict[str, Any]:
            return {"hardware": type(f"BoxWith{kind.__name__}", (Box,), {"loop_type": kind})}

        return self._class(name, "hardware", breaks, hidden_by, box_with)

    def numbers(self, name: str, breaks: str, meaning: str, **changed: float) -> None:
        """The reference controller has other numbers."""
        change = type("OtherNumbers", (ReferenceController,), changed)
        self.append(Defect(name, "firmware", meaning, tuple(breaks.split()), change=change))

    def part(self, name: str, breaks: str, meaning: str, **parameters: float) -> None:
        """Parts of the box have other values, in base units."""
        self.append(Defect(name, "hardware", meaning, tuple(breaks.split()), parameters=parameters))

    def _class(
        self, name: str, kind: str, breaks: str, hidden_by: str, made_of: Callable[[T], dict[str, Any]]
    ) -> Callable[[T], T]:
        def add(found: T) -> T:
            meaning = " ".join((found.__doc__ or "").split("\n\n")[0].split())
            self.append(Defect(name, kind, meaning, tuple(breaks.split()), hidden_by, **made_of(found)))
            return found

        return add
