"""The expression language: what is read, what is refused and where, and what the compiled code computes."""

from __future__ import annotations

import itertools
import math
import pickle

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bench.errors import InputError
from bench.language.expressions import BOOLEAN, TEXT, ChannelType, Condition, Scope, constant, parse
from bench.language.located import Place
from bench.language.units import ENERGY, PLAIN, RESISTANCE, TEMPERATURE, UNITS, VOLTAGE, parse_quantity

CONTACT = ChannelType(states=("open", "closed"))
CHANNELS = {
    "ts_voltage": ChannelType(UNITS["V"]),
    "pack_voltage": ChannelType(UNITS["V"]),
    "current": ChannelType(UNITS["A"]),
    "leakage": ChannelType(UNITS["mA"]),
    "insulation": ChannelType(UNITS["kohm"]),
    "fan_duty": ChannelType(UNITS["%"]),
    "hot": ChannelType(UNITS["degC"]),
    "cold": ChannelType(UNITS["degC"]),
    "a": ChannelType(UNITS[""]),
    "b": ChannelType(UNITS[""]),
    "c": ChannelType(UNITS[""]),
    "air_plus": CONTACT,
    "air_minus": CONTACT,
    "line": ChannelType(states=("ok", "fault")),
    "state": ChannelType(),
}
VALUES = {
    "threshold": parse_quantity("95 %"),
    "patience": parse_quantity("5 s"),
    "wanted": "closed",
    "ratio": parse_quantity("0.9"),
}
SCOPE = Scope(CHANNELS, VALUES)
SLOTS = {name: slot for slot, name in enumerate(CHANNELS)}


def values(**given) -> list:
    start = {name: (0.0 if kind.unit else "open") for name, kind in CHANNELS.items()}
    return list({**start, **given}.values())


def run(text: str, **given):
    return parse(text, SCOPE).compile(SLOTS)(values(**given))


@pytest.mark.parametrize(
    ("text", "given", "expected"),
    [
        ("ts_voltage < 60 V", {"ts_voltage": 59.9}, True),
        ("ts_voltage < 60 V", {"ts_voltage": 60.0}, False),
        ("ts_voltage < 0.06 kV", {"ts_voltage": 59.0}, True),
        ("ts_voltage >= threshold * pack_voltage", {"ts_voltage": 95.0, "pack_voltage": 100.0}, True),
        ("ts_voltage / pack_voltage", {"ts_voltage": 90.0, "pack_voltage": 400.0}, 0.225),
        ("insulation > 500 ohm/V * pack_voltage", {"insulation": 201.0, "pack_voltage": 400.0}, True),
        ("insulation > 500 ohm/V * pack_voltage", {"insulation": 199.0, "pack_voltage": 400.0}, False),
        ("leakage + 1 A", {"leakage": 500.0}, 1.5),
        ("fan_duty >= 57 %", {"fan_duty": 57.0}, True),
        ("hot - cold > 5 K", {"hot": 30.0, "cold": 24.0}, True),
        ("hot > -30 degC", {"hot": -29.0}, True),
        ("hot + 5 K", {"hot": 20.0}, 25.0),
        ("abs(current) < 5 A", {"current": -6.0}, False),
        ("max(ts_voltage, pack_voltage)", {"ts_voltage": 3.0, "pack_voltage": 4.0}, 4.0),
        ("-current", {"current": 2.0}, -2.0),
        ("air_plus == 'closed' and not air_minus == 'closed'", {"air_plus": "closed"}, True),
        ("air_plus != wanted", {"air_plus": "closed"}, False),
        ("air_plus == air_minus", {}, True),
        ("0 V < ts_voltage < 60 V", {"ts_voltage": 5.0}, True),
        ("state == 'run' or ts_voltage > 60 V", {"state": "run"}, True),
        ("ts_voltage == 5 V", {"ts_voltage": 5.0}, True),
        ("250 ohm/V * 403.2 V", {}, 100800.0),
        ("60 V / 2 A", {}, 30.0),
        ("ts_voltage - 5 V/s * patience", {"ts_voltage": 30.0}, 5.0),
    ],
)
def test_results(text, given, expected):
    assert run(text, **given) == expected


