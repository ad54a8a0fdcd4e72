"""What a sweep runs the suite against: one simulated box after the other."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from random import Random
from typing import TYPE_CHECKING, Any

from bench.runner.options import Options

if TYPE_CHECKING:
    from bench.language.bench_file import Bench
    from bench.language.plan import Plan
    from bench.sweep.outcome import Outcome
    from simulators.tolerances import Draw

HEALTHY, DEFECT, DRAW = "healthy", "defect", "draw"


@dataclass(frozen=True)
class Specimen:
    """`name` is that of a seeded defect, or the number of a draw of tolerances; `seed` is the sweep's.

    `share` (part, of): only every `of`-th run of the suite, beginning with number `part`.
    """

    kind: str = HEALTHY
    name: str = ""
    seed: int = 0
    share: tuple[int, int] = (0, 1)

    def runs(self, plans: list[Plan]) -> list[Plan]:
        part, of = self.share
        return plans[part % of :: of]

    def most_telling_first(self, plans: list[Plan]) -> list[Plan]:
        """Runs of sequences that prove what a defect breaks, then the others."""
        if self.kind != DEFECT:
            return plans
        from simulators.defects import DEFECTS

        breaks = set(DEFECTS[self.name].breaks)
        return sorted(plans, key=lambda plan: breaks.isdisjoint(plan.proves))

    def is_settled_by(self, outcome: Outcome) -> bool:
        """Whether this run finds the defect and names a requirement that it breaks."""
        if self.kind != DEFECT:
            return False
        from simulators.defects import DEFECTS

        return any(finding.requirement in DEFECTS[self.name].breaks for finding in outcome.findings)

    def options(self, plan: Plan, records: Path | None) -> Options:
        """How to run `plan` on this box. What a case says of the simulated box stands over the tolerances."""
        return Options(records=records, **self._box(plan))

    def _box(self, plan: Plan) -> dict[str, Any]:
        if self.kind == DEFECT:
            from simulators.defects import DEFECTS

            defect = DEFECTS[self.name]
            return {
                "controller": defect.controller(),
                "hardware": defect.hardware,
                "parameters": defect.parameters,
                "seed": self.seed,
            }
        if self.kind == DRAW:
            drawn = tolerances(plan.bench, self.seed, int(self.name))
            return {
                "controller": drawn.controller(),
                "parameters": {name: v for name, v in drawn.parameters.items() if name not in plan.simulated},
                "seed": self.seed + int(self.name),
            }
        return {"seed": self.seed}


def tolerances(bench: Bench, seed: int, number: int) -> Draw:
    """Draw number `number`: the same for the same seed, however many there are."""
    from simulators.tolerances import draw

    accuracies = {
        name: (channel.accuracy.relative, channel.accuracy.absolute)
        for name, channel in bench.channels.items()
        if channel.accuracy is not None
    }
    return draw(Random(f"{seed} {number}"), accuracies)
