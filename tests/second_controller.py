"""A second healthy controller, written apart from the reference one, to test that sequences test requirements.

It makes other legal choices: two tables instead of branches, a period of 20 ms, a filtered voltage instead of a mean of
samples, a threshold of 96 % that must have been kept for 300 ms, and three attempts with a cool-down between them.
By hand: `PYTHONPATH=tests topbox-bench run sequences/standard --controller second_controller:TableController`.
"""

from __future__ import annotations

from collections.abc import Callable
from math import inf, log
from typing import NamedTuple

from simulators.controller import Inputs, Outputs

EXPECTED_S = 470.0 * 560e-6 * log(1.0 / (1.0 - 0.96))  # to the threshold of 96 %, from 0 V
ATTEMPTS = 3


class State(NamedTuple):
    """What is commanded in a state (AIR+, AIR-, pre-charge relay), and where it leads: the first guard that is true.

    `minus` and so on name guards of the controller; a target that begins with '!' is a trip with that name.
    """

    coils: tuple[bool, bool, bool]
    leads: tuple[tuple[str, str], ...]


OFF, MINUS, SLOWLY, ALL, BOTH = (
    (False, False, False), (False, True, False), (False, True, True), (True, True, True), (True, True, False),
)  # fmt: skip
STATES: dict[str, State] = {
    "off": State(OFF, (
        ("start_with_weld", "!contactor welded"), ("start_with_odd_pack", "!pack voltage implausible"),
        ("start", "minus"),
    )),
    "minus": State(MINUS, (("stop", "off"), ("minus_made", "listen"))),
    "listen": State(MINUS, (
        ("stop", "off"), ("rises_unasked", "!voltage without pre-charge"), ("after_80_ms", "fill"),
    )),
    "fill": State(SLOWLY, (
        ("stop", "off"), ("full_too_early", "!pre-charge too fast"), ("full", "settle"), ("too_long_again", "cool"),
        ("too_long", "!pre-charge too slow"),
    )),
    "settle": State(SLOWLY, (
        ("stop", "off"), ("no_longer_full", "fill"), ("after_300_ms", "plus"), ("too_long_again", "cool"),
        ("too_long", "!pre-charge too slow"),
    )),
    "plus": State(ALL, (("stop", "off"), ("plus_made", "overlap"))),
    "overlap": State(ALL, (("after_100_ms", "on"),)),
    "on": State(BOTH, (("stop", "unload"), ("charged", "unload"))),
    "unload": State(BOTH, (("unloaded", "off"), ("after_1800_ms", "off"))),
    "cool": State(OFF, (("stop", "off"), ("cooled", "minus"))),
    "tripped": State(OFF, (("reset", "off"),)),
}  # fmt: skip


class Supervision(NamedTuple):
    """A cause that trips when it has lasted `for_s`."""

    name: str
    for_s: float
    present: Callable[[TableController, Inputs], bool]


def _beyond(low: float, high: float, least: float, most: float) -> bool:
    return min(low, high) <= least or max(low, high) >= most


SUPERVISED: tuple[Supervision, ...] = (
    Supervision("BMS line", 0.0, lambda c, i: not i.bms_ok and c.line_counts("bms")),
    Supervision("IMD line", 0.0, lambda c, i: not i.imd_ok and c.line_counts("imd")),
    Supervision("BMS silent", 0.0, lambda c, i: 0.45 < i.bms_age_s < inf),
    Supervision("cell voltage", 0.4, lambda c, i: _beyond(i.min_cell_voltage, i.max_cell_voltage, 2.73, 4.23)),
    Supervision(
        "cell temperature", 0.8, lambda c, i: _beyond(i.min_cell_temperature, i.max_cell_temperature, -28.0, 60.2)
    ),
    Supervision("AIR+ does not follow", 0.3, lambda c, i: c.coils[0] != i.air_plus_aux),
    Supervision("AIR- does not follow", 0.3, lambda c, i: c.coils[1] != i.air_minus_aux),
    Supervision("pre-charge relay does not follow", 0.3, lambda c, i: c.coils[2] != i.precharge_aux),
    Supervision("AIR dropped out", 0.06, lambda c, i: c.made > {"plus"} and not (i.air_plus_aux and i.air_minus_aux)),
    Supervision("AIR- dropped out", 0.06, lambda c, i: "minus" in c.made and not i.air_minus_aux),
    Supervision("supply low", 0.15, lambda c, i: any(c.coils) and i.supply_voltage < 7.8),
    Supervision("not discharged", 5.2, lambda c, i: not any(c.coils) and i.ts_voltage > 60.0),
    Supervision("current with all open", 1.0, lambda c, i: not any(c.coils) and abs(i.current) > 8.0),
    Supervision(
        "voltages differ", 0.3, lambda c, i: c.state == "on" and abs(i.pack_voltage - i.ts_voltage) > 0.08 * 350.0
    ),
    Supervision("charger gone", 0.0, lambda c, i: c.charge and any(c.coils) and not c.charger_there(i)),
)