@pytest.mark.parametrize(
    ("text", "dimension"),
    [
        ("500 ohm/V * pack_voltage", RESISTANCE),
        ("pack_voltage / current", RESISTANCE),
        ("pack_voltage * current * 2 s", ENERGY),
        ("2 s * 5 Hz", PLAIN),
        ("hot - 5 K", TEMPERATURE),
        ("min(hot, cold)", TEMPERATURE),
        ("5 K + hot", TEMPERATURE),
        ("state", TEXT),
        ("wanted", TEXT),
        ("air_plus == 'open'", BOOLEAN),
        ("(ts_voltage)", VOLTAGE),
    ],
)
def test_dimensions(text, dimension):
    assert parse(text, SCOPE).dimension == dimension


# Plain numbers: Python itself is the judge.
numbers = st.integers(0, 99).map(str) | st.decimals(0, 99, places=2).map(lambda number: f"{number:f}")
leaves = numbers | st.sampled_from(["a", "b", "c"])
sums = st.recursive(
    leaves,
    lambda inner: (
        st.tuples(inner, st.sampled_from("+-*"), inner).map(lambda parts: f"({' '.join(parts)})")
        | inner.map(lambda text: f"-{text}")
        | inner.map(lambda text: f"abs({text})")
        | st.tuples(st.sampled_from(["min", "max"]), inner, inner).map(
            lambda parts: f"{parts[0]}({parts[1]}, {parts[2]})"
        )
    ),
    max_leaves=8,
)
comparisons = st.tuples(sums, st.sampled_from(["<", "<=", ">", ">=", "==", "!="]), sums).map(
    lambda p: f"a + {p[0]} {p[1]} {p[2]}"
)
conditions = st.recursive(
    comparisons,
    lambda inner: (
        st.tuples(inner, st.sampled_from(["and", "or"]), inner).map(lambda parts: f"({' '.join(parts)})")
        | inner.map(lambda text: f"not ({text})")
    ),
    max_leaves=4,
)
floats = st.floats(-1e6, 1e6)


@given(sums | conditions, floats, floats, floats)
def test_plain_numbers_agree_with_python(text, a, b, c):
    expected = eval(text, {"a": a, "b": b, "c": c})
    result = run(text, a=a, b=b, c=c)
    assert (
        result == pytest.approx(expected, rel=1e-12, abs=1e-9) if not isinstance(expected, bool) else result is expected
    )


@given(conditions, floats, floats, floats)
def test_atoms_combine_to_the_whole(text, a, b, c):
    condition = parse(text, SCOPE)
    now = values(a=a, b=b, c=c)
    truths = [atom.compile_truth(SLOTS)(now) for atom in condition.atoms]
    assert condition.combine(truths) is condition.compile(SLOTS)(now)


@given(floats, floats, st.sampled_from(["<", "<=", ">", ">="]))
def test_margin_has_the_sign_of_the_truth(a, b, operator):
    (atom,) = parse(f"a {operator} b", SCOPE).atoms
    now = values(a=a, b=b)
    margin = atom.compile_margin(SLOTS)(now)
    assert (margin > 0 if operator in "<>" else margin >= 0) == atom.compile_truth(SLOTS)(now)
    assert abs(margin) == abs(a - b)


def test_atoms_in_order_with_kind_and_channels():
    condition = parse("0 V < ts_voltage < 60 V and (air_plus == 'open' or not current > 5 A)", SCOPE)
    assert isinstance(condition, Condition)
    assert [(atom.text, atom.kind, atom.channels) for atom in condition.atoms] == [
        ("0 V < ts_voltage", "quantity", ("ts_voltage",)),
        ("ts_voltage < 60 V", "quantity", ("ts_voltage",)),
        ("air_plus == 'open'", "state", ("air_plus",)),
        ("current > 5 A", "quantity", ("current",)),
    ]
    assert condition.channels == ("ts_voltage", "air_plus", "current")
    combine = condition.combine
    for truths in itertools.product([True, False], repeat=4):
        assert combine(truths) is (truths[0] and truths[1] and (truths[2] or not truths[3]))


