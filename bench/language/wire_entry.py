"""The wire of a channel, as the bench file describes it: what a person needs to know to lay it."""

from __future__ import annotations

from dataclasses import dataclass

from pydantic import Field

from bench.language.documents import Document, Truth, one_of
from bench.language.located import Text

#: What a wire may carry, mildest first.
HAZARDS = ("low-voltage", "high-current", "hot", "high-voltage")
#: Energy stages, lowest first.
STAGES = ("dry", "reduced", "live")


class WireEntry(Document):
    """The wire between a device's terminal and the box."""

    terminal: Text | None = Field(None, description="As printed on the device; what 'at' says if left out")
    pin: Text | None = Field(None, description="Connector and pin of the box, for example X1.4")
    colour: Text | None = Field(None, description="For example orange, or white/blue")
    hazard: one_of(*HAZARDS) | None = Field(  # type: ignore[valid-type]
        None, description="The worst that it carries; low-voltage if left out: 60 V DC at most, little current"
    )
    energy: one_of(*STAGES) | None = Field(  # type: ignore[valid-type]
        None, description="Highest energy stage at which it may be plugged in; dry if left out"
    )
    isolated: Truth | None = Field(None, description="Whether something isolated and rated for the voltage is between")
    note: Text | None = Field(None, description="What stands in the wire: a fuse, a resistor, an isolated sensor")


@dataclass(frozen=True, slots=True)
class Wire:
    """What is known of a channel's wire. `isolated` None: the device's own word counts."""

    terminal: str = ""
    pin: str = ""
    colour: str = ""
    hazard: str = HAZARDS[0]
    energy: str = STAGES[0]
    isolated: bool | None = None
    note: str = ""


def wire_of(entry: WireEntry | None) -> Wire | None:
    """The wire that an entry describes; None where the file says nothing of it."""
    if entry is None:
        return None
    given = {name: value for name in WireEntry.model_fields if (value := getattr(entry, name)) is not None}
    return Wire(**{name: value if isinstance(value, bool) else str(value) for name, value in given.items()})
