"""`ports`: what is found and what keeps it from being used, on computers that are made up (needs 23, 45, 46)."""

import argparse
import json
import os
import subprocess
import sys
import time
from types import SimpleNamespace

import pytest

from bench.commands import ports as command
from bench.devices import can_search
from bench.devices.can_search import search
from bench.devices.ports import NOT_ASKED, Account, ThisHost, holders, survey

USB0 = {"device": "/dev/ttyUSB0", "serial_number": "A50285BI", "description": "FT232R", "vid": 0x0403, "pid": 0x6001}
ACM0 = {"device": "/dev/ttyACM0", "serial_number": None, "description": "n/a", "vid": None, "pid": None}


class MadeUp:
    """A computer as a test wants it."""

    windows = False

    def __init__(
        self, *ports, allowed=True, group="dialout", mine=(), put_in=(), held=(), links=(), usb=(), can=((), ())
    ):
        self._ports = [SimpleNamespace(**port) for port in ports]
        self._access = (allowed, group)
        self._account = Account("keller", frozenset(mine), frozenset(put_in))
        self._held, self._links, self._usb, self._can = held, links, usb, can

    def serial_ports(self):
        return self._ports

    def access(self, path):
        return self._access

    def account(self):
        return self._account

    def holders(self, path):
        return self._held

    def can_links(self):
        return self._links

    def usb_identities(self):
        return self._usb

    def can_configurations(self):
        return self._can

    def timer(self):
        return {"clock_grain_s": 1e-9, "wait_of_1_ms_s": 0.001123}


def test_a_port_that_can_be_used():
    found = survey(MadeUp(USB0, ACM0))
    assert [port.path for port in found.serial] == ["/dev/ttyACM0", "/dev/ttyUSB0"]
    assert found.serial[1].serial_number == "A50285BI"
    assert found.serial[1].usb == "0403:6001"
    assert found.usable


@pytest.mark.parametrize(
    ("account", "trouble", "remedy"),
    [
        ({}, "keller is not in the group dialout", "sudo usermod -aG dialout keller, then log out and in again"),
        ({"group": "uucp"}, "keller is not in the group uucp", "usermod -aG uucp keller"),
        ({"put_in": ["dialout"]}, "keller is in the group dialout, this login is older", "log out and in again"),
        ({"group": ""}, "no group has any", 'KERNEL=="ttyUSB*"'),
        ({"mine": ["dialout"]}, "although this process is in the group dialout", "udevadm control --reload"),
    ],
)
def test_a_permission_that_is_missing(account, trouble, remedy):
    (port,) = survey(MadeUp(USB0, allowed=False, **account)).serial
    assert trouble in port.trouble
    assert remedy in port.remedy


def test_a_port_that_another_program_has():
    (port,) = survey(MadeUp(USB0, held=["terminal (process 812)"])).serial
    assert port.trouble == "terminal (process 812) has it open"
    assert "close that program" in port.remedy


def test_a_port_on_windows_without_permission():
    host = MadeUp({**USB0, "device": "COM7"}, allowed=False)
    host.windows = True
    (port,) = survey(host).serial
    assert "driver is missing" in port.trouble
    assert "device manager" in port.remedy


def test_can_interfaces():
    others = [{"interface": "virtual", "channel": "x"}, {"interface": "pcan", "channel": "PCAN_USBBUS1"}]
    found = survey(MadeUp(links=[("can1", False), ("can0", True)], can=(others, ["vector: its library hung"])))
    assert [(each.interface, each.channel, each.trouble) for each in found.can] == [
        ("socketcan", "can0", ""), ("socketcan", "can1", "it is down"), ("pcan", "PCAN_USBBUS1", ""),
    ]  # fmt: skip
    assert "sudo ip link set can1 up type can bitrate 500000" in found.can[1].remedy
    assert found.notes == ("vector: its library hung",)


