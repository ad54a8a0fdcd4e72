"""What the box says of itself on CAN: `box_status` at 100 Hz and `box_measurements` at 10 Hz.

The content is worked out only when something in it changes; the sixteen frames of one content differ in the counter.
Leaves out: a checksum, and a control task that is late (frames leave on time whatever it does).
"""

from __future__ import annotations

from bench.events import Frame
from simulators.controller import Outputs
from simulators.messages import BUS, encoder

#: Numbers of the states in the CAN database; anything else is 15, `unknown`.
STATES: dict[str, int] = {"idle": 0, "precharge": 1, "run": 2, "charge": 3, "fault": 4}


class StatusMessages:
    """Flags and commands come in as they change; `next_...` gives the next frame."""

    def __init__(self) -> None:
        self._status = encoder("box_status", "status_counter")
        self._measurements = encoder("box_measurements", "measurements_counter")
        self._content: dict[str, float] = dict.fromkeys(
            ("loop_closed", "air_plus_aux", "air_minus_aux", "precharge_aux", "supply_voltage"), 0.0
        )
        self._frames: dict[int, Frame] = {}  # of the present content, by counter
        self._counter = self._measurements_counter = 0

    def flag(self, name: str, on: bool) -> None:
        self._content[name] = float(on)
        self._frames = {}

    def supply(self, volts: float) -> None:
        self._content["supply_voltage"] = round(volts, 1)
        self._frames = {}

    def commanded(self, out: Outputs) -> None:
        self._content.update(
            controller_state=STATES.get(out.state, 15), fault_present=float(out.fault != ""),
            air_plus_coil=float(out.air_plus), air_minus_coil=float(out.air_minus),
            precharge_coil=float(out.precharge), discharge_coil=float(out.discharge_open),
            dcdc=float(out.dcdc_enable), charging=float(out.charge_enable), fan_duty=round(100.0 * out.fans),
        )  # fmt: skip
        self._frames = {}

    def next_status(self) -> Frame:
        self._counter = counter = (self._counter + 1) % 16
        frame = self._frames.get(counter)
        if frame is None:
            data = self._status.encode(self._content, counter)
            frame = self._frames[counter] = Frame(BUS, self._status.frame_id, data)
        return frame

    def next_measurements(self, pack: float, ts: float, current: float) -> Frame:
        """V, V, A as the box senses them."""
        self._measurements_counter = counter = (self._measurements_counter + 1) % 16
        signals = {"pack_voltage": round(pack, 1), "ts_voltage": round(ts, 1), "pack_current": round(current, 1)}
        return Frame(BUS, self._measurements.frame_id, self._measurements.encode(signals, counter))
