"""From step entries of the file to checked steps: names, dimensions, ranges, limits, `use` and `repeat` expanded.

What is wrong goes to the problems of the surroundings, which the caller raises at the end; a part that could not be
resolved is None until then, so a step is never seen by anybody while one of its parts is missing.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Iterator, Sequence
from pathlib import Path
from typing import Any, TypeVar

from bench.events import Value
from bench.language import plan
from bench.language.bounds import resolve_limit
from bench.language.channel import Channel
from bench.language.constants import duration_s, overrides, resolve_values
from bench.language.expressions import BOOLEAN, TEXT, Condition, Expression, Scope, constant, parse
from bench.language.frames import resolve_send
from bench.language.located import Text, either, shown, suggestion
from bench.language.register import Requirement
from bench.language.rules import is_ratio
from bench.language.sequence_file import StepEntry
from bench.language.surroundings import Surroundings, known_faults
from bench.language.terms import Number
from bench.language.units import PLAIN, TIME, UNITS, parse_quantity

MOST_STEPS = 10_000
MOST_REPEATS = 10_000
MOST_USES = 20
DEFAULT_WITHIN_S = 5.0
DEFAULT_FROM_S = 10.0
DEFAULT_ANSWER_S = 600.0
T = TypeVar("T")


class StepResolver:
    """Resolves the steps of one sequence; `chain` names the sequences that lead to it."""

    def __init__(self, surroundings: Surroundings, scope: Scope, folder: Path, chain: tuple[str, ...]):
        self.surroundings = surroundings
        self.bench = surroundings.bench
        self.problems = surroundings.problems
        self.scope = scope
        self.folder = folder
        self.chain = chain

    def steps(self, entries: Iterable[StepEntry], prefix: str = "") -> tuple[plan.Step, ...]:
        """The steps of a list; their paths are `prefix` and the number."""
        resolved = []
        for number, entry in enumerate(entries, 1):
            self.surroundings.steps += 1
            if self.surroundings.steps > MOST_STEPS:
                if self.surroundings.steps == MOST_STEPS + 1:
                    at = next(_texts(entry))
                    self.problems.add(
                        at.place.problem(f"more than {MOST_STEPS} steps, 'use' written out", "use 'repeat'")
                    )
                break
            step = self._tried(lambda entry=entry, path=f"{prefix}{number}": self._step(entry, path))
            if step is not None:
                resolved.append(step)
        return tuple(resolved)

    # -- helpers -------------------------------------------------------------------------------------------------

    def _tried(self, make: Callable[[], T]) -> T:
        """What `make` gives; None, with the problems kept, when it raises InputError."""
        with self.problems.collecting():
            return make()
        return None  # type: ignore[return-value]

    def _step(self, entry: StepEntry, path: str) -> plan.Step:
        requirement = None
        if entry.requirement is not None:
            requirement = self._tried(lambda: self.surroundings.register.find(entry.requirement))
        line = min(text.place.line for text in _texts(entry))
        name = str(entry.name or default_name(entry))
        return getattr(self, f"_{entry.KIND}")(entry, plan.Step(path, name, line, requirement))

    def _condition(self, text: Text) -> Condition:
        return self._tried(lambda: parse_condition(text, self.scope))

    def _duration(self, text: Text | None, default_s: float = DEFAULT_WITHIN_S) -> float:
        return default_s if text is None else self._tried(lambda: duration_s(text, self.scope))

    def _limit(self, entry: Any, judged: Any, requirement: Requirement | None) -> plan.Limit | None:
        if entry.limit is not None and entry.requirement is not None:
            right = f"take 'limit:' out ({entry.requirement} brings its own), or 'requirement:'"
            raise next(_texts(entry.limit), entry.requirement).place.error("both a requirement and a limit", right)
        if entry.limit is not None and entry.limit.min is None and entry.limit.max is None:
            raise next(_texts(entry)).place.error("the limit is empty", "give min, max or both")
        named = (requirement, entry.requirement) if requirement is not None else None
        return resolve_limit(entry.limit, judged, self.scope, self.problems, named)

    # -- stimuli -------------------------------------------------------------------------------------------------

    def _drive(self, entry: Any, step: plan.Step) -> plan.Step:
        changes: dict[str, Value] = {}
        for name, text in entry.drive.items():
            with self.problems.collecting():
                channel = self._channel(name)
                if channel.direction != "driven":
                    raise name.place.error(f"{name} is read, not driven", "drive one of the driven channels")
                changes[str(name)] = driven_value(channel, text, self.scope)
        return plan.Drive(*_common(step), changes)

    def _channel(self, name: Text) -> Channel:
        if name not in self.bench.channels:
            raise name.place.error(f"the bench has no channel {shown(name)}", suggestion(name, self.bench.channels))
        return self.bench.channels[name]

    def _send(self, entry: Any, step: plan.Step) -> plan.Step:
        return plan.Send(*_common(step), *resolve_send(entry.send, self.scope, self.surroundings))

    def _inject(self, entry: Any, step: plan.Step) -> plan.Step:
        return plan.Inject(*_common(step), tuple(self._names(entry.inject, ())))

    def _restore(self, entry: Any, step: plan.Step) -> plan.Step:
        own = [name for name, channel in self.bench.channels.items() if channel.follows]
        return plan.Restore(*_common(step), tuple(self._names(entry.restore, own)))

    def _names(self, given: Any, channels: Sequence[str]) -> Iterator[str]:
        """Names of faults, or of the channels that may stand beside them."""
        for name in [given] if isinstance(given, Text) else given:
            if name not in channels and self.bench.simulated and not self.surroundings.archived:
                faults = known_faults()
                if name in self.bench.channels:
                    wrong = f"{name} follows nothing by itself"
                    right = f"drive it, or name a fault{' or ' * bool(channels)}{', '.join(channels)}"
                    self.problems.add(name.place.problem(wrong, right))
                elif name not in faults:
                    wrong = f"no fault is called {shown(name)}"
                    self.problems.add(name.place.problem(wrong, suggestion(name, (*faults, *channels))))
            yield str(name)

    # -- judged steps --------------------------------------------------------------------------------------------

    def _await(self, entry: Any, step: plan.Step) -> plan.Step:
        return plan.Await(*_common(step), self._condition(entry.await_), self._duration(entry.within))

    def _check(self, entry: Any, step: plan.Step) -> plan.Step:
        expression = self._tried(lambda: parse(entry.check, self.scope))
        at = self._condition(entry.at) if entry.at is not None else None
        by_person = expression is not None and any(self.scope.channels[name].by_person for name in expression.channels)
        within_s = self._duration(entry.within, DEFAULT_ANSWER_S if by_person else DEFAULT_WITHIN_S)
        if by_person and at is not None:
            raise entry.at.place.error("a person cannot read at an instant", "take 'at:' out")
        limit = calibrated = None
        if expression is not None:
            limit = self._check_limit(entry, expression, step.requirement)
            if entry.calibrated is not None:
                calibrated = self._calibration(entry, expression)
        return plan.Check(*_common(step), expression, at, limit, within_s, calibrated)

    def _calibration(self, entry: Any, expression: Expression) -> plan.Calibration:
        if entry.at is None:
            right = "add 'at:', or take 'calibrated:' out"
            raise next(_texts(entry.calibrated)).place.error("calibrated after an instant, and none is named", right)
        if not is_ratio(expression.term):
            wrong = (
                f"{shown(entry.check)} is not the ratio of two channels of one kind, so nothing says what it should be"
            )
            raise entry.check.place.error(wrong, "check for example ts_voltage / pack_voltage")
        for name in expression.channels:
            if self.bench.channels[name].direction == "driven":
                raise entry.check.place.error(f"{name} is driven and needs no calibration", "check two that are read")
        return plan.Calibration(self._condition(entry.calibrated.while_), self._duration(entry.calibrated.for_))

    def _check_limit(self, entry: Any, expression: Expression, requirement: Requirement | None) -> plan.Limit | None:
        if expression.dimension is TEXT:
            raise entry.check.place.error(f"{shown(entry.check)} is a text", f"compare it: {entry.check} == '...'")
        if expression.dimension is BOOLEAN:
            if entry.limit is not None:
                raise entry.check.place.error("a condition has no limit", "take 'limit:' out, or check a quantity")
            return None
        if not expression.channels:
            raise entry.check.place.error(f"{shown(entry.check)} names no channel", "check something that is read")
        told = entry.requirement is not None and requirement is None  # an unknown id, already a problem
        brought = entry.limit or (requirement.limit if requirement is not None else None)
        if brought is None and not told:
            wrong = f"{shown(entry.check)} is {expression.dimension.noun} without a limit"
            raise entry.check.place.error(wrong, "add 'limit: {min: ..., max: ...}' or a requirement that has one")
        return self._limit(entry, expression.term, requirement)

    def _time(self, entry: Any, step: plan.Step) -> plan.Step:
        from_, to = self._condition(entry.time.from_), self._condition(entry.time.to)
        judged = Number("the time", 0, TIME, 0.0, UNITS["s"])
        limit = self._limit(entry, judged, step.requirement)
        from_within_s = to_within_s = self._duration(entry.within, DEFAULT_FROM_S)
        if limit is not None and limit.max is not None:
            longest = limit.max.constant
            if longest is None:
                at = entry.limit.max if entry.limit is not None else entry.requirement
                raise at.place.error("the longest time changes while the box runs", "give a max of fixed length")
            to_within_s = longest.value + 1.0
        elif entry.within is None and self._can_tell(entry, step.requirement):
            raise entry.time.to.place.error(
                "neither a max nor 'within': this could wait for ever", "add one of the two"
            )
        return plan.Time(*_common(step), from_, to, limit, from_within_s, to_within_s)

    @staticmethod
    def _can_tell(entry: Any, requirement: Requirement | None) -> bool:
        """Whether the absence of a max is the author's, not the consequence of a problem already told."""
        bounds = entry.limit if entry.limit is not None else requirement.limit if requirement is not None else None
        return (entry.requirement is None or requirement is not None) and (bounds is None or bounds.max is None)

    def _hold(self, entry: Any, step: plan.Step) -> plan.Step:
        return plan.Hold(*_common(step), self._condition(entry.hold), self._duration(entry.for_))

    def _count(self, entry: Any, step: plan.Step) -> plan.Step:
        channel = self._tried(lambda: self._channel(entry.count))
        if channel is not None and channel.by_person:
            raise entry.count.place.error(f"{entry.count} is read by a person and cannot be counted", "check it")
        limit = self._limit(entry, Number("the count", 0, PLAIN, 0.0, UNITS[""]), step.requirement)
        if limit is None and entry.limit is None and (entry.requirement is None or step.requirement is not None):
            raise entry.count.place.error("a count without a limit", "add for example 'limit: {max: 2}'")
        return plan.Count(*_common(step), str(entry.count), self._duration(entry.for_), limit)

    def _pause(self, entry: Any, step: plan.Step) -> plan.Step:
        return plan.Pause(*_common(step), self._duration(entry.pause))

    def _ask(self, entry: Any, step: plan.Step) -> plan.Step:
        answers = tuple(map(str, entry.answers or ("yes", "no")))
        for answer in (entry.expect, entry.simulated):
            if answer is not None and answer not in answers:
                wrong = f"{shown(answer)} is not one of the answers"
                self.problems.add(answer.place.problem(wrong, suggestion(answer, answers, "answers")))
        expect = str(entry.expect or answers[0])
        beside = [self._tried(lambda name=name: self._channel(name)) for name in entry.shows or ()]
        simulated = str(entry.simulated) if entry.simulated is not None else None
        within_s = self._duration(entry.within, DEFAULT_ANSWER_S)
        shows = tuple(channel.name for channel in beside if channel is not None)
        return plan.Ask(*_common(step), str(entry.ask), answers, expect, simulated, within_s, shows, bool(entry.photo))

    # -- steps that hold steps -----------------------------------------------------------------------------------

    def _repeat(self, entry: Any, step: plan.Step) -> plan.Step:
        times = self._tried(lambda: self._times(entry.repeat))
        return plan.Repeat(*_common(step), times, self.steps(entry.steps, f"{step.path}."))

    def _times(self, text: Text) -> int:
        value = constant(text, self.scope)
        whole = not isinstance(value, str) and not value.unit.name and value.value == int(value.value)
        if isinstance(value, str) or not whole or not 2 <= value.value <= MOST_REPEATS:
            raise text.place.error(
                f"{shown(text)} is not a number of times", f"write a number from 2 to {MOST_REPEATS}"
            )
        return int(value.value)

    def _use(self, entry: Any, step: plan.Step) -> plan.Step:
        name = entry.use
        given = overrides(entry.values, self.scope, self.problems)
        if name in self.chain or len(self.chain) > MOST_USES:
            chain = " -> ".join([*self.chain, str(name)])
            if name in self.chain:
                raise name.place.error(f"{shown(name)} uses itself: {chain}", "take one 'use' out of the circle")
            raise name.place.error(f"more than {MOST_USES} sequences use each other", "write it flatter")
        used = self.surroundings.find(name, self.folder)
        self.surroundings.uses[f"uses/{name}.yaml"] = used.text
        values = resolve_values(used.document.values, given, self.bench, self.problems)
        scope = Scope(self.scope.channels, values)
        inner = StepResolver(self.surroundings, scope, used.path.parent, (*self.chain, str(name)))
        return plan.Use(*_common(step), str(name), inner.steps(used.document.steps, f"{step.path}."))


