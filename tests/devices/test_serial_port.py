"""A port for ourselves (needs 19 and 21 to 23 of the bench)."""

import os
import pty
import tty
from types import SimpleNamespace

import pytest
import serial

from bench.devices.base import DeviceLost
from bench.devices.serial_port import PortSettings, SerialPort, find_port, open_serial


@pytest.fixture
def wire():
    """(the other end, the path to open)."""
    master, slave = pty.openpty()
    tty.setraw(slave)
    ends = [master, slave]
    yield SimpleNamespace(end=master, path=os.ttyname(slave), unplug=lambda: [os.close(ends.pop()) for _ in ends[:]])
    for end in ends:
        os.close(end)


@pytest.fixture
def port(wire):
    port = SerialPort(PortSettings(wire.path, write_timeout_s=0.2))
    yield port
    port.close()


def test_half_a_line_is_kept(wire, port):
    os.write(wire.end, b"hal")
    assert port.wait(5.0)
    assert port.take(b"\n") is None
    assert bytes(port.buffer) == b"hal"
    os.write(wire.end, b"f\nnext\n")
    assert port.wait(5.0)
    assert port.take(b"\n") == b"half"
    assert port.take(b"\n") == b"next"
    assert port.take(b"\n") is None


def test_what_does_not_leave_at_once_goes_ahead_of_the_next_write(wire, port):
    lines = [b"%06d\n" % number for number in range(100_000)]
    sent = next(number for number, line in enumerate(lines) if not port.write_at_once(line))
    assert not port.write_at_once(b"never\n"), "nothing goes ahead of a rest"
    got = b""
    while not got.endswith(b"last\n"):
        got += os.read(wire.end, 4096)
        if got.count(b"\n") == sent:
            port.write(b"last\n")
    whole, rest = got[: 7 * sent], got[7 * sent :]
    assert whole == b"".join(lines[:sent])
    assert rest in (b"last\n", lines[sent] + b"last\n")


def test_a_piece_without_an_end_is_handed_out_at_its_longest(wire, port):
    port.buffer += b"x" * (port.LONGEST + 10)
    assert port.take(b"\n") == b"x" * port.LONGEST
    assert bytes(port.buffer) == b"x" * 10


def test_what_came_before_is_dropped_and_given_back(wire, port):
    os.write(wire.end, b"old answer\n")
    assert port.wait(5.0)
    assert port.drop() == b"old answer\n"
    assert port.drop() == b""


def test_unplugged_while_waiting(wire, port):
    wire.unplug()
    with pytest.raises(DeviceLost, match="unplugged, closed by the other end, or opened twice") as caught:
        port.wait(5.0)
    assert wire.path in str(caught.value)


@pytest.mark.parametrize("call", [lambda port: port.write(b"x"), lambda port: port.drop()])
def test_unplugged_before_a_call(wire, port, call):
    wire.unplug()
    with pytest.raises(DeviceLost) as caught:
        call(port)
    assert wire.path in str(caught.value)


def test_closed_under_a_reader(wire, port):
    port.close()
    with pytest.raises(DeviceLost):
        port.wait(0.0)
    port.close()


def test_nobody_takes_our_bytes(wire, port):
    with pytest.raises(DeviceLost, match="takes no more bytes: the other end hangs"):
        for _ in range(100):
            port.write(b"x" * 4096)


def test_one_opener_only(wire, port):
    with pytest.raises(DeviceLost, match="another program has it open") as caught:
        SerialPort(PortSettings(wire.path))
    assert wire.path in str(caught.value)


def test_no_such_port():
    with pytest.raises(DeviceLost, match="/dev/no-such-port cannot be opened"):
        SerialPort(PortSettings("/dev/no-such-port"))


def test_nobody_listens():
    with pytest.raises(DeviceLost, match="cannot be opened"):
        SerialPort(PortSettings("socket://127.0.0.1:1"))


@pytest.mark.parametrize("dtr", [False, True])
def test_lines_are_set_before_the_port_is_opened(monkeypatch, dtr):
    opened_with = []

    class Fake:
        def open(self):
            opened_with.append((self.dtr, self.rts))

    def serial_for_url(port, do_not_open, exclusive, **_):
        assert do_not_open
        assert exclusive
        return Fake()

    monkeypatch.setattr(serial, "serial_for_url", serial_for_url)
    open_serial(PortSettings("/dev/ttyUSB7", dtr=dtr), 0.01)
    assert opened_with == [(dtr, dtr)]


def listed(monkeypatch, *ports):
    from serial.tools import list_ports

    found = [SimpleNamespace(device=device, serial_number=number) for device, number in ports]
    monkeypatch.setattr(list_ports, "comports", lambda: found)


def test_a_port_by_its_serial_number(monkeypatch, wire):
    listed(monkeypatch, ("/dev/ttyS9", None), (wire.path, "A50285BI"))
    port = SerialPort(PortSettings(serial_number="A50285BI"))
    port.close()
    assert port.name == f"{wire.path} (serial number A50285BI)"


def test_no_port_has_the_serial_number(monkeypatch):
    listed(monkeypatch, ("/dev/ttyUSB0", "B7"), ("/dev/ttyS0", None))
    with pytest.raises(DeviceLost, match="no port has the serial number A1; there is B7 on /dev/ttyUSB0"):
        find_port("A1")


def test_two_ports_have_the_serial_number(monkeypatch):
    listed(monkeypatch, ("/dev/ttyUSB1", "A1"), ("/dev/ttyUSB0", "A1"))
    with pytest.raises(DeviceLost, match="/dev/ttyUSB0 and /dev/ttyUSB1; name one with 'port:'"):
        find_port("A1")
