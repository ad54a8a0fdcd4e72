"""Which energy stage a run may have: `dry`, `reduced`, `live`.

The upper half decides and touches nothing: given the manifests that there are, what is asked for, and who is there.
The lower half, `permit`, puts the questions to disk and terminal. Every refusal is one line that says what to do.

A simulated bench counts as every stage and so do stand-ins: nobody can be hurt there, and their records open nothing.
"""

from __future__ import annotations

import os
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any

from bench.errors import InputError, Problem, RecordError
from bench.record.manifest import entry_of
from bench.record.store import Kept, closed_records
from bench.runner.acknowledging import Acknowledgement, Clocks, Terminal, acknowledge

if TYPE_CHECKING:
    from bench.language.bench_file import Bench
    from bench.language.plan import Plan

STAGES = ("dry", "reduced", "live")
SIMULATED = "simulated"  # the stage of a simulated run that names none
LEAST_WORDS = 3  # of a reason
LEAST_PEOPLE = 2
FAILED = "is fail"

CAUTIONS = {
    "dry": ("dry: no high voltage may be connected; local rules and licensed practice come first.",),
    "reduced": (
        "reduced: a current-limited bench supply below 60 V DC, and no pack.",
        "Local rules and licensed practice come first.",
        "The pack stays disconnected, and its connectors covered, for as long as this stage lasts.",
        "The intermediate circuit stays charged after a failed discharge: measure before you touch.",
        "This software is not a safety device; the shutdown loop and the emergency stop protect people.",
    ),
    "live": (
        "live: the pack is connected. Its voltage kills.",
        "Local rules and licensed practice come first: only qualified people, and never one alone.",
        "Barriers up, insulated gloves and tools, the emergency stop within reach of the second person.",
        "Nobody touches box or harness while the bench drives, nor before zero voltage is proven.",
        "Zero voltage is proven with an approved tester, never by this tool.",
        "This software is not a safety device; the shutdown loop and the emergency stop protect people.",
    ),
}

#: Keys of a device that say where it is, and what such a place looks like when it is a stand-in's.
_WHERE = ("port", "serial_number", "host", "channel", "resource")
_ON_THIS_HOST = ("127.0.0.1", "localhost", "[::1]")
_PSEUDO_TERMINALS = ("/dev/pts/", "/dev/ttys")


@dataclass(frozen=True)
class Wanted:
    """What is asked for, for all runs of one command. `stage` is '' where nothing was said, `override` None."""

    stage: str = ""
    box: str = ""
    firmware: Mapping[str, str] = field(default_factory=dict)
    override: str | None = None
    people: tuple[str, ...] = ()
    rules: Path | None = None


# -- deciding ----------------------------------------------------------------------------------------------------


def names_of(given: Iterable[str]) -> tuple[str, ...]:
    """People, from `--people A,B` and repetitions of it."""
    return tuple(" ".join(name.split()) for text in given for name in text.split(",") if name.strip())


def too_high(plan: Plan, stage: str) -> Problem | None:
    """A sequence says how high it may go."""
    if STAGES.index(stage) <= STAGES.index(plan.energy):
        return None
    wrong = f"{plan.sequence} may run at {plan.energy} at most, not at {stage}"
    return _energy_place(plan)._replace(wrong=wrong, right=f"leave it out, or run it with --stage {plan.energy}")


def lacking_identity(stage: str, box: str, firmware: Mapping[str, str]) -> list[Problem]:
    """Above dry a record has to say what it is about."""
    problems = []
    if not box.strip():
        wrong = f"at {stage} the record must say which box this is"
        problems.append(Problem("--box", 0, 0, wrong, "give --box TEXT, for example its serial number"))
    if not any(value.strip() for value in firmware.values()):
        wrong = f"at {stage} the record must say what runs in the box"
        problems.append(Problem("--firmware", 0, 0, wrong, "give --firmware FILE (it is hashed) or its version"))
    return problems


def weak_override(reason: str) -> Problem | None:
    """A reason that nobody could read as one."""
    if len([word for word in reason.split() if any(map(str.isalpha, word))]) >= LEAST_WORDS:
        return None
    wrong = f"{reason!r} is no reason" if reason.strip() else "the reason is blank"
    return Problem("--override", 0, 0, wrong, "write why in a few words; the report shows them on its first page")


