"""What every driver has to do, whatever it drives. Give it a `Plug`; run each of `CHECKS`.

@pytest.mark.parametrize("check", CHECKS, ids=lambda check: check.__name__)
def test_conformance(check, plug):
    check(plug)
"""

from __future__ import annotations

import threading
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field

import pytest
from devices.rig import DEADLINE_S, Running, eventually

from bench.devices.base import Device, DeviceLost
from bench.events import Driven, Value


@dataclass
class Plug:
    """A driver before its stand-in. `make` gives a new driver for the same port; `unplug` and `silence` act on the
    stand-in; `drives` is a drive that it must confirm (empty for a device without outputs), `seen` what the stand-in
    has for an output."""

    make: Callable[[], Device]
    port: str
    unplug: Callable[[], None]
    silence: Callable[[], None]
    drives: Mapping[str, Value] = field(default_factory=dict)
    seen: Callable[[str], Value] = lambda name: ""


def says_who_it_is(plug: Plug) -> None:
    with Running(plug.make()) as running:
        assert running.identity.strip()


def listening_comes_back(plug: Plug) -> None:
    device = plug.make()
    device.connect()
    try:
        came_back = threading.Event()

        def listen() -> None:
            device.listen(0.05)
            came_back.set()

        threading.Thread(target=listen, daemon=True).start()
        assert came_back.wait(DEADLINE_S)
    finally:
        device.close()


def a_drive_is_confirmed(plug: Plug) -> None:
    if not plug.drives:
        device = plug.make()
        with pytest.raises(DeviceLost):
            device.drive({"anything": 1.0})
        return
    with Running(plug.make()) as running:
        running.threads.drive(plug.drives)
        confirmed = {}
        while confirmed != dict(plug.drives):
            event = running.until(lambda event: isinstance(event, Driven))
            confirmed[event.channel] = event.value
        assert {name: plug.seen(name) for name in plug.drives} == dict(plug.drives)


def unplugged_while_listening(plug: Plug) -> None:
    with Running(plug.make()) as running:
        plug.unplug()
        assert plug.port in running.lost()


def unplugged_before_a_drive(plug: Plug) -> None:
    if not plug.drives:
        return
    device = plug.make()
    device.connect()
    try:
        plug.unplug()
        with pytest.raises(DeviceLost) as caught:
            device.drive(plug.drives)
        assert plug.port in str(caught.value)
    finally:
        device.close()


def silence_is_found(plug: Plug) -> None:
    with Running(plug.make()) as running:
        plug.silence()
        assert plug.port in running.lost()


def closing_twice_is_quiet(plug: Plug) -> None:
    device = plug.make()
    device.connect()
    device.close()
    device.close()
    with Running(plug.make()):  # and the port is free again
        pass


def a_second_opener_is_refused(plug: Plug) -> None:
    with Running(plug.make()):
        with pytest.raises(DeviceLost) as caught:
            plug.make().connect()
        assert plug.port in str(caught.value)


def closing_ends_both_threads(plug: Plug) -> None:
    with Running(plug.make()) as running:
        names = {f"reader {running.device.name}", f"writer {running.device.name}"}
        assert names <= {thread.name for thread in threading.enumerate()}
    eventually(lambda: not names & {thread.name for thread in threading.enumerate()})


CHECKS = (
    says_who_it_is,
    listening_comes_back,
    a_drive_is_confirmed,
    unplugged_while_listening,
    unplugged_before_a_drive,
    silence_is_found,
    closing_twice_is_quiet,
    a_second_opener_is_refused,
    closing_ends_both_threads,
)
