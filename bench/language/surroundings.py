"""What the meaning of a sequence depends on besides its own file."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from functools import lru_cache
from pathlib import Path
from typing import TYPE_CHECKING, Any, NamedTuple

from bench.language.collecting import Problems
from bench.language.located import Text

if TYPE_CHECKING:
    from bench.language.bench_file import Bench
    from bench.language.plan import Invariant
    from bench.language.register import Register
    from bench.language.sequence_file import SequenceDocument


class SequenceFile(NamedTuple):
    """A sequence file of the right shape, and its text for the record."""

    path: Path
    text: str
    document: SequenceDocument


@dataclass
class Surroundings:
    """`find(name, folder)` gives the sequence that a `use` names; `uses` collects the texts of all used so far; `rules`
    has, by file, the rules that others took from it and the texts that they come from."""

    bench: Bench
    register: Register
    find: Callable[[Text, Path], SequenceFile]
    problems: Problems = field(default_factory=Problems)
    uses: dict[str, str] = field(default_factory=dict)
    rules: dict[Path, tuple[tuple[Invariant, ...], dict[str, str]]] = field(default_factory=dict)
    steps: int = 0
    archived: bool = False  # read from a record: what lies outside it (fault registry, CAN database) is not asked


def known_faults() -> Mapping[str, Any]:
    """The faults of the simulated bench."""
    from simulators.faults import FAULTS

    return FAULTS


def known_parameters() -> Mapping[str, Any]:
    """The parameters of the simulated box."""
    from simulators.parameters import PARAMETERS

    return PARAMETERS


@lru_cache(maxsize=8)
def can_database(path: Path) -> Any:
    """The CAN database at `path` (kept). Raises OSError or cantools.Error."""
    import cantools

    return cantools.database.load_file(path)
