"""The simulated high-voltage circuit against closed forms, a general ODE solver and, where installed, ngspice.

Golden values RC-1 to RC-19: RC circuit theory for the Heron 3 data (403.2 V, 560 uF, 470 ohm, 2.2 kohm, 2 Mohm and
100 nF a side), computed; those marked "+ngspice" were also confirmed with ngspice 39 when the facts were compiled.
"""

import math
import random
import re
import shutil
import subprocess
from dataclasses import replace

import numpy as np
import pytest
from scipy.integrate import solve_ivp

from simulators.circuit import Circuit, Wiring
from simulators.imd import Imd

V, C, R_PRE, R_DIS = 403.2, 560e-6, 470.0, 2200.0
#: The two-terminal circuit of the closed forms: no insulation, (almost) no Y capacitors, no inner resistance.
BARE = Wiring(
    internal_resistance=1e-9, insulation_plus=math.inf, insulation_minus=math.inf, y_plus=1e-15, y_minus=1e-15,
    discharge=False,
)  # fmt: skip
CHARGING = replace(BARE, air_minus=True, precharge=True)
DISCHARGING = replace(BARE, discharge=True)


def charged(wiring: Wiring, volts: float = V) -> Circuit:
    return Circuit(wiring, plus=volts / 2, minus=-volts / 2)


def six(value: float):
    return pytest.approx(value, rel=5e-6)


def test_precharge_times_rc1_rc2_rc3():
    """RC-1, RC-2 (computed +ngspice), RC-3."""
    circuit = Circuit(CHARGING)
    tau = 0.263200
    assert circuit.ts_voltage(tau) == six(V * (1 - math.exp(-1)))
    for share, golden in ((0.90, 0.606040), (0.95, 0.788477), (0.99, 1.21208)):
        when = circuit.crossing(share * V, rising=True, after=0.0)
        assert when == six(golden)
        assert when == pytest.approx(R_PRE * C * math.log(1 / (1 - share)), rel=1e-6)
    assert circuit.crossing(0.9 * V, True, 0.0) / tau == six(2.30259)
    assert circuit.crossing(0.95 * V, True, 0.0) / tau == six(2.99573)
    assert circuit.ts_voltage(3 * tau) / V == six(0.950213)
    assert circuit.ts_voltage(5 * tau) / V == six(0.993262)


def test_precharge_current_and_energy_rc4_rc5_rc6():
    """RC-4, RC-5 (computed +ngspice), RC-6: the resistor takes C V^2 / 2 whatever it is."""
    circuit = Circuit(CHARGING)
    assert circuit.current(0.0) == six(0.857872)
    assert circuit.current(0.0) ** 2 * R_PRE == six(345.894)
    assert circuit.precharge_energy(60.0) == six(45.5197)
    assert circuit.precharge_energy(60.0) == pytest.approx(0.5 * C * V**2, rel=1e-6)
    assert circuit.precharge_energy(0.788477) == six(45.4059)
    assert circuit.precharge_energy(60.0) / R_PRE == six(0.0968504)
    other = Circuit(replace(CHARGING, precharge_resistance=100.0))
    assert other.precharge_energy(60.0) == six(45.5197)


@pytest.mark.parametrize(("share", "step", "peak"), [(0.95, 20.16, 1008.0), (0.90, 40.32, 2016.0)])
def test_step_at_closing_rc7(share, step, peak):
    """RC-7 (computed): what AIR+ closes onto, into 20 mohm."""
    circuit = charged(replace(CHARGING, internal_resistance=0.02, air_plus=True), share * V)
    assert V - circuit.ts_voltage(0.0) == six(step)
    assert circuit.current(0.0) == six(peak)


def test_ratio_with_gain_errors_rc8():
    """RC-8 (computed): 95 % as read by a meter 1 % high over one 1 % low is 93.1188 % in truth."""
    circuit = Circuit(CHARGING)
    when = circuit.crossing(0.95 * V * 0.99 / 1.01, rising=True, after=0.0)
    assert 1.01 * circuit.ts_voltage(when) / (0.99 * V) == six(0.95)
    assert circuit.ts_voltage(when) / V == six(0.931188)


