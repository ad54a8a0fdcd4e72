"""The box itself says its version: the run is for the firmware that was meant, or it is inconclusive."""

import pytest

from bench.judging.document import run_document
from bench.judging.judge import Judge
from bench.language.bench_file import bench_from_text
from bench.language.loading import plans_from_text
from bench.language.register import load_register
from tests.judging.folding import begin, end, fold, read

BENCH = """\
bench: real
devices: {board: {driver: board, port: /dev/null}}
firmware: {channel: version}
channels:
  loop: {direction: read, states: [open, closed], group: io}
  version: {direction: read, VERSION, group: io}
"""
STEP = "sequence: a\nenergy: dry\nsteps:\n  - {name: Open, await: loop == 'open', within: 1 s}\n"


def judged(*said, firmware, version="text: true", head=(), tail=()):
    """The document and what was heard, of a run in which the box said these one after the other."""
    bench = bench_from_text(BENCH.replace("VERSION", version), "b.yaml")
    (plan,) = plans_from_text(STEP, "a.yaml", bench, load_register(None))
    judge = Judge(plan, firmware=firmware)
    heard = [read(0.1 * place, version=each) for place, each in enumerate(said, -len(said))]
    fold(judge, *head, *heard, begin(0.0), read(0.1, loop="open"), end(0.1), *tail)
    document = run_document(judge, "")
    return document["verdict"], document["reason"], judge.firmware_said


LABEL = {"text": "v1.4.2"}


def test_the_right_one_is_heard():
    assert judged("1.4.2", firmware=LABEL) == ("pass", "", "1.4.2")
    assert judged("", "V1.4.2", firmware=LABEL) == ("pass", "", "V1.4.2")


def test_another_one():
    why = "the box says 1.4.1, the run was started for v1.4.2"
    assert judged("1.4.1", firmware=LABEL) == ("inconclusive", why, "1.4.1")
    assert judged("1.4.1", "1.4.2", firmware=LABEL) == ("inconclusive", why, "1.4.1")


def test_another_one_heard_after_the_first_step():
    late = judged(firmware=LABEL, tail=[read(0.5, version="1.4.1")])
    assert late == ("inconclusive", "the box says 1.4.1, the run was started for v1.4.2", "1.4.1")


def test_only_the_first_counts():
    assert judged("1.4.2", "1.4.?", firmware=LABEL)[0] == "pass"


@pytest.mark.parametrize("said", [(), ("",)])
def test_a_box_that_never_says_it(said):
    why = "the box never said its version on version; the run was started for v1.4.2"
    assert judged(*said, firmware=LABEL) == ("inconclusive", why, None)


@pytest.mark.parametrize("firmware", [{}, {"file": "box.bin", "sha256": "12ab"}])
def test_without_a_version_to_compare_with_it_is_only_kept(firmware):
    assert judged("1.4.1", firmware=firmware) == ("pass", "", "1.4.1")
    assert judged(firmware=firmware) == ("pass", "", None)


@pytest.mark.parametrize(
    ("label", "version", "said", "verdict"),
    [
        ("142", "unit: V, range: [0 V, 9999 V]", 142.0, "pass"),
        ("141", "unit: V, range: [0 V, 9999 V]", 142.0, "inconclusive"),
        ("1.4.2", "states: [1.4.1, 1.4.2]", "1.4.2", "pass"),
        ("1.4.2", "states: [1.4.1, 1.4.2]", "1.4.1", "inconclusive"),
    ],
)
def test_a_number_or_a_state(label, version, said, verdict):
    assert judged(said, firmware={"text": label}, version=version)[0] == verdict
