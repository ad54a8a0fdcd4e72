"""From a bench file to the devices that it names."""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from importlib.util import find_spec
from typing import TYPE_CHECKING

from bench.devices.holding import held
from bench.devices.person import Person
from bench.devices.registry import driver_class
from bench.devices.wall_bench import WallBench
from bench.errors import BenchError, InputError, Problem

if TYPE_CHECKING:
    from bench.devices.base import Device
    from bench.language.bench_file import Bench
    from bench.language.located import Place


@contextmanager
def bench_in_wall_time(bench: Bench, who: str = "", person: Person | None = None) -> Iterator[WallBench]:
    """The devices of a real bench, opened and held in the name of `who`; `person` answers questions.

    Raises InputError as `devices_of` does, BenchError where something is to be installed first, where somebody else has
    the bench, or where a device is not there.
    """
    devices = devices_of(bench)
    check_installed(devices)
    with held(bench, who), WallBench(devices, person, simulated=not bench.real) as opened:
        yield opened


def devices_of(bench: Bench) -> list[Device]:
    """The devices of a real bench, made and so checked, without touching a port.

    Raises InputError with all that is wrong in any of their entries and channels: drivers that do not exist, options
    that cannot be.
    """
    devices, problems = [], []
    for name, device in bench.devices.items():
        channels = {channel.name: channel for channel in bench.channels.values() if channel.device == name}
        try:
            if device.driver == "simulated":
                raise InputError.at(bench.file, f"device {name} is simulated, others are not", "one or the other")
            devices.append(driver_class(device.driver, bench.file)(name, device.options, channels, bench))
        except InputError as error:
            problems += [_placed(problem, name, bench) for problem in error.problems]
    if problems:
        raise InputError(problems)
    return devices


def check_installed(devices: Sequence[Device]) -> None:
    """Raises BenchError for a driver whose library is missing."""
    for device in devices:
        if device.needs and find_spec(device.needs[0]) is None:
            module, extra = device.needs
            raise BenchError(f"device {device.name} needs {module}: pip install 'topbox-bench[{extra}]'")


def _placed(problem: Problem, device: str, bench: Bench) -> Problem:
    """The problem with the place in the bench file of what it speaks of: an option, a channel, else the device."""
    if problem.line or problem.file != bench.file:
        return problem
    place = _place_of(problem.wrong, device, bench)
    return problem._replace(line=place.line, column=place.column) if place is not None else problem


def _place_of(text: str, device: str, bench: Bench) -> Place | None:
    places, start = bench.places, f"devices.{device}."
    said = text.removeprefix(f"device {device}: ")
    options = {path.removeprefix(start): place for path, place in places.items() if path.startswith(start)}
    for option in sorted(options, key=len, reverse=True):
        if said.startswith(f"{option}: ") or f"'{option}'" in said or f"'{option.rpartition('.')[2]}'" in said:
            return options[option]
    words = set(re.findall(r"\w+", said))
    for channel in bench.channels.values():
        signal = set(channel.signal.split(".")) if channel.signal else None
        message = channel.signal.partition(".")[0]
        named = channel.name in words or (signal and signal <= words) or (message and f"'{message}'" in said)
        if channel.device == device and named:
            return places.get(f"channels.{channel.name}")
    return places.get(f"devices.{device}")