def test_discharge_stuck_closed_in_precharge_rc9():
    """RC-9 (computed): ends at 82.4 %, and 8930 ohm is the smallest load that lets 95 % be reached at all."""
    circuit = Circuit(replace(CHARGING, discharge=True))
    assert circuit.ts_voltage(60.0) == six(332.225)
    assert circuit.ts_voltage(0.216869) == six(332.225 * (1 - math.exp(-1)))
    assert circuit.crossing(0.95 * V, rising=True, after=0.0) == math.inf
    for load, reached in ((8920.0, False), (8940.0, True)):
        loaded = Circuit(replace(CHARGING, load_resistance=load))
        assert (loaded.crossing(0.95 * V, rising=True, after=0.0) < math.inf) is reached


def test_discharge_rc10():
    """RC-10 (computed +ngspice)."""
    circuit = charged(DISCHARGING)
    assert circuit.crossing(60.0, rising=False, after=0.0) == six(2.34707)
    assert circuit.crossing(60.0, rising=False, after=0.0) == pytest.approx(R_DIS * C * math.log(V / 60), rel=1e-6)
    assert circuit.ts_voltage(5.0) == six(6.96565)
    late = charged(BARE)
    late.change(0.25, discharge=True)
    assert late.crossing(60.0, rising=False, after=0.0) == six(2.59707)


@pytest.mark.parametrize(("start", "golden"), [(345.6, 2.15715), (462.0, 2.51478), (600.0, 2.83678)])
def test_discharge_from_other_voltages_rc11(start, golden):
    assert charged(DISCHARGING, start).crossing(60.0, rising=False, after=0.0) == six(golden)


@pytest.mark.parametrize(("start", "largest"), [(403.2, 4686.70), (462.0, 4374.13), (600.0, 3877.63)])
def test_largest_discharge_resistor_for_five_seconds_rc12(start, largest):
    wiring = replace(DISCHARGING, discharge_resistance=largest)
    assert charged(wiring, start).crossing(60.0, rising=False, after=0.0) == six(5.0)


def test_discharge_power_rc13():
    """RC-13 (computed): continuous power, and one discharge."""
    held = charged(replace(BARE, air_plus=True, air_minus=True, discharge=True))
    assert held.discharge_energy(1.0) == six(73.8956)
    assert charged(DISCHARGING).discharge_energy(60.0) == six(45.5197)
    assert 3 * charged(DISCHARGING).discharge_energy(60.0) == six(136.559)


def test_tolerance_corners_rc14():
    slow = replace(DISCHARGING, capacitance=1.2 * C, discharge_resistance=1.05 * R_DIS)
    assert charged(slow).crossing(60.0, rising=False, after=0.0) == six(2.95731)
    for c, r, golden in ((0.8, 0.95, 0.599243), (1.2, 1.05, 0.993481)):
        circuit = Circuit(replace(CHARGING, capacitance=c * C, precharge_resistance=r * R_PRE))
        assert circuit.crossing(0.95 * V, rising=True, after=0.0) == six(golden)


def test_crossing_between_samples_rc15():
    circuit = charged(DISCHARGING)
    before, after = circuit.ts_voltage(2.3), circuit.ts_voltage(2.4)
    assert (before, after) == (six(62.3367), six(57.4768))
    assert 2.3 + 0.1 * (before - 60.0) / (before - after) == six(2.34808)
    when = circuit.crossing(60.0, rising=False, after=2.3)
    slope = (circuit.ts_voltage(when + 1e-5) - circuit.ts_voltage(when - 1e-5)) / 2e-5
    assert slope == six(-48.7013)
    assert 0.5 / -slope == six(0.0102667)


def test_y_capacitor_energy_rc16():
    """RC-16 (computed): one Y capacitor at half the voltage, and at all of it with the other pole earthed."""
    closed = Wiring(internal_resistance=1e-3, air_plus=True, air_minus=True, discharge=False)
    circuit = charged(closed)
    assert 0.5 * 100e-9 * circuit.plus_voltage(0.0) ** 2 == six(2.03213e-3)
    circuit.change(0.0, insulation_plus=0.1)
    assert 0.5 * 100e-9 * circuit.minus_voltage(10.0) ** 2 == six(8.12851e-3)


