"""What could be connected: serial ports and CAN interfaces, and what keeps each from being used.

`survey` looks at a `Host`; tests give it one that is made up. Looking opens nothing and changes nothing.
"""

from __future__ import annotations

import os
import sys
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, NamedTuple, Protocol

#: USB identities (vendor:product) of CAN adapters that Linux drives with its module gs_usb.
GS_USB = {"1d50:606f", "1209:2323", "1cd2:606f", "16d0:10b8"}
#: Interfaces of python-can that are no hardware, search the network, or take every serial port for an adapter; the
#: kernel's own are looked up without it.
NOT_ASKED = ("virtual", "udp_multicast", "socketcand", "socketcan", "serial", "slcan", "robotell", "seeedstudio")
ARPHRD_CAN = 280


@dataclass(frozen=True)
class SerialEntry:
    """`trouble` and `remedy` are '' for a port that can be used."""

    path: str
    serial_number: str = ""
    description: str = ""
    usb: str = ""
    held_by: tuple[str, ...] = ()
    trouble: str = ""
    remedy: str = ""


@dataclass(frozen=True)
class CanEntry:
    """`interface` and `channel` are what the bench file says for it."""

    interface: str
    channel: str
    description: str = ""
    trouble: str = ""
    remedy: str = ""


class Account(NamedTuple):
    """Who may do what: groups of this process, groups that the user has been put in, superuser."""

    user: str
    groups: frozenset[str]
    member_of: frozenset[str]
    superuser: bool = False


@dataclass(frozen=True)
class Survey:
    """All that was found; `notes` are about what could not be looked at."""

    serial: tuple[SerialEntry, ...]
    can: tuple[CanEntry, ...]
    notes: tuple[str, ...] = ()
    timer: Mapping[str, float] = field(default_factory=dict)

    @property
    def usable(self) -> bool:
        return any(not entry.trouble for entry in (*self.serial, *self.can))


class Host(Protocol):
    """What is asked of the computer."""

    windows: bool

    def serial_ports(self) -> Sequence[Any]:
        """As pyserial lists them: device, serial_number, description, vid, pid."""

    def access(self, path: str) -> tuple[bool, str]:
        """Whether this process may read and write it, and the group that may ('' for none)."""

    def account(self) -> Account: ...
    def holders(self, path: str) -> Sequence[str]: ...

    def can_links(self) -> Sequence[tuple[str, bool]]:
        """(name, up) of the kernel's CAN interfaces."""

    def usb_identities(self) -> Sequence[str]: ...

    def can_configurations(self) -> tuple[Sequence[Mapping[str, Any]], Sequence[str]]:
        """What python-can's other interfaces find, and notes about those that failed."""

    def timer(self) -> Mapping[str, float]: ...


def survey(host: Host) -> Survey:
    """Everything that there is, sorted by name."""
    account = host.account()
    serial = tuple(_serial(host, info, account) for info in sorted(host.serial_ports(), key=lambda info: info.device))
    found, notes = host.can_configurations()
    links = tuple(_link(name, up) for name, up in sorted(host.can_links()))
    others = tuple(
        CanEntry(str(each["interface"]), str(each.get("channel", "")), str(each.get("name", "")))
        for each in found
        if each["interface"] not in NOT_ASKED
    )
    return Survey(serial, (*links, *_without_driver(host, links), *others), tuple(notes), host.timer())


def _serial(host: Host, info: Any, account: Account) -> SerialEntry:
    held_by = tuple(host.holders(info.device))
    trouble, remedy = _permission(host, info.device, account)
    if not trouble and held_by:
        trouble = f"{', '.join(held_by)} has it open"
        remedy = "close that program: a port is opened for one program alone"
    usb = f"{info.vid:04x}:{info.pid:04x}" if info.vid is not None and info.pid is not None else ""
    description = "" if info.description in (None, "n/a") else info.description
    return SerialEntry(info.device, info.serial_number or "", description, usb, held_by, trouble, remedy)


def _permission(host: Host, path: str, account: Account) -> tuple[str, str]:
    allowed, group = host.access(path)
    if allowed or account.superuser:
        return "", ""
    if host.windows:
        return "another program has it open, or its driver is missing", "close that program; see the device manager"
    if not group:
        return "no permission, and no group has any", _rule(path)
    if group in account.groups:
        return f"no permission although this process is in the group {group}", _rule(path)
    if group in account.member_of:
        return f"no permission: {account.user} is in the group {group}, this login is older", "log out and in again"
    return (
        f"no permission: {account.user} is not in the group {group}",
        f"sudo usermod -aG {group} {account.user}, then log out and in again",
    )