def test_a_condition_is_one_python_expression_and_survives_pickling():
    condition = pickle.loads(pickle.dumps(parse("ts_voltage < 60 V and air_plus == 'open'", SCOPE)))
    function = condition.compile(SLOTS)
    assert function(values(ts_voltage=1.0)) is True
    assert function.__code__.co_names == ()  # nothing is looked up by name while it runs


def test_division_never_raises_while_outputs_are_driven():
    assert run("a / b", a=1.0) == math.inf
    assert run("a / b", a=-1.0) == -math.inf
    assert math.isnan(run("a / b"))
    assert run("a / b < 5", b=0.0) is False


def test_constants():
    assert constant("0.9 * threshold", SCOPE).value == pytest.approx(0.855)
    assert str(constant("2 * 250 ms", SCOPE)) == "500 ms"
    assert constant("wanted", SCOPE) == "closed"
    with pytest.raises(InputError, match="ts_voltage changes while the box runs"):
        constant("ts_voltage", SCOPE)


REFUSED = [
    # (text, column counted from 1, part of the message)
    ("ts_voltage < 60", 14, "60 is a plain number, 'ts_voltage' is a voltage; write for example '60 V'"),
    ("60 > ts_voltage", 1, "write for example '60 V'"),
    ("ts_voltage > 0", 14, "write for example '0 V'"),
    ("fan_duty > 30", 12, "write for example '30 %'"),
    ("ts_voltage < 60 s", 14, "'60 s' is a time, 'ts_voltage' is a voltage"),
    ("ts_voltage + 5 V > 5 A", 20, "is a current"),
    ("ts_voltage + current", 14, "is a current"),
    ("min(ts_voltage, 5 A)", 17, "is a current"),
    ("hot + cold", 7, "two temperatures cannot be added"),
    ("hot < 60 K", 7, "temperature difference"),
    ("hot - cold < 5 degC", 14, "is a temperature,"),
    ("hot * 2", 1, "has no multiples"),
    ("-hot", 1, "no negative"),
    ("abs(hot)", 5, "no meaning"),
    ("5 K - hot", 7, "is a temperature"),
    ("air_plus = 'closed'", 10, "write == to compare"),
    ("air_plus == closed", 13, "write 'closed' in quotes"),
    ("air_plus == 'clsed'", 13, "did you mean 'closed'?"),
    ("air_plus == 'Closed'", 13, "did you mean 'closed'?"),
    ("air_plsu == 'closed'", 1, "did you mean 'air_plus'?"),
    ("air_plus < 'closed'", 1, "no order"),
    ("air_plus == 1", 13, "write air_plus == 'open'"),
    ("ts_voltage == 'high'", 15, "is a text"),
    ("air_plus == line", 13, "no state in common"),
    ("air_plus + 1", 1, "only quantities"),
    ("60 V < 70 V", 1, "compares no channel"),
    ("ts_voltage and air_plus == 'open'", 1, "not a condition"),
    ("not current", 5, "not a condition"),
    ("(a < 1) == (b < 1)", 2, "is a condition"),
    ("(a < 1) + 1", 2, "only quantities"),
    ("abs(a < 1)", 5, "a quantity is due"),
    ("abs(a, b)", 1, "abs takes one quantity"),
    ("min(a)", 1, "two quantities or more"),
    ("min(*a)", 5, "not known here"),
    ("min(a, key=b)", 11, "write == to compare"),
    ("open('/etc/passwd').read()", 1, "only abs, min and max"),
    ("__import__('os')", 1, "only abs, min and max"),
    ("ts_voltage.real < 5 V", 1, "a name with a dot"),
    ("().__class__", 1, "a name with a dot"),
    ("a[0]", 2, "'[' is not known here"),
    ("[x for x in a]", 1, "'[' is not known here"),
    ("{a}", 1, "'{' is not known here"),
    ("lambda: a", 1, "'lambda' is not known here"),
    ("a if b else c", 1, "'if' inside an expression"),
    ("a := 5", 3, "':=' is not known here"),
    ("'%099999999d' % 1", 1, "'%' between numbers"),
    ("'a' * 1000000000", 1, "only quantities"),
    ("a ** 2", 3, "write a product"),
    ("9**9**9", 2, "write a product"),
    ("1 << 9", 3, "not known here"),
    ("a // 2", 3, "write /"),
    ("a & b", 3, "write and"),
    ("a && b", 3, "write and"),
    ("a || b", 3, "write or"),
    ("!a", 1, "write not"),
    ("a <> b", 3, "write !="),
    ("a ≤ 5", 3, "write <="),
    ("a < 5 AND b > 3", 7, "write and"),
    ("air_plus is 'open'", 1, "write =="),
    ("air_plus in ('open', 'closed')", 1, "join with or"),
    ("air_plus == “open”", 13, "straight quotes"),
    ("air_plus == 'open", 13, "close the quotes"),
    ("air_plus == f'open'", 13, "letter before quotes"),
    ("air_plus == b'open'", 13, "not known here"),
    ("air_plus == 'o\\x70en'", 13, "close the quotes"),
    ("True", 1, "'True' is not known here"),
    ("None", 1, "'None' is not known here"),
    ("ts_voltage < 1,5 V", 14, "write 1.5"),
    ("ts_voltage < 1:30", 14, "no colon"),
    ("ts_voltage < 012 V", 14, "write 12"),
    ("ts_voltage < 1e3 V", 14, "write 1000"),
    ("ts_voltage < .5 V", 14, "write 0.5"),
    ("ts_voltage < 60V", 14, "write '60 V'"),
    ("ts_voltage < 60 Volt", 17, "write 'V'"),
    ("ts_voltage < 60 V/x", 17, "'V/x' is not a unit here"),
    ("ts_voltage < nan", 14, "write a finite number"),
    ("ts_voltage < inf", 14, "write a finite number"),
    ("a / 0", 5, "division by zero"),
    ("1 / (2 - 2)", 6, "division by zero"),
    ("a < 5 # fine", 7, "'#' is not known here"),
    ("___", 1, "no channel or value"),
    ("", 1, "an empty expression"),
    ("   ", 1, "an empty expression"),
    ("a <", 4, "ends too early"),
    ("(a < 5", 1, "count the brackets"),
    ("a < 5)", 6, "count the brackets"),
    ("(" * 240 + "a" + ")" * 240, 31, "nested deeper"),
    ("-" * 300 + "a", 32, "nested deeper"),
    ("not " * 100 + "a < 1", 125, "nested deeper"),
    ("a" + " + a" * 150, 1, "characters"),
    ("1" + "0" * 40, 1, "too many digits"),
    (" * ".join(["9" * 30] * 12), 1, "too large"),
]


@pytest.mark.parametrize(("text", "column", "says"), REFUSED, ids=lambda value: str(value)[:30])
def test_refused_with_its_column(text, column, says):
    with pytest.raises(InputError) as caught:
        parse(text, SCOPE, Place("f.yaml", 7, 21))
    (problem,) = caught.value.problems
    assert says in str(problem)
    assert (problem.file, problem.line, problem.column) == ("f.yaml", 7, 20 + column)


pieces = [*"ab<>=!()*/+-.,'\" \n0159VsK%_#&|", "ts_voltage", " V", "not ", " and ", "ü", "'open'"]


@given(st.lists(st.sampled_from(pieces), max_size=30).map("".join))
def test_any_text_is_an_expression_or_one_located_error(text):
    try:
        expression = parse(text, SCOPE)
    except InputError as error:
        (problem,) = error.problems
        assert problem.line == 1 and 1 <= problem.column <= len(text) + 1
        assert "\n" not in str(problem)
    else:
        expression.compile(SLOTS)(values())
