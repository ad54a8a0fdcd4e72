"""The high-voltage circuit, solved exactly between switching events.

                 +--[pre-charge R]--contact--+
    pack+ --[Ri]-+-----------AIR+------------+---- HV+ --+-----+--------+------ ... --+
                                                         |     |        |             | Y capacitor, insulation
                                                         C   load   discharge R    chassis  and fault resistor,
                                                         |     |     + contact        | one set on each side
    pack- -----------------AIR- -----------------  HV- --+-----+--------+------ ... --+

Two state variables, HV+ and HV- to chassis. With d = HV+ - HV- and q the capacitance-weighted mean of the two,
the capacitance matrix is diagonal, and after scaling by its root the conductance matrix A is symmetric:
x' = -A x + b, which one rotation takes apart into two decaying exponentials. A fast mode (0.1 ohm into 560 uF) beside
a slow one (Y capacitors through insulation) therefore costs no accuracy. Voltages, current and resistor energies
are closed forms at any time; a level's crossing is solved on the two exponentials, not stepped.

Sources: RC theory; numbers checked in tests/published/test_circuit.py.
Leaves out: inductance (cables, contactor arcs), leakage on the pack side of open contacts, heating of resistors,
sag of the pack by its state of charge. While no contact pair connects the pack, its terminals show the EMF.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import lru_cache
from math import atan2, cos, exp, expm1, inf, log, sin, sqrt
from typing import NamedTuple


@dataclass(frozen=True, slots=True)
class Wiring:
    """All that the circuit is made of, contacts included. V, ohm, F, A; contacts True = closed."""

    emf: float = 403.2
    internal_resistance: float = 0.1
    precharge_resistance: float = 470.0
    discharge_resistance: float = 2200.0
    load_resistance: float = inf
    capacitance: float = 560e-6
    insulation_plus: float = 2e6
    insulation_minus: float = 2e6
    y_plus: float = 100e-9
    y_minus: float = 100e-9
    extra_current: float = 0.0  # A drawn between HV+ and HV- whatever the voltage (inverter; charger negative)
    air_plus: bool = False
    air_minus: bool = False
    precharge: bool = False
    discharge: bool = True


class _Modes(NamedTuple):
    """The solved wiring: rates in 1/s and the turn between voltages and modal coordinates."""

    rate1: float
    rate2: float
    cos: float
    sin: float
    root_d: float  # square root of the capacitance that d sees
    root_q: float
    rest1: float  # modal coordinates at rest (a mode with rate 0 has no path and rests wherever it is)
    rest2: float
    share_plus: float  # HV+ = q + share_plus * d
    share_minus: float  # HV- = q - share_minus * d
    source: float  # conductance from the pack to the vehicle side, S; 0 = not connected


@lru_cache(maxsize=512)
def _solve(w: Wiring) -> _Modes:
    path = w.internal_resistance + (0.0 if w.air_plus else w.precharge_resistance)
    source = 1.0 / path if w.air_minus and (w.air_plus or w.precharge) else 0.0
    across = source + 1.0 / w.load_resistance + (1.0 / w.discharge_resistance if w.discharge else 0.0)
    leak_plus, leak_minus = 1.0 / w.insulation_plus, 1.0 / w.insulation_minus
    both_y = w.y_plus + w.y_minus
    share_plus, share_minus = w.y_minus / both_y, w.y_plus / both_y
    root_d, root_q = sqrt(w.capacitance + w.y_plus * share_plus), sqrt(both_y)
    a_dd = (across + leak_plus * share_plus**2 + leak_minus * share_minus**2) / root_d**2
    a_qq = (leak_plus + leak_minus) / root_q**2
    a_dq = (leak_plus * share_plus - leak_minus * share_minus) / (root_d * root_q)
    turn = 0.5 * atan2(2.0 * a_dq, a_dd - a_qq)
    c, s = cos(turn), sin(turn)
    rate1 = c * c * a_dd + 2.0 * c * s * a_dq + s * s * a_qq
    rate2 = s * s * a_dd - 2.0 * c * s * a_dq + c * c * a_qq
    push = (source * w.emf - w.extra_current) / root_d
    rest1 = c * push / rate1 if rate1 > 0.0 else 0.0
    rest2 = -s * push / rate2 if rate2 > 0.0 else 0.0
    return _Modes(rate1, rate2, c, s, root_d, root_q, rest1, rest2, share_plus, share_minus, source)


class Circuit:
    """The circuit from the last switching event on. Ask for times at or after it; `change` starts a new stretch.

    Times in s, voltages in V, current in A (positive = discharging the pack), energies in J.
    """

    def __init__(self, wiring: Wiring | None = None, t: float = 0.0, plus: float = 0.0, minus: float = 0.0):
        self.wiring = wiring or Wiring()
        self._precharge_energy = self._discharge_energy = 0.0
        self._begin(t, plus, minus)

    def change(self, t: float, **changes: float | bool) -> None:
        """Switch contacts or change values at `t`; voltages to chassis carry on from where they are."""
        self.rewire(t, replace(self.wiring, **changes))

    def rewire(self, t: float, wiring: Wiring) -> None:
        """As `change`, with the whole wiring given."""
        self._precharge_energy = self.precharge_energy(t)
        self._discharge_energy = self.discharge_energy(t)
        plus, minus = self.plus_voltage(t), self.minus_voltage(t)
        self.wiring = wiring
        self._begin(t, plus, minus)

    def _begin(self, t: float, plus: float, minus: float) -> None:
        m = self._modes = _solve(self.wiring)
        d, q = plus - minus, m.share_minus * plus + m.share_plus * minus
        x, y = m.root_d * d, m.root_q * q
        z1, z2 = m.cos * x + m.sin * y, m.cos * y - m.sin * x
        # A mode without any path (rate 0) stays where it is.
        rest1, rest2 = m.rest1 if m.rate1 > 0.0 else z1, m.rest2 if m.rate2 > 0.0 else z2
        self._since, self._rate1, self._rate2 = t, m.rate1, m.rate2
        self._rest_d = (m.cos * rest1 - m.sin * rest2) / m.root_d
        self._d1, self._d2 = m.cos * (z1 - rest1) / m.root_d, -m.sin * (z2 - rest2) / m.root_d
        self._rest_q = (m.sin * rest1 + m.cos * rest2) / m.root_q
        self._q1, self._q2 = m.sin * (z1 - rest1) / m.root_q, m.cos * (z2 - rest2) / m.root_q
        self._emf, self._source, self._inner = self.wiring.emf, m.source, self.wiring.internal_resistance
        self._asked, self._answer = -inf, (0.0, 0.0, 0.0)

    def at(self, t: float) -> tuple[float, float, float]:
        """(vehicle-side voltage, pack terminal voltage, pack current) at `t`."""
        if t == self._asked:
            return self._answer
        elapsed = t - self._since
        d = self._rest_d + self._d1 * exp(-self._rate1 * elapsed) + self._d2 * exp(-self._rate2 * elapsed)
        current = self._source * (self._emf - d)
        self._asked = t
        self._answer = answer = (d, self._emf - current * self._inner, current)
        return answer

    def ts_voltage(self, t: float) -> float:
        return self.at(t)[0]

    def pack_voltage(self, t: float) -> float:
        return self.at(t)[1]

    def current(self, t: float) -> float:
        return self.at(t)[2]

    def plus_voltage(self, t: float) -> float:
        """HV+ to chassis."""
        return self._mean(t) + self._modes.share_plus * self.ts_voltage(t)

    def minus_voltage(self, t: float) -> float:
        """HV- to chassis."""
        return self._mean(t) - self._modes.share_minus * self.ts_voltage(t)

    def _mean(self, t: float) -> float:
        elapsed = t - self._since
        return self._rest_q + self._q1 * exp(-self._rate1 * elapsed) + self._q2 * exp(-self._rate2 * elapsed)

    def precharge_energy(self, t: float) -> float:
        """Heat in the pre-charge resistor since the beginning. With AIR+ closed it carries nothing."""
        w, total = self.wiring, self._precharge_energy
        if w.precharge and w.air_minus and not w.air_plus:
            conductance = self._source**2 * w.precharge_resistance
            total += conductance * self._square_integral(self._emf - self._rest_d, -self._d1, -self._d2, t)
        return total

    def discharge_energy(self, t: float) -> float:
        """Heat in the discharge resistor since the beginning."""
        total = self._discharge_energy
        if self.wiring.discharge:
            total += self._square_integral(self._rest_d, self._d1, self._d2, t) / self.wiring.discharge_resistance
        return total

    def _square_integral(self, rest: float, a1: float, a2: float, t: float) -> float:
        """Integral of (rest + a1 exp(-rate1 x) + a2 exp(-rate2 x))^2 from the last switching event to `t`."""
        r1, r2, elapsed = self._rate1, self._rate2, t - self._since
        return (
            rest * rest * elapsed
            + 2.0 * rest * (a1 * _area(r1, elapsed) + a2 * _area(r2, elapsed))
            + a1 * a1 * _area(2.0 * r1, elapsed)
            + 2.0 * a1 * a2 * _area(r1 + r2, elapsed)
            + a2 * a2 * _area(2.0 * r2, elapsed)
        )

    def crossing(self, level: float, rising: bool, after: float) -> float:
        """First time at or after `after` at which the vehicle-side voltage passes `level` upwards (or downwards);
        inf when the present stretch never does."""
        sign = 1.0 if rising else -1.0
        start = max(0.0, after - self._since)
        a0, a1, a2 = sign * (self._rest_d - level), sign * self._d1, sign * self._d2
        r1, r2 = self._rate1, self._rate2

        def height(x: float) -> float:
            return a0 + a1 * exp(-r1 * x) + a2 * exp(-r2 * x)

        # The slope has at most one zero, so there are at most two monotone pieces, the last one endless.
        pieces = [start]
        ratio = -a2 * r2 / (a1 * r1) if a1 * r1 != 0.0 else 0.0
        if ratio > 0.0 and r1 != r2:
            turning = log(ratio) / (r2 - r1)
            if turning > start:
                pieces.append(turning)
        for number, left in enumerate(pieces):
            at_left = height(left)
            if at_left > 0.0:
                continue
            right = pieces[number + 1] if number + 1 < len(pieces) else _far(height, left, r1, r2, a0)
            if right < inf and height(right) > 0.0:
                return self._since + _root(height, left, right)
        return inf


def _area(rate: float, elapsed: float) -> float:
    """Integral of exp(-rate x) from 0 to `elapsed`."""
    return -expm1(-rate * elapsed) / rate if rate > 0.0 else elapsed


def _far(height: Callable[[float], float], left: float, r1: float, r2: float, at_rest: float) -> float:
    """A time beyond which only the value at rest is left; inf when that one is not positive."""
    if at_rest <= 0.0:
        return inf
    step = 1.0 / max(r1, r2)
    while height(left + step) <= 0.0:
        step *= 2.0
        if step > 1e9:
            return inf
    return left + step


def _root(height: Callable[[float], float], left: float, right: float) -> float:
    """Where `height` passes from <= 0 to > 0, by halving with secants in between; to the last bit that matters."""
    low, high = height(left), height(right)
    for _ in range(200):
        if right - left <= 1e-13 * max(1.0, right):
            break
        secant = left - low * (right - left) / (high - low) if high != low else left
        for x in (secant, 0.5 * (left + right)):
            if left < x < right:
                y = height(x)
                left, low, right, high = (x, y, right, high) if y <= 0.0 else (left, low, x, y)
    return right
