"""What a voltage can reach at the present stage, and which limits on it cannot fail there.

The vehicle side gets its voltage from the pack, or from the supply that stands in for it. "Below 60 V" at a supply of
50 V is true whatever the box does; who reads `pass` there believes something that nobody has seen. It counts only where
the limit could fail with the full pack: a limit above `full_voltage` is the author's own.
"""

from __future__ import annotations

from math import inf
from typing import TYPE_CHECKING

from bench.judging.prediction import Falling
from bench.judging.readings import HIGH_VOLTAGES
from bench.language.expressions import Condition
from bench.language.terms import Reading

if TYPE_CHECKING:
    from bench.judging.readings import Readings
    from bench.language.expressions import Expression
    from bench.language.plan import Limit

PACK, VEHICLE = HIGH_VOLTAGES


def ceiling_v(judged: Expression, limit: Limit | None, readings: Readings) -> float | None:
    """What the vehicle side has to stay below, when that is all that is judged: `ts_voltage < 60 V`, or `ts_voltage`
    with nothing but a max that is fixed. None for anything else."""
    if judged.channels != (VEHICLE,):
        return None
    if isinstance(judged, Condition):
        return Falling.threshold_v(judged, readings) if Falling.is_in(judged, readings) else None
    if not isinstance(judged.term, Reading) or limit is None or limit.min is not None or limit.max.constant is None:
        return None
    return limit.max.constant.value


def out_of_reach(ceiling: float, full_v: float | None, readings: Readings) -> str:
    """Why the vehicle side could not have reached `ceiling` (V) in this run so far; '' when it could, or when it is not
    known. `full_v`: of the full pack, None where nobody has said."""
    tops = [readings.highest.get(name, -inf) for name in (PACK, VEHICLE)]
    if -inf in tops or not max(tops) < ceiling < (full_v or inf):
        return ""
    return f"nothing above {max(tops):g} V has been read in this run, so a limit of {ceiling:g} V cannot fail"
