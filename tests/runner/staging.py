"""A real bench for the tests of stages: people at it, and records as it would have left them.

The records are real runs on the simulated bench, whose manifests are then made anew as those of a real one.
"""

import re
from dataclasses import replace
from pathlib import Path

import pytest

from bench.errors import InputError
from bench.language.bench_file import bench_from_text, load_bench
from bench.record.manifest import load_manifest, write_manifest
from bench.runner.acknowledging import Clocks, Terminal
from bench.runner.options import Options
from bench.runner.run import run_plan
from bench.runner.stages import Wanted, permit
from bench.runner.stopping import Stop
from tests.judging.folding import plan_of
from tests.runner.running import START

SHIPPED = load_bench(None)
FIRMWARE = {"file": "box.bin", "sha256": "ab" * 32}
REASON = "supply is on loan, dry was witnessed"
WANTED = Wanted("reduced", "TB-07", FIRMWARE)
LIVE = Wanted("live", "TB-07", FIRMWARE, people=("A. Fell", "B. Tarn"))


def bench_with(devices, more=""):
    old = "devices:\n  box: {driver: simulated}\n"
    assert old in SHIPPED.source_text
    return bench_from_text(SHIPPED.source_text.replace(old, f"{more}devices:\n  {devices}\n"), SHIPPED.file)


REAL = bench_with("box: {driver: board, port: /dev/ttyACM0}")
STANDS_IN = bench_with("box: {driver: board, port: /dev/pts/3}", "stands_in: true\n")


class Bench:
    """People at a real bench with a folder of records. `asked` and `shown` is what they saw."""

    def __init__(self, folder: Path, answers=()):
        self.folder = folder
        self.records = folder / "records"
        self.answers, self.asked, self.shown = list(answers), [], []
        self.now = 1000.0
        self.clocks = Clocks(lambda: self.now, lambda: self.now)
        self.terminal = Terminal(True, False, self._answer, self.shown.append)
        self.plan = replace(plan_of(folder, START), energy="live")
        self.rules = folder / "rules.txt"
        self.rules.write_text("Two people.\nBarriers up.\n", encoding="utf-8")

    def _answer(self, text):
        self.asked.append(text)
        return self.answers.pop(0) if self.answers else ""

    def record(self, stage="dry", plan=None, name=None, **changes):
        """A record of the plan as a real bench would have left it; `changes` go into its manifest."""
        document = run_plan(plan or self.plan, Options(records=self.records), Stop())
        folder = Path(document["record"])
        if name:
            folder = folder.rename(self.records / name)
        made = {"simulated": False, "stage": stage, "box": "TB-07", "firmware": FIRMWARE}
        write_manifest(folder, load_manifest(folder) | made | changes)
        return folder

    def permit(self, wanted=WANTED, bench=REAL, plans=None):
        return permit(plans or [self.plan], bench, wanted, self.records, self.terminal, self.clocks)

    def refusal(self, *arguments, **options):
        with pytest.raises(InputError) as caught:
            self.permit(*arguments, **options)
        assert caught.value.exit_status == 2
        for line in str(caught.value).splitlines():
            assert re.fullmatch(r"\S+:\d+:\d+: error: .+; \S.*", line), line
        return str(caught.value)
