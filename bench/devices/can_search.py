"""What python-can's interfaces find, asked in a process of its own: a vendor's library may crash or hang.

Run as `python -m bench.devices.can_search NAME...`: one JSON line before and one after each interface, so that the
parent knows which one was being asked when the process ended, and goes on behind it.
"""

from __future__ import annotations

import json
import subprocess
import sys
from collections.abc import Callable, Mapping, Sequence
from typing import Any

#: How long all of it may take, s; what has not answered by then is named.
PATIENCE_S = 15.0

#: Runs a child over the names given; what it printed, and why it ended ('' for well).
Child = Callable[[Sequence[str]], tuple[str, str]]


def search(leave_out: Sequence[str], child: Child | None = None) -> tuple[list[Mapping[str, Any]], list[str]]:
    """(configurations found, notes about interfaces that crashed or hung)."""
    from can.interfaces import BACKENDS

    found: list[Mapping[str, Any]] = []
    notes: list[str] = []
    names = [name for name in sorted(BACKENDS) if name not in leave_out]
    while names:
        printed, trouble = (child or _child)(names)
        asked = ""
        for line in printed.splitlines():
            if not line.startswith("{"):
                continue  # what a library prints
            said = json.loads(line)
            asked = said.get("asking", asked)
            found += said.get("found", ())
        if not trouble:
            break
        notes.append(f"{asked or names[0]}: its library {trouble}")
        names = names[names.index(asked) + 1 :] if asked in names else names[1:]
    return found, notes


def _child(names: Sequence[str]) -> tuple[str, str]:
    command = [sys.executable, "-m", "bench.devices.can_search", *names]
    try:
        done = subprocess.run(command, capture_output=True, text=True, timeout=PATIENCE_S, errors="replace")
    except subprocess.TimeoutExpired as error:
        printed = error.stdout or b""
        return printed.decode(errors="replace") if isinstance(printed, bytes) else printed, "hung"
    return done.stdout, f"crashed (exit {done.returncode})" if done.returncode else ""


def _ask(names: Sequence[str]) -> None:
    import logging

    logging.disable(logging.CRITICAL)
    from can.interface import detect_available_configs

    for name in names:
        print(json.dumps({"asking": name}), flush=True)
        try:
            found = [
                {key: value if isinstance(value, (int, float, str)) else str(value) for key, value in each.items()}
                for each in detect_available_configs(name)
            ]
        except Exception:  # an interface whose library is not installed
            found = []
        print(json.dumps({"found": found}), flush=True)


if __name__ == "__main__":
    _ask(sys.argv[1:])
