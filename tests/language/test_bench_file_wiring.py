"""Where a channel is on its device, and how what is read becomes its value."""

import pytest

from bench.errors import InputError
from bench.language.bench_file import bench_from_text

BENCH = """\
bench: wired
devices: {board: {driver: board, port: /dev/ttyACM0}}
channels:
  loop: {direction: read, states: [open, closed], CHANNEL}
  resistance: {direction: read, unit: ohm, QUANTITY}
"""


def channels(channel="at: in3", quantity="at: pwm1"):
    text = BENCH.replace("CHANNEL", channel).replace("QUANTITY", quantity)
    return bench_from_text(text, "wired.yaml").channels


def test_where_and_how():
    found = channels("at: in3, invert: true", "at: pwm1, scale: 2.5, offset: 10 ohm")
    assert (found["loop"].at, found["loop"].invert) == ("in3", True)
    assert (found["resistance"].scale, found["resistance"].offset) == (2.5, 10.0)
    plain = channels()["resistance"]
    assert (plain.invert, plain.scale, plain.offset, plain.table) == (False, 1.0, 0.0, ())


def test_a_table_is_read_in_the_units_written():
    table = channels(quantity="table: [[5 %, 0 ohm], [50 %, 100 kohm], [95 %, inf ohm]]")["resistance"].table
    assert table == ((0.05, 0.0), (0.5, 100_000.0), (0.95, float("inf")))


@pytest.mark.parametrize(
    ("quantity", "says"),
    [
        ("table: [[50 %, 0 ohm], [5 %, 1 ohm]]", "does not rise"),
        ("table: [[5 %, 0 ohm], [50 %, 1 V]]", "is a voltage"),
        ("table: [[5 %, 0 ohm], [50 %]]", "has two numbers"),
        ("offset: 5 V", "is a voltage"),
        ("scale: 2 V", "is a voltage"),
        ("scale: 0", "makes all values the same"),
        ("invert: true", "is inverted and has not two states"),
        ("scale: 2, table: [[5 %, 0 ohm], [50 %, 1 ohm]]", "has a table and scale"),
    ],
)
def test_mistakes(quantity, says):
    with pytest.raises(InputError) as caught:
        channels(quantity=quantity)
    assert says in str(caught.value)
    assert str(caught.value).startswith("wired.yaml:5:")
