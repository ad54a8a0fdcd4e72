"""What `run --plan` tells, as it can be compared with what a run has then driven."""

from collections.abc import Iterable

from bench.events import Driving
from bench.runner.planning import plan_document
from tests.suite import REGISTER


def told(plan, injections=()):
    document = plan_document([plan], plan.bench, REGISTER, injections)
    (run,) = document["runs"]
    return run


def drives(entries):
    """(step's name, {channel: value}) in the order of the run, repetitions written out."""
    for entry in entries:
        for _ in range(entry.get("times", 1)):
            if "drives" in entry:
                yield entry["name"], {drive["channel"]: drive["to"] for drive in entry["drives"]}
            yield from drives(entry.get("steps", ()))


def each_entry(entries):
    for entry in entries:
        yield entry
        yield from each_entry(entry.get("steps", ()))


def changes(run):
    return {change["channel"]: change["to"] for change in run}


def plain(values):
    return {name: str(value) if value == float("inf") else value for name, value in values.items()}


def all_drives(plan):
    """(name, {channel: value}) of everything that a passing run drives, in order."""
    run = told(plan)
    stimuli = [*drives(run["steps"]), *drives(run["afterwards"])]
    return [("initial values", changes(run["at_start"])), *stimuli, ("safe values", changes(run["at_the_end"]))]


def driven(marks: Iterable):
    """The same, of the events of a run."""
    done = [(event.stimulus, plain(event.changes)) for event in marks if isinstance(event, Driving)]
    return [entry for entry in done if entry[1]]