@pytest.mark.parametrize(("fault", "golden"), [(math.inf, 1.0e6), (201.6e3, 167776.0), (100.8e3, 91569.8)])
def test_insulation_reading_rc17(fault, golden):
    """RC-17 (computed): what the insulation monitor settles at."""
    imd = Imd()
    imd.start(0.0, 0.0)
    conductance = 1 / 2e6 + 1 / 2e6 + 1 / fault
    imd.settle(0.0, 1 / conductance, lag_s=3.0, trip=201.6e3)
    assert imd.resistance(100.0) == six(golden)


@pytest.mark.parametrize(("fault", "tau"), [(math.inf, 0.200000), (100.8e3, 0.0183140)])
def test_y_time_constant_rc18(fault, tau):
    """RC-18 (computed): how fast the poles shift against chassis."""
    leak = 1 / (1 / 2e6 + 1 / fault)
    circuit = Circuit(
        Wiring(internal_resistance=1e-3, air_plus=True, air_minus=True, discharge=False, insulation_plus=leak),
        plus=V, minus=0.0,
    )  # fmt: skip
    rest = circuit.plus_voltage(100.0)
    assert (circuit.plus_voltage(tau) - rest) / (V - rest) == six(math.exp(-1))
    if fault == math.inf:
        assert (circuit.plus_voltage(0.921034) - rest) / (V - rest) == pytest.approx(0.01, rel=1e-5)


def test_pole_voltages_rc19():
    leak = 1 / (1 / 2e6 + 1 / 100.8e3)
    circuit = charged(
        Wiring(internal_resistance=1e-3, air_plus=True, air_minus=True, discharge=False, insulation_plus=leak)
    )
    assert circuit.plus_voltage(10.0) == six(18.4605)
    assert circuit.minus_voltage(10.0) == six(-384.740)


# Against a general solver: nodal equations written down afresh, nothing shared with the simulator.


def nodal(w: Wiring):
    """x = (HV+, HV-, heat in the pre-charge resistor, heat in the discharge resistor)."""
    capacity = np.array([[w.capacitance + w.y_plus, -w.capacitance], [-w.capacitance, w.capacitance + w.y_minus]])
    inverse = np.linalg.inv(capacity)
    discharge = 1 / w.discharge_resistance if w.discharge else 0.0

    def slope(_, x):
        across = x[0] - x[1]
        if w.air_minus and w.air_plus:
            pack, precharge = (w.emf - across) / w.internal_resistance, 0.0
        elif w.air_minus and w.precharge:
            pack = precharge = (w.emf - across) / (w.internal_resistance + w.precharge_resistance)
        else:
            pack = precharge = 0.0
        into = pack - w.extra_current - across * (1 / w.load_resistance + discharge)
        dv = inverse @ np.array([into - x[0] / w.insulation_plus, -into - x[1] / w.insulation_minus])
        return [dv[0], dv[1], precharge**2 * w.precharge_resistance, across**2 * discharge]

    return slope


HERON = Wiring()
UNBALANCED = replace(HERON, insulation_plus=95.96e3, y_minus=330e-9)
STRETCHES = {
    "normal cycle": [
        (HERON, 0.1), (replace(HERON, air_minus=True, discharge=False), 0.1),
        (replace(HERON, air_minus=True, precharge=True, discharge=False), 0.85),
        (replace(HERON, air_minus=True, air_plus=True, precharge=True, discharge=False), 0.1),
        (replace(HERON, air_minus=True, air_plus=True, discharge=False, extra_current=50.0), 0.5), (HERON, 3.0),
    ],
    "insulation fault and unequal Y capacitors": [
        (replace(UNBALANCED, air_minus=True, precharge=True, discharge=False), 0.5),
        (replace(UNBALANCED, air_minus=True, air_plus=True, discharge=False), 0.3), (UNBALANCED, 2.0),
        (replace(UNBALANCED, insulation_plus=1000.0, insulation_minus=5e6), 1.0),
    ],
    "inrush into an empty capacitor": [
        (replace(HERON, air_minus=True, air_plus=True), 2e-4), (replace(HERON, air_minus=True, air_plus=True), 0.05),
        (replace(HERON, discharge=False), 5.0),
    ],
    "discharge stuck closed, load, fault on minus": [
        (replace(HERON, air_minus=True, precharge=True, load_resistance=5e3, insulation_minus=20e3), 2.0),
        (replace(HERON, load_resistance=5e3, insulation_minus=20e3, capacitance=300e-6), 1.0),
    ],
}  # fmt: skip


