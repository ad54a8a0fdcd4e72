"""The bench description: what is wired, and what every channel is.

`load_bench` reads `bench.yaml` through strict models and gives back plain values: times in s, everything else of a
channel in the channel's own unit.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import date
from functools import cached_property
from pathlib import Path
from typing import Any, ClassVar

from pydantic import ConfigDict, Field

from bench.devices.registry import DRIVERS
from bench.errors import InputError
from bench.language.channel import Channel, ChannelEntry, ChannelReader
from bench.language.collecting import Problems
from bench.language.documents import Document, Formula, SequenceName, Truth, VariableName, one_of, validate
from bench.language.expressions import Scope
from bench.language.located import Map, Place, Text, plain, shown, suggestion
from bench.language.plan import Invariant
from bench.language.register import Register
from bench.language.resistors import Resistor, ResistorEntry, positive, read_resistors
from bench.language.sequence_file import RuleChoice
from bench.language.shipped import shipped_file
from bench.language.units import VOLTAGE
from bench.language.yaml_nodes import compose, read_text

# -- the document ------------------------------------------------------------------------------------------------


class DeviceEntry(Document):
    """A device and whatever its driver needs to know."""

    model_config = ConfigDict(extra="allow")
    driver: Text = Field(description="Name of the driver; 'simulated' for the simulated box")
    calibrated_until: Text | None = Field(None, description="Last day of its calibration, for example 2027-01-31")
    isolated: Truth | None = Field(None, description="Whether its inputs are isolated and rated for what they measure")


class AgreeEntry(Document):
    """Two channels that read the same thing while the bench is at rest."""

    first: Text
    second: Text
    within: Formula = Field(description="How far apart they may be, for example 2 V")


class FirmwareEntry(Document):
    """Where the box itself says which firmware runs in it."""

    channel: Text = Field(description="A channel that is read, with the version as text or number")


class BenchDocument(Document):
    """A bench: its devices and channels."""

    KIND: ClassVar[str] = "bench"
    bench: SequenceName = Field(description="Its name")
    title: Text | None = None
    identity: dict[Text, Any] | None = Field(
        None, description="Serial numbers, calibration dates, anything of the kind"
    )
    database: Text | None = Field(None, description="CAN database, a path from this file")
    devices: dict[VariableName, DeviceEntry] = Field(min_length=1)
    every: Text | None = Field(None, description="Sampling period of channels that do not say")
    stale_after: Text | None = Field(None, description="Staleness limit of channels that do not say")
    time_accuracy: Text | None = Field(None, description="Accuracy of stamped edges that do not say")
    channels: dict[VariableName, ChannelEntry] = Field(min_length=1)
    rule: one_of("simple", "guarded") | None = Field(  # type: ignore[valid-type]
        None, description="How uncertainty decides; simple (the value alone) if left out"
    )
    agree: list[AgreeEntry] | None = Field(None, description="Channels that the self-check compares")
    trusted_while: list[RuleChoice] | None = Field(  # type: ignore[valid-type]
        None, description="Rules without which nothing is judged, for example never: supply_limit == 'on'"
    )
    wiring: list[RuleChoice] | None = Field(  # type: ignore[valid-type]
        None, description="Rules named after wiring groups: the one broken first is looked at first after a triage run"
    )
    resistors: dict[VariableName, ResistorEntry] | None = Field(None, description="What has to cool between cycles")
    full_voltage: Text | None = Field(
        None, description="What the pack has when full, for example 403.2 V: discharge times are predicted from there"
    )
    firmware: FirmwareEntry | None = Field(None, description="Where the box says its version; each run looks at it")
    stands_in: Truth | None = Field(None, description="true where simulated devices stand in for real ones")


# -- what the rest of the bench sees -----------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Device:
    """`options` is everything that only the driver understands, as text. `isolated` None: the file does not say."""

    name: str
    driver: str
    options: Mapping[str, Any] = field(default_factory=dict)
    isolated: bool | None = None
    calibrated_until: date | None = None


@dataclass(frozen=True)
class Bench:
    """What is wired. `source_text` is the file as read, for the record."""

    name: str
    title: str
    devices: Mapping[str, Device]
    channels: Mapping[str, Channel]
    identity: Mapping[str, Any] = field(default_factory=dict)
    database: Path | None = None
    agree: tuple[tuple[str, str, str], ...] = ()  # (channel, channel, how far apart they may be)
    trusted_while: tuple[Invariant, ...] = ()  # when one is broken the bench is in trouble, and not the box
    wiring: tuple[Invariant, ...] = ()  # named after the wiring group that each points to
    resistors: tuple[Resistor, ...] = ()
    full_v: float | None = None  # of the pack
    firmware: str = ""  # the channel on which the box says its version
    stands_in: bool = False
    rule: str = "simple"
    file: str = ""
    source_text: str = ""
    #: Where things stand in the file: 'devices.NAME', 'devices.NAME.KEY...', 'channels.NAME'.
    places: Mapping[str, Place] = field(default_factory=dict, repr=False, compare=False)

    @property
    def simulated(self) -> bool:
        return all(device.driver == "simulated" for device in self.devices.values())

    @property
    def real(self) -> bool:
        """Whether a real box is wired to it: neither the simulated bench nor stand-ins."""
        return not (self.simulated or self.stands_in)

    @property
    def buses(self) -> tuple[str, ...] | None:
        """Names of the CAN buses; None where an installed package's driver may be one."""
        if any(device.driver not in (*DRIVERS, "simulated") for device in self.devices.values()):
            return None
        return tuple(
            "can" if device.driver == "simulated" else device.options.get("bus") or device.name
            for device in self.devices.values() if device.driver in ("can", "simulated")
        )  # fmt: skip

    def overdue(self, today: date) -> dict[str, date]:
        """The devices whose calibration has run out, with its last day."""
        last = {name: device.calibrated_until for name, device in self.devices.items()}
        return {name: day for name, day in last.items() if day is not None and day < today}

    @cached_property
    def scope(self) -> Scope:
        """The channels, for expressions."""
        return Scope({name: channel.type for name, channel in self.channels.items()})