class TableController:
    """Healthy; see the module's head."""

    period_s = 0.02

    def __init__(self) -> None:
        self.state = "off"
        self.coils = OFF
        self.charge = False
        self.made: set[str] = set()
        self._t = self._entered_s = self._filling_s = 0.0
        self._attempt = 0
        self._tripped_by: list[str] = []
        self._since: dict[str, float] = {}
        self._ok_once: set[str] = set()
        self._held: tuple[bool, bool, bool] | None = None
        self._pressed = (False, False, False)
        self._filtered = 0.0
        self._ts_at_minus = 0.0

    def step(self, t: float, inputs: Inputs) -> Outputs:
        self._t = t
        buttons = (inputs.start_request, inputs.stop_request, inputs.reset_request)
        held = self._held or buttons  # held at power-up is not pressed
        self._pressed = tuple(now and not before for now, before in zip(buttons, held, strict=True))
        self._held = buttons
        self._filtered += 0.3 * (inputs.ts_voltage - self._filtered)
        self._ok_once |= {name for name, ok in (("bms", inputs.bms_ok), ("imd", inputs.imd_ok)) if ok}
        self.made = {name for name, on, closed in (
            ("plus", self.coils[0], inputs.air_plus_aux), ("minus", self.coils[1], inputs.air_minus_aux),
        ) if on and (closed or name in self.made)}  # fmt: skip

        causes = [each.name for each in SUPERVISED if self._lasts(each, inputs)]
        if causes:
            self._tripped_by += [name for name in causes if name not in self._tripped_by]
            self._go("tripped")
        elif not inputs.loop_closed and self.state != "tripped":
            self._go("off")
        else:
            self._follow(inputs)
        return self._say(inputs)

    def line_counts(self, name: str) -> bool:
        """Whether a line that is low means something: it has been ok once, or its time to come up is over."""
        return name in self._ok_once or self._t >= 6.0

    @staticmethod
    def charger_there(i: Inputs) -> bool:
        return i.charger_connected and i.charger_interlock

    def _lasts(self, supervised: Supervision, inputs: Inputs) -> bool:
        if not supervised.present(self, inputs):
            self._since.pop(supervised.name, None)
            return False
        return self._t - self._since.setdefault(supervised.name, self._t) >= supervised.for_s - 1e-9

    def _follow(self, inputs: Inputs) -> None:
        for guard, target in STATES[self.state].leads:
            if getattr(self, f"_{guard}")(inputs):
                if target.startswith("!"):
                    self._tripped_by.append(target[1:])
                    target = "tripped"
                self._go(target)
                return

    def _go(self, state: str) -> None:
        if state == self.state:
            return
        came_from, self.state, self._entered_s = self.state, state, self._t
        self.coils = STATES[state].coils
        if state == "fill" and came_from == "listen":
            self._filling_s = self._t
        if state == "off":
            self._attempt, self.charge = 0, False
            if came_from == "tripped":
                self._tripped_by.clear()

    # Guards.

    def _in_state_s(self) -> float:
        return self._t - self._entered_s + 1e-9

    def _asked_to_start(self, i: Inputs) -> bool:
        ready = i.bms_age_s <= 0.45 and i.supply_voltage >= 8.5 and i.ts_voltage < 50.0
        return self._pressed[0] and ready and (not i.charger_connected or self._may_charge(i))

    def _may_charge(self, i: Inputs) -> bool:
        return self.charger_there(i) and i.max_cell_voltage < 4.2

    def _start_with_weld(self, i: Inputs) -> bool:
        return self._pressed[0] and (i.air_plus_aux or i.air_minus_aux or i.precharge_aux)

    def _start_with_odd_pack(self, i: Inputs) -> bool:
        cells = 0.95 * 96 * i.min_cell_voltage, 1.05 * 96 * i.max_cell_voltage
        return self._asked_to_start(i) and not cells[0] <= i.pack_voltage <= cells[1]

    def _start(self, i: Inputs) -> bool:
        if not self._asked_to_start(i):
            return False
        self._attempt, self.charge, self._ts_at_minus = 1, i.charger_connected, i.ts_voltage
        return True

    def _stop(self, i: Inputs) -> bool:
        return self._pressed[1]

    def _reset(self, i: Inputs) -> bool:
        return self._pressed[2]  # no cause is present here

    def _minus_made(self, i: Inputs) -> bool:
        return i.air_minus_aux

    def _plus_made(self, i: Inputs) -> bool:
        return i.air_plus_aux

    def _rises_unasked(self, i: Inputs) -> bool:
        return self._filtered > self._ts_at_minus + 30.0

    def _after_80_ms(self, i: Inputs) -> bool:
        return self._in_state_s() >= 0.08

    def _after_100_ms(self, i: Inputs) -> bool:
        return self._in_state_s() >= 0.1

    def _after_300_ms(self, i: Inputs) -> bool:
        return self._in_state_s() >= 0.3

    def _after_1800_ms(self, i: Inputs) -> bool:
        return self._in_state_s() >= 1.8

    def _full(self, i: Inputs) -> bool:
        return self._filtered >= 0.96 * i.pack_voltage > 90.0

    def _full_too_early(self, i: Inputs) -> bool:
        return self._t - self._filling_s < 0.45 * EXPECTED_S and i.ts_voltage >= 0.96 * i.pack_voltage

    def _no_longer_full(self, i: Inputs) -> bool:
        return self._filtered < 0.95 * i.pack_voltage

    def _too_long(self, i: Inputs) -> bool:
        return self._t - self._filling_s >= 2.6 * EXPECTED_S

    def _too_long_again(self, i: Inputs) -> bool:
        return self._too_long(i) and self._attempt < ATTEMPTS

    def _cooled(self, i: Inputs) -> bool:
        if self._in_state_s() < 3.0 or i.ts_voltage >= 50.0:
            return False
        self._attempt, self._ts_at_minus = self._attempt + 1, i.ts_voltage
        return True

    def _unloaded(self, i: Inputs) -> bool:
        return abs(i.current) < 5.0

    def _charged(self, i: Inputs) -> bool:
        return self.charge and i.max_cell_voltage >= 4.2

    # What is said.

    def _say(self, i: Inputs) -> Outputs:
        plus, minus, precharge = self.coils
        both = plus and i.air_plus_aux and i.air_minus_aux
        named = [*self._tripped_by]
        if self._lasts(Supervision("fan stands still", 2.0, lambda c, i: not i.fans_ok), i):
            named.append("fan stands still")
        reported = "fault" if self.state == "tripped" else "idle" if not minus else "precharge"
        return Outputs(
            plus, minus, precharge, any(self.coils), self._fans(i), both and self.state in ("on", "unload"),
            both and self.charge and self.state == "on" and self._may_charge(i),
            ("charge" if self.charge else "run") if plus else reported, ", ".join(named),
        )  # fmt: skip

    @staticmethod
    def _fans(i: Inputs) -> float:
        """15 % at 25 degC, rising evenly to full at 55 degC; full when the temperature is not known."""
        known = i.bms_age_s <= 0.45 and i.min_cell_temperature > -28.0
        return round(min(1.0, max(0.15, 0.15 + 0.85 / 30.0 * (i.max_cell_temperature - 25.0))), 2) if known else 1.0
