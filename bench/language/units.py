"""The closed list of units, and quantities such as '60 V', '5 s', '90 %', '500 ohm/V'.

A unit has one spelling with exact case and no prefix is ever guessed: 'MV' is refused, not read as megavolts.
degC is a temperature, K is a difference of temperatures; they are kept apart (see `terms`).
Values are kept in base units: the unit of each dimension that has the factor 1.
"""

from __future__ import annotations

import difflib
import re
import unicodedata
from dataclasses import astuple, dataclass, replace
from typing import NamedTuple

from bench.language.located import Place, either, shown


@dataclass(frozen=True, slots=True)
class Dimension:
    """Exponents over V, A, s, K, m and bit. `point` marks a temperature on the scale: degC, not K."""

    V: int = 0
    A: int = 0
    s: int = 0
    K: int = 0
    m: int = 0
    bit: int = 0
    point: bool = False

    def __mul__(self, other: Dimension) -> Dimension:
        return Dimension(*(a + b for a, b in zip(self._exponents(), other._exponents(), strict=True)))

    def __truediv__(self, other: Dimension) -> Dimension:
        return Dimension(*(a - b for a, b in zip(self._exponents(), other._exponents(), strict=True)))

    def _exponents(self) -> tuple[int, ...]:
        return astuple(self)[:-1]

    @property
    def difference(self) -> Dimension:
        """The dimension of a difference of two such values."""
        return replace(self, point=False)

    @property
    def noun(self) -> str:
        """For messages: 'a voltage'; exponents where no word is known."""
        return _NOUNS.get(self) or "in " + " ".join(
            name if power == 1 else f"{name}^{power}"
            for name, power in zip(("V", "A", "s", "K", "m", "bit"), self._exponents(), strict=True)
            if power
        )

    @property
    def base(self) -> Unit | None:
        """The unit of this dimension that has the factor 1, if the list has one."""
        return next((unit for unit in UNITS.values() if unit.dimension == self and unit.factor == 1.0), None)


PLAIN = Dimension()
VOLTAGE, CURRENT, TIME, DIFFERENCE, LENGTH, BIT = (
    Dimension(V=1), Dimension(A=1), Dimension(s=1), Dimension(K=1), Dimension(m=1), Dimension(bit=1),
)  # fmt: skip
TEMPERATURE = Dimension(K=1, point=True)
RESISTANCE = VOLTAGE / CURRENT
CHARGE = CURRENT * TIME
CAPACITANCE = CHARGE / VOLTAGE
INDUCTANCE = VOLTAGE * TIME / CURRENT
FREQUENCY = PLAIN / TIME
POWER = VOLTAGE * CURRENT
ENERGY = POWER * TIME
MASS = ENERGY * TIME * TIME / (LENGTH * LENGTH)

_NOUNS = {
    PLAIN: "a plain number", VOLTAGE: "a voltage", CURRENT: "a current", TIME: "a time",
    DIFFERENCE: "a temperature difference", TEMPERATURE: "a temperature", LENGTH: "a length",
    RESISTANCE: "a resistance", RESISTANCE / VOLTAGE: "a resistance per voltage", CHARGE: "a charge",
    CAPACITANCE: "a capacitance", INDUCTANCE: "an inductance", FREQUENCY: "a frequency", POWER: "a power",
    ENERGY: "an energy", MASS: "a mass", BIT / TIME: "a bit rate", VOLTAGE / TIME: "a rate of voltage",
    CURRENT / TIME: "a rate of current", DIFFERENCE / TIME: "a rate of temperature",
    DIFFERENCE / POWER: "a thermal resistance", ENERGY / DIFFERENCE: "a heat capacity",
}  # fmt: skip


@dataclass(frozen=True, slots=True)
class Unit:
    """One unit: a value in it times `multiply` over `divide` is the value in the base unit.

    Two whole numbers rather than one factor, so that 57 % is exactly 0.57: every conversion rounds once.
    """

    name: str
    dimension: Dimension
    multiply: int = 1
    divide: int = 1

    @property
    def factor(self) -> float:
        return self.multiply / self.divide

    def to_base(self, value: float) -> float:
        return value * self.multiply / self.divide

    def from_base(self, value: float) -> float:
        return value * self.divide / self.multiply


