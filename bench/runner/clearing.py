"""Between two runs on hardware: what a run has latched, as it may have to, would make the next one fail for it.

The cause is gone by then, since every output is at its initial value again; so a reset is all that it takes. A box
that stays latched even so is one that the next run has to find. Before the first run the self-check presses reset.
"""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

from bench.language.loading import plans_from_text
from bench.runner.run import run_plan
from bench.runner.selfcheck import RESET, SUPPLIED_S, nothing_energised

if TYPE_CHECKING:
    from bench.devices.wall_bench import WallBench
    from bench.language.bench_file import Bench
    from bench.language.register import Register
    from bench.runner.options import Options
    from bench.runner.stopping import Stop

STEPS = f"""\
steps:
  - {{name: All causes are gone, pause: 500 ms}}
  - {{name: Press reset, drive: {{{RESET}: pressed}}}}
  - {{name: Reset stays pressed, hold: {RESET} == 'pressed', for: 300 ms}}
  - {{name: Release reset, drive: {{{RESET}: released}}}}
  - {{name: A moment with all buttons released, pause: 200 ms}}
"""


def clear_box(bench: Bench, register: Register, options: Options, stop: Stop, opened: WallBench) -> None:
    """Press reset, in a run with a record of its own; nothing where the bench has no such output."""
    if text := clearing_text(bench):
        (plan,) = plans_from_text(text, "bench-clearing.yaml", bench, register)
        run_plan(plan, replace(options, firmware={}), stop, opened=opened, powered_before_s=SUPPLIED_S)


def clearing_text(bench: Bench) -> str:
    """The sequence as YAML; '' where there is no reset to press."""
    if RESET not in bench.channels:
        return ""
    head = [
        "sequence: bench-clearing",
        "title: Reset between two runs",
        "purpose: What the run before has latched is let go, with nothing energised. Nothing is said about the box.",
        "energy: dry",
        *nothing_energised(bench.channels.values()),
    ]
    return "\n".join(head) + "\n" + STEPS
