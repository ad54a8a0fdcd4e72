"""The serial-line protocol: lines, the adapter that speaks them, and everything that can go wrong with it."""

import random

import pytest
from devices.can_rig import SENT, STATUS, can_bus, listening, notes, samples
from devices.conformance import CHECKS, Plug
from devices.rig import Running, eventually

from bench.devices.base import DeviceLost
from bench.devices.can_database import EXTENDED
from bench.devices.can_port import NOBODY
from bench.devices.serial_line_can import frame_of, line_of
from bench.events import Aligned, Batch, Frame
from simulators.can_adapter import CanAdapter

#: SL-5: the frame of DBC-1, and a 29-bit identifier without data (both computed from the format of the lines).
CASES = [
    (0x1F0, bytes.fromhex("C006E00000000000"), b"t1F08C006E00000000000\r"),
    (0x18FF50E5 | EXTENDED, b"", b"T18FF50E50\r"),
    (0x000, b"\xff", b"t0001FF\r"),
    (0x7FF, bytes(8), b"t7FF8" + b"00" * 8 + b"\r"),
    (0x1FFFFFFF | EXTENDED, b"\x01", b"T1FFFFFFF101\r"),
]
RUBBISH = [
    b"t9992AA", b"t9991AA", b"t1232AA", b"t1231AABB", b"t12", b"t", b"", b"t1239" + b"00" * 9, b"t123", b"t+1F1AA",
    b"t1_31AA", b"t 121AA", b"t1231A", b"t1231AG", b"T2000000000", b"T1FF0", b"T18FF50E5", b"x1230", b"t1230 ",
    b"d1230", b"\xff\xfe", b"t123\x00", b"t12300001",
]  # fmt: skip


@pytest.fixture
def adapter():
    with CanAdapter() as stand_in:
        yield stand_in


def serial_line(adapter: CanAdapter, more: str = "", **named):
    return can_bus(f"interface: serial-line, channel: {adapter.port}, bitrate: 500 kbit/s{more}", **named)


# -- lines -----------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("key", "data", "line"), CASES)
def test_lines_of_frames(key, data, line):
    assert line_of(key, data) == line
    assert frame_of(line[:-1]) == (key, data, None)
    assert frame_of(line[:-1].lower().replace(b"t", line[:1], 1)) == (key, data, None)


@pytest.mark.parametrize("line", RUBBISH)
def test_whatever_is_not_exactly_a_frame_is_none(line):
    assert frame_of(line) is None


def test_stamped_lines():
    assert frame_of(b"t1231AAEA5F", stamped=True) == (0x123, b"\xaa", 59_999)
    assert frame_of(b"t1231AAEA60", stamped=True) is None  # a minute has 60 000 ms
    assert frame_of(b"t1231AA", stamped=True) is None and frame_of(b"t1231AA0000") is None


def test_100_000_corrupted_lines():
    """No crash; what is accepted is exactly a line of the format, which the bus's own CRC does not cover here."""
    chance = random.Random(11)
    accepted = 0
    for _ in range(100_000):
        key = chance.randrange(0x800) if chance.random() < 0.5 else chance.randrange(0x20000000) | EXTENDED
        line = bytearray(line_of(key, chance.randbytes(chance.randrange(9)))[:-1])
        for _ in range(chance.choice((1, 1, 2, 4))):
            match chance.randrange(4):
                case 0:
                    line[chance.randrange(len(line))] ^= 1 << chance.randrange(8)
                case 1:
                    del line[chance.randrange(len(line))]
                case 2:
                    line.insert(chance.randrange(len(line) + 1), chance.randrange(256))
                case _:
                    line = line[: chance.randrange(len(line) + 1)]
            if not line:
                break
        frame = frame_of(bytes(line))
        if frame is not None:
            accepted += 1
            assert line_of(*frame[:2])[:-1] == bytes(line).upper().replace(b"T", bytes(line[:1]), 1)
    assert 0 < accepted < 30_000


# -- the adapter -----------------------------------------------------------------------------------------------------


