"""What hangs on which pin of the I/O board: from the channels' `at` to the board's `pin` lines, and levels to values.

    driven: out 3        two states: the first one is level 0     read: in 4 [up|down]   two states
            level 6      a PWM output, 0 to 1 of its range              analog 26          0 to 1 of full scale
                                                                        duty 7, frequency 7 [up|down]   0 to 1, Hz

Numbers are the microcontroller's own pin numbers; `up` and `down` switch its pull resistor on. An input with
`capture: edges` is stamped by the board when it changes.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, NamedTuple

from bench.devices.wire_values import from_wire, to_wire
from bench.errors import InputError
from bench.events import Value

if TYPE_CHECKING:
    from bench.language.channel import Channel

FULL = 65535
#: How far a PWM output may read back from what was asked: its timer has coarser steps.
LEVEL_TOLERANCE = FULL // 200
KINDS = {"driven": ("out", "level"), "read": ("in", "analog", "duty", "frequency")}


class Terminal(NamedTuple):
    """Where a channel hangs."""

    kind: str
    pin: int
    pull: str = ""


class Pins:
    """The pins in use. `role` gives pin to (role, option) as the board's `pin` line has them."""

    def __init__(self, device: str, channels: Mapping[str, Channel], file: str):
        """Raises InputError with everything that is wrong."""
        problems = []
        self.terminals: dict[str, Terminal] = {}
        self.of_pin: dict[int, list[Channel]] = {}
        self.role: dict[int, tuple[str, str]] = {}
        for channel in channels.values():
            try:
                terminal = self.terminals[channel.name] = terminal_of(channel)
                role = _role(channel, terminal)
                if self.role.setdefault(terminal.pin, role) != role:
                    raise ValueError(f"pin {terminal.pin} is something else for {self.of_pin[terminal.pin][0].name}")
                if terminal.pin in self.of_pin and channel.direction == "driven":
                    raise ValueError(f"pin {terminal.pin} is already driven by {self.of_pin[terminal.pin][0].name}")
                self.of_pin.setdefault(terminal.pin, []).append(channel)
            except ValueError as error:
                problems += InputError.at(file, f"device {device}: channel {channel.name}: {error}").problems
        if problems:
            raise InputError(problems)

    def level(self, channel: Channel, value: Value) -> int:
        """The level of an output that stands for a value. Raises ValueError."""
        raw = to_wire(channel, value)
        if self.terminals[channel.name].kind == "out":
            return int(raw)
        if not 0.0 <= raw <= 1.0:
            raise ValueError(f"{value} needs {raw:.3g} of the output's range; it has 0 to 1")
        return round(raw * FULL)

    def value(self, channel: Channel, numbers: tuple[int, ...]) -> Value:
        """The value of an input by what the board says of its pin. Raises ValueError where it stands for none."""
        kind = self.terminals[channel.name].kind
        if len(numbers) != (2 if kind in ("duty", "frequency") else 1):
            raise ValueError(f"{len(numbers)} numbers for a pin that is {kind}")
        if kind == "in":
            return from_wire(channel, numbers[0])
        if kind == "analog":
            return from_wire(channel, numbers[0] / FULL)
        high, period = numbers
        if kind == "duty":
            return from_wire(channel, min(high / period, 1.0) if period else high)
        return from_wire(channel, 1e6 / period if period else 0.0)


def terminal_of(channel: Channel) -> Terminal:
    """What a channel's `at` says. Raises ValueError in the user's words."""
    kinds = KINDS[channel.direction]
    kind, *rest = channel.at.split() or [""]
    pull = rest[1] if len(rest) == 2 and kind in ("in", "duty", "frequency") else ""
    if kind not in kinds or not 1 <= len(rest) <= 1 + bool(pull) or pull not in ("", "up", "down"):
        raise ValueError(f"'at: {channel.at}' is no place on the board; write for example 'at: {kinds[0]} 4'")
    if not (rest[0].isascii() and rest[0].isdigit() and int(rest[0]) < 1000):
        raise ValueError(f"'{rest[0]}' is no pin number; write for example 'at: {kind} 4'")
    if kind in ("in", "out") and len(channel.states or ()) != 2:
        raise ValueError(f"'{kind}' has two levels; give the channel two states")
    if kind not in ("in", "out") and channel.unit is None:
        raise ValueError(f"'{kind}' is a number; give the channel a unit")
    if channel.capture and kind != "in":
        raise ValueError(f"only an 'in' pin captures edges; take 'capture' out, or not '{kind}'")
    return Terminal(kind, int(rest[0]), pull)


def _role(channel: Channel, terminal: Terminal) -> tuple[str, str]:
    if channel.direction == "driven":
        raw = to_wire(channel, channel.safe if channel.safe is not None else 0.0)
        if terminal.kind == "level" and not 0.0 <= raw <= 1.0:
            raise ValueError(f"its safe value {channel.safe:g} needs {raw:.3g} of the output's range; it has 0 to 1")
        return terminal.kind, str(int(raw) if terminal.kind == "out" else round(raw * FULL))
    if terminal.kind == "in":
        return ("edge" if channel.capture else "in"), terminal.pull
    return ("analog" if terminal.kind == "analog" else "pulse"), terminal.pull
