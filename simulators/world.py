"""The simulated car-side world: box, faults and the bench's view of them, on one virtual timeline.

The loops ask `next_s`, then let the world `advance` instant by instant; stimuli go in between. The same bench,
parameters, controller and seed give the same batches, to the bit.

Leaves out: everything outside the box and its pack but the charger (present or not) and the fault resistors.
"""

from __future__ import annotations

import difflib
from collections.abc import Callable, Mapping
from random import Random
from typing import TYPE_CHECKING, Any

from bench.errors import InputError
from bench.events import Batch, Frame, Value
from bench.language.units import UNITS
from simulators.bms import CELL_CHANNELS
from simulators.box import FALSE_STATE, TWO_STATE_DRIVEN, Box
from simulators.controller import Controller, ReferenceController
from simulators.faults import FAULTS, Fault
from simulators.parameters import Settings
from simulators.timeline import Timeline
from simulators.view import View

if TYPE_CHECKING:
    from bench.language.bench_file import Bench

POWERED_BEFORE_S = 3.0
_INITIAL: dict[str, Value] = {
    "shutdown_loop": "open", "interlock": "closed", "start_request": "released", "stop_request": "released",
    "reset_request": "released", "charger": "absent", "charger_interlock": "open", "bms_line": "ok", "imd_line": "ok",
    "bms_messages": "on", "supply_voltage": 12.5, "fault_resistor_plus": float("inf"),
    "fault_resistor_minus": float("inf"),
}  # fmt: skip


class World:
    """One simulated bench. `parameters` are in base units; `controller` is called without arguments at power-up;
    `hardware` is the box around it.

    `power`: 'on' has the box powered from `start_s` = -3 s; 'off' begins at 0 without supply.
    Raises InputError for unknown parameters, channels, values and faults.
    """

    def __init__(
        self, bench: Bench, parameters: Mapping[str, float] | None = None,
        controller: Callable[[], Controller] = ReferenceController, seed: int = 0, power: str = "on",
        hardware: type[Box] = Box,
    ):  # fmt: skip
        self.start_s = -POWERED_BEFORE_S if power == "on" else 0.0
        self._timeline = Timeline(self.start_s)
        self.settings = Settings(parameters or {})
        random = Random(seed)
        self._view = View(bench, self._timeline, self.settings, random)
        driven = dict(_INITIAL)
        for name, channel in self._view.driven.items():
            if channel.initial is not None and name not in CELL_CHANNELS:
                driven[name] = self._in_base_unit(name, channel.initial)
        supply = float(driven.pop("supply_voltage"))
        self.box = hardware(self._timeline, self.settings, controller, random, driven, self._view.told)
        self._view.connect(self.box)
        if power == "on":
            self._timeline.at(self.start_s, lambda t: self.box.drive(t, "supply_voltage", supply))

    @property
    def now(self) -> float:
        """World time in s."""
        return self._timeline.now

    def next_s(self) -> tuple[float, int]:
        """(time, phase) of the next event; phase 0 for physics, frames and scans, 2 for controller steps."""
        return self._timeline.next()

    def advance(self, until: tuple[float, int]) -> Batch:
        """Process the one instant `next_s()`, as far as it lies before `until`; returns what the bench saw."""
        return self._seen(self._timeline.run_instant(until))

    def elapse(self, t: float) -> None:
        """Move world time to `t`, before which nothing is due."""
        self._timeline.now = max(self._timeline.now, round(t, 6))

    def drive(self, t: float, channel: str, value: Value) -> Batch:
        """Set a driven channel, in its own unit; returns the immediate consequences."""
        self.elapse(t)
        self.box.drive(self.now, channel, self._in_base_unit(channel, value))
        self._view.drove(channel, value)
        return self._seen(self.now)

    def send(self, t: float, frame: Frame) -> Batch:
        """Put a frame on the bus."""
        self.elapse(t)
        self.box.receive(self.now, frame)
        return self._seen(self.now)

    def inject(self, t: float, fault: str) -> Batch:
        """Let a fault of FAULTS happen."""
        self.elapse(t)
        fault_named(fault).apply(self)
        return self._seen(self.now)

    def restore(self, t: float, name: str) -> Batch:
        """Take a fault out again, or let a driven BMS channel follow the simulated cells again."""
        self.elapse(t)
        if name in CELL_CHANNELS:
            self.box.drive(self.now, name, None)
        else:
            fault_named(name).remove(self)
        return self._seen(self.now)

    # For faults.

    def name_of(self, fault: Fault) -> str:
        return next((name for name, known in FAULTS.items() if known is fault), f"unlisted {id(fault)}")

    def overlay(self, name: str, values: Mapping[str, float]) -> None:
        """Lay a fault's values over parameters and switches, now."""
        self.settings.overlay(name, values)
        self._reconfigure()

    def lift(self, name: str, values: Mapping[str, float] | None = None) -> None:
        """Take a fault's values away again, now; with `values`, only when it is those that are still in."""
        if self.settings.lift(name, values):
            self._reconfigure()

    def after(self, delay_s: float, action: Callable[[], None]) -> None:
        """Have `action` called in `delay_s` s; inf: never."""
        self._timeline.at(self.now + delay_s, lambda t: action())

    def _reconfigure(self) -> None:
        self._view.configure()
        self.box.configure(self.now)

    def _seen(self, t: float) -> Batch:
        if self.box.frames:
            self._view.hear(self.box.frames)
            self.box.frames.clear()
        return self._view.collect(t)

    def _in_base_unit(self, name: str, value: Value) -> Value:
        channel = self._view.driven.get(name)
        if channel is None:
            raise _unknown("driven channel", name, self._view.driven)
        if name in TWO_STATE_DRIVEN:
            states = (FALSE_STATE[TWO_STATE_DRIVEN[name]], TWO_STATE_DRIVEN[name])
            if value not in states:
                raise InputError.at("simulated bench", f"{name} cannot be '{value}'", f"one of {', '.join(states)}")
            return value
        return UNITS[channel.unit or ""].to_base(float(value))


def fault_named(name: str) -> Fault:
    """The fault of that name. Raises InputError."""
    if name not in FAULTS:
        raise _unknown("fault", name, FAULTS)
    return FAULTS[name]


def _unknown(what: str, name: str, known: Mapping[str, Any]) -> InputError:
    near = difflib.get_close_matches(name, known, 1)
    return InputError.at(
        "simulated bench", f"'{name}' is no {what}", f"perhaps '{near[0]}'" if near else f"one of {', '.join(known)}"
    )