def plug_of(adapter: CanAdapter) -> Plug:
    heard = {}

    def on_frame(frame: Frame) -> None:
        heard["bms_max"] = int.from_bytes(frame.data[:2], "little") / 10_000

    adapter.on_frame = on_frame
    return Plug(
        make=lambda: serial_line(adapter, channels=SENT + "  x: {direction: read, text: true, "
                                 "signal: box_status.controller_state}\n", more=", periodic: {bms_cells: 20 ms}"),
        port=adapter.port,
        unplug=adapter.unplug,
        silence=lambda: setattr(adapter, "hanging", True),
        drives={"bms_messages": "on", "bms_max": 4.2},
        # what has left is not yet heard: the adapter's thread has to get to it
        seen=lambda name: eventually(lambda: heard.get(name) == 4.2 and 4.2) if name == "bms_max" else "on",
    )  # fmt: skip


@pytest.mark.parametrize("check", CHECKS, ids=lambda check: check.__name__)
def test_conformance(check, adapter):
    check(plug_of(adapter))


def test_opening_asks_for_what_the_entry_says(adapter):
    device = serial_line(adapter, ", listen_only: true")
    identity = device.connect()
    assert "V1013" in identity and "NH3CA" in identity
    assert adapter.bit_rate == 500_000 and adapter.listen_only and adapter.opened.is_set()
    device.close()
    eventually(lambda: not adapter.opened.is_set())


def test_an_adapter_that_somebody_left_open(adapter):
    first = serial_line(adapter)
    first.connect()
    first._port._port.close()  # as a killed bench leaves it: frames come while the next one opens
    adapter.put(*[Frame("can", STATUS, bytes(8))] * 500)
    second = serial_line(adapter)
    second.connect()
    adapter.put(Frame("can", STATUS, b"\x02" + bytes(7)))
    second.close()


def test_a_mute_port_is_no_adapter(adapter):
    adapter.mute = True
    with pytest.raises(DeviceLost, match="does not answer as a CAN adapter does; is it the right port"):
        serial_line(adapter).connect()


def test_frames_rubbish_and_half_lines(adapter):
    """Malformed lines are counted and told, never decoded; a half line waits for its other half."""
    with listening(serial_line(adapter)) as running:
        adapter.put(Frame("can", STATUS, b"\x01" + bytes(7)))
        adapter.say(b"t1208ZZ\r\xff\xfe rubbish\rt9992AA\r")
        adapter.say(b"t12080200000000")
        adapter.say(b"000000\r")
        while "run" not in samples(running.events).values():
            running.until(lambda event: isinstance(event, Batch))
        told = (
            running.until(lambda event: notes([event])).text if not notes(running.events) else notes(running.events)[0]
        )
        assert told.startswith("malformed lines, not decoded")
        frames = [frame for event in running.events if isinstance(event, Batch) for frame in event.frames]
        assert [frame.data[0] for frame in frames] == [1, 2]


def test_noise_without_end_does_not_fill_the_memory(adapter):
    with listening(serial_line(adapter)) as running:
        adapter.say(b"\xaa" * 50_000)
        running.until(lambda event: "malformed lines, not decoded" in "".join(notes([event])))
        adapter.say(b"\r")
        adapter.put(Frame("can", STATUS, b"\x02" + bytes(7)))
        running.until(lambda event: samples([event]).get("controller_state") == "run")
        assert len(running.device._port._port.buffer) < 10_000


@pytest.mark.parametrize(
    ("trouble", "text"),
    [("bus_off", "off the bus"), ("hanging", "the adapter hangs, no answer for 0.5 s")],
)
def test_trouble_on_a_silent_bus_is_found(adapter, trouble, text):
    """Needs 2, 5: nothing comes, so the adapter is asked."""
    with listening(serial_line(adapter)) as running:
        setattr(adapter, trouble, True)
        assert text in running.lost()


def test_a_silent_bus_alone_is_no_trouble(adapter):
    """The box may be without supply; the adapter still answers."""
    with listening(serial_line(adapter)) as running:
        eventually(lambda: adapter.commands.count(b"F") >= 3)
        adapter.put(Frame("can", STATUS, b"\x02" + bytes(7)))
        running.until(lambda event: samples([event]))


