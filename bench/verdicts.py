"""The four verdicts, and which one stands for the whole."""

from __future__ import annotations

from collections.abc import Iterable
from enum import StrEnum


class Verdict(StrEnum):
    PASS = "pass"
    FAIL = "fail"
    INCONCLUSIVE = "inconclusive"
    NOT_RUN = "not-run"


#: A verdict is a word and a shape; both read in black and white.
SHAPES = {"pass": "●", "fail": "✗", "inconclusive": "?", "not-run": "○", None: " "}
_WORST_FIRST = (Verdict.FAIL, Verdict.INCONCLUSIVE, Verdict.NOT_RUN, Verdict.PASS)


def worst(verdicts: Iterable[Verdict]) -> Verdict:
    """The verdict of the whole: fail > inconclusive > not-run > pass. Nothing judged is inconclusive."""
    found = set(verdicts)
    return next((verdict for verdict in _WORST_FIRST if verdict in found), Verdict.INCONCLUSIVE)


def exit_status(verdict: Verdict) -> int:
    """0 all pass, 1 a fail, 3 inconclusive or not run (2 is kept for wrong use)."""
    return {Verdict.PASS: 0, Verdict.FAIL: 1}.get(verdict, 3)
