"""What a discharge from the full voltage would take, from one at a voltage that nobody is hurt by.

A resistive discharge is an exponential whatever it begins at, so its time constant, measured below 60 V, gives the time
that the same circuit takes from the full voltage: t = tau ln(V / threshold), counted from when the discharge begins.
That is a prediction and shows nothing: it holds for a resistor and not for an inverter that discharges actively, and
not where a part behaves differently at high voltage. Only a curve that is an exponential is used.

Plain sums and no library, so that a record judged again anywhere gives the same digits.
"""

from __future__ import annotations

from collections.abc import Sequence
from math import exp, fsum, hypot, log, sqrt
from typing import TYPE_CHECKING, NamedTuple

from bench.judging.uncertainty import COVERAGE, HALF

if TYPE_CHECKING:
    from bench.judging.readings import Readings
    from bench.language.expressions import Condition

#: Part of the curve that is fitted, as shares of the voltage at which it begins.
FROM, TO = 0.9, 0.1
#: A residual of more than this share of the amplitude is no exponential.
MOST_RESIDUAL = 0.02
FEWEST = 10  # samples
_ROUNDS = 50
_ENOUGH = 1e-12


class Fit(NamedTuple):
    """V = `amplitude` exp(-t / `tau_s`): amplitude in V at t = 0, time constant with standard uncertainty `u_s` in s,
    `residual` as the largest share of the amplitude."""

    amplitude: float
    tau_s: float
    u_s: float
    residual: float


class Prediction(NamedTuple):
    """`value` s to fall from `from_v` to `to_v`, with expanded `uncertainty` (coverage factor 2), from the time
    constant `tau_s` with its own expanded `tau_uncertainty_s`. `residual`: of the fit, share of the amplitude."""

    value: float
    uncertainty: float
    from_v: float
    to_v: float
    tau_s: float
    tau_uncertainty_s: float
    residual: float

    def __str__(self) -> str:
        return (
            f"predicted, not shown: {self.value:.4g} s ± {self.uncertainty:.2g} s from {self.from_v:g} V to "
            f"{self.to_v:g} V once the discharge has begun (time constant {self.tau_s:.4g} s ± "
            f"{self.tau_uncertainty_s:.2g} s)"
        )


class Falling:
    """The readings of the voltage in a condition such as `ts_voltage < 60 V`, from now on."""

    def __init__(self, condition: Condition, readings: Readings):
        self._readings = readings
        (self._slot,) = readings.slots_of(condition.channels)
        self._threshold_v = self.threshold_v(condition, readings)
        self._times: list[float] = []
        self._values: list[float] = []
        self._highest = 0.0

    @staticmethod
    def is_in(condition: Condition, readings: Readings) -> bool:
        """Whether the condition is one comparison of one voltage that is read, with a limit from above."""
        if len(condition.channels) != 1 or len(condition.atoms) != 1:
            return False
        (slot,) = readings.slots_of(condition.channels)
        if condition.atoms[0].kind != "quantity" or readings.driven[slot] or readings.units[slot] != "V":
            return False
        margin = condition.compile_margin(readings.slots)
        at_0, at_1 = (margin([volts] * len(readings.slots)) for volts in (0.0, 1.0))
        return at_0 > 0 and abs(at_0 - at_1 - 1.0) < 1e-9

    @staticmethod
    def threshold_v(condition: Condition, readings: Readings) -> float:
        """What the voltage has to be below, V."""
        return condition.compile_margin(readings.slots)([0.0] * len(readings.slots))

    def look(self) -> bool:
        """Keep what is new; whether the voltage has fallen below a tenth of its highest."""
        t, value = self._readings.time(self._slot), self._readings.values[self._slot]
        if isinstance(value, float) and (not self._times or t > self._times[-1]):
            self._times.append(t)
            self._values.append(value)
            self._highest = max(self._highest, value)
        return bool(self._values) and self._values[-1] < TO * self._highest

    def prediction(self, full_v: float | None) -> Prediction | str:
        """What `predict` says of these readings."""
        offset_v = self._readings.specifications[self._slot].absolute
        return predict(self._times, self._values, full_v, self._threshold_v, offset_v)


