"""The bench's check of itself, as two sequences made from the bench file and run like any other.

The first must pass: every input gives a sensible value, every switched output moves and is confirmed, one at a time,
and meanwhile nothing in the box is energised; meters that should agree do. The second is a known-bad case and must
come out `fail`: a bench that cannot say no has nothing to say. Calibration dates are looked at beside them, and the
noise of what is measured while all is off.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Iterator, Mapping
from dataclasses import dataclass, field, replace
from datetime import date
from typing import TYPE_CHECKING, Any

from bench.errors import InputError
from bench.language.loading import plans_from_text
from bench.language.plan import each_step
from bench.runner.noise import noise_at_rest, too_noisy
from bench.runner.run import POWERED_BEFORE_S, run_plan
from bench.verdicts import Verdict

if TYPE_CHECKING:
    from bench.devices.wall_bench import WallBench
    from bench.language.bench_file import Bench
    from bench.language.channel import Channel
    from bench.language.plan import Plan
    from bench.language.register import Register
    from bench.runner.options import Options
    from bench.runner.stopping import Stop

#: Coils that must stay off while the outputs are walked.
COILS = ("air_plus_coil", "air_minus_coil", "precharge_coil")
#: Outputs that change what the box is, not only what it is told: not walked.
NOT_WALKED = ("supply_voltage",)
#: How long an output is left in each state: several steps of any controller.
SETTLE = "60 ms"
#: After the first walk the box has its supply and has booted; its inputs need only be read again, s.
SUPPLIED_S = 0.5
#: Walked last: it clears what the walk of the fault lines has latched.
RESET = "reset_request"
#: What an output that is walked must be followed by, where the bench has both, in the same state.
FOLLOWED_BY = {"shutdown_loop": "loop"}


@dataclass(frozen=True)
class SelfCheck:
    """What was found. `failed`: channels that no sequence may rely on, with the reason; `overdue`: last good days;
    `noise`: half the span of each measured channel with everything off, in its unit."""

    walk: dict[str, Any]
    known_bad: dict[str, Any]
    failed: Mapping[str, str]
    overdue: Mapping[str, date]
    noise: Mapping[str, float] = field(default_factory=dict)

    @property
    def usable(self) -> bool:
        """The walk passed, without the channels that failed, and the bench can say no."""
        return self.walk["verdict"] == "pass" and self.known_bad["verdict"] == "fail"

    @property
    def verdict(self) -> Verdict:
        """A bench in doubt is inconclusive: nothing is said about a box."""
        return Verdict.PASS if self.usable and not self.failed else Verdict.INCONCLUSIVE

    def objection(self, plan: Plan) -> str:
        """Why `plan` must not be run on this bench today; '' when it may."""
        if not self.usable:
            return f"the bench has not passed its self-check: {self.walk['reason'] or 'it cannot say no'}"
        lame = sorted(needed(plan) & set(self.failed))
        return f"{lame[0]} failed the self-check: {self.failed[lame[0]]}" if lame else ""

    def as_document(self) -> dict[str, Any]:
        return {
            "verdict": str(self.verdict),
            "reason": self.walk["reason"] if self.walk["verdict"] != "pass" else "",
            "can_say_no": self.known_bad["verdict"] == "fail",
            "failed": dict(self.failed),
            "overdue": {name: day.isoformat() for name, day in self.overdue.items()},
            "noise": dict(self.noise),
            "records": [self.walk["record"], self.known_bad["record"]],
        }


def check_bench(
    bench: Bench, register: Register, options: Options, stop: Stop, opened: WallBench | None = None
) -> SelfCheck:
    """Run both sequences on the bench. Raises InputError for a bench file that does not allow it.

    It is about the bench: which firmware the box says it has is asked by the runs themselves.
    A channel that fails is left out and the walk begun again, so that one broken wire does not hide another.
    """

    def run(text: str, name: str, powered_before_s: float = SUPPLIED_S) -> dict[str, Any]:
        (plan,) = plans_from_text(text, f"{name}.yaml", bench, register)
        return run_plan(plan, replace(options, firmware={}), stop, opened=opened, powered_before_s=powered_before_s)

    out_of_date = bench.overdue(date.today())
    failed: dict[str, str] = {}
    walk = run(walk_text(bench), "bench-selfcheck", POWERED_BEFORE_S)
    noise = noise_at_rest(walk["record"], bench)
    while (name := _failed_channel(walk, bench)) and name not in failed and not stop.was_asked:
        failed[name] = walk["reason"]
        walk = run(walk_text(bench, failed), "bench-selfcheck")
    failed = too_noisy(noise, bench) | failed
    return SelfCheck(walk, run(known_bad_text(bench), "bench-known-bad"), failed, out_of_date, noise)


def walk_text(bench: Bench, without: Collection[str] = ()) -> str:
    """The sequence that must pass, as YAML."""
    channels = {name: channel for name, channel in bench.channels.items() if name not in without}
    lines = [
        "sequence: bench-selfcheck",
        "title: The bench checks itself",
        "purpose: Every input reads, every switched output moves by itself, and nothing in the box is energised.",
        "energy: dry",
    ]
    lines += [*nothing_energised(channels.values()), "steps:"]
    lines += [f"  - {step}" for channel in channels.values() for step in _reads(channel)]
    walked = sorted(channels.values(), key=lambda channel: channel.name == RESET)
    lines += [f"  - {step}" for channel in walked for step in _walks(channel, channels)]
    for first, second, within in bench.agree:
        if first in without or second in without:
            continue
        name = f"{first} and {second} agree"
        lines.append(f"  - {{name: {name}, check: abs({first} - {second}), limit: {{max: {within}}}}}")
    return "\n".join(lines) + "\n"


def nothing_energised(channels: Iterable[Channel]) -> list[str]:
    """The rule of a walk, as lines of YAML; none where the bench does not see the coils."""
    coils = [channel.name for channel in channels if channel.name in COILS]
    any_on = " or ".join(f"{name} == 'on'" for name in coils)
    return ["invariants:", f"  - {{name: nothing-energised, never: {any_on}}}"] if coils else []


def known_bad_text(bench: Bench) -> str:
    """The sequence that must fail: it waits for an input to be in a state in which it is not."""
    channel = next((each for each in _readable(bench) if each.states), None)
    if channel is None:
        raise InputError.at(bench.file, "no channel is read that has states", "the self-check needs one, such as loop")
    others = " and ".join(f"{channel.name} != '{state}'" for state in channel.states or ())
    return (
        "sequence: bench-known-bad\ntitle: A case that must fail\nenergy: dry\n"
        "purpose: An input is asked to be in none of its states. A bench that does not fail here cannot say no.\n"
        f"steps:\n  - {{name: Must fail, await: {others}, within: 300 ms}}\n"
    )


def needed(plan: Plan) -> set[str]:
    """The channels that a plan drives or judges by."""
    names: set[str] = set()
    for step in each_step((*plan.steps, *plan.afterwards)):
        names |= set(getattr(step, "changes", ())) | {getattr(step, "channel", "")}
        parts = [getattr(step, "expression", None), *step.conditions]
        limit = getattr(step, "limit", None)
        parts += [limit.min, limit.max] if limit is not None else []
        names |= {name for part in parts if part is not None for name in part.channels}
    for invariant in plan.invariants:
        names |= {name for part in invariant.conditions for name in part.channels}
    return names - {""}


def _failed_channel(document: Mapping[str, Any], bench: Bench) -> str:
    """The channel whose own step did not pass; '' when none did."""
    for step in document["steps"]:
        name = step["name"].split(" ", 1)[0]
        if step["verdict"] in ("fail", "inconclusive") and name in bench.channels and not document["trouble"]:
            return name
    return ""


def _readable(bench: Bench) -> Iterator[Channel]:
    return (channel for channel in bench.channels.values() if _read_by_itself(channel))


def _read_by_itself(channel: Channel) -> bool:
    """Not by a person, and not by grace of the box."""
    return channel.direction == "read" and not channel.may_be_silent and not channel.by_person


def _reads(channel: Channel) -> Iterator[str]:
    if not _read_by_itself(channel):
        return
    if channel.states:
        states = " or ".join(f"{channel.name} == '{state}'" for state in channel.states)
        yield f"{{name: {channel.name} reads, await: {states}, within: 2 s}}"
    elif channel.unit is not None and channel.range is not None:
        low, high = (f"{end:.10g} {channel.unit}".rstrip() for end in channel.range)
        if "inf" not in low + high:
            limit = f"limit: {{min: {low}, max: {high}}}"
            yield f"{{name: {channel.name} reads, check: {channel.name}, within: 2 s, {limit}}}"


def _walks(channel: Channel, channels: Mapping[str, Channel]) -> Iterator[str]:
    if channel.direction != "driven" or not channel.states or channel.name in NOT_WALKED:
        return
    follower = FOLLOWED_BY.get(channel.name)
    for state in (*(state for state in channel.states if state != channel.safe), str(channel.safe)):
        yield f"{{name: {channel.name} goes to {state}, drive: {{{channel.name}: '{state}'}}}}"
        yield f"{{pause: {SETTLE}}}"
        if follower in channels:
            yield f"{{name: {channel.name} is followed to {state}, await: {follower} == '{state}', within: 7 s}}"