def same_firmware(one: Any, other: Any) -> bool:
    """The same binary where there is a hash, else the same text; nothing is the same as nothing."""
    if not isinstance(one, Mapping) or not isinstance(other, Mapping):
        return False
    key = "sha256" if "sha256" in one or "sha256" in other else "text"
    return bool(one.get(key)) and one.get(key) == other.get(key)


def shortcoming(manifest: Mapping[str, Any], plan: Plan, wanted: Wanted) -> str | None:
    """Why this record does not open `wanted.stage` to `plan`: '' when it does (if it is intact), None when it is
    about something else altogether."""
    lower = _below(wanted.stage)
    if (manifest.get("sequence"), manifest.get("case")) != (plan.sequence, plan.case) or manifest.get("stage") != lower:
        return None
    if manifest.get("simulated") is not False:
        return "is simulated"
    if manifest.get("box") != wanted.box:
        return f"is of box {manifest.get('box') or 'unknown'}"
    if not same_firmware(manifest.get("firmware"), wanted.firmware):
        return f"is of firmware {_firmware_text(manifest.get('firmware'))}"
    files = manifest.get("files", {})
    if any(files.get(name) != entry_of(text.encode()) for name, text in plan.sources.items() if _is_sequence(name)):
        return "is of another text of the sequence"
    document = manifest.get("document")
    verdict = document.get("verdict") if isinstance(document, Mapping) else None
    if verdict != "pass" and not (verdict == "not-run" and _only_could_not_fail(document)):
        return FAILED if verdict == "fail" else f"is {verdict or 'without a verdict'}"
    return ""


def _only_could_not_fail(document: Mapping[str, Any]) -> bool:
    """Whether all that is not-run is steps that were reached and could not fail at that stage, as below 60 V with a
    50 V supply: nothing lower can show them, so they keep nobody from the stage that can."""
    steps, rules = document.get("steps", ()), document.get("invariants", ())
    reached = all(step.get("verdict") != "not-run" or step.get("began_s") is not None for step in steps)
    return reached and all(rule.get("verdict") == "pass" for rule in rules)


def opened_by(
    records: Iterable[Kept], plan: Plan, wanted: Wanted, intact: Callable[[Path], bool]
) -> tuple[Path | None, str]:
    """Of `records`, newest first: the one that opens `wanted.stage` to `plan`, or what the newest that nearly does
    falls short of. A fail closes the gate for what passed before it; trouble of the bench does not."""
    short = ""
    for kept in records:
        falls = shortcoming(kept.manifest, plan, wanted)
        if falls == FAILED:
            return None, f"{kept.folder.name} {falls}"
        if falls == "":
            if intact(kept.folder):
                return kept.folder, ""
            falls = "is not what it was when it was closed"
        if falls and not short:
            short = f"{kept.folder.name} {falls}"
    return None, short


def live_lacks(people: Sequence[str], rules: Path | None, terminal: Terminal) -> list[Problem]:
    """What nobody can override: a person at a terminal, a second one, and the rules of the place."""
    problems = []
    if terminal.in_ci:
        wrong = "live cannot be started from CI (CI is set in the environment)"
        problems.append(Problem("--stage", 0, 0, wrong, "start it at the bench"))
    if not terminal.present:
        wrong = "live needs a terminal on standard input and output"
        problems.append(Problem("--stage", 0, 0, wrong, "start it by hand at the bench, without pipes"))
    different = {name.casefold() for name in people if any(map(str.isalpha, name))}
    if len(different) < LEAST_PEOPLE:
        wrong = f"live needs two different people by name, {len(different)} given"
        problems.append(Problem("--people", 0, 0, wrong, "give --people NAME,NAME"))
    if rules is None:
        wrong = "live needs the local rules, to be acknowledged line by line"
        problems.append(Problem("--rules", 0, 0, wrong, "give --rules FILE"))
    return problems


def not_stand_ins(bench: Bench) -> list[Problem]:
    """A bench file that says `stands_in: true` must not reach beyond this computer: real hardware hangs there."""
    problems = []
    for device in bench.devices.values():
        for key in _WHERE:
            place = str(device.options.get(key, ""))
            if place and not place.isdigit() and not _is_on_this_host(place):
                wrong = f"the file says stands_in, but device {device.name} has {key} {place}"
                right = "take 'stands_in' out of a bench file for real devices"
                problems.append(Problem(bench.file, 0, 0, wrong, right))
    return problems


def _is_on_this_host(place: str) -> bool:
    return any(host in place for host in _ON_THIS_HOST) or os.path.realpath(place).startswith(_PSEUDO_TERMINALS)