def parse_condition(text: Text, scope: Scope) -> Condition:
    """A condition. Raises InputError for anything else, saying what it is."""
    expression = parse(text, scope)
    if not isinstance(expression, Condition):
        wrong = f"{shown(text)} is {expression.dimension.noun}; a condition is due"
        unit = expression.unit
        example = f"{text} == '...'" if expression.dimension is TEXT else f"{text} > 5 {unit.name if unit else ''}"
        raise text.place.error(
            wrong, f"write for example {example.strip()}" if expression.channels else "compare a channel"
        )
    for name in expression.channels:
        if scope.channels[name].by_person:
            raise text.place.error(f"{name} is read by a person and cannot be watched", f"write 'check: {text}'")
    return expression


def driven_value(channel: Channel, text: Text, scope: Scope) -> Value:
    """What a drive step gives a channel, in the channel's unit. Raises InputError for what the channel cannot take."""
    if channel.unit is None:
        value = scope.values.get(text, str(text)) if text not in (channel.states or ()) else str(text)
        if not isinstance(value, str):
            raise text.place.error(f"{text} is {value.unit.dimension.noun}, not a state of {channel.name}")
        if channel.states and value not in channel.states:
            near = suggestion(value, channel.states)
            right = near if near.startswith("did") else f"it is {either(channel.states)}"
            raise text.place.error(f"{shown(value)} is not a state of {channel.name}", right)
        return value
    unit = UNITS[channel.unit]
    literal = re.match(r"-?inf ", text)
    value = parse_quantity(text, text.place, infinite=True) if literal else constant(text, scope)
    if isinstance(value, str) or value.unit.dimension != unit.dimension or bool(value.unit.name) != bool(unit.name):
        noun = "a text" if isinstance(value, str) else value.unit.dimension.noun
        bare = not isinstance(value, str) and not value.unit.name
        wrong = f"{shown(text)} is {noun}, {channel.name} is {unit.dimension.noun} in {unit.name}"
        raise text.place.error(wrong, f"write for example '{text if bare else 5} {unit.name}'")
    own = unit.from_base(value.value)
    low, high = channel.range or (float("-inf"), float("inf"))
    if not low <= own <= high or (literal and channel.range is None):
        raise text.place.error(f"{text} is outside the range of {channel.name}", f"{low:g} to {high:g} {unit.name}")
    return own