def _table() -> dict[str, Unit]:
    rows: list[tuple[str, Dimension, int, int]] = [
        ("", PLAIN, 1, 1), ("%", PLAIN, 1, 100), ("ppm", PLAIN, 1, 10**6),
        ("V", VOLTAGE, 1, 1), ("mV", VOLTAGE, 1, 1000), ("kV", VOLTAGE, 1000, 1),
        ("A", CURRENT, 1, 1), ("mA", CURRENT, 1, 1000), ("uA", CURRENT, 1, 10**6), ("kA", CURRENT, 1000, 1),
        ("s", TIME, 1, 1), ("ms", TIME, 1, 1000), ("us", TIME, 1, 10**6), ("min", TIME, 60, 1), ("h", TIME, 3600, 1),
        ("ohm", RESISTANCE, 1, 1), ("mohm", RESISTANCE, 1, 1000), ("kohm", RESISTANCE, 1000, 1),
        ("Mohm", RESISTANCE, 10**6, 1),
        ("ohm/V", RESISTANCE / VOLTAGE, 1, 1), ("kohm/V", RESISTANCE / VOLTAGE, 1000, 1),
        ("F", CAPACITANCE, 1, 1), ("mF", CAPACITANCE, 1, 1000), ("uF", CAPACITANCE, 1, 10**6),
        ("nF", CAPACITANCE, 1, 10**9), ("pF", CAPACITANCE, 1, 10**12),
        ("H", INDUCTANCE, 1, 1), ("mH", INDUCTANCE, 1, 1000), ("uH", INDUCTANCE, 1, 10**6),
        ("Hz", FREQUENCY, 1, 1), ("kHz", FREQUENCY, 1000, 1),
        ("degC", TEMPERATURE, 1, 1), ("K", DIFFERENCE, 1, 1), ("mK", DIFFERENCE, 1, 1000),
        ("W", POWER, 1, 1), ("mW", POWER, 1, 1000), ("kW", POWER, 1000, 1),
        ("J", ENERGY, 1, 1), ("kJ", ENERGY, 1000, 1), ("MJ", ENERGY, 10**6, 1), ("kW h", ENERGY, 3_600_000, 1),
        ("A s", CHARGE, 1, 1), ("A h", CHARGE, 3600, 1), ("mA h", CHARGE, 3600, 1000),
        ("V/s", VOLTAGE / TIME, 1, 1), ("V/ms", VOLTAGE / TIME, 1000, 1), ("A/s", CURRENT / TIME, 1, 1),
        ("K/s", DIFFERENCE / TIME, 1, 1), ("K/W", DIFFERENCE / POWER, 1, 1), ("J/K", ENERGY / DIFFERENCE, 1, 1),
        ("m", LENGTH, 1, 1), ("mm", LENGTH, 1, 1000), ("kg", MASS, 1, 1),
        ("bit/s", BIT / TIME, 1, 1), ("kbit/s", BIT / TIME, 1000, 1), ("Mbit/s", BIT / TIME, 10**6, 1),
    ]  # fmt: skip
    return {name: Unit(name, *rest) for name, *rest in rows}


#: Every unit there is, by its one spelling; '' is the unit of a plain number.
UNITS: dict[str, Unit] = _table()

#: Matches the longest unit at a place ('A s' before 'A', 'ohm/V' before 'ohm').
UNIT_PATTERN = "|".join(re.escape(name) for name in sorted(filter(None, UNITS), key=len, reverse=True))

_OTHER_SPELLINGS = {
    "°C": "degC", "C": "degC", "sec": "s", "S": "s", "seconds": "s", "second": "s", "minutes": "min", "hz": "Hz",
    "v": "V", "volt": "V", "volts": "V", "Volt": "V", "a": "A", "amp": "A", "amps": "A", "percent": "%",
    "As": "A s", "Ah": "A h", "kWh": "kW h",
}  # fmt: skip

_NUMBER = re.compile(r"-?(?:0|[1-9][0-9]*)(?:\.[0-9]+)?")
_QUANTITY = re.compile(rf"(?P<number>{_NUMBER.pattern}|-?inf)(?: +(?P<unit>{UNIT_PATTERN}))?")
_LOOSE = re.compile(
    r"(?P<number>[+-]?(?:0[xXoObB][0-9A-Fa-f]*|[0-9.]+[eE][+-]?[0-9]+|\.?(?i:inf|nan)|[0-9.][0-9_.,:+]*))"
    r" *(?P<unit>[^0-9\s.,:+_-].*)?"
)
_MOST_DIGITS = 30


