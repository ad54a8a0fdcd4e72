"""Units and quantities, with pint as the outside judge of factors and dimensions."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bench.errors import InputError
from bench.language.located import Place
from bench.language.units import (
    CURRENT,
    PLAIN,
    RESISTANCE,
    TEMPERATURE,
    TIME,
    UNITS,
    VOLTAGE,
    parse_quantity,
)

#: Our spelling to pint's, where they differ. pint knows no unit called '' and multiplies with '*'.
PINT = {"": "dimensionless", "%": "percent", "degC": "delta_degC", "K": "delta_degC", "mK": "millikelvin"}


@pytest.fixture(scope="module")
def registry():
    import pint

    return pint.UnitRegistry()


#: For pint a bit has no dimension, which would let a bit rate be compared with a frequency.
COMPARABLE = [unit for unit in UNITS.values() if not unit.dimension.bit]


def in_pint(registry, name: str):
    return registry.Unit(PINT.get(name, name.replace(" ", "*")))


@pytest.mark.parametrize("name", UNITS)
def test_factor_is_pints(registry, name):
    unit = UNITS[name]
    base = unit.dimension.base
    assert base is not None
    expected = (1 * in_pint(registry, name)).to(in_pint(registry, base.name)).magnitude
    assert unit.to_base(1.0) == pytest.approx(expected, rel=1e-12)


def test_dimensions_are_alike_exactly_where_pints_are(registry):
    for ours in COMPARABLE:
        for other in COMPARABLE:
            alike = in_pint(registry, ours.name).dimensionality == in_pint(registry, other.name).dimensionality
            # degC and K have one dimension for pint; here they are kept apart on purpose
            same = ours.dimension.difference == other.dimension.difference
            assert same == alike, (ours.name, other.name)


def test_products_have_pints_dimensions(registry):
    names = ["V", "A", "s", "ohm", "F", "Hz", "W", "J", "m", "kg", "ohm/V", "V/s", "A h", "H"]
    for a in names:
        for b in names:
            for ours, theirs in (
                (UNITS[a].dimension * UNITS[b].dimension, in_pint(registry, a) * in_pint(registry, b)),
                (UNITS[a].dimension / UNITS[b].dimension, in_pint(registry, a) / in_pint(registry, b)),
            ):
                for c in COMPARABLE:
                    if c.dimension != TEMPERATURE:
                        assert (ours == c.dimension) == (
                            theirs.dimensionality == in_pint(registry, c.name).dimensionality
                        )


@pytest.mark.parametrize(
    ("text", "value", "dimension"),
    [
        ("60 V", 60.0, VOLTAGE),
        ("250 ms", 0.25, TIME),
        ("57 %", 0.57, PLAIN),
        ("100.8 kohm", 100800.0, RESISTANCE),
        ("500 ohm/V", 500.0, RESISTANCE / VOLTAGE),
        ("-30 degC", -30.0, TEMPERATURE),
        ("-0.5 A", -0.5, CURRENT),
        ("1.5 h", 5400.0, TIME),
        ("0.95", 0.95, PLAIN),
        ("2  V", 2.0, VOLTAGE),
    ],
)
def test_quantities(text, value, dimension):
    quantity = parse_quantity(text)
    assert (quantity.value, quantity.unit.dimension) == (value, dimension)


@given(st.decimals(-10_000, 10_000, places=3), st.sampled_from([name for name in UNITS if name]))
def test_the_same_number_in_the_same_unit_is_the_same_value(number, name):
    """A channel at 57 % must equal the literal '57 %', whatever the factor does to the last digit."""
    quantity = parse_quantity(f"{number:f} {name}")
    assert quantity.value == UNITS[name].to_base(float(number))
    assert UNITS[name].from_base(quantity.value) == pytest.approx(float(number), rel=1e-12)


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("1:30", "write a time in one unit, for example '90 s'"),
        ("10:00:00", "'36000 s'"),
        ("012", "write 12"),
        ("012 V", "write 12"),
        ("1e3", "write 1000"),
        ("1.0e3 V", "write 1000"),
        ("1,5", "write 1.5"),
        ("1,5 V", "write 1.5"),
        (".5 V", "write 0.5"),
        ("5. V", "write 5.0"),
        ("+5 V", "write 5"),
        ("0x10", "not a number"),
        ("1_000 V", "not a number"),
        ("nan", "finite"),
        ("nan V", "finite"),
        (".nan", "finite"),
        ("inf", "finite"),
        ("inf ohm", "finite"),
        ("-inf V", "finite"),
        ("on", "not a quantity"),
        ("yes", "not a quantity"),
        ("", "not a quantity"),
        ("V", "not a quantity"),
        ("60V", "write '60 V'"),
        ("90%", "write '90 %'"),
        ("5 MV", "'MV' is not a unit here"),
        ("3 S", "write 's'"),
        ("10 Ms", "'Ms' is not a unit here"),
        ("1.5 k", "'k' is not a unit here"),
        ("5 v", "write 'V'"),
        ("5 µs", "write 'us'"),
        ("5 μF", "write 'uF'"),
        ("5 kΩ", "write 'kohm'"),
        ("25 °C", "write 'degC'"),
        ("60 V V", "'V V' is not a unit here"),
        ("9**9**9 V", "not a unit here"),
        ("٣ V", "not a quantity"),
        ("9" * 400 + " V", "not"),
        ("1" * 31, "too many digits"),
    ],
)
def test_what_is_no_quantity_says_what_to_write(text, says):
    with pytest.raises(InputError) as caught:
        parse_quantity(text, Place("f.yaml", 3, 7))
    assert says in str(caught.value)
    assert str(caught.value).startswith("f.yaml:3:7: error: ")


def test_infinity_only_where_it_is_allowed():
    assert parse_quantity("inf ohm", infinite=True).value == float("inf")


@given(st.text(max_size=40))
def test_any_text_is_a_quantity_or_a_located_error(text):
    try:
        quantity = parse_quantity(text, infinite=True)
    except InputError as error:
        assert str(error).startswith("quantity:1:1: error: ")
        assert "\n" not in str(error)
    else:
        assert quantity.unit.name in UNITS
