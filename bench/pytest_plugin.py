"""pytest collects sequence files: `pytest sequences/` runs each case on the simulated bench as a test.

A run that is not a pass fails its test, with the step, value and limit in the text; nothing is ever skipped.
"""

from __future__ import annotations

import re
import tempfile
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest

if TYPE_CHECKING:
    from bench.language.plan import Plan

_LOOKS_LIKE_SEQUENCE = re.compile(rb"^sequence:.*^steps:", re.MULTILINE | re.DOTALL)


def pytest_addoption(parser: pytest.Parser) -> None:
    group = parser.getgroup("topbox-bench")
    group.addoption(
        "--topbox-records", metavar="DIR", type=Path, help="keep the records of sequences that were run as tests"
    )


def pytest_collect_file(file_path: Path, parent: pytest.Collector) -> SequenceFile | None:
    if file_path.suffix not in (".yaml", ".yml"):
        return None
    with file_path.open("rb") as file:
        if not _LOOKS_LIKE_SEQUENCE.search(file.read(65536)):
            return None
    return SequenceFile.from_parent(parent, path=file_path)


class SequenceFile(pytest.File):
    """One sequence file; a test for each of its cases."""

    def collect(self) -> Iterator[SequenceCase]:
        from bench.errors import InputError
        from bench.language.bench_file import load_bench
        from bench.language.loading import load_plans
        from bench.language.register import load_register

        try:
            plans = load_plans([self.path], load_bench(None), load_register(None))
        except InputError as error:
            raise self.CollectError(str(error)) from error
        for plan in plans:
            yield SequenceCase.from_parent(self, name=plan.case or plan.sequence, plan=plan)


class SequenceCase(pytest.Item):
    def __init__(self, *, plan: Plan, **rest: Any):
        super().__init__(**rest)
        self.plan = plan

    def runtest(self) -> None:
        from bench.record.keys import configured_key
        from bench.runner.options import Options
        from bench.runner.run import run_plan
        from bench.runner.stopping import Stop

        kept = self.config.getoption("--topbox-records")
        with tempfile.TemporaryDirectory() as passing, Stop() as stop:
            document = run_plan(self.plan, Options(records=kept or Path(passing), key=configured_key(None)), stop)
        if stop.was_asked:
            raise KeyboardInterrupt
        if document["verdict"] != "pass":
            raise NotPassed(document)

    def repr_failure(self, excinfo: pytest.ExceptionInfo[BaseException], style: Any = None) -> Any:
        return str(excinfo.value) if isinstance(excinfo.value, NotPassed) else super().repr_failure(excinfo, style)

    def reportinfo(self) -> tuple[Path, int, str]:
        return self.path, 0, f"{self.plan.sequence} {self.plan.case}".strip()


class NotPassed(Exception):
    """The run's verdict is not `pass`; the text says why."""

    def __init__(self, document: dict[str, Any]):
        from bench.judging.limits import show

        lines = [f"{document['verdict']}: {document['reason']}"]
        for step in document["steps"]:
            if step["verdict"] in ("fail", "inconclusive"):
                value = show(step["value"], step["unit"])
                lines.append(f"  step {step['path']} {step['name']}: value {value}, limit {step['limit'] or '-'}")
        for invariant in document["invariants"]:
            if invariant["verdict"] != "pass":
                lines.append(f"  invariant {invariant['name']}: {invariant['verdict']}, {invariant['reason']}")
        super().__init__("\n".join(lines))
