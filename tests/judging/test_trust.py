"""When the bench itself is in trouble: from when on nothing counts, and what the bench file says of itself."""

import pytest

from bench.errors import InputError
from bench.events import Lost, Stale
from bench.judging.document import run_document
from bench.language.bench_file import bench_from_text, load_bench
from bench.language.loading import plans_from_text
from bench.language.register import load_register
from tests.judging.folding import begin, drive, end, fold, judge_of, read
from tests.runner.running import Run

HOLDS = """
- {name: First, await: loop == 'open', within: 1 s}
- {name: Second, hold: air_plus == 'closed', for: 1 s}
- {name: Third, await: loop == 'open', within: 1 s}
"""


def verdicts(judge):
    return [str(result.judged.verdict) for result in judge.results]


def with_one_fail(tmp_path, *then):
    """The first step passes at 0.1 s, the second fails at 0.3 s; the device `box` was last read at 0.3 s."""
    return fold(
        judge_of(tmp_path, HOLDS), begin(0.0, "1"), read(0.1, loop="open", air_plus="closed"), end(0.1, "1"),
        begin(0.1, "2"), read(0.2), read(0.3, air_plus="open"), end(0.3, "2"), *then,
    )  # fmt: skip


def test_what_was_judged_after_the_device_was_last_good_is_taken_back(tmp_path):
    judge = with_one_fail(tmp_path, begin(0.3, "3"), end(0.5, "3"), Lost(0.9, "box", "hangs"))
    assert verdicts(judge) == ["pass", "fail", "inconclusive"], "its last reading is what the fail was judged by"
    late = fold(
        judge_of(tmp_path, HOLDS), begin(0.0), read(0.1, loop="open"), end(0.2),
        Lost(0.9, "box", "hangs"), begin(1.0, "2"), read(1.1, air_plus="open"), end(1.1, "2"),
    )  # fmt: skip
    assert verdicts(late) == ["inconclusive", "inconclusive"], "also what is judged later"
    assert "pass does not count, the bench was in doubt by then: box: hangs" in late.results[0].judged.reason
    assert run_document(late, "")["verdict"] == "inconclusive"


def test_a_silent_group_is_in_doubt_since_it_was_last_read(tmp_path):
    judge = fold(with_one_fail(tmp_path), begin(0.3, "3"), read(0.35, "box_status"), end(0.4, "3"))
    fold(judge, Stale(0.5, "io", 0.05))
    assert verdicts(judge) == ["pass", "fail", "inconclusive"]


@pytest.mark.parametrize("device", ["record", "host", "bench"])
def test_trouble_that_is_no_devices_leaves_what_was_judged(tmp_path, device):
    judge = with_one_fail(tmp_path, Lost(0.9, device, "full"))
    assert verdicts(judge) == ["pass", "fail"]
    assert judge.trouble == f"{device}: full"


@pytest.mark.parametrize(("last_read_s", "verdict"), [(0.3, "fail"), (0.1, "inconclusive")])
def test_a_rule_that_is_broken_in_doubt_is_not_broken(tmp_path, last_read_s, verdict):
    rules = "invariants:\n  - {name: opens, when: shutdown_loop == 'open', must: air_plus == 'open', within: 150 ms}"
    judge = judge_of(tmp_path, "- {pause: 1 s}", rules)
    batches = [read(t, **({"air_plus": "closed"} if t == 0.0 else {})) for t in (0.0, 0.1, 0.2, 0.3)]
    kept = [batch for batch in batches if batch.t <= last_read_s]
    fold(judge, *drive(-0.1, shutdown_loop="closed"), kept[0], *drive(0.05, shutdown_loop="open"), *kept[1:])
    fold(judge, read(0.4, "box_status"), Stale(0.5, "io", 0.05))
    (result,) = judge.invariants()
    assert result.verdict == verdict


# -- values that must move --------------------------------------------------------------------------------


def bench_with(old, new, more=""):
    text = load_bench(None).source_text
    assert old in text
    return bench_from_text(text.replace(old, new, 1) + more, load_bench(None).file)


