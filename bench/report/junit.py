"""A plain JUnit summary for CI. The record is the master; this holds words only, in elements that every reader
of the format takes: a testsuite per sequence, a testcase per run."""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from pathlib import Path
from typing import Any
from xml.etree import ElementTree

from bench.errors import InputError
from bench.record.manifest import write_whole
from bench.verdicts import Verdict

_ELEMENTS = {Verdict.FAIL: "failure", Verdict.INCONCLUSIVE: "error", Verdict.NOT_RUN: "skipped"}
_COUNTS = {"failure": "failures", "error": "errors", "skipped": "skipped"}
_NOT_XML = re.compile("[^\t\n\r -\ud7ff\ue000-\ufffd\U00010000-\U0010ffff]")


def write_junit(documents: Iterable[Mapping[str, Any]], path: Path) -> None:
    """Write the runs' documents as JUnit XML. Raises InputError if `path` cannot be written."""
    try:
        write_whole(Path(path), junit_xml(documents))
    except OSError as error:
        raise InputError.at(path, f"cannot be written: {error.strerror}") from error


def junit_xml(documents: Iterable[Mapping[str, Any]]) -> bytes:
    """The runs' documents as JUnit XML. `fail` becomes failure, `inconclusive` error, `not-run` skipped."""
    root = ElementTree.Element("testsuites", name="topbox-bench")
    suites: dict[str, ElementTree.Element] = {}
    for document in documents:
        name = _clean(document["sequence"])
        if name not in suites:
            suites[name] = ElementTree.SubElement(root, "testsuite", name=name)
        _add_case(suites[name], document)
    for suite in suites.values():
        _count(suite)
    _count(root)
    del root.attrib["skipped"]  # the schema in use knows it on a testsuite only
    ElementTree.indent(root)
    return ElementTree.tostring(root, encoding="utf-8", xml_declaration=True) + b"\n"


def _add_case(suite: ElementTree.Element, document: Mapping[str, Any]) -> None:
    sequence, case = _clean(document["sequence"]), _clean(document.get("case") or "")
    time = f"{document.get('virtual_s') or 0.0:.3f}"
    element = ElementTree.SubElement(suite, "testcase", name=case or sequence, classname=sequence, time=time)
    kind = _ELEMENTS.get(document["verdict"])
    if kind is not None:
        lines = [step_text(step) for step in document["steps"] if step.get("verdict") == document["verdict"]]
        lines += [rule_text(rule) for rule in document["invariants"] if rule.get("verdict") == document["verdict"]]
        message = document.get("reason") or (lines[0] if lines else document["verdict"])
        trouble = ElementTree.SubElement(element, kind, message=_clean(message))
        if kind != "skipped":
            trouble.set("type", document["verdict"])
        trouble.text = _clean("\n".join(lines))
    judged = [step_text(step) for step in document["steps"] if step.get("verdict")]
    judged += [rule_text(rule) for rule in document["invariants"]]
    ElementTree.SubElement(element, "system-out").text = _clean("\n".join(judged))


def step_text(step: Mapping[str, Any]) -> str:
    """One judged step on one line: verdict, step, value, limit, margin, reason."""
    unit = step.get("unit") or ""
    parts = [f"{step['verdict']}: step {step.get('path') or '-'} {step['name']} ({step['kind']})"]
    for word in ("value", "limit", "margin"):
        value = step.get(word)
        if value is not None and value != "":
            shown = f"{value:.6g} {unit}".rstrip() if isinstance(value, int | float) else str(value)
            parts.append(f"{word} {shown}")
    if step.get("requirement"):
        parts.append(f"requirement {step['requirement']}")
    if step.get("reason"):
        parts.append(str(step["reason"]))
    return "; ".join(parts)


def rule_text(rule: Mapping[str, Any]) -> str:
    """One invariant on one line."""
    reason = f"; {rule['reason']}" if rule.get("reason") else ""
    return f"{rule['verdict']}: invariant {rule['rule']}{reason}"


def _count(element: ElementTree.Element) -> None:
    cases = list(element.iter("testcase"))
    element.set("tests", str(len(cases)))
    for kind, attribute in _COUNTS.items():
        element.set(attribute, str(sum(case.find(kind) is not None for case in cases)))
    element.set("time", f"{sum(float(case.get('time', '0')) for case in cases):.3f}")


def _clean(text: Any) -> str:
    """Characters that XML cannot hold become question marks."""
    return _NOT_XML.sub("?", str(text))
