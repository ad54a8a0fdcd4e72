"""What an instrument's answers mean, as published.

SCPI-1: four fields of `*IDN?`, IEEE 488.2, 10.14. SCPI-2, SCPI-3: +-9.9E37 is infinity or over range, 9.91E37 not a
number, SCPI-1999 volume 1, 7.2.1.4 and 7.2.1.5 (from memory), in the spellings that instruments use. SCPI-4: the error
queue, SCPI-1999 volume 2, 21.8 (from memory).
"""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bench.devices.polled import NoValue
from bench.devices.scpi import Identity, parse_identity, scpi_number, split_query
from simulators.meter import Meter


def test_four_fields():
    assert parse_identity("Tarn Instruments,DM-600,0,1.04") == Identity("Tarn Instruments", "DM-600", "0", "1.04")
    assert parse_identity(" A , B,C , D ").firmware == "D"


@pytest.mark.parametrize("answer", ["", "A", "A,B,C", "A,B,C,D,E"])
def test_more_or_fewer_are_no_identity(answer):
    with pytest.raises(NoValue):
        parse_identity(answer)


@pytest.mark.parametrize(
    "text",
    ["9.9E37", "+9.9E37", "-9.9E37", "9.9E+37", "-9.9E+37", "+9.90000000E+37", "99E36", "9.9e37", "+9.89999985E+37",
     "1E38", "INF", "NINF", "-inf"],
)  # fmt: skip
def test_overload(text):
    with pytest.raises(ValueError, match="overload"):
        scpi_number(text)


@pytest.mark.parametrize("text", ["9.91E37", "+9.91E37", "9.91E+37", "+9.91000000E+37", "9.910000E+37", "NAN", "NaN"])
def test_not_a_number(text):
    with pytest.raises(ValueError, match="not a number"):
        scpi_number(text)


@pytest.mark.parametrize(("text", "number"), [("+4.02100000E+02", 402.1), ("402.1", 402.1), ("-.5", -0.5), ("5.", 5.0),
                                              ("1E37", 1e37), ("0", 0.0), (" 7 ", 7.0), ("1e-3", 0.001)])  # fmt: skip
def test_numbers(text, number):
    assert scpi_number(text) == number


@pytest.mark.parametrize("text", ["", "OVLD", "4,5", "0x10", "1_000", "4.5 V", "١", "--1", "1E", "1E9999"])
def test_anything_else_is_none(text):
    with pytest.raises(ValueError, match="no number"):
        scpi_number(text)


@given(st.one_of(st.text(max_size=20), st.floats().map(repr), st.floats().map("{:+.8E}".format)))
def test_whatever_comes_is_a_real_number_or_refused(text):
    try:
        number = scpi_number(text)
    except ValueError:
        return
    assert math.isfinite(number)
    assert abs(number) < 9.9e37


def test_an_output_and_its_question():
    assert split_query("VOLT {value};:VOLT?") == ("VOLT {value}", ":VOLT?")
    assert split_query("VOLT {value}") == ("VOLT {value}", "")
    assert split_query("INST P6V;VOLT {value};:VOLT?") == ("INST P6V;VOLT {value}", ":VOLT?")


def test_the_stand_in_keeps_to_it():
    """Not known reads as not a number, too much for the range as over range, errors leave the queue one by one."""
    volts = [None, 4000.0, -4000.0]
    with Meter(lambda: volts.pop(0), tcp=False) as meter:

        def say(line: str) -> str:
            return b"".join(meter.heard(line.encode() + b"\n")).decode().strip()

        assert parse_identity(say("*IDN?")).serial == "0001"
        assert [say("MEAS:VOLT:DC?") for _ in range(3)] == ["+9.91000000E+37", "+9.90000000E+37", "-9.90000000E+37"]
        assert say("NONSENSE") == ""
        assert say("VOLT:DC:RANG 1E6") == ""
        assert [say("SYST:ERR?") for _ in range(3)] == [
            '-113,"Undefined header"', '-222,"Data out of range"', '0,"No error"',
        ]  # fmt: skip
