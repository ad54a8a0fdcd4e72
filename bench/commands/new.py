"""`topbox-bench new sequence|bench NAME`: a commented first file to start from."""

from __future__ import annotations

import argparse
import re
from pathlib import Path

_SEQUENCE = """\
# A sequence: what is done to the box, and what must come of it.  Try it:  topbox-bench run {file}
# Editors complete this file from the schema that  topbox-bench check --schema sequence  prints.
sequence: {name}
title: The contactors close, and open with the loop
purpose: Start is pressed with the loop closed; when the loop opens, both main contactors open.

# The highest energy stage it may run at: dry, reduced or live.
energy: reduced

# Ids of the requirements register that this sequence shows.
proves: [DIS-01]

# Constants with a unit. A case or another sequence may put other values in their place.
values:
  patience: 5 s

# What must hold at every instant of the run.
invariants:
  - {{when: loop == 'open', must: air_plus == 'open' and air_minus == 'open', within: 250 ms}}

steps:
  - {{name: Close the loop, drive: {{shutdown_loop: closed}}}}
  - {{name: Press start, drive: {{start_request: pressed}}}}
  # States stand in quotes in a condition; quantities have a unit.
  - {{name: AIR+ closes, await: air_plus == 'closed', within: patience}}
  - {{name: It stays closed, hold: air_plus == 'closed', for: 1 s}}
  - {{name: Open the loop, drive: {{shutdown_loop: open}}}}
  # The requirement brings its limit; a limit of your own is written  limit: {{max: 5 s}}
  - {{name: Discharge time, time: {{from: shutdown_loop == 'open', to: ts_voltage < 60 V}}, requirement: DIS-01}}

# Done at the end, whatever happened above.
afterwards:
  - {{drive: {{start_request: released}}}}
"""

_BENCH = """\
# A bench description: the devices that are wired, and every channel.  Check it:  topbox-bench check {file}
bench: {name}
title: Our bench for the control box

# Anything that says which hardware this is.
identity: {{box: serial 1, voltmeter: serial 2}}

devices:
  box: {{driver: simulated}}

# What holds for every channel that does not say otherwise.
every: 10 ms
stale_after: 50 ms
time_accuracy: 1 ms

channels:
  # Driven channels have a safe value: what they are set to whatever goes wrong.
  shutdown_loop: {{direction: driven, states: [open, closed], safe: open}}
  start_request: {{direction: driven, states: [released, pressed], safe: released}}
  supply_voltage: {{direction: driven, unit: V, initial: 12.5 V, safe: 12.5 V, range: [0 V, 20 V]}}

  # Read channels that are quantities say how far a reading may be off.
  pack_voltage: {{direction: read, unit: V, range: [-50 V, 700 V], accuracy: 0.1 % + 0.2 V}}
  ts_voltage: {{direction: read, unit: V, range: [-50 V, 700 V], accuracy: 0.1 % + 0.2 V}}

  # capture: edges stamps a change when it happens, not at the next scan.
  loop: {{direction: read, states: [open, closed], capture: edges}}
  air_plus: {{direction: read, states: [open, closed], capture: edges}}
  air_minus: {{direction: read, states: [open, closed], capture: edges}}
"""

TEMPLATES = {"sequence": _SEQUENCE, "bench": _BENCH}


def add_parser(subparsers: argparse._SubParsersAction) -> argparse.ArgumentParser:
    parser = subparsers.add_parser(
        "new",
        help="write a commented first file",
        description="Write NAME.yaml in the present folder, with comments that say what may be changed.",
    )
    parser.add_argument("kind", choices=tuple(TEMPLATES), help="what to write")
    parser.add_argument("name", metavar="NAME", help="its name: small letters, digits and hyphens")
    return parser


def work(arguments: argparse.Namespace) -> int:
    from bench.errors import InputError

    name = arguments.name.removesuffix(".yaml")
    if not re.fullmatch(r"[a-z0-9][a-z0-9_-]{0,79}", name):
        right = "small letters, digits and hyphens, for example precharge-then-close"
        raise InputError.at("new", f"{arguments.name!r} is not a name here", right)
    path = Path(f"{name}.yaml")
    text = TEMPLATES[arguments.kind].format(name=name, file=path)
    try:
        with path.open("x", encoding="utf-8", newline="\n") as file:
            file.write(text)
    except FileExistsError:
        raise InputError.at(path, "this file is there already", "choose another name") from None
    except OSError as cause:
        raise InputError.at(path, f"cannot be written: {cause.strerror}") from None
    print(f"{path} written; check it with: topbox-bench check {path}")
    return 0
