"""Files that the tests of the language share: a register of their own, and valid sequences with every step kind."""

from __future__ import annotations

from pathlib import Path

from bench.errors import InputError
from bench.language.bench_file import load_bench
from bench.language.loading import load_plans
from bench.language.plan import Plan
from bench.language.register import Register, resolve_register
from bench.language.yaml_nodes import compose

REGISTER = """\
requirements:
  - {id: DIS-01, title: Discharge, text: Below 60 V within 5 s., limit: {max: 5 s}}
  - {id: PRE-01, title: Pre-charge, text: At least 95 %., limit: {min: 95 % * pack_voltage}}
  - {id: IND-01, title: Indicator, text: On above 60 V.}
  - {id: TOP-01, title: Ceiling, text: Never above the pack., limit: {max: pack_voltage / 80 V * 1 s}}
"""

WHOLE = """\
sequence: whole
title: Every kind of step
purpose: What an observer would see
energy: reduced
power: on
proves: [PRE-01, DIS-01]
tags: [example]
values: {threshold: 95 %, patience: 500 ms, double: 2 * patience, wanted: closed, times: 3, none: threshold}
simulated: {pack_emf: 390 V}
cases:
  - {name: full, simulated: {pack_emf: 403.2 V}}
  - {name: low, simulated: {pack_emf: 300 V}, values: {threshold: 90 %, wanted: open}}
invariants:
  - never: air_plus == 'closed' and air_minus == 'closed' and ts_voltage < 0.9 * pack_voltage
  - {name: contacts follow, when: loop == 'open', must: air_plus == 'open' and air_minus == 'open', within: 250 ms}
  - always: current < 500 A
steps:
  - {name: Close the loop, drive: {shutdown_loop: wanted, supply_voltage: 2 * 6.25 V, fault_resistor_plus: inf ohm}}
  - {await: air_minus == 'closed', within: double}
  - {name: Pre-charge, time: {from: precharge == 'closed', to: air_plus == 'closed'}, limit: {min: 0.3 s, max: 3 s}}
  - {name: At closing, check: ts_voltage, at: air_plus == 'closed', limit: {min: threshold * pack_voltage}}
  - {check: ts_voltage, requirement: PRE-01}
  - {check: indicator == 'on', requirement: IND-01}
  - {hold: air_plus == 'closed', for: patience}
  - {count: air_plus, for: 1 s, limit: {max: 2}}
  - {pause: 1.5 s}
  - {ask: Is the lamp lit?, simulated: yes}
  - {ask: Which colour?, answers: [red, green], expect: green, within: 1 min}
  - {send: {bus: can, id: 0x1A0, data: 01 ff}}
  - {restore: bms_max_cell_voltage}
  - repeat: times
    steps:
      - {drive: {shutdown_loop: open}}
      - {name: Discharge, time: {from: shutdown_loop == 'open', to: ts_voltage < 60 V}, requirement: DIS-01}
  - {time: {from: loop == 'open', to: ts_voltage < 60 V}, within: 7 s}
afterwards:
  - {drive: {start_request: released}}
"""


def register() -> Register:
    return resolve_register(compose(REGISTER, "register.yaml"), "register.yaml", REGISTER)


def plans(folder: Path, text: str, name: str = "s.yaml") -> list[Plan]:
    """The plans of a file with that text, on the shipped bench."""
    path = folder / name
    path.write_text(text, encoding="utf-8")
    return load_plans([path], load_bench(None), register())


def problems(folder: Path, text: str) -> list[str]:
    """What is wrong with it, a line each, without the folder's name."""
    try:
        plans(folder, text)
    except InputError as error:
        return [str(problem).removeprefix(f"{folder}/") for problem in error.problems]
    return []


def of_steps(*steps: str, head: str = "") -> str:
    """A sequence with these steps: the first stands in line 3, plus the lines of `head`."""
    return f"sequence: s\n{head}steps:\n" + "".join(f"  - {step}\n" for step in steps)