def _device(name: Text, entry: DeviceEntry, problems: Problems) -> Device:
    until, text = None, entry.calibrated_until
    if text is not None:
        try:
            until = date.fromisoformat(text)
        except ValueError:
            problems.add(text.place.problem(f"{shown(text)} is no date", "write for example 2027-01-31"))
    return Device(str(name), str(entry.driver), plain(entry.model_extra or {}), entry.isolated, until)


def load_bench(path: str | Path | None = None) -> Bench:
    """Read a bench description; None is the shipped simulated bench. Raises InputError with every problem."""
    path = shipped_file("bench.yaml") if path is None else Path(path)
    return bench_from_text(read_text(path), str(path))


def bench_from_text(text: str, file: str) -> Bench:
    return resolve_bench(compose(text, file), file, text)


def resolve_bench(data: Map, file: str, text: str) -> Bench:
    """The bench that a composed file describes. Raises InputError."""
    document, findings = validate(BenchDocument, data)
    if document is None:
        raise InputError(finding.problem for finding in findings)
    problems = Problems()
    devices = {str(name): _device(name, entry, problems) for name, entry in document.devices.items()}
    channels = {
        str(name): channel
        for name, entry in document.channels.items()
        if (channel := ChannelReader(document, name, entry, problems).read())
    }
    whole = len(channels) == len(document.channels)  # else the names in rules would be complained of as well
    resistors = read_resistors(document.resistors if whole else None, channels, problems)
    trusted_while = _rules(document.trusted_while if whole else None, channels, problems)
    wiring = _rules(document.wiring if whole else None, channels, problems, "a wiring group")
    for entry in document.agree or ():
        for name in (entry.first, entry.second):
            if name not in document.channels:
                wrong = f"no channel is called {shown(name)}"
                problems.add(name.place.problem(wrong, suggestion(name, document.channels)))
    firmware = _firmware(document.firmware, channels, problems) if whole and document.firmware else ""
    full_v = None
    if document.full_voltage is not None:
        with problems.collecting():
            full_v = positive(document.full_voltage, VOLTAGE, "403.2 V")
    problems.raise_if_any()
    return Bench(
        full_v=full_v,
        firmware=firmware,
        resistors=resistors,
        trusted_while=trusted_while,
        wiring=wiring,
        stands_in=bool(document.stands_in),
        rule=str(document.rule or "simple"),
        name=str(document.bench),
        title=str(document.title or document.bench),
        devices=devices,
        channels=channels,
        identity=plain(document.identity or {}),
        agree=tuple((str(entry.first), str(entry.second), str(entry.within)) for entry in document.agree or ()),
        database=Path(file).parent / str(document.database) if document.database else None,
        file=file,
        source_text=text,
        places={
            **_places("devices", data["devices"]),
            **{f"channels.{name}": name.place for name in data["channels"]},
        },
    )


def _firmware(entry: FirmwareEntry, channels: Mapping[str, Channel], problems: Problems) -> str:
    name = entry.channel
    if name not in channels:
        problems.add(name.place.problem(f"no channel is called {shown(name)}", suggestion(name, channels)))
    elif channels[name].direction == "driven" or channels[name].by_person:
        wrong = f"{name} is not read from the box"
        problems.add(
            name.place.problem(wrong, "name a channel with 'direction: read' on which the box says its version")
        )
    return str(name)


def _rules(
    entries: list[Any] | None, channels: Mapping[str, Channel], problems: Problems, named_after: str = ""
) -> tuple[Invariant, ...]:
    """What `trusted_while` or `wiring` says; what is wrong with it goes to `problems`."""
    from bench.language.resolving import resolve_rule  # which needs to know what a bench is

    scope = Scope({name: channel.type for name, channel in channels.items()})
    found = []
    for entry in entries or ():
        with problems.collecting():
            rule = resolve_rule(entry, scope, Register())
            if named_after and entry.name is None:
                raise getattr(entry, entry.KIND).place.error("the rule has no name", f"name it after {named_after}")
            found.append(rule)
    return tuple(found)


def _places(path: str, node: Map) -> dict[str, Place]:
    """Of a value where it is a scalar, else of its key."""
    found: dict[str, Place] = {}
    for key, value in node.items():
        found[f"{path}.{key}"] = value.place if isinstance(value, Text) else key.place
        if isinstance(value, Map):
            found |= _places(f"{path}.{key}", value)
    return found
