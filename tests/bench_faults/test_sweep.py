"""Every standard sequence x every device x {unplugged, hung, rubbish} x {start, middle, end}: safe and inconclusive.

In virtual time; see `failing.py` for what this layer proves and what it leaves to others. A test takes an eighteenth of
it: in each sequence every other device fails once; which, how and at which moment changes from sequence to sequence, so
that eighteen of them show everything. `python tests/benchmarks/failing_devices.py` takes all of it.
"""

import pytest
from bench_faults.failing import DEVICES, FAULTS, FailingBench, bench_of_four
from runner.running import Memory, Run

from bench.events import Driven, Life, StepEnded
from bench.judging.document import run_document
from bench.language.loading import load_plans
from bench.language.register import load_register
from bench.language.shipped import shipped_folder
from bench.runner.hands import Hands
from bench.runner.virtual_loop import run_virtual

PLANS = load_plans([shipped_folder() / "standard"], bench_of_four(), load_register(None))
#: One case of each sequence: cases differ in values, not in what is driven and read.
SEQUENCES = {plan.sequence: plan for plan in reversed(PLANS)}
CONTACTS = ("loop", "air_plus", "air_minus", "precharge")
#: Longer than any device needs to let go once it is left alone, and than the slowest contact to open, s.
LEFT_ALONE_S = 1.5


class FailingRun(Run):
    """One run in which a device fails."""

    def __init__(self, plan, device, fault, at_s):
        super().__init__(plan)
        self.bench = FailingBench(self.world, plan.bench, device, fault, at_s)
        self.memory = Memory()

    def go(self):
        run_virtual(self.engine, self.bench, Hands(self.engine, self.bench, self.memory), self.stop)
        return run_document(self.judge, "")


def moments(plan):
    """Start, middle and end of the steps, s: the end is a millisecond before the last verdict."""
    run = Run(plan)
    assert run.go()["verdict"] == "pass"
    ended = [event.t for event in run.of(StepEnded) if not event.path.startswith("afterwards")]
    return {"start": 0.0, "middle": round(ended[-1] / 2, 6), "end": round(max(ended[-1] - 0.001, 0.0), 6)}


@pytest.mark.parametrize(("number", "name"), list(enumerate(sorted(SEQUENCES))))
def test_no_failing_device_makes_a_verdict(number, name):
    assert wrong_endings(name, number) == (len(DEVICES) // 2, [])


def wrong_endings(name, number=None):
    """How many failures of one sequence were tried, all where no `number` chooses a few of them, and which do not end
    as they have to."""
    plan = SEQUENCES[name]
    tried, wrong = 0, []
    for place, (moment, at_s) in enumerate(moments(plan).items()):
        for row, device in enumerate(DEVICES):
            for column, fault in enumerate(FAULTS):
                if number is not None and not _chosen(number, place, row, column):
                    continue
                tried += 1
                run = FailingRun(plan, device, fault, at_s)
                document = run.go()
                if found := _found(run, document, device):
                    wrong.append(f"{device} {fault} at the {moment} ({at_s} s): {'; '.join(found)}")
    return tried, wrong


def _chosen(number, place, row, column):
    way, turn = divmod(number, len(FAULTS))
    return column == (row + way) % len(FAULTS) and place == (row + turn) % 3 and row % 2 == number // 9 % 2


def _found(run, document, device):
    """What is wrong with how the run ended."""
    found = []
    if document["verdict"] != "inconclusive":
        reasons = [f"{step['name']}: {step['reason']}" for step in document["steps"] if step["verdict"] == "fail"]
        reasons += [f"{rule['name']}: {rule['reason']}" for rule in document["invariants"] if rule["verdict"] == "fail"]
        found.append(f"{document['verdict']} ({'; '.join(reasons)})")
    if not document["reason"]:
        found.append("no reason")
    if run.of(Life)[-1].state != "closed":
        found.append("not closed")
    channels = run.plan.bench.channels
    last = {event.channel: event.value for event in run.of(Driven)}
    for channel in run.safe_values():
        if channels[channel].device != device and last[channel] != channels[channel].safe:
            found.append(f"{channel} was left {last[channel]}")
    run.bench.go_on(LEFT_ALONE_S)
    closed = [name for name in CONTACTS if run.bench.truth.get(name, "open") != "open"]
    if closed:
        found.append(f"still closed: {', '.join(closed)}")
    return found
