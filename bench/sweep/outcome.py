"""What came of one run of a sweep, in few words: small enough to send between processes by the thousand."""

from __future__ import annotations

from typing import Any, NamedTuple

STIMULI = ("drive", "send", "inject", "restore")


class Finding(NamedTuple):
    """A step or a rule that failed. `requirement` is the one it names, ''; `after_s` is the time since the last
    stimulus, and since the beginning of the run where there was none."""

    where: str
    requirement: str
    at_s: float
    after_s: float
    reason: str


class Outcome(NamedTuple):
    """One run. `proves` are the requirements that its sequence says it proves."""

    sequence: str
    case: str
    verdict: str
    reason: str
    virtual_s: float
    proves: tuple[str, ...]
    findings: tuple[Finding, ...]
    record: str = ""

    @property
    def run(self) -> str:
        return f"{self.sequence} / {self.case}" if self.case else self.sequence


def outcome_of(document: dict[str, Any]) -> Outcome:
    """From a run's document."""
    steps = document["steps"]
    stimuli = [step["ended_s"] for step in steps if step["kind"] in STIMULI and step["ended_s"] is not None]

    def finding(where: str, requirement: str | None, at_s: float, reason: str) -> Finding:
        last = max((t for t in stimuli if t < at_s), default=0.0)  # at the same instant: already in `afterwards`
        return Finding(where, requirement or "", at_s, round(at_s - last, 6), reason)

    found = [
        finding(f"step {step['path']} ({step['name']})", step["requirement"], step["ended_s"], step["reason"])
        for step in steps
        if step["verdict"] == "fail"
    ]
    found += [
        finding(f"rule {rule['name']}", rule["requirement"], rule["at_s"], rule["reason"])
        for rule in document["invariants"]
        if rule["verdict"] == "fail"
    ]
    return Outcome(
        document["sequence"],
        document["case"],
        document["verdict"],
        document["reason"],
        document["virtual_s"],
        tuple(document["proves"]),
        tuple(sorted(found, key=lambda finding: finding.at_s)),
        document["record"],
    )
