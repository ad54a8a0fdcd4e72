"""The registry of faults: name -> what is broken, in the trade's words.

A fault is a set of values laid over parameters and switches (simulators/parameters.py) while it is in; some are over
by themselves after a time. Several may be in at once, and come out in any order.

`excuses` names invariants that no controller could keep while the fault is in; they are recorded, not judged:

    second-air-waits      the second AIR closes only after pre-charge
    second-air-waits-command  and is not commanded before either
    all-contacts-open     AIRs and pre-charge open soon after the loop does
    commands-off          the controller takes its commands back when the loop opens or it says fault
    discharged            vehicle side below 60 V soon after shutdown
    discharge-closed      the discharge contact closes soon after shutdown
    indicator-lit         the indicator is lit with voltage on the vehicle side
    indicator-dark        and dark without
    no-unasked-rise       with all contacts open, the vehicle side's voltage does not rise
    no-chatter-air-plus   AIR+ stays open for a while once it has opened
    discharge-open-first  discharge and pre-charge (or both AIRs) are not closed together
    dcdc-after-airs       the DC-DC converter is on only with both AIRs closed
    charging-permitted    the charger is on only with charger, interlock, loop and both AIRs closed
    reports-agree         auxiliary contacts, status and real contacts say the same
    silence-opens         everything is commanded open when BMS messages stop
    precharge-current     the pre-charge current stays below pack voltage over pre-charge resistance
    air-opens-unloaded    no AIR opens under load unless the loop or a fault made it
    voltage-measured      the bench's own voltage measurements are true: everything that judges a voltage
    io-alive              the bench's I/O board speaks
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from math import inf
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from simulators.world import World


@dataclass(frozen=True)
class Fault:
    """`values` go over parameters and switches; `lasts_s` ends it by itself (inf: until removed)."""

    meaning: str
    values: Mapping[str, float]
    excuses: tuple[str, ...] = ()
    lasts_s: float = inf

    def apply(self, world: World) -> None:
        name, values = world.name_of(self), dict(self.values)
        world.overlay(name, values)
        world.after(self.lasts_s, lambda: world.lift(name, values))

    def remove(self, world: World) -> None:
        world.lift(world.name_of(self))


_WELD = ("second-air-waits", "second-air-waits-command", "all-contacts-open", "no-unasked-rise", "reports-agree")
_AUX = ("reports-agree",)
_NO_DISCHARGE = ("discharged",)
_DROPS = ("air-opens-unloaded",)
_BLIND = (
    "voltage-measured", "second-air-waits", "second-air-waits-command", "discharged", "indicator-lit", "indicator-dark",
    "no-unasked-rise", "reports-agree", "precharge-current", "air-opens-unloaded",
)  # fmt: skip

FAULTS: dict[str, Fault] = {
    # Contactors and relays
    "air-plus-welded": Fault("AIR+ is welded closed, its auxiliary contact with it", {"air_plus_welded": 1}, _WELD),
    "air-minus-welded": Fault("AIR- is welded closed, its auxiliary contact with it", {"air_minus_welded": 1}, _WELD),
    "airs-welded": Fault(
        "both AIRs are welded closed", {"air_plus_welded": 1, "air_minus_welded": 1},
        (*_WELD, "discharged", "discharge-open-first", "precharge-current"),
    ),
    "air-plus-welded-unseen": Fault(
        "AIR+ is welded closed, but its auxiliary contact says open", {"air_plus_welded": 1, "air_plus_aux_open": 1},
        (*_WELD, "precharge-current"),
    ),
    "precharge-welded": Fault(
        "the pre-charge relay is welded closed", {"precharge_welded": 1}, ("all-contacts-open", "reports-agree"),
    ),
    "precharge-welded-unseen": Fault(
        "the pre-charge relay is welded closed, but its auxiliary contact goes with the coil",
        {"precharge_welded": 1, "precharge_aux_unlinked": 1}, ("all-contacts-open", "reports-agree"),
    ),
    "air-plus-dead": Fault("AIR+ does not close", {"air_plus_dead": 1}, _DROPS),
    "air-minus-dead": Fault("AIR- does not close", {"air_minus_dead": 1}, _DROPS),
    "precharge-dead": Fault("the pre-charge relay does not close", {"precharge_dead": 1}),
    "air-plus-wire-broken": Fault("wire to the coil of AIR+ broken", {"air_plus_wire_broken": 1}, _DROPS),
    "air-minus-wire-broken": Fault("wire to the coil of AIR- broken", {"air_minus_wire_broken": 1}, _DROPS),
    "air-plus-aux-open": Fault("auxiliary contact of AIR+ stuck open", {"air_plus_aux_open": 1}, _AUX),
    "air-minus-aux-open": Fault("auxiliary contact of AIR- stuck open", {"air_minus_aux_open": 1}, _AUX),
    "air-plus-aux-closed": Fault("auxiliary contact of AIR+ stuck closed", {"air_plus_aux_closed": 1}, _AUX),
    "air-minus-aux-closed": Fault("auxiliary contact of AIR- stuck closed", {"air_minus_aux_closed": 1}, _AUX),
    "air-plus-aux-late": Fault("auxiliary contact of AIR+ 400 ms late", {"air_plus_aux_delay": 0.4}, _AUX),
    "air-plus-slow": Fault("AIR+ needs 400 ms to close", {"air_plus_make": 0.4}),
    "air-minus-slow-release": Fault(
        "AIR- needs 150 ms to open (plain diode at its coil)", {"air_minus_release": 0.15}, _AUX,
    ),
    "air-plus-bounce": Fault("AIR+ bounces for 8 ms when it closes", {"air_plus_bounce": 0.008}),
    # High-voltage circuit
    "precharge-resistor-open": Fault("pre-charge resistor burnt open", {"precharge_resistance": inf}),
    "precharge-resistor-bridged": Fault(
        "pre-charge resistor bridged", {"precharge_resistance": 0.0}, ("precharge-current",),
    ),
    "precharge-resistor-small": Fault(
        "pre-charge resistor 47 ohm instead of 470 ohm", {"precharge_resistance": 47.0}, ("precharge-current",),
    ),
    "discharge-resistor-open": Fault("discharge resistor burnt open", {"discharge_resistance": inf}, _NO_DISCHARGE),
    "discharge-resistor-large": Fault(
        "discharge resistor 5.6 kohm instead of 2.2 kohm", {"discharge_resistance": 5600.0}, _NO_DISCHARGE,
    ),
    "discharge-wire-broken": Fault(
        "wire to the coil of the discharge relay broken: it stays closed", {"discharge_wire_broken": 1},
        ("discharge-open-first",),
    ),
    "discharge-stuck-open": Fault(
        "discharge relay stuck open", {"discharge_dead": 1}, ("discharged", "discharge-closed"),
    ),
    "discharge-welded": Fault("discharge relay welded closed", {"discharge_welded": 1}, ("discharge-open-first",)),
    "load-on-vehicle-side": Fault("5 kohm load across the vehicle side", {"load_resistance": 5000.0}),
    "heavy-load-on-vehicle-side": Fault("2.2 kohm load across the vehicle side", {"load_resistance": 2200.0}),
    "measuring-points-joined": Fault(
        "the measuring points are joined: 30 kohm across the vehicle side", {"load_resistance": 30e3},
    ),
    "inverter-keeps-drawing": Fault("the inverter draws 50 A and does not let go", {"drive_current": 50.0},
                                    ("air-opens-unloaded",)),
    "inverter-draws-a-little": Fault("the inverter draws 10 A and does not let go", {"drive_current": 10.0},
                                     ("air-opens-unloaded",)),
    "inverter-feeds-back": Fault("the inverter feeds 50 A back and does not let go", {"drive_current": -50.0},
                                 ("air-opens-unloaded",)),
    "capacitor-aged": Fault("intermediate-circuit capacitor down to 60 %", {"ts_capacitance": 336e-6}),
    "insulation-plus": Fault("insulation fault of HV+: 100.8 kohm to chassis", {"insulation_plus": 100.8e3}),
    "insulation-minus": Fault("insulation fault of HV-: 100.8 kohm to chassis", {"insulation_minus": 100.8e3}),
    # Loop, lines, supply
    "loop-broken": Fault("wire of the shutdown loop broken", {"loop_broken": 1}),
    "loop-dropout": Fault("shutdown loop interrupted for 25 ms", {"loop_broken": 1}, lasts_s=0.025),
    "loop-dropout-short": Fault("shutdown loop interrupted for 2 ms", {"loop_broken": 1}, lasts_s=0.002),
    "interlock-broken": Fault("interlock pin of a connector not made", {"interlock_broken": 1}),
    "interlock-grounded": Fault("interlock wire shorted to ground: its fuse opens it", {"interlock_grounded": 1}),
    "bms-line-broken": Fault("wire of the BMS OK line broken", {"bms_line_broken": 1}),
    "imd-line-broken": Fault("wire of the insulation monitor's OK line broken", {"imd_line_broken": 1}),
    "imd-line-stuck": Fault("insulation monitor's OK line stuck at ok", {"imd_line_stuck_ok": 1}),
    "supply-sagging": Fault("low-voltage supply sags to 7 V", {"supply_ceiling": 7.0}),
    "supply-dip": Fault("low-voltage supply dips to 6 V for 100 ms", {"supply_ceiling": 6.0}, lasts_s=0.1),
    "supply-dropout": Fault("low-voltage supply gone for 50 ms", {"supply_ceiling": 0.0}, lasts_s=0.05),
    "supply-lost": Fault("low-voltage supply gone", {"supply_ceiling": 0.0}),
    # Controller
    "controller-hung": Fault("controller hangs; its watchdog takes the outputs off", {"controller_hung": 1}),
    "controller-reset": Fault("controller hangs for 200 ms and is reset", {"controller_hung": 1}, lasts_s=0.2),
    "controller-held": Fault(
        "controller held with its outputs as they are, watchdog too: what opens now is hardware alone",
        {"controller_held": 1},
        ("commands-off", "reports-agree", "dcdc-after-airs", "charging-permitted", "silence-opens"),
    ),
    # BMS and CAN
    "bms-silent": Fault("no messages from the BMS", {"bms_silent": 1}),
    "bms-frozen": Fault("BMS message frozen, counter stands still", {"bms_frozen": 1}),
    "bms-counter-bad": Fault("counter of the BMS message runs backwards", {"bms_counter_backwards": 1}),
    "can-silent": Fault("CAN bus shorted: no frames at all", {"can_silent": 1}),
    "status-silent": Fault("the box's status messages missing", {"status_silent": 1}),
    "cell-temperature-lost": Fault("a cell's temperature sensor open: reads -40 degC", {"bms_temperature_lost": 1}),
    "cell-over-temperature": Fault("hottest cell at 65 degC", {"cell_temperature_max": 65.0}),
    # What the box senses
    "pack-sense-zero": Fault("box senses no pack voltage", {"pack_sense_gain": 0.0}),
    "pack-sense-low": Fault("box senses the pack voltage 10 % low", {"pack_sense_gain": 0.9}),
    "pack-sense-high": Fault("box senses the pack voltage 10 % high", {"pack_sense_gain": 1.1}),
    "ts-sense-zero": Fault("box senses no vehicle-side voltage", {"ts_sense_gain": 0.0}),
    "ts-sense-stuck": Fault("box's vehicle-side voltage stuck at its last value", {"ts_sense_stuck": 1}),
    "ts-sense-on-pack": Fault("box's vehicle-side sense wire sits on the pack", {"ts_sense_on_pack": 1}),
    "senses-swapped": Fault("box's two voltage senses swapped", {"senses_swapped": 1}),
    "ts-sense-noisy": Fault("box's vehicle-side voltage has 8 V of noise", {"ts_sense_noise": 8.0}),
    "current-offset": Fault("box's current sensor off by 20 A", {"current_sense_offset": 20.0}),
    "current-offset-below": Fault("box's current sensor off by -20 A", {"current_sense_offset": -20.0}),
    "fan-failed": Fault("a fan does not turn", {"fan_failed": 1}),
    # The bench's own devices
    "bench-io-silent": Fault("the bench's I/O board says nothing", {"bench_io_silent": 1}, ("io-alive",)),
    "bench-ts-frozen": Fault("bench's vehicle-side voltage channel frozen", {"bench_ts_frozen": 1}, _BLIND),
    "bench-pack-frozen": Fault("bench's pack voltage channel frozen", {"bench_pack_frozen": 1}, _BLIND),
    "bench-ts-cable-off": Fault("bench's vehicle-side sense cable off: reads 0 V", {"bench_ts_unplugged": 1}, _BLIND),
    "bench-pack-cable-off": Fault("bench's pack sense cable off: reads 0 V", {"bench_pack_unplugged": 1}, _BLIND),
}  # fmt: skip