def predict(
    times: Sequence[float], values: Sequence[float], full_v: float | None, threshold_v: float, offset_v: float | None
) -> Prediction | str:
    """From readings (s, V) that begin before the discharge does; why not, where there is no prediction.

    `full_v`: the voltage from which it is asked for, None where nobody has said; `offset_v`: half-width of the
    readings' common offset, None for unknown.
    """
    if full_v is None:
        return "no live value is predicted: the bench file states no full_voltage"
    if full_v <= threshold_v:
        return f"no live value is predicted: the full voltage is not above {threshold_v:g} V"
    if offset_v is None:
        return "no live value is predicted: nobody has said how accurate the voltage is"
    times, values, whole = _falling_part(times, values)
    if not whole or len(times) < FEWEST:
        return "no live value is predicted: the discharge was not followed from 90 % down to 10 %"
    found = fit(times, values, offset_v)
    if found is None or found.residual > MOST_RESIDUAL:
        return "no live value is predicted: the discharge is not the exponential of a resistor"
    ratio = log(full_v / threshold_v)
    return Prediction(
        *(float(f"{each:.6g}") for each in (found.tau_s * ratio, COVERAGE * found.u_s * ratio)), full_v, threshold_v,
        *(float(f"{each:.6g}") for each in (found.tau_s, COVERAGE * found.u_s, found.residual)),
    )  # fmt: skip


def fit(times: Sequence[float], values: Sequence[float], offset_v: float = 0.0) -> Fit | None:
    """Least squares over all samples; None where they do not fall. The uncertainty of the time constant is that of the
    fit, from its residuals, and what a common offset of the readings may have done to it."""
    start = times[0]
    times = [t - start for t in times]
    found = _gauss_newton(times, values)
    shifted = _gauss_newton(times, [value + offset_v for value in values]) if offset_v else found
    if found is None or shifted is None:
        return None
    amplitude, tau_s = found
    left = [value - amplitude * exp(-t / tau_s) for t, value in zip(times, values, strict=True)]
    a, b, d = _normal(times, amplitude, tau_s)
    u_fit = sqrt(fsum(each * each for each in left) / (len(times) - 2) * a / (a * d - b * b))
    u_s = hypot(u_fit, (shifted[1] - tau_s) * HALF)
    return Fit(amplitude, tau_s, u_s, max(abs(each) for each in left) / amplitude)


def _falling_part(times: Sequence[float], values: Sequence[float]) -> tuple[list[float], list[float], bool]:
    """Times and values of the last fall from 90 % of the highest value to 10 %, and whether it got there."""
    highest = max(values, default=0.0)
    at = max((place for place, value in enumerate(values) if value > FROM * highest), default=-1) + 1
    end = next((place for place, value in enumerate(values[at:], at) if value < TO * highest), len(values))
    return list(times[at:end]), list(values[at:end]), end < len(values)


def _gauss_newton(times: Sequence[float], values: Sequence[float]) -> tuple[float, float] | None:
    """Amplitude and time constant, begun from the line through the logarithms of the ends."""
    if len(times) < 3 or values[-1] <= 0 or values[-1] >= values[0]:
        return None
    amplitude, tau = values[0], (times[-1] - times[0]) / log(values[0] / values[-1])
    for _ in range(_ROUNDS):
        a, b, d = _normal(times, amplitude, tau)
        shape = [exp(-t / tau) for t in times]
        left = [value - amplitude * each for value, each in zip(values, shape, strict=True)]
        e = fsum(each * off for each, off in zip(shape, left, strict=True))
        f = fsum(amplitude * t / tau**2 * each * off for t, each, off in zip(times, shape, left, strict=True))
        determinant = a * d - b * b
        step_amplitude, step_tau = (d * e - b * f) / determinant, (a * f - b * e) / determinant
        amplitude, tau = amplitude + step_amplitude, tau + step_tau
        if not (amplitude > 0 and tau > 0):
            return None
        if abs(step_tau) < _ENOUGH * tau:
            break
    return amplitude, tau


def _normal(times: Sequence[float], amplitude: float, tau: float) -> tuple[float, float, float]:
    """The normal matrix of least squares: its two diagonal entries, the shared one between them."""
    shape = [exp(-t / tau) for t in times]
    slope = [amplitude * t / tau**2 * each for t, each in zip(times, shape, strict=True)]
    return (
        fsum(each * each for each in shape),
        fsum(each * other for each, other in zip(shape, slope, strict=True)),
        fsum(each * each for each in slope),
    )
