"""A sweep on several processes of this machine: each has the plans and runs the suite against one box at a time."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from concurrent.futures import FIRST_COMPLETED, ProcessPoolExecutor, wait
from concurrent.futures.process import BrokenProcessPool
from dataclasses import dataclass
from multiprocessing import get_context
from pathlib import Path
from typing import TYPE_CHECKING, Any

from bench.errors import BenchError
from bench.runner.run import run_plan
from bench.runner.stopping import Stop, interrupts_ignored
from bench.sweep.outcome import Outcome, outcome_of
from bench.sweep.specimen import Specimen

if TYPE_CHECKING:
    from bench.language.plan import Plan

LOOK_UP_S = 0.2  # how often a stop is looked for


@dataclass(frozen=True)
class Suite:
    """What each process loads for itself.

    `first`: leave a box at the run that settles it; `records`: where records go, None for nowhere; `left_out`: runs not
    to make, as (sequence, case).
    """

    paths: tuple[Path, ...]
    bench: Path | None = None
    first: bool = False
    records: Path | None = None
    left_out: frozenset[tuple[str, str]] = frozenset()

    def load(self) -> list[Plan]:
        """Raises InputError."""
        from bench.language.bench_file import load_bench
        from bench.language.loading import load_plans
        from bench.language.register import load_register

        plans = load_plans(self.paths, load_bench(self.bench), load_register(None))
        return [plan for plan in plans if (plan.sequence, plan.case) not in self.left_out]


def sweep(
    specimens: Sequence[Specimen], suite: Suite, workers: int, stop: Stop
) -> Iterator[tuple[Specimen, list[Outcome]]]:
    """Run the suite against every specimen; results as they come. A stop lets each process finish its present run,
    and what was not finished then is left out.

    Raises BenchError when a process dies.
    """
    context = get_context("spawn")  # a copy of a process with threads may hang
    stopping = context.Event()
    pool = ProcessPoolExecutor(min(workers, len(specimens)) or 1, context, _begin, (suite, stopping))
    try:
        with interrupts_ignored():
            waiting = {pool.submit(_run_suite, specimen): specimen for specimen in specimens}
        while waiting and not stop.was_asked:
            done, _ = wait(waiting, LOOK_UP_S, FIRST_COMPLETED)
            for future in done:
                yield waiting.pop(future), future.result()
    except BrokenProcessPool as error:
        raise BenchError("a process of the sweep has died (too little memory?)") from error
    finally:
        stopping.set()
        pool.shutdown(cancel_futures=True)


# In each process.

_process: dict[str, Any] = {}


def _begin(suite: Suite, stopping: Any) -> None:
    _process.update(suite=suite, plans=suite.load(), stopping=stopping)


def _run_suite(specimen: Specimen) -> list[Outcome]:
    suite, outcomes = _process["suite"], []
    plans = specimen.runs(_process["plans"])
    for plan in specimen.most_telling_first(plans) if suite.first else plans:
        if _process["stopping"].is_set():
            break
        records = None if suite.records is None else suite.records / (specimen.name or specimen.kind)
        outcomes.append(outcome_of(run_plan(plan, specimen.options(plan, records), Stop())))
        if suite.first and specimen.is_settled_by(outcomes[-1]):
            break
    return outcomes
