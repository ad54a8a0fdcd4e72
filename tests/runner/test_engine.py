"""The order of a run, and that whatever happens, wherever it happens, it ends safe and never as a pass."""

import pytest

from bench.errors import RecordError
from bench.events import Batch, Driving, Injected, Life, Lost, Restored, Sent, Stale, StepBegan, StepEnded
from bench.language.bench_file import load_bench
from bench.language.surroundings import can_database
from tests.judging.folding import plan_of
from tests.runner.running import START, Run

AFTER = """
afterwards:
  - {name: Let go, drive: {start_request: released}}
  - {name: Look, check: air_plus == 'closed'}
  - {name: Again, drive: {stop_request: released}}
"""


@pytest.fixture
def plan(tmp_path):
    return plan_of(tmp_path, START, "afterwards:\n  - {name: Let go, drive: {start_request: released}}")


def states(run):
    return [event.state for event in run.of(Life)]


def test_a_healthy_run(plan):
    run = Run(plan)
    document = run.go()
    assert document["verdict"] == "pass", document["reason"]
    assert states(run) == ["checking", "powering up", "driving", "clearing up", "making safe", "closed"]
    assert run.outputs() == run.safe_values()
    first = run.of(StepBegan)[0]
    assert first.t == 0.0
    assert run.of(Batch)[0].t == -3.0


def test_the_first_step_that_does_not_pass_is_the_last_and_afterwards_still_runs(tmp_path):
    steps = START.replace("within: 5 s", "within: 10 ms")
    run = Run(plan_of(tmp_path, steps, AFTER))
    document = run.go()
    verdicts = [step["verdict"] for step in document["steps"]]
    assert verdicts == [None, None, "pass", "fail", "not-run", "not-run", "not-run", None, "fail", None]
    assert document["verdict"] == "fail"
    assert "AIR+ closes" in document["reason"]
    assert run.outputs() == run.safe_values()


def test_a_run_with_no_judged_step_is_inconclusive(tmp_path):
    assert Run(plan_of(tmp_path, "- {pause: 1 s}")).go()["verdict"] == "inconclusive"


def _numbers(plan):
    run = Run(plan)
    run.go()
    events = run.memory.events
    marked = {number for number, event in enumerate(events, 1) if not isinstance(event, Batch)}
    last_step = next(n for n, event in enumerate(events, 1) if isinstance(event, StepEnded) and event.path == "7")
    return sorted(marked | set(range(1, len(events), 37))), last_step


@pytest.mark.parametrize("how", ["stopped", "record"])
def test_trouble_at_any_event_ends_safe_and_never_as_a_pass(plan, how):
    """Every control event, and every 37th batch, of the whole run."""
    numbers, last_step = _numbers(plan)
    for at in numbers:

        def trouble(run, number, event, at=at):
            if number == at:
                if how == "stopped":
                    run.stop.cause = "stopped by SIGINT"
                else:
                    raise RecordError("no space left")

        run = Run(plan, trouble)
        document = run.go()
        assert run.engine.closed
        assert run.outputs() == run.safe_values(), f"event {at}"
        if how == "record" or at < last_step:
            assert document["verdict"] == "inconclusive", f"event {at}: {run.memory.events[at - 1]}"


@pytest.mark.parametrize("call", ["advance", "drive"])
def test_a_box_that_breaks_at_any_moment_is_lost_and_the_run_inconclusive(plan, call):
    for fails_at in range(1, 12):
        run = Run(plan)
        real = getattr(run.world, call)
        calls = 0

        def broken(*arguments, real=real, fails_at=fails_at):
            nonlocal calls
            calls += 1
            if calls >= fails_at * (40 if call == "advance" else 3):
                raise RuntimeError("gone")
            return real(*arguments)

        setattr(run.world, call, broken)
        document = run.go()
        if run.of(Lost):
            assert document["verdict"] == "inconclusive"
            assert "RuntimeError: gone" in document["reason"]
        else:
            assert calls < fails_at * 40
        assert run.engine.closed


def test_a_safe_state_leaves_before_what_brought_it_about_is_written(plan):
    """Writing takes its time: the lines before it have to be closed, hashed and given to the disk."""
    run = Run(plan)
    written = []

    def gone(*_):
        raise RuntimeError("gone")

    def drive(t, changes, safe=False, real=run.bench.drive):
        if safe:
            written.append(len(run.memory.events))
        elif run.judge.t > 0.0:
            run.world.advance = gone
        return real(t, changes, safe)

    run.bench.drive = drive
    run.go()
    kinds = [type(event) for event in run.memory.events]
    assert written[0] == kinds.index(Lost)
    assert kinds[written[0] :][:4] == [Lost, StepEnded, Life, Driving]


