"""The harness of a bench: which wire goes from which terminal to which pin of the box, and what looks wrong with it."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import TYPE_CHECKING

from bench.devices.wire_values import from_wire, to_wire
from bench.language.units import UNITS, VOLTAGE
from bench.language.wire_entry import HAZARDS, Wire

if TYPE_CHECKING:
    from bench.language.bench_file import Bench
    from bench.language.channel import Channel

HIGH_VOLTAGE = HAZARDS[-1]
#: Above this DC voltage a system is high voltage here, V (Formula Student rules, T11.1.2: 60 V DC).
LOW_VOLTAGE_MOST = 60.0
#: Drivers whose channels all share one pair of wires, and drivers that have no wire at all, with the reason.
BUS_DRIVERS = ("can",)
NO_WIRE = {"operator": "a person reads it", "simulated": "simulated"}


@dataclass(frozen=True)
class Row:
    """One wire. `direction` is seen from the box: 'in', 'out', or 'both' ways on a bus."""

    channels: tuple[Channel, ...]
    direction: str
    device: str
    terminal: str
    wire: Wire
    bus: bool

    @property
    def names(self) -> tuple[str, ...]:
        return tuple(channel.name for channel in self.channels)


@dataclass(frozen=True)
class Harness:
    """`rows` in the order of devices and channels in the file; `without_wire`: (channel, why)."""

    bench: Bench
    rows: tuple[Row, ...]
    without_wire: tuple[tuple[str, str], ...]
    problems: tuple[str, ...]


def harness_of(bench: Bench) -> Harness:
    """The harness that a bench file describes, with everything that looks wrong with it."""
    groups: dict[tuple[str, str], list[Channel]] = {}
    without_wire = []
    for channel in sorted(bench.channels.values(), key=lambda each: list(bench.devices).index(each.device)):
        driver = bench.devices[channel.device].driver
        if driver in NO_WIRE:
            without_wire.append((channel.name, NO_WIRE[driver]))
        else:
            place = "" if driver in BUS_DRIVERS else _terminal(channel) or channel.name
            groups.setdefault((channel.device, place), []).append(channel)
    rows = tuple(_row(bench, channels) for channels in groups.values())
    return Harness(bench, rows, tuple(without_wire), tuple(_problems(bench, rows)))


def _terminal(channel: Channel) -> str:
    return (channel.wire.terminal if channel.wire else "") or channel.at


def _row(bench: Bench, channels: list[Channel]) -> Row:
    bus = bench.devices[channels[0].device].driver in BUS_DRIVERS
    described = next((channel for channel in channels if channel.wire is not None), channels[0])
    wire = described.wire or Wire()
    ways = {channel.direction for channel in channels}
    direction = "both" if bus and len(ways) == 2 else "in" if "driven" in ways else "out"
    terminal = wire.terminal if bus else _terminal(described)
    return Row(tuple(channels), direction, channels[0].device, terminal, wire, bus)


# -- what looks wrong --------------------------------------------------------------------------------------------


def _problems(bench: Bench, rows: tuple[Row, ...]) -> Iterator[str]:
    for row in rows:
        yield from _of_row(row)
        yield from _of_high_voltage(bench, row)
        for channel in row.channels:
            if channel.direction == "driven" and channel.states and not row.bus:
                yield from _of_safe_value(channel)
    yield from _of_pins(rows)


def _of_row(row: Row) -> Iterator[str]:
    names = " and ".join(row.names)
    if not row.terminal:
        kind = "driven channel" if row.direction == "in" else "bus" if row.bus else "channel"
        subject = row.device if row.bus else names
        yield f"{subject}: a {kind} without a terminal; add 'wire: {{terminal: ...}}'"
    described = {channel.wire for channel in row.channels if channel.wire is not None}
    if row.terminal and not row.wire.pin:
        yield f"{row.device if row.bus else names}: no pin of the box is given; add 'wire: {{pin: ...}}'"
    driven = [channel.name for channel in row.channels if channel.direction == "driven"]
    if row.bus and len(described) > 1:
        yield f"{row.device}: its channels describe the wires of one bus differently; describe them once"
    elif not row.bus and (len(driven) > 1 or len({wire.pin for wire in described}) > 1):
        yield (
            f"{names}: {len(row.channels)} channels on terminal {row.terminal} of {row.device}; "
            "a terminal has one wire to one pin, and one channel drives it at most"
        )


def _of_high_voltage(bench: Bench, row: Row) -> Iterator[str]:
    names = " and ".join(row.names)
    if row.wire.hazard == HIGH_VOLTAGE:
        isolated = bench.devices[row.device].isolated if row.wire.isolated is None else row.wire.isolated
        if isolated is not True:
            said = "is not isolated" if isolated is False else "does not say that it is isolated"
            yield f"{names}: high voltage on {row.device}, which {said}; put a rated isolated sensor between"
    elif not row.bus:
        for channel in row.channels:
            if _most_volts(channel) > LOW_VOLTAGE_MOST:
                most = f"{channel.range[1]:g} {channel.unit}"
                yield f"{channel.name}: up to {most}, yet its wire is {row.wire.hazard}; say 'hazard: {HIGH_VOLTAGE}'"


def _most_volts(channel: Channel) -> float:
    if channel.unit is None or channel.range is None or UNITS[channel.unit].dimension != VOLTAGE:
        return 0.0
    return max(abs(UNITS[channel.unit].to_base(end)) for end in channel.range)


def _of_safe_value(channel: Channel) -> Iterator[str]:
    """An output that nobody holds any more falls to the state with the number 0 on its wire."""
    if to_wire(channel, channel.safe) != 0.0:
        try:
            resting = f"to {from_wire(channel, 0.0)!r}"
        except ValueError:
            resting = "to none of its states"
        yield (
            f"{channel.name}: its safe value {channel.safe!r} keeps the output energised, and without the bench it "
            f"falls {resting}; wire it so that de-energised is safe"
        )


def _of_pins(rows: tuple[Row, ...]) -> Iterator[str]:
    """Outputs that could work against each other."""
    pins: dict[str, list[Row]] = {}
    for row in rows:
        if row.wire.pin and row.direction == "in":
            pins.setdefault(row.wire.pin, []).append(row)
    for pin, ends in pins.items():
        if len(ends) > 1:
            names = " and ".join(name for row in ends for name in row.names)
            yield f"{names}: {len(ends)} outputs on pin {pin} of the box; give each its own"
