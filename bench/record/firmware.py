"""What a record says runs in the box, and where records contradict each other in it.

A firmware has a label (what the user calls it, or the box itself), and it is something: a file, or a controller in the
simulated box. A label that has stood for two things, and a file that has had two labels, prove nothing about either.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from pathlib import PurePath
from typing import Any, NamedTuple

#: A version at the end of a file's name, as in heron3-1.4.2-rc1 or box_v2.0.
_VERSION = re.compile(r"(?:^|[-_ ])v?(\d+(?:\.\d+)+.*)$", re.IGNORECASE)


class Claim(NamedTuple):
    """What one record says. `label` is comparable (see `label_of`); texts are '' where nothing is known."""

    label: str
    sha256: str
    controller: str
    date: str
    folder: str


def label_of(firmware: Any, said: Any = None) -> str:
    """What the firmware is called, for comparing: `1.4.2` for `v1.4.2`, heron3-1.4.2.bin and a box that says 1.4.2.

    A file's name without a version in it is no label: box.bin is built anew all the time. '' where there is none.
    """
    fields = firmware if isinstance(firmware, Mapping) else {"text": firmware or ""}
    if text := str(fields.get("text") or ""):
        return _comparable(text)
    found = _VERSION.search(PurePath(str(fields.get("file") or "")).stem)
    return _comparable(found[1] if found else "" if said is None else str(said))


def stated(firmware: Mapping[str, str]) -> str:
    """What the user gave, for people."""
    return firmware.get("text") or firmware.get("file") or ""


def _comparable(text: str) -> str:
    words = " ".join(text.casefold().split())
    return words[1:] if re.match(r"v\d", words) else words


def claim_of(manifest: Mapping[str, Any], folder: str) -> Claim:
    """What a record's manifest says."""
    firmware, controller = manifest.get("firmware") or {}, manifest.get("controller") or {}
    fields = firmware if isinstance(firmware, Mapping) else {}
    return Claim(
        label_of(firmware, manifest.get("firmware_said")),
        str(fields.get("sha256") or ""),
        controller_text(controller),
        str(manifest.get("started_utc", ""))[:10],
        folder,
    )


def controller_text(controller: Any) -> str:
    """`my_box:Box (3f3f3f3f3f3f)`: the class in the simulated box, and how its source file hashes."""
    if not isinstance(controller, Mapping) or not controller:
        return ""
    digest = str(controller.get("sha256") or "")[:12]  # the tool's own has none: it goes by the tool's version
    return f"{controller.get('class')} ({digest})" if digest else str(controller.get("class"))


def contradictions(claims: Iterable[Claim]) -> list[str]:
    """One sentence for each label that has stood for several things and each file that has had several labels; each
    thing with the day and the folder of its first record."""
    found: dict[tuple[str, str, str], dict[str, Claim]] = {}
    for claim in sorted(claims, key=lambda claim: (claim.date, claim.folder)):
        for subject, kind, name, thing in (
            ("firmware", "has been", claim.label, claim.sha256 and f"file {claim.sha256[:12]}"),
            ("firmware", "has been", claim.label, claim.controller and f"controller {claim.controller}"),
            ("file", "has been called", claim.sha256[:12], claim.label),
        ):
            if name and thing:
                what = thing.partition(" ")[0] if subject == "firmware" else ""
                found.setdefault((f"{subject} {name}", kind, what), {}).setdefault(thing, claim)
    return [
        f"{subject} {kind} "
        + " and ".join(f"{thing} ({claim.date}, {claim.folder})" for thing, claim in things.items())
        for (subject, kind, _), things in found.items()
        if len(things) > 1
    ]
