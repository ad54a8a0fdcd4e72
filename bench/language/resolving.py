"""From a sequence file of the right shape to its plans, one a case: names, dimensions, limits, all checked."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from pathlib import Path
from typing import Any

from bench.language import plan
from bench.language.constants import duration_s, overrides, resolve_values, simulated_parameters
from bench.language.expressions import Scope
from bench.language.located import Text, shown
from bench.language.register import Register
from bench.language.sequence_file import CaseEntry, StepEntry
from bench.language.steps import StepResolver, parse_condition
from bench.language.surroundings import SequenceFile, Surroundings


def resolve_plans(file: SequenceFile, surroundings: Surroundings) -> list[plan.Plan]:
    """The plans of a file. Problems go to `surroundings.problems`; with any, the plans are not to be used."""
    document = file.document
    _check_names(document.cases or (), surroundings)
    _check_names([*_all_steps(document.steps), *_all_steps(document.afterwards or ())], surroundings)
    _check_names(document.invariants or (), surroundings)
    for id in document.proves or ():
        with surroundings.problems.collecting():
            surroundings.register.find(id)
    return [_plan(file, case, surroundings) for case in document.cases or (None,)]


def _plan(file: SequenceFile, case: CaseEntry | None, surroundings: Surroundings) -> plan.Plan:
    document, bench, problems = file.document, surroundings.bench, surroundings.problems
    surroundings.steps = 0
    surroundings.uses = {}
    channels_only = Scope(bench.scope.channels)
    instead = overrides(case.values, channels_only, problems) if case is not None else {}
    scope = Scope(bench.scope.channels, resolve_values(document.values, instead, bench, problems))
    simulated = simulated_parameters(document.simulated, scope, problems)
    if case is not None:
        simulated |= simulated_parameters(case.simulated, scope, problems)
    resolver = StepResolver(surroundings, scope, file.path.parent, (str(document.sequence),))
    return plan.Plan(
        sequence=str(document.sequence),
        title=str(document.title or document.sequence),
        case=str(case.name) if case is not None else "",
        energy=str(document.energy or "dry"),
        proves=tuple(map(str, document.proves or ())),
        power=str(document.power or "on"),
        simulated=simulated,
        invariants=_invariants(file, scope, surroundings, (str(document.sequence),)),
        steps=resolver.steps(document.steps),
        afterwards=resolver.steps(document.afterwards or (), "afterwards."),
        bench=bench,
        file=str(file.path),
        sources={
            "sequence.yaml": file.text,
            "bench.yaml": bench.source_text,
            "requirements.yaml": surroundings.register.source_text,
            **({"limits.yaml": surroundings.register.limits_text} if surroundings.register.limits_text else {}),
            **surroundings.uses,
        },
        purpose=str(document.purpose or ""),
        tags=tuple(map(str, document.tags or ())),
    )


def _invariants(
    file: SequenceFile, scope: Scope, surroundings: Surroundings, chain: tuple[str, ...]
) -> tuple[plan.Invariant, ...]:
    """The rules of a file, those that it takes from others among them; `chain` names the sequences that lead to it."""
    found: list[plan.Invariant] = []
    for entry in file.document.invariants or ():
        with surroundings.problems.collecting():
            if entry.KIND == "use":
                found += _rules_of(entry.use, file.path.parent, surroundings, chain)
                continue
            if entry.name is not None and entry.name in {invariant.name for invariant in found}:
                wrong = f"a rule taken over with 'use' is called {shown(entry.name)} already"
                raise entry.name.place.error(wrong, "give each its own name")
            found.append(resolve_rule(entry, scope, surroundings.register))
    return tuple(found)


def _rules_of(
    name: Text, folder: Path, surroundings: Surroundings, chain: tuple[str, ...]
) -> tuple[plan.Invariant, ...]:
    """The rules of another sequence, with its own values: the same for whoever uses them, so resolved once."""
    if name in chain:
        wrong = f"{shown(name)} uses itself: {' -> '.join([*chain, str(name)])}"
        raise name.place.error(wrong, "take one 'use' out of the circle")
    used = surroundings.find(name, folder)
    if used.path not in surroundings.rules:
        before, surroundings.uses = surroundings.uses, {f"uses/{name}.yaml": used.text}
        values = resolve_values(used.document.values, {}, surroundings.bench, surroundings.problems)
        scope = Scope(surroundings.bench.scope.channels, values)
        rules = _invariants(used, scope, surroundings, (*chain, str(name)))
        surroundings.rules[used.path] = rules, surroundings.uses
        surroundings.uses = before
    rules, uses = surroundings.rules[used.path]
    surroundings.uses |= uses
    return rules


def resolve_rule(entry: Any, scope: Scope, register: Register) -> plan.Invariant:
    """One rule of a sequence or bench file; `register` has the requirement that it may name. Raises InputError."""
    text = getattr(entry, entry.KIND)
    condition = parse_condition(text, scope)
    rule, more = f"{entry.KIND} {text}", {}
    if entry.KIND == "when":
        rule += f" must {entry.must} within {entry.within}"
        more = {"must": parse_condition(entry.must, scope), "within_s": duration_s(entry.within, scope, zero=True)}
    elif entry.KIND == "after":
        rule += f" refuse {entry.refuse}"
        more = {"refuse": parse_condition(entry.refuse, scope), "within_s": float("inf")}
        if entry.until is not None:
            rule += f" until {entry.until}"
            more["until"] = parse_condition(entry.until, scope)
        if entry.within is not None:
            rule += f" within {entry.within}"
            more["within_s"] = duration_s(entry.within, scope, zero=True)
        if entry.bounce is not None:
            rule += f" bounce {entry.bounce}"
            more["bounce_s"] = duration_s(entry.bounce, scope, zero=True)
    requirement = register.find(entry.requirement).id if entry.requirement is not None else ""
    return plan.Invariant(str(entry.name or rule), rule, entry.KIND, condition, requirement=requirement, **more)


def _all_steps(entries: Iterable[StepEntry]) -> Iterator[StepEntry]:
    for entry in entries:
        yield entry
        yield from _all_steps(getattr(entry, "steps", ()))


def _check_names(entries: Iterable[Any], surroundings: Surroundings) -> None:
    """A name given twice makes a report ambiguous."""
    seen: dict[str, int] = {}
    for entry in entries:
        if entry.name is None:
            continue
        if entry.name in seen:
            wrong = f"the name {shown(entry.name)} is already in line {seen[entry.name]}"
            surroundings.problems.add(entry.name.place.problem(wrong, "give each its own name"))
        seen.setdefault(str(entry.name), entry.name.place.line)