def default_name(entry: Any) -> str:
    """What a step is called when its author did not name it."""
    match entry.KIND:
        case "drive":
            return "Drive " + ", ".join(f"{name} {value}" for name, value in entry.drive.items())
        case "send":
            return f"Send {entry.send.message or entry.send.id}"
        case "time":
            return f"Time from {entry.time.from_} to {entry.time.to}"
        case "hold":
            return f"Hold {entry.hold} for {entry.for_}"
        case "count":
            return f"Count changes of {entry.count} for {entry.for_}"
        case "repeat":
            return f"Repeat {entry.repeat} times"
        case "inject" | "restore":
            given = getattr(entry, entry.KIND)
            return f"{entry.KIND.capitalize()} " + (given if isinstance(given, str) else ", ".join(given))
        case "check":
            return f"Check {entry.check}" + (f" at {entry.at}" if entry.at is not None else "")
        case "await":
            return f"Await {entry.await_}"
        case "ask":
            return str(entry.ask)
    return f"{entry.KIND.capitalize()} {getattr(entry, entry.KIND)}"


def _common(step: plan.Step) -> tuple[str, str, int, Requirement | None]:
    return step.path, step.name, step.line, step.requirement


def _texts(node: Any) -> Iterator[Text]:
    """All texts in an entry, wherever they stand."""
    if isinstance(node, Text):
        yield node
    elif isinstance(node, dict):
        for key, value in node.items():
            yield from _texts(key)
            yield from _texts(value)
    elif isinstance(node, list):
        for each in node:
            yield from _texts(each)
    elif hasattr(node, "model_fields_set"):
        for name in type(node).model_fields:
            yield from _texts(getattr(node, name))