def _is_sequence(name: str) -> bool:
    return name == "sequence.yaml" or name.startswith("uses/")


def _below(stage: str) -> str:
    return STAGES[STAGES.index(stage) - 1]


def _energy_place(plan: Plan) -> Problem:
    """Where the sequence says its stage; where its name stands if it does not say one."""
    from bench.language.yaml_nodes import compose

    root = compose(plan.sources["sequence.yaml"], plan.file)
    value = root.get("energy", root["sequence"])
    return value.place.problem("")


def _firmware_text(firmware: Any) -> str:
    fields = firmware if isinstance(firmware, Mapping) else {}
    return str(fields.get("text") or fields.get("sha256", "")[:12] or "unknown")


# -- asking disk and people --------------------------------------------------------------------------------------


class Permit:
    """That these runs may have their stage: what opened it, what was overridden, who acknowledged what.

    `stage` is one of STAGES, or `simulated`.
    """

    def __init__(self, stage: str, wanted: Wanted, terminal: Terminal, clocks: Clocks | None = None):
        self.stage = stage
        self.wanted = wanted
        self.acknowledgement: Acknowledgement | None = None
        self.opened_by: dict[tuple[str, str], str] = {}
        self.overrides: dict[tuple[str, str], str] = {}
        self._terminal = terminal
        self._clocks = clocks or Clocks()

    @property
    def has_lapsed(self) -> bool:
        """Whether the people have to acknowledge the rules again before the next run."""
        return self.acknowledgement is not None and self.acknowledgement.has_lapsed(self._clocks)

    def acknowledge(self) -> None:
        """Ask the people, line by line. Raises InputError when one line is not acknowledged."""
        self.acknowledgement = acknowledge(self.wanted.rules, self.wanted.people, self._terminal, self._clocks)

    def fields(self, plan: Plan) -> dict[str, Any]:
        """For the manifest of a run of `plan`."""
        key = (plan.sequence, plan.case)
        what = self.overrides.get(key)
        return {
            "stage": self.stage,
            "opened_by": self.opened_by.get(key, ""),
            "overrides": [{"what": what, "reason": self.wanted.override}] if what else [],
            "acknowledgement": self.acknowledgement.fields() if self.acknowledgement is not None else None,
        }


def permit(
    plans: Sequence[Plan], bench: Bench, wanted: Wanted, records: Path, terminal: Terminal, clocks: Clocks | None = None
) -> Permit:
    """The permit for all of `plans`, before anything is opened or driven.

    Raises InputError with every refusal, RecordError when the records cannot be looked through.
    """
    given = Permit(wanted.stage or ("dry" if bench.real else SIMULATED), wanted, terminal, clocks)
    problems = [] if given.stage == SIMULATED else [p for plan in plans if (p := too_high(plan, given.stage))]
    if bench.stands_in:
        problems += not_stand_ins(bench)
    if wanted.override is not None and (weak := weak_override(wanted.override)):
        problems.append(weak)
    if bench.real and given.stage != "dry":
        if given.stage == "live":
            problems += live_lacks(wanted.people, wanted.rules, terminal)
        problems += lacking_identity(given.stage, wanted.box, wanted.firmware)
    if problems:
        raise InputError(problems)
    if not bench.real:
        return given
    if given.stage != "dry":
        _climb(given, plans, records)
    for line in CAUTIONS[given.stage]:
        terminal.show(line)
    if given.stage == "live":
        given.acknowledge()
    return given


def _climb(given: Permit, plans: Sequence[Plan], records: Path) -> None:
    kept, problems, lower = closed_records(records), [], _below(given.stage)
    for plan in plans:
        key = (plan.sequence, plan.case)
        folder, short = opened_by(kept, plan, given.wanted, _is_intact)
        if folder is not None:
            given.opened_by[key] = folder.name
            continue
        name = f"{plan.sequence}, case {plan.case}," if plan.case else plan.sequence
        lacks = f"no passing {lower} record of {name} with this box and firmware" + (f" ({short})" if short else "")
        if given.wanted.override is not None:
            given.overrides[key] = f"run at {given.stage} with {lacks}"
        else:
            right = f"run it with --stage {lower} first, or say why not with --override REASON"
            problems.append(Problem("--stage", 0, 0, f"{records} holds {lacks}", right))
    if problems:
        raise InputError(problems)


def _is_intact(folder: Path) -> bool:
    from bench.record.verifying import Level, verify

    try:
        return verify(folder).level is Level.INTACT
    except (InputError, RecordError):
        return False