def plan_on(bench, steps, simulated=""):
    text = f"sequence: case\ntitle: A case\nenergy: dry\n{simulated}\nsteps:\n{steps}"
    (plan,) = plans_from_text(text, "case.yaml", bench, load_register(None))
    return plan


NOISY = "simulated: {bench_ts_noise: 0.3 V}"
WATCHED = bench_with("ts_voltage: {group: io,", "ts_voltage: {group: io, moves_within: 500 ms,")


@pytest.mark.parametrize("frozen", [False, True])
def test_a_fresh_value_that_never_changes(frozen):
    """Its scans go on, so it is not stale: only that it stands still gives it away."""
    steps = "  - {name: Wait, hold: loop == 'open', for: 3 s}\n"
    run = Run(plan_on(WATCHED, steps, NOISY), injections=[(1.0, "bench-ts-frozen")] if frozen else [])
    document = run.go()
    assert document["verdict"] == ("inconclusive" if frozen else "pass"), document["reason"]
    if frozen:
        assert document["trouble"].startswith("box is frozen: ts_voltage has been ")
        assert run.judge.doubt_from_s == pytest.approx(1.0, abs=0.02)
        assert run.outputs() == run.safe_values()


def test_only_what_is_read_can_be_asked_to_move():
    with pytest.raises(InputError, match="a channel that is driven has no 'moves_within'"):
        bench_with("shutdown_loop: {group: io,", "shutdown_loop: {group: io, moves_within: 1 s,")


# -- rules about the bench itself --------------------------------------------------------------------------------

TRUST = """
trusted_while:
  - {name: the supply holds, never: supply_voltage < 11 V and shutdown_loop == 'closed'}
  - {name: both meters see the same node, when: air_plus == 'closed' and air_minus == 'closed',
     must: abs(pack_voltage - ts_voltage) < 8 V, within: 300 ms}
"""
ENERGISE = """
  - {name: Close the loop, drive: {shutdown_loop: closed}}
  - {name: Press start, drive: {start_request: pressed}}
  - {name: AIR+ closes, await: air_plus == 'closed', within: 5 s}
  - {name: Stays closed, hold: air_plus == 'closed', for: 1 s}
"""


def trusting(steps, **engine):
    return Run(plan_on(bench_with("# The", "# The", TRUST), steps), **engine)


def test_a_bench_that_keeps_its_own_rules_judges():
    assert trusting(ENERGISE).go()["verdict"] == "pass"


def test_a_sense_cable_that_is_off_reads_0_v_and_is_found_by_a_second_source():
    """Fault 1 of the bench: 0 V is told from no signal, and what it would have shown is not judged."""
    shut_down = (
        "  - {name: Off, drive: {shutdown_loop: open}}\n  - {name: Low, await: ts_voltage < 60 V, within: 5 s}\n"
    )
    run = trusting(ENERGISE + shut_down, injections=[(0.5, "bench-ts-cable-off")])
    document = run.go()
    assert document["verdict"] == "inconclusive"
    assert "not to be trusted: both meters see the same node" in document["trouble"]
    assert run.outputs() == run.safe_values()


def test_a_supply_that_sags_voids_what_was_judged_since():
    document = trusting(ENERGISE + "  - {name: Sags, drive: {supply_voltage: 10 V}}\n"
                        "  - {name: Goes on, hold: air_plus == 'closed', for: 1 s}\n").go()  # fmt: skip
    assert document["verdict"] == "inconclusive"
    assert "the supply holds" in document["trouble"]
    verdicts = [step["verdict"] for step in document["steps"]]
    assert verdicts == [None, None, "pass", "pass", "inconclusive", "not-run"], "what was judged before it stays"


@pytest.mark.parametrize(
    ("rule", "wrong"),
    [
        ("{never: suply < 11 V}", "no channel or value is called 'suply'"),
        ("{never: supply_voltage < 11}", "11 is a plain number"),
        ("{name: a}", "never"),
    ],
)
def test_mistakes_in_the_rules(rule, wrong):
    with pytest.raises(InputError, match=wrong):
        bench_with("# The", "# The", f"trusted_while:\n  - {rule}\n")