def test_an_adapter_that_lost_frames_says_so(adapter):
    with listening(serial_line(adapter)) as running:
        adapter.overrun = True
        running.until(lambda event: "the adapter lost received frames" in "".join(notes([event])))


def test_a_frame_that_is_refused(adapter):
    """Needs 6."""
    with listening(serial_line(adapter)) as running:
        adapter.refusing = True
        running.device.send(Frame("can", 1, b"\x01"))
        assert NOBODY in running.lost()


def test_lost_and_frozen_frames_of_the_adapter(adapter):
    """Needs 9, 12."""
    with listening(serial_line(adapter, ", counters: {box_status: status_counter}")) as running:
        adapter.put(*(Frame("can", STATUS, bytes(7) + bytes([n % 16])) for n in range(32)))
        adapter.drop_every = 5
        adapter.put(*(Frame("can", STATUS, bytes(7) + bytes([n % 16])) for n in range(32)))
        running.until(lambda event: "box_status: frames lost" in "".join(notes([event])))
        adapter.drop_every = 0
        adapter.frozen[STATUS] = bytes(8)
        adapter.put(*[Frame("can", STATUS, bytes(8))] * 10)
        running.until(lambda event: "counter stands still at 0" in "".join(notes([event])))


def test_stamps_of_the_adapter(adapter):
    """Asked for with Z1; used once they have shown to run with the host's clock."""
    with listening(serial_line(adapter, ", stamps: true, delay: 10 ms")) as running:
        assert b"Z1" in adapter.commands
        count = 0
        while not running.device._stamps.using:
            adapter.put(Frame("can", STATUS, bytes([count % 2, *[0] * 7])))
            running.until(lambda event: isinstance(event, Batch))
            count += 1
        assert count > 3
        assert aligned(running)[0].bound_s == 0.01


def aligned(running: Running) -> list[Aligned]:
    return [event for event in running.events if isinstance(event, Aligned)]


def test_5000_frames_at_once(adapter):
    with listening(serial_line(adapter, ", counters: {box_status: status_counter}")) as running:
        adapter.put(*(Frame("can", STATUS, bytes(7) + bytes([n % 16])) for n in range(5000)))
        count = 0
        while count < 5000:
            count += len(running.until(lambda event: isinstance(event, Batch)).frames)
        assert count == 5000 and not [text for text in notes(running.events) if "lost" in text]


# -- python-can's own interface for such adapters ---------------------------------------------------------------------


def test_python_cans_slcan_keeps_working(adapter):
    device = can_bus(f"interface: slcan, channel: {adapter.port}, bitrate: 500000", SENT + CHANNEL)
    heard = []
    adapter.on_frame = heard.append
    with listening(device) as running:
        eventually(adapter.opened.is_set)
        adapter.put(Frame("can", STATUS, b"\x02" + bytes(7)))
        running.until(lambda event: samples([event]).get("state") == "run")
        device.send(Frame("can", 0x7F0, b"\x05"))
        eventually(lambda: heard)
        assert heard[0][:3] == ("can", 0x7F0, b"\x05")
        adapter.say(b"t12ZZ\r")  # python-can raises a ValueError in its reader here
        running.until(lambda event: "malformed frames, not decoded" in "".join(notes([event])))
        adapter.unplug()
        assert adapter.port in running.lost()


CHANNEL = "  state: {direction: read, text: true, signal: box_status.controller_state}\n"


def test_slcan_lets_no_second_program_in(adapter):
    entry = f"interface: slcan, channel: {adapter.port}, bitrate: 500000"
    with listening(can_bus(entry)), pytest.raises(DeviceLost, match="another program has it open"):
        can_bus(entry).connect()


def test_closing_an_unplugged_slcan_makes_no_noise(adapter, capfd):
    device = can_bus(f"interface: slcan, channel: {adapter.port}, bitrate: 500000")
    device.connect()
    adapter.unplug()
    device.close()
    del device
    import gc

    gc.collect()
    assert capfd.readouterr().err == ""
