"""A margins file, and what is wrong with one."""

import pytest

from bench.errors import InputError
from bench.language.margins import load_margins


def load(tmp_path, *entries):
    path = tmp_path / "margins.yaml"
    path.write_text("margins:\n" + "".join(f"  - {entry}\n" for entry in entries))
    return load_margins(path)


def test_by_step_then_requirement_then_dimension(tmp_path):
    margins = load(
        tmp_path, "{margin: 10 ms, reason: a}", "{requirement: R, margin: 20 ms, reason: b}",
        "{step: S, margin: 0.5 V, reason: c}", "{rule: S, margin: 1 V, reason: d}", "{margin: 2 K, reason: e}",
    )  # fmt: skip
    assert margins.find("time", "T", None, "s") == (0.01, "s", "a")
    assert margins.find("time", "T", "R", "ms") == (20.0, "ms", "b")
    assert margins.find("check", "S", "R", "s") == (0.02, "s", "b")  # the step's own margin is a voltage
    assert margins.find("check", "S", "R", "V") == (0.5, "V", "c")
    assert margins.find("rule", "S", None, "V") == (1.0, "V", "d")
    assert margins.find("check", "T", None, "degC") == (2.0, "degC", "e")
    assert margins.find("check", "T", None, "ohm") is None


@pytest.mark.parametrize(
    ("entry", "told"),
    [
        ("{margin: 0 s, reason: a}", "2:14: error: a margin of 0 s allows nothing; write a quantity above 0"),
        ("{margin: -1 s, reason: a}", "2:14: error: a margin of -1 s allows nothing; write a quantity above 0"),
        ("{margin: 10ms, reason: a}", "2:14: error: '10ms' is not spelled as a quantity; write '10 ms'"),
        ("{margin: 1 s, reason: ' '}", "2:27: error: the reason is blank; say why this much counts as the same"),
        ("{margin: 1 s}", "2:5: error: the key 'reason' is missing; add it"),
        ("{margin: 1 s, reason: a, step: S, rule: S}", "2:14: error: a margin for step and rule; make two of it"),
        ("{margin: 1 s, reason: a, stp: S}", "2:30: error: the key 'stp' is not known here; did you mean 'step'?"),
    ],
)
def test_mistakes(tmp_path, entry, told):
    with pytest.raises(InputError) as raised:
        load(tmp_path, entry)
    assert str(raised.value) == f"{tmp_path / 'margins.yaml'}:{told}"


def test_two_for_the_same(tmp_path):
    with pytest.raises(InputError, match=r":3:14: error: a second margin for the same"):
        load(tmp_path, "{margin: 1 s, reason: a}", "{margin: 2 s, reason: a}")


def test_the_shipped_margins():
    assert load_margins().find("time", "T", "DIS-01", "s").size == 0.05