class Quantity(NamedTuple):
    """`value` in the base unit of `unit`'s dimension; `unit` is the one it was written in."""

    value: float
    unit: Unit

    def __str__(self) -> str:
        return f"{self.unit.from_base(self.value):.10g} {self.unit.name}".rstrip()


def parse_quantity(text: str, where: Place | None = None, infinite: bool = False) -> Quantity:
    """Read '60 V' (or a plain number, whose unit is ''). `inf ohm` is read only where `infinite`.

    Raises InputError at `where` for anything else, saying what to write instead.
    """
    where = where or Place("quantity")
    match = _QUANTITY.fullmatch(text)
    if match and len(match["number"]) <= _MOST_DIGITS:
        unit = UNITS[match["unit"] or ""]
        if match["number"].endswith("inf") and not infinite:
            raise where.error(f"{shown(text)}: infinity is not a value here", "write a finite number")
        return Quantity(unit.to_base(float(match["number"])), unit)
    raise where.error(*_complaint(text))


def number_complaint(number: str) -> tuple[str, str] | None:
    """What is wrong with a number's spelling and what to write; None when nothing is."""
    if _NUMBER.fullmatch(number):
        return None if len(number) <= _MOST_DIGITS else (f"{shown(number)} has too many digits", "write fewer digits")
    bare = number.lstrip("+-")
    sign = "-" if number.startswith("-") else ""
    if number.startswith("+") and _NUMBER.fullmatch(bare):
        return f"{shown(number)}: a plus sign is not needed", f"write {bare}"
    if re.fullmatch(r"[0-9]+(:[0-9]+)+(\.[0-9]+)?", bare):
        seconds = 0.0
        for part in bare.split(":"):
            seconds = 60 * seconds + float(part)
        return f"{shown(number)}: a number has no colon", f"write a time in one unit, for example '{seconds:g} s'"
    if re.fullmatch(r"[0-9]+(,[0-9]+)+", bare):
        return f"{shown(number)}: a number has no comma", f"write {sign}{bare.replace(',', '.', 1)}"
    if re.fullmatch(r"0[0-9]+(\.[0-9]+)?", bare):
        return f"{shown(number)}: a number has no leading zero", f"write {sign}{bare.lstrip('0') or '0'}"
    if re.fullmatch(r"[0-9.]+[eE][+-]?[0-9]*", bare):
        try:
            whole = f"{float(bare):.10f}".rstrip("0").rstrip(".")
        except ValueError:
            whole = ""
        right = f"write {sign}{whole}" if whole not in ("", "0", "inf") and len(whole) < 20 else "write all digits"
        return f"{shown(number)}: a number has no exponent", f"{right}, or take another unit"
    if re.fullmatch(r"\.?(inf|nan)", bare.lower()):
        return f"{shown(number)} is not a value that can be judged", "write a finite number"
    if re.fullmatch(r"[0-9]*\.[0-9]*", bare) and bare != ".":
        whole, _, part = bare.partition(".")
        return f"{shown(number)}: digits on both sides of the point", f"write {sign}{whole or '0'}.{part or '0'}"
    return f"{shown(number)} is not a number", "write digits with a decimal point, for example 12.5"


def unit_complaint(unit: str) -> tuple[str, str]:
    ascii_spelling = unicodedata.normalize("NFKC", unit).replace("\u03bc", "u").replace("\u03a9", "ohm")
    spelling = ascii_spelling if ascii_spelling in UNITS else _OTHER_SPELLINGS.get(unit)
    if spelling:
        return f"{shown(unit)} is not a unit here", f"write {shown(spelling)}"
    near = difflib.get_close_matches(unit[:20], filter(None, UNITS), n=3, cutoff=0.5)
    right = f"did you mean {either(map(shown, near))}?" if near else ""
    return f"{shown(unit)} is not a unit here", right or "known are V, A, s, ohm, %, degC, K, Hz, F, W, J and some more"


def _complaint(text: str) -> tuple[str, str]:
    match = _LOOSE.fullmatch(text.strip()) if len(text) < 200 else None
    if match is None:
        return f"{shown(text)} is not a quantity", "write a number and a unit, for example '60 V'"
    number, unit = match["number"], match["unit"] or ""
    wrong = number_complaint(number)
    if wrong and number not in ("inf", "-inf"):
        return wrong
    if unit and unit not in UNITS:
        return unit_complaint(unit)
    return f"{shown(text)} is not spelled as a quantity", f"write {shown(f'{number} {unit}'.strip())}"