def test_a_can_adapter_without_its_driver():
    (adapter,) = survey(MadeUp(usb=["1d6b:0002", "1d50:606f"])).can
    assert "no CAN interface" in adapter.trouble
    assert "modprobe gs_usb" in adapter.remedy
    assert survey(MadeUp(usb=["1d50:606f"], links=[("can0", True)])).can[0].channel == "can0"


TEXT = """\
Serial ports
  /dev/ttyACM0  no serial number
    cannot be used: no permission: keller is not in the group dialout
    to fix it: sudo usermod -aG dialout keller, then log out and in again
CAN interfaces
  interface: socketcan, channel: can0  (up)
    can be used
Note: vector: its library hung
Timer: the clock's grain is 1 ns; a wait of 1 ms took 1.12 ms at most"""


def test_what_is_printed():
    found = survey(MadeUp(ACM0, allowed=False, links=[("can0", True)], can=((), ["vector: its library hung"])))
    assert command.as_text(found) == TEXT
    assert json.loads(command.as_json(found))["serial"][0]["path"] == "/dev/ttyACM0"


def test_nothing_at_all():
    found = survey(MadeUp())
    assert command.as_text(found).splitlines()[:2] == ["Serial ports: none found", "CAN interfaces: none found"]
    assert not found.usable


def test_on_this_computer(capsys, monkeypatch):
    monkeypatch.setattr(ThisHost, "can_configurations", lambda self: ((), ()))
    status = command.work(argparse.Namespace(json=True))
    printed = json.loads(capsys.readouterr().out)
    assert status == (0 if any(not each["trouble"] for each in printed["serial"] + printed["can"]) else 3)
    assert printed["timer"]["wait_of_1_ms_s"] >= 0.001


def test_who_holds_a_file(tmp_path):
    held = tmp_path / "port"
    held.write_text("")
    code = f"f = open({str(held)!r}); print('open', flush=True); input()"
    with subprocess.Popen([sys.executable, "-c", code], stdin=subprocess.PIPE, stdout=subprocess.PIPE) as other:
        assert other.stdout.readline().strip() == b"open"
        assert [name.partition("(")[2] for name in holders(str(held))] == [f"process {other.pid})"]
        other.communicate(b"\n")
    with held.open():
        assert holders(str(held)) == []  # ourselves
        assert [name.partition("(")[2] for name in holders(str(held), me=lambda: -1)] == [f"process {os.getpid()})"]


def test_a_library_that_crashes_or_hangs_is_named_and_the_rest_is_asked():
    asked = []

    def child(names):
        asked.append(list(names))
        lines, trouble = ["a banner of some library"], ""
        for name in names:
            lines.append(json.dumps({"asking": name}))
            if name in ("kvaser", "vector"):
                trouble = "hung" if name == "vector" else "crashed (exit -11)"
                break
            found = [{"interface": name, "channel": 0}] if name in ("ixxat", "pcan") else []
            lines.append(json.dumps({"found": found}))
        return "\n".join(lines), trouble

    found, notes = search(NOT_ASKED, child)
    assert [each["interface"] for each in found] == ["ixxat", "pcan"]
    assert notes == ["kvaser: its library crashed (exit -11)", "vector: its library hung"]
    assert [names[0] for names in asked] == ["canalystii", "neousys"]
    assert "virtual" not in asked[0]


def test_a_real_child_that_dies_is_told(monkeypatch):
    monkeypatch.setattr(can_search, "sys", SimpleNamespace(executable="/bin/false"))
    printed, trouble = can_search._child(["pcan"])
    assert (printed, trouble) == ("", "crashed (exit 1)")


def test_pythons_own_interfaces_are_searched_in_a_child():
    began = time.monotonic()
    printed, trouble = can_search._child(["virtual"])
    assert trouble == ""
    assert json.loads(printed.splitlines()[0]) == {"asking": "virtual"}
    assert json.loads(printed.splitlines()[1])["found"][0]["interface"] == "virtual"
    assert time.monotonic() - began < can_search.PATIENCE_S