def _safe_drives(run):
    """Go; path of the step that was open (None: none) at each safe state that was driven."""
    open_then = []

    def drive(t, changes, safe=False, real=run.bench.drive):
        if safe:
            open_then.append(run.judge.open and run.judge.open.step.path)
        return real(t, changes, safe)

    run.bench.drive = drive
    run.go()
    return open_then


@pytest.mark.parametrize(
    ("within", "after", "safe_at"),
    [("within: 10 ms", "", ["4"]), ("within: 10 ms", AFTER, [None]), ("within: 5 s", "", [None])],
    ids=["failed", "failed, with something to clear up", "passed"],
)
def test_a_safe_state_leaves_once_and_before_the_step_that_failed_is_closed(tmp_path, within, after, safe_at):
    assert _safe_drives(Run(plan_of(tmp_path, START.replace("within: 5 s", within), after))) == safe_at


def test_after_trouble_a_safe_state_leaves_at_once_and_again_after_clearing_up(plan):
    def trouble(run, number, event):
        if isinstance(event, StepBegan) and event.path == "4":
            run.stop.cause = "somebody"

    assert _safe_drives(Run(plan, trouble)) == ["4", None]


def test_a_silent_scan_group_ends_the_run(plan):
    run = Run(plan)
    advance = run.world.advance

    def silent(until):
        batch = advance(until)
        return batch if batch.t < 0.3 else batch._replace(samples=(), scanned=())

    run.world.advance = silent
    document = run.go()
    (stale,) = run.of(Stale)
    assert stale.group == "io"
    assert 0.3 < stale.t < 0.4
    assert document["verdict"] == "inconclusive"
    assert run.outputs() == run.safe_values()


def test_a_controller_that_raises_is_trouble_of_the_bench(plan):
    class Raises:
        period_s = 0.01

        def step(self, t, inputs):
            raise ValueError("no such pin")

    run = Run(plan)
    run.world = None
    from bench.devices.simulated import SimulatedBench
    from simulators.world import World

    run.bench = SimulatedBench(World(plan.bench, controller=Raises))
    document = run.go()
    assert document["verdict"] == "inconclusive"
    assert "no such pin" in document["reason"]


def test_faults_that_are_left_in_are_taken_out(tmp_path):
    plan = plan_of(tmp_path, "- {inject: fan-failed}\n- {name: Wait, check: loop == 'open'}")
    run = Run(plan)
    assert run.go()["verdict"] == "pass"
    assert [event.name for event in run.of(Restored)] == ["fan-failed"]


def test_a_fault_put_in_at_its_time(plan):
    run = Run(plan, injections=[(0.25, "fan-failed")])
    run.go()
    assert [(event.t, event.fault) for event in run.of(Injected)] == [(0.25, "fan-failed")]


def test_repeated_and_used_steps_are_counted_by_round(tmp_path):
    steps = """
    - repeat: 3
      steps:
        - {name: Close, drive: {shutdown_loop: closed}}
        - repeat: 2
          steps: [{name: Wait, pause: 100 ms}]
        - {name: Open, drive: {shutdown_loop: open}}
        - {name: Opens, await: loop == 'open'}
    """
    run = Run(plan_of(tmp_path, steps))
    document = run.go()
    assert document["verdict"] == "pass", document["reason"]
    paths = [event.path for event in run.of(StepEnded)]
    assert paths[:4] == ["1.1#1", "1.2.1#1.1", "1.2.1#1.2", "1.3#1"]
    assert len(paths) == 3 * 5


def test_same_seed_same_events(plan):
    one, other = Run(plan), Run(plan)
    one.go()
    other.go()
    assert one.memory.events == other.memory.events


def test_a_frame_that_is_sent_by_name_or_by_bytes_reaches_the_box(tmp_path):
    steps = """
    - {name: Quiet, drive: {bms_messages: 'off'}}
    - name: By name
      send: {bus: can, message: bms_cells, signals: SIGNALS}
    - {name: By bytes, send: {bus: can, id: '0x7DF', data: 02010C}}
    - {name: Nothing else happens, hold: loop == 'open', for: 100 ms}
    """
    message = can_database(load_bench(None).database).get_message_by_name("bms_cells")
    values = message.decode(bytes(message.length), decode_choices=False, scaling=False)
    signals = {name: max(float(message.get_signal_by_name(name).minimum or 0), 0.0) for name in values}
    text = ", ".join(f"{name}: {value:g}" for name, value in signals.items())
    run = Run(plan_of(tmp_path, steps.replace("SIGNALS", "{" + text + "}")))
    document = run.go()
    assert document["verdict"] == "pass", document["reason"]
    assert [event.id for event in run.of(Sent)] == [message.frame_id, 0x7DF]
    heard = [frame for event in run.of(Batch) for frame in event.frames if not frame.heard]
    assert [frame.data for frame in heard][-1] == bytes.fromhex("02010C")
