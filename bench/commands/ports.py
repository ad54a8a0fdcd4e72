"""`topbox-bench ports`: what could be connected, and what keeps each port from being used."""

from __future__ import annotations

import argparse
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from bench.devices.ports import Survey


def add_parser(subparsers: argparse._SubParsersAction) -> argparse.ArgumentParser:
    parser = subparsers.add_parser(
        "ports",
        help="list serial ports and CAN interfaces, and what keeps them from being used",
        description="List serial ports and CAN interfaces with the permission or driver that is missing, and how to "
        "fix it. Opens nothing. Exit status: 0 something can be used, 3 nothing can.",
    )
    parser.add_argument("--json", action="store_true", help="print one JSON document")
    return parser


def work(arguments: argparse.Namespace) -> int:
    from bench.devices.ports import ThisHost, survey

    found = survey(ThisHost())
    print(as_json(found) if arguments.json else as_text(found))
    return 0 if found.usable else 3


def as_json(found: Survey) -> str:
    import json
    from dataclasses import asdict

    return json.dumps(asdict(found), indent=1, ensure_ascii=False)


def as_text(found: Survey) -> str:
    lines = ["Serial ports" if found.serial else "Serial ports: none found"]
    for port in found.serial:
        number = f"serial number {port.serial_number}" if port.serial_number else "no serial number"
        lines.append(f"  {port.path}  {', '.join(filter(None, (number, port.description, port.usb)))}")
        lines += _trouble(port.trouble, port.remedy)
    lines.append("CAN interfaces" if found.can else "CAN interfaces: none found")
    for link in found.can:
        named = f"interface: {link.interface}" + (f", channel: {link.channel}" if link.channel else "")
        lines.append(f"  {named}" + (f"  ({link.description})" if link.description else ""))
        lines += _trouble(link.trouble, link.remedy)
    lines += [f"Note: {note}" for note in found.notes]
    if found.timer:
        grain, wait = found.timer["clock_grain_s"], found.timer["wait_of_1_ms_s"]
        lines.append(
            f"Timer: the clock's grain is {1e9 * grain:.3g} ns; a wait of 1 ms took {1e3 * wait:.3g} ms at most"
        )
    return "\n".join(lines)


def _trouble(trouble: str, remedy: str) -> list[str]:
    return [f"    cannot be used: {trouble}", f"    to fix it: {remedy}"] if trouble else ["    can be used"]
