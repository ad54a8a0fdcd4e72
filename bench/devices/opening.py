"""From a bench file to the devices that it names."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from typing import TYPE_CHECKING

from bench.devices.holding import held
from bench.devices.person import Person
from bench.devices.registry import driver_class
from bench.devices.wall_bench import WallBench
from bench.errors import InputError

if TYPE_CHECKING:
    from bench.language.bench_file import Bench


@contextmanager
def bench_in_wall_time(bench: Bench, who: str = "", person: Person | None = None) -> Iterator[WallBench]:
    """The devices of a real bench, opened and held in the name of `who`; `person` answers questions.

    Raises InputError for a driver that does not exist or an option that cannot be, BenchError when somebody else has
    the bench or a device is not there.
    """
    devices = []
    for name, device in bench.devices.items():
        if device.driver == "simulated":
            raise InputError.at(bench.file, f"device {name} is simulated, others are not", "one or the other")
        channels = {channel.name: channel for channel in bench.channels.values() if channel.device == name}
        devices.append(driver_class(device.driver, bench.file)(name, device.options, channels, bench))
    with held(bench, who), WallBench(devices, person, simulated=not bench.real) as opened:
        yield opened
