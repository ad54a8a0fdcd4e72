"""The bench description: what is wired, and what every channel is.

`load_bench` reads `bench.yaml` through strict models and gives back plain values: times in s, everything else of a
channel in the channel's own unit.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import cached_property
from pathlib import Path
from typing import Any, ClassVar

from pydantic import ConfigDict, Field

from bench.errors import InputError
from bench.language.channel import Channel, ChannelEntry, ChannelReader
from bench.language.collecting import Problems
from bench.language.documents import Document, Formula, SequenceName, Truth, VariableName, validate
from bench.language.expressions import Scope
from bench.language.located import Map, Place, Text, plain, shown, suggestion
from bench.language.resistors import Resistor, ResistorEntry, read_resistors
from bench.language.shipped import shipped_file
from bench.language.yaml_nodes import compose, read_text

# -- the document ------------------------------------------------------------------------------------------------


class DeviceEntry(Document):
    """A device and whatever its driver needs to know."""

    model_config = ConfigDict(extra="allow")
    driver: Text = Field(description="Name of the driver; 'simulated' for the simulated box")
    isolated: Truth | None = Field(None, description="Whether its inputs are isolated and rated for what they measure")


class AgreeEntry(Document):
    """Two channels that read the same thing while the bench is at rest."""

    first: Text
    second: Text
    within: Formula = Field(description="How far apart they may be, for example 2 V")


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
    agree: list[AgreeEntry] | None = Field(None, description="Channels that the self-check compares")
    resistors: dict[VariableName, ResistorEntry] | None = Field(None, description="What has to cool between cycles")
    stands_in: Truth | None = Field(None, description="true where simulated devices stand in for real ones")


# -- what the rest of the bench sees -----------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Device:
    """`options` is everything that only the driver understands, as text. `isolated` None: the file does not say."""

    name: str
    driver: str
    options: Mapping[str, Any] = field(default_factory=dict)
    isolated: bool | None = None


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
    resistors: tuple[Resistor, ...] = ()
    stands_in: bool = False
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

    @cached_property
    def scope(self) -> Scope:
        """The channels, for expressions."""
        return Scope({name: channel.type for name, channel in self.channels.items()})


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
    channels = {
        str(name): channel
        for name, entry in document.channels.items()
        if (channel := ChannelReader(document, name, entry, problems).read())
    }
    whole = len(channels) == len(document.channels)  # else a resistor's names would be complained of as well
    resistors = read_resistors(document.resistors if whole else None, channels, problems)
    for entry in document.agree or ():
        for name in (entry.first, entry.second):
            if name not in document.channels:
                wrong = f"no channel is called {shown(name)}"
                problems.add(name.place.problem(wrong, suggestion(name, document.channels)))
    problems.raise_if_any()
    return Bench(
        resistors=resistors,
        stands_in=bool(document.stands_in),
        name=str(document.bench),
        title=str(document.title or document.bench),
        devices={
            str(name): Device(str(name), str(entry.driver), plain(entry.model_extra or {}), entry.isolated)
            for name, entry in document.devices.items()
        },
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


def _places(path: str, node: Map) -> dict[str, Place]:
    """Of a value where it is a scalar, else of its key."""
    found: dict[str, Place] = {}
    for key, value in node.items():
        found[f"{path}.{key}"] = value.place if isinstance(value, Text) else key.place
        if isinstance(value, Map):
            found |= _places(f"{path}.{key}", value)
    return found
