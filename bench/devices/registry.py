"""One table of driver names. A driver's module is imported only when a bench file names it."""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING

from bench.errors import BenchError, InputError

if TYPE_CHECKING:
    from bench.devices.base import Device

#: name in the bench file -> module:class
DRIVERS = {
    "board": "bench.devices.board:Board",
    "can": "bench.devices.can_bus:CanBus",
    "modbus": "bench.devices.modbus:ModbusBoard",
    "scpi": "bench.devices.scpi:Instrument",
    "line": "bench.devices.line:LineDevice",
    "operator": "bench.devices.operator:Operator",
}
#: The group under which an installed package offers drivers of its own.
ENTRY_POINTS = "topbox_bench.drivers"


def driver_class(name: str, file: str) -> type[Device]:
    """The class behind a driver's name; `file` is the bench file, for the complaint.

    Raises InputError for an unknown name or one that two packages offer, BenchError when the driver cannot be imported.
    """
    from importlib.metadata import entry_points

    offered = {entry.name: entry.value for entry in entry_points(group=ENTRY_POINTS)}
    clash = sorted(set(offered) & set(DRIVERS))
    if name in clash:
        raise InputError.at(file, f"an installed package also offers a driver {name!r}", "uninstall one of the two")
    known = {**DRIVERS, **offered}
    if name not in known:
        raise InputError.at(file, f"no driver is called {name!r}", f"known: {', '.join(sorted(known))}")
    module, _, attribute = known[name].partition(":")
    try:
        return getattr(import_module(module), attribute)
    except ImportError as error:
        raise BenchError(f"driver {name}: {error}; is its extra installed?") from error
