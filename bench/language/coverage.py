"""Which sequences prove which requirements, and what nothing proves."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import TYPE_CHECKING

from bench.errors import Problem
from bench.language.plan import each_step
from bench.language.yaml_nodes import compose

if TYPE_CHECKING:
    from bench.language.plan import Plan
    from bench.language.register import Register

#: A sequence names a requirement on the way, says that it proves it, or both.
ON_THE_WAY, CLAIMED, PROVED = range(3)


@dataclass(frozen=True)
class Coverage:
    """`cells`: (requirement, sequence) -> how."""

    register: Register
    sequences: tuple[str, ...]
    cells: dict[tuple[str, str], int]

    def proved_by(self, id: str) -> list[str]:
        return [name for name in self.sequences if self.cells.get((id, name), ON_THE_WAY) != ON_THE_WAY]

    @property
    def to_prove(self) -> list[str]:
        """Requirements that a test shows; the register says of the others how they are shown."""
        return [id for id, requirement in self.register.items() if not requirement.shown_by]

    def problems(self) -> list[Problem]:
        """Requirements that nothing proves, at their place in the register."""
        unproved = [id for id in self.to_prove if not self.proved_by(id)]
        places = {}
        if unproved:
            entries = compose(self.register.source_text, self.register.file)["requirements"]
            places = {str(entry["id"]): entry["id"].place for entry in entries}
        right = "name it in 'proves' of a sequence, or say with 'shown_by' how else it is shown"
        return [places[id].problem(f"nothing proves {id}", right) for id in unproved]


def coverage(plans: Iterable[Plan], register: Register) -> Coverage:
    """Of these plans. What a step or a rule names counts where the sequence says that it proves it."""
    cells: dict[tuple[str, str], int] = {}
    sequences: dict[str, None] = {}
    for plan in plans:
        sequences[plan.sequence] = None
        named = {step.requirement.id for step in each_step(plan.steps) if step.requirement is not None}
        named |= {rule.requirement for rule in plan.invariants if rule.requirement}
        for id in named | set(plan.proves):
            how = (PROVED if id in named else CLAIMED) if id in plan.proves else ON_THE_WAY
            cells[id, plan.sequence] = max(how, cells.get((id, plan.sequence), how))
    return Coverage(register, tuple(sequences), cells)