@pytest.mark.parametrize("name", STRETCHES)
def test_against_solve_ivp(name):
    """Relative error at most 1e-6 of the largest value of the kind, over every stretch between switching events."""
    circuit, state, t = Circuit(STRETCHES[name][0][0]), np.zeros(4), 0.0
    for wiring, lasting in STRETCHES[name]:
        circuit.rewire(t, wiring)
        times = np.linspace(t, t + lasting, 41)
        solved = solve_ivp(
            nodal(wiring), (t, times[-1]), state, method="Radau", rtol=3e-10, atol=1e-9, t_eval=times
        )  # fmt: skip
        assert solved.success
        ours = np.array(
            [
                (
                    circuit.plus_voltage(x), circuit.minus_voltage(x),
                    circuit.precharge_energy(x), circuit.discharge_energy(x),
                )
                for x in times
            ]
        ).T  # fmt: skip
        assert ours[0] - ours[1] == pytest.approx([circuit.ts_voltage(x) for x in times], rel=1e-12, abs=1e-9)
        for mine, theirs in zip(ours, solved.y, strict=True):
            assert np.max(np.abs(mine - theirs)) <= 1e-6 * max(np.max(np.abs(theirs)), 1e-3)
        state, t = solved.y[:, -1], times[-1]


@pytest.mark.parametrize("seed", range(40))
def test_crossings_against_dense_samples(seed):
    """Circuits with two slow modes of like size, whose voltage may turn round once between switching events."""
    draw = random.Random(seed)
    wiring = Wiring(
        capacitance=draw.uniform(50e-6, 600e-6), load_resistance=draw.uniform(500, 5000), discharge=False,
        insulation_plus=10 ** draw.uniform(2, 5), insulation_minus=10 ** draw.uniform(2, 5),
        y_plus=draw.uniform(1e-6, 500e-6), y_minus=draw.uniform(1e-6, 500e-6),
    )  # fmt: skip
    circuit = Circuit(wiring, plus=draw.uniform(-300, 300), minus=draw.uniform(-300, 300))
    times = np.linspace(0.0, 3.0, 30001)
    volts = np.array([circuit.ts_voltage(x) for x in times])
    level = draw.uniform(volts.min(), volts.max())
    above = volts > level
    for rising in (True, False):
        flips = np.nonzero((above[1:] == rising) & (above[:-1] != rising))[0]
        found = circuit.crossing(level, rising, after=0.0)
        if flips.size:
            assert times[flips[0]] - 1e-9 <= found <= times[flips[0] + 1] + 1e-9
            assert circuit.ts_voltage(found) == pytest.approx(level, abs=1e-6)
        else:
            assert found > 3.0


NETLIST = """pre-charge and discharge
V1 in 0 PULSE(0 403.2 0 1n 1n 1k 2k)
R1 in out 470
C1 out 0 560u
V2 d0 0 0
R2 dis d0 2200
C2 dis 0 560u ic=403.2
.control
tran 20u 5 uic
meas tran t90 WHEN v(out)=362.88
meas tran t95 WHEN v(out)=383.04
meas tran t60 WHEN v(dis)=60
.endc
.end
"""


@pytest.mark.skipif(shutil.which("ngspice") is None, reason="ngspice is not installed")
def test_against_ngspice(tmp_path):
    file = tmp_path / "circuit.cir"
    file.write_text(NETLIST)
    done = subprocess.run(["ngspice", "-b", str(file)], capture_output=True, text=True, timeout=60, check=False)
    found = {name: float(value) for name, value in re.findall(r"^(t\d\d)\s*=\s*(\S+)", done.stdout, re.MULTILINE)}
    assert Circuit(CHARGING).crossing(0.90 * V, True, 0.0) == pytest.approx(found["t90"], rel=1e-4)
    assert Circuit(CHARGING).crossing(0.95 * V, True, 0.0) == pytest.approx(found["t95"], rel=1e-4)
    assert charged(DISCHARGING).crossing(60.0, False, 0.0) == pytest.approx(found["t60"], rel=1e-4)