def _rule(path: str) -> str:
    kernel = path.rpartition("/")[2].rstrip("0123456789") + "*"
    return (
        f'put KERNEL=="{kernel}", MODE="0660", GROUP="dialout" (uucp on some systems) in '
        "/etc/udev/rules.d/60-bench.rules, then: sudo udevadm control --reload, and plug it in again"
    )


def _link(name: str, up: bool) -> CanEntry:
    if up:
        return CanEntry("socketcan", name, "up")
    remedy = f"sudo ip link set {name} up type can bitrate 500000 restart-ms 100 (the bit rate of your bus)"
    return CanEntry("socketcan", name, "down", "it is down", remedy)


def _without_driver(host: Host, links: Sequence[CanEntry]) -> list[CanEntry]:
    if links or host.windows:
        return []
    return [
        CanEntry("socketcan", "", f"USB adapter {identity}", "the kernel has no CAN interface for it",
                 "sudo modprobe gs_usb, and plug it in again")
        for identity in sorted(set(host.usb_identities()) & GS_USB)
    ]  # fmt: skip


# -- this computer --------------------------------------------------------------------------------------------------


class ThisHost:
    """The computer that we run on."""

    windows = sys.platform == "win32"

    def serial_ports(self) -> Sequence[Any]:
        from serial.tools import list_ports

        return list_ports.comports()

    def access(self, path: str) -> tuple[bool, str]:
        if self.windows:
            return True, ""  # whether it opens is all that can be known
        import grp

        try:
            status = os.stat(path)
        except OSError:
            return False, ""
        group = ""
        if status.st_mode & 0o060 == 0o060:
            try:
                group = grp.getgrgid(status.st_gid).gr_name
            except KeyError:
                group = str(status.st_gid)
        return os.access(path, os.R_OK | os.W_OK), group

    def account(self) -> Account:
        import getpass

        if self.windows:
            return Account(getpass.getuser(), frozenset(), frozenset())
        import grp

        names = {entry.gr_gid: entry.gr_name for entry in grp.getgrall()}
        try:
            user = getpass.getuser()
        except (KeyError, OSError):  # a number without a name, as in some containers
            user = str(os.getuid())
        mine = frozenset(names.get(number, str(number)) for number in {*os.getgroups(), os.getegid()})
        put_in = frozenset(entry.gr_name for entry in grp.getgrall() if user in entry.gr_mem)
        return Account(user, mine, put_in, os.geteuid() == 0)

    def holders(self, path: str) -> Sequence[str]:
        return holders(path)

    def can_links(self) -> Sequence[tuple[str, bool]]:
        links = []
        for folder in Path("/sys/class/net").glob("*"):
            try:
                if int((folder / "type").read_text()) == ARPHRD_CAN:
                    links.append((folder.name, bool(int((folder / "flags").read_text(), 16) & 1)))
            except (OSError, ValueError):
                continue
        return links

    def usb_identities(self) -> Sequence[str]:
        identities = []
        for folder in Path("/sys/bus/usb/devices").glob("*"):
            try:
                vendor, product = ((folder / name).read_text().strip() for name in ("idVendor", "idProduct"))
            except OSError:
                continue
            identities.append(f"{vendor}:{product}")
        return identities

    def can_configurations(self) -> tuple[Sequence[Mapping[str, Any]], Sequence[str]]:
        from bench.devices.can_search import search

        return search(NOT_ASKED)

    def timer(self) -> Mapping[str, float]:
        return timer_grain()


def holders(path: str, proc: Path = Path("/proc"), me: Callable[[], int] = os.getpid) -> list[str]:
    """Other programs that have this file open, as 'name (process 123)'; only those that we may look into."""
    found = []
    try:
        real = os.path.realpath(path)
        processes = [entry for entry in proc.iterdir() if entry.name.isdigit() and int(entry.name) != me()]
    except OSError:
        return []
    for process in sorted(processes, key=lambda entry: int(entry.name)):
        try:
            if any(os.readlink(each) == real for each in (process / "fd").iterdir()):
                found.append(f"{(process / 'comm').read_text().strip()} (process {process.name})")
        except OSError:
            continue
    return found


def timer_grain(tries: int = 5) -> Mapping[str, float]:
    """How fine this computer's clock is, and how long a wait of 1 ms really takes (the worst of a few), in s."""
    import time

    worst = 0.0
    for _ in range(tries):
        began = time.monotonic()
        time.sleep(0.001)
        worst = max(worst, time.monotonic() - began)
    return {"clock_grain_s": time.get_clock_info("monotonic").resolution, "wait_of_1_ms_s": round(worst, 6)}
