"""The control box: hardware around the controller, all on one timeline.

Everything discrete that is true of the box stands in `truth` under its channel name; `told(name, value)` is called
when it changes. Analogue quantities are asked for at a time (`circuit`, `imd`). What the controller gets are the
box's own senses, which faults change, and BMS values decoded from frames that arrived.

Leaves out: input filters and debouncing in hardware, the time that a controller step takes, back-feed between
supplies, the current that the box itself draws, the charger's own behaviour beyond a fixed current.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from math import inf
from random import Random

from bench.errors import BenchError
from bench.events import Frame, Value
from simulators.bms import CELL_CHANNELS, Bms, BmsReceiver
from simulators.circuit import Circuit, Wiring
from simulators.contactor import Contactor
from simulators.controller import Controller, Inputs, Outputs
from simulators.imd import Imd
from simulators.indicator import Indicator
from simulators.loop import ShutdownLoop
from simulators.messages import BUS, decoder
from simulators.parameters import Settings
from simulators.status import StatusMessages
from simulators.timeline import CONTROL, FRAMES, Timeline

#: Driven channels with two states -> the state that counts as True.
TWO_STATE_DRIVEN: dict[str, str] = {
    "shutdown_loop": "closed", "interlock": "closed", "start_request": "pressed", "stop_request": "pressed",
    "reset_request": "pressed", "charger": "present", "charger_interlock": "closed", "bms_line": "ok",
    "imd_line": "ok", "bms_messages": "on",
}  # fmt: skip
FALSE_STATE: dict[str, str] = {"closed": "open", "pressed": "released", "present": "absent", "ok": "fault", "on": "off"}
QUANTITY_DRIVEN: tuple[str, ...] = ("supply_voltage", "fault_resistor_plus", "fault_resistor_minus")

_OPEN_CLOSED, _OFF_ON = ("open", "closed"), ("off", "on")
_COILS = ("air_plus", "air_minus", "precharge", "discharge")


class Box:
    """`driven` maps driven channels to their values (base units) at the beginning; the supply comes by `drive`.

    What a defect of the hardware changes stands in small methods and in the part types: it overrides one of them.
    """

    loop_type = ShutdownLoop
    discharge_normally_closed = True

    def __init__(
        self, timeline: Timeline, settings: Settings, controller: Callable[[], Controller], random: Random,
        driven: dict[str, Value], told: Callable[[str, Value], None],
    ):  # fmt: skip
        t = timeline.now
        self._timeline, self._settings, self._make_controller = timeline, settings, controller
        self._random, self._told = random, told
        self.truth: dict[str, Value] = {}
        self.frames: list[Frame] = []
        self.circuit = Circuit(t=t)
        self.imd, self.bms, self.loop = Imd(), Bms(), self.loop_type()
        self.status = StatusMessages()
        self.receiver = BmsReceiver(decoder())
        self.indicator = Indicator(timeline, self.circuit, self._indicator_changed)
        self._contactors = {
            name: Contactor(
                name,
                timeline,
                self._contacts_moved,
                normally_closed=name == "discharge" and self.discharge_normally_closed,
            )
            for name in _COILS
        }
        self._in = {name: driven[name] == yes for name, yes in TWO_STATE_DRIVEN.items()}
        self._resistor = {"plus": float(driven["fault_resistor_plus"]), "minus": float(driven["fault_resistor_minus"])}
        self._supplied = 0.0  # what the bench sets; `supply` is what arrives
        self.supply, self._powered, self._up_since = 0.0, False, t
        self._bms_ok = self._imd_ok = False
        self._controller: Controller | None = None
        self._constructed_s = self._stepped_s = t
        self._outputs = Outputs()
        self._held_ts, self._ts_stuck = 0.0, False
        self._endings: list[Callable[[], None]] = []
        self.configure(t)
        self._command(t, Outputs(), state="off")
        self._contacts_moved(t)
        self._indicator_changed(t)

    # From outside: the bench's outputs, faults, frames.

    def drive(self, t: float, channel: str, value: Value | None) -> None:
        """Set one driven channel, in base units; None: follow its own source again (BMS values only)."""
        if channel in CELL_CHANNELS:
            self.bms.drive(CELL_CHANNELS[channel], None if value is None else float(value))
            self.truth.pop(channel, None)
            self._tell_cells()
        elif channel == "supply_voltage":
            self._supplied = float(value)
            self._supply_changed(t)
        elif channel.startswith("fault_resistor_"):
            self._resistor[channel.removeprefix("fault_resistor_")] = float(value)
            self._rewire(t)
        else:
            pressed = channel == "reset_request" and value == "pressed" and not self._in[channel]
            self._in[channel] = value == TWO_STATE_DRIVEN[channel]
            if pressed:
                self.loop.reset(self._bms_ok, self._imd_ok)
            self._lines_changed(t)
            self._rewire(t)

    def receive(self, t: float, frame: Frame) -> None:
        """A frame from another node on the box's bus."""
        if self._powered and not self._settings["can_silent"]:
            self.receiver.receive(t, -1 if frame.extended else frame.id, frame.data)

    def configure(self, t: float) -> None:
        """Parameters or damages have changed."""
        s = self._settings
        self._base = Wiring(
            emf=s["pack_emf"], internal_resistance=s["internal_resistance"],
            precharge_resistance=s["precharge_resistance"], discharge_resistance=s["discharge_resistance"],
            capacitance=s["ts_capacitance"], y_plus=s["y_capacitance_plus"], y_minus=s["y_capacitance_minus"],
        )  # fmt: skip
        if s["ts_sense_stuck"] and not self._ts_stuck:
            self._held_ts = self.circuit.ts_voltage(t)
        self._ts_stuck = bool(s["ts_sense_stuck"])
        self._plain_senses = not (s["ts_sense_stuck"] or s["ts_sense_on_pack"] or s["senses_swapped"]) and all(
            s[f"{what}_sense_gain"] == 1.0 and not s[f"{what}_sense_offset"] and not s[f"{what}_sense_noise"]
            for what in ("pack", "ts", "current")
        )
        self._fans_ok = not s["fan_failed"]
        self.indicator.threshold = s["indicator_threshold"]
        self.bms.configure(s)
        self._tell_cells()
        for contactor in self._contactors.values():
            contactor.configure(t, s)
        self._rewire(t)
        self._supply_changed(t)
        self._feed(t)

    # Supply, lines, loop, coils, contacts, circuit: each step causes the next.

    def _supply_changed(self, t: float) -> None:
        self.supply = min(self._supplied, self._settings["supply_ceiling"])
        powered = self.supply >= self._settings["logic_voltage"]
        if powered != self._powered:
            self._powered = powered
            (self._power_up if powered else self._power_down)(t)
        self.status.supply(self.supply)
        self._lines_changed(t)
        self._feed(t)

    def _power_up(self, t: float) -> None:
        s, timeline = self._settings, self._timeline
        self._up_since = t
        self.loop.power_up(t, s["line_grace"])
        self.imd.start(t, s["imd_startup"])
        for ready in (s["bms_startup"], s["imd_startup"], s["line_grace"]):
            timeline.at(t + ready, self._lines_changed)
        self._begin_controller(t)
        self._set("controller_state", "idle")
        self._endings = [
            timeline.every(self._controller.period_s, t, self._step, CONTROL),
            timeline.every(s["status_period"], t + s["status_period"], self._late(self._send_status), FRAMES),
            timeline.every(0.1, t + 0.1, self._late(self._send_measurements), FRAMES),
            timeline.every(s["bms_period"], t + s["bms_startup"], self._late(self._send_cells), FRAMES),
        ]

    def _power_down(self, t: float) -> None:
        for end in self._endings:
            end()
        self._controller = None
        self.imd.stop()
        self.receiver.restart()
        self._command(t, Outputs(), state="off")

    def _lines_changed(self, t: float) -> None:
        self._bms_ok = self._powered and self._bms_line_ok(t)
        self._imd_ok = self._powered and self._imd_line_ok(t)
        before = self.loop.closed
        closed = self.loop.update(t, self._powered, self._elements_closed(), self._bms_ok, self._imd_ok)
        self._set("loop", _OPEN_CLOSED[closed])
        if closed != before:
            self.status.flag("loop_closed", closed)
            self._feed(t)

    def _bms_line_ok(self, t: float) -> bool:
        """As the latch and the controller see it, with the box powered."""
        s = self._settings
        started = t >= round(self._up_since + s["bms_startup"], 6)  # an instant of the timeline
        return started and self._in["bms_line"] and not s["bms_line_broken"]

    def _imd_line_ok(self, t: float) -> bool:
        s = self._settings
        good = self.imd.insulated(t) and self._in["imd_line"] and not s["imd_line_broken"]
        return good or (bool(s["imd_line_stuck_ok"]) and self.imd.ready(t))

    def _elements_closed(self) -> bool:
        """Everything in the loop but the two latches."""
        s, inputs = self._settings, self._in
        broken = s["loop_broken"] or s["interlock_broken"] or s["interlock_grounded"]
        return inputs["shutdown_loop"] and inputs["interlock"] and not broken

    def _feed(self, t: float) -> None:
        out = self._outputs
        commands = (out.air_plus, out.air_minus, out.precharge, out.discharge_open)
        for contactor, on in zip(self._contactors.values(), commands, strict=True):
            contactor.feed(t, self._coil_voltage(contactor.name, on))

    def _coil_voltage(self, name: str, on: bool) -> float:
        """V at a coil, with its output commanded `on` or not."""
        return self.supply if on and self.loop.closed else 0.0

    def _contacts_moved(self, t: float) -> None:
        for name, contactor in self._contactors.items():
            self._set(name, _OPEN_CLOSED[contactor.closed])
            if name != "discharge":
                self._set(f"{name}_aux", _OPEN_CLOSED[contactor.aux_closed])
                self.status.flag(f"{name}_aux", contactor.aux_closed)
        self._rewire(t)

    def _rewire(self, t: float) -> None:
        """Bring circuit, insulation monitor and indicator up to date with contacts and loads."""
        s, out, closed = self._settings, self._outputs, {n: c.closed for n, c in self._contactors.items()}
        both = closed["air_plus"] and closed["air_minus"]
        charging = both and out.charge_enable and self._in["charger"]
        load = 1.0 / s["load_resistance"] + (1.0 / s["dcdc_resistance"] if out.dcdc_enable else 0.0)
        wiring = replace(
            self._base, **closed, load_resistance=1.0 / load if load else inf,
            insulation_plus=_parallel(s["insulation_plus"], self._resistor["plus"]),
            insulation_minus=_parallel(s["insulation_minus"], self._resistor["minus"]),
            extra_current=(s["drive_current"] if both else 0.0) - (s["charge_current"] if charging else 0.0),
        )  # fmt: skip
        if wiring != self.circuit.wiring:
            self.circuit.rewire(t, wiring)
        self.indicator.replan(t)
        self.imd.settle(t, self._insulation(wiring), s["imd_response_time"], s["imd_trip_resistance"])
        self._timeline.at(self.imd.crossing(t), self._lines_changed)

    def _insulation(self, wiring: Wiring) -> float:
        """What the insulation monitor measures, ohm."""
        return _parallel(wiring.insulation_plus, wiring.insulation_minus)

    def _indicator_changed(self, t: float) -> None:
        self._set("indicator", _OFF_ON[self.indicator.lit])

    # The controller.

    def _begin_controller(self, t: float) -> None:
        self._controller = self._make_controller()
        self._set("firmware", str(getattr(self._controller, "firmware", "")))  # its version, if its class says one
        self._constructed_s = self._stepped_s = t

    def _is_held_up(self, t: float) -> bool:
        """Whether a fault keeps the controller from this step; the watchdog acts on one that hangs."""
        s = self._settings
        if s["controller_held"]:
            self._stepped_s = t
            return True
        if not s["controller_hung"]:
            if self._controller is None:  # the watchdog has reset it
                self._begin_controller(t)
            return False
        if self._controller is not None and t - self._stepped_s >= s["watchdog_time"] - 1e-9:
            self._controller = None
            self._command(t, Outputs(), state="off")
        return True

    def _step(self, t: float) -> None:
        if self._is_held_up(t):
            return
        self._stepped_s = t
        ts, pack, current = self.circuit.at(t)
        if not self._plain_senses:
            ts, pack, current = self._sense(ts, pack, current)
        inputs, cells, contactors, receiver = self._in, self.receiver.values, self._contactors, self.receiver
        seen = Inputs(
            self.loop.closed, inputs["start_request"], inputs["stop_request"], inputs["reset_request"],
            inputs["charger"], inputs["charger_interlock"], pack, ts, current,
            contactors["air_plus"].aux_closed, contactors["air_minus"].aux_closed, contactors["precharge"].aux_closed,
            self._bms_ok, self._imd_ok, t - receiver.received_s,
            cells["max_cell_voltage"], cells["min_cell_voltage"],
            cells["max_cell_temperature"], cells["min_cell_temperature"], self.supply, self._fans_ok,
        )  # fmt: skip
        local = round(t - self._constructed_s, 6)
        try:
            outputs = self._controller.step(local, seen)
        except Exception as error:
            name = type(self._controller).__qualname__
            raise BenchError(f"controller {name} stopped {local:g} s after power-up: {error!r}") from error
        if outputs is not self._outputs:
            self._apply(t, outputs)

    def _sense(self, ts: float, pack: float, current: float) -> tuple[float, float, float]:
        """What the box measures of the true values."""
        s = self._settings
        if s["senses_swapped"]:
            ts, pack = pack, ts
        if s["ts_sense_on_pack"]:
            ts = pack
        if s["ts_sense_stuck"]:
            ts = self._held_ts
        noise = self._random.gauss
        return tuple(
            value * s[f"{what}_sense_gain"] + s[f"{what}_sense_offset"]
            + (noise(0.0, s[f"{what}_sense_noise"]) if s[f"{what}_sense_noise"] else 0.0)
            for what, value in (("ts", ts), ("pack", pack), ("current", current))
        )  # fmt: skip

    def _apply(self, t: float, out: Outputs) -> None:
        if not isinstance(out, Outputs):
            name = type(self._controller).__qualname__
            raise BenchError(f"controller {name}: step() returned {type(out).__name__}, not Outputs")
        if out != self._outputs:
            self._command(t, out, out.state)

    def _command(self, t: float, out: Outputs, state: str) -> None:
        before, self._outputs = self._outputs, out
        commands = (out.air_plus, out.air_minus, out.precharge, out.discharge_open)
        for name, on in zip(_COILS, commands, strict=True):
            self._set(f"{name}_coil", _OFF_ON[bool(on)])
        self._set("dcdc", _OFF_ON[bool(out.dcdc_enable)])
        self._set("charging", _OFF_ON[bool(out.charge_enable)])
        self._set("fan_duty", min(1.0, max(0.0, float(out.fans))))
        self._set("controller_state", state)
        self._set("controller_fault", out.fault)
        self.status.commanded(replace(out, state=state))
        self._feed(t)
        if (out.dcdc_enable, out.charge_enable) != (before.dcdc_enable, before.charge_enable):
            self._rewire(t)

    # Messages.

    def _late(self, send: Callable[[float], None]) -> Callable[[float], None]:
        """`send` as it is on a bus that is not always free."""
        most = self._settings["can_jitter"]
        if not most:
            return send

        def wait(t: float) -> None:
            delay = self._random.uniform(0.0, most)
            self._timeline.at(t + delay, lambda t: send(t) if self._powered else None, FRAMES)

        return wait

    def _send_status(self, t: float) -> None:
        if not self._settings["status_silent"]:
            self._put(self.status.next_status())

    def _send_measurements(self, t: float) -> None:
        if not self._settings["status_silent"]:
            ts, pack, current = self._sense(*self.circuit.at(t))
            self._put(self.status.next_measurements(pack, ts, current))

    def _send_cells(self, t: float) -> None:
        if self._in["bms_messages"] and not self._settings["bms_silent"]:
            data = self.bms.next_message()
            if self._put(Frame(BUS, self.bms.frame_id, data)):
                self.receiver.receive(t, self.bms.frame_id, data)

    def _put(self, frame: Frame) -> bool:
        heard = not self._settings["can_silent"]
        if heard:
            self.frames.append(frame)
        return heard

    def _tell_cells(self) -> None:
        for channel, signal in CELL_CHANNELS.items():
            if not self.bms.is_driven(signal):
                self._set(channel, self.bms.values[signal])

    def _set(self, name: str, value: Value) -> None:
        if self.truth.get(name) != value:
            self.truth[name] = value
            self._told(name, value)


def _parallel(a: float, b: float) -> float:
    """Two resistances side by side; not below 1 ohm, which is as good a short circuit as the circuit knows."""
    return max(1.0, 1.0 / (1.0 / max(a, 1e-9) + 1.0 / max(b, 1e-9))) if a < inf or b < inf else inf
