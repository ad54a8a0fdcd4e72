"""The driver on python-can's virtual interface: opening, trouble, stamps of frames, and what is never silent."""

import errno
import re
import subprocess
import sys

import can
import pytest
from devices.can_rig import CHANNELS, SENT, STATUS, Heard, Other, can_bus, listening, notes, samples, scanned

from bench.devices.base import DeviceLost
from bench.devices.can_port import NOBODY, PythonCanPort, in_words, linux_error
from bench.errors import InputError
from bench.events import Aligned, Batch, Frame, Noted

# -- opening ---------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("entry", "text"),
    [
        ("interface: nobody", "python-can has no interface 'nobody', or its driver is missing"),
        ("interface: slcan, channel: /dev/no-such-port", "it is not there"),
        ("interface: slcan", "cannot be opened: "),
        ("interface: virtual, protocol: {a: b}", ""),
    ],
)
def test_what_cannot_be_opened_is_said_in_plain_words(entry, text):
    device = can_bus(entry)
    try:
        with pytest.raises(DeviceLost) as caught:
            device.connect()
            raise DeviceLost("")  # a virtual bus takes any key
        assert text in str(caught.value)
    finally:
        device.close()


@pytest.mark.parametrize(
    ("entry", "text"),
    [
        ("interface: virtual, bitrate: 500 V", "'500 V' is no bit rate; write for example '500 kbit/s'"),
        ("interface: virtual, listen_only: maybe", "neither true nor false"),
        ("interface: virtual, expected: {box_status: 50}", "no length of time"),
        ("interface: virtual, expected: {box_states: 50 ms}", "did you mean 'box_status'?"),
        ("interface: serial-line, channel: /dev/x", "no bit rate that the adapter has"),
        ("interface: serial-line, channel: /dev/x, bitrate: 750 kbit/s", "no bit rate that the adapter has"),
        ("interface: serial-line, bitrate: 500 kbit/s", "the key 'channel' is missing"),
        ("interface: serial-line, channel: /dev/x, bitrate: 500 kbit/s, speed: 3", "the key 'speed' is not known"),
        ("channel: can0", "the key 'interface' is missing"),
    ],
)
def test_entries_that_cannot_be(entry, text):
    with pytest.raises(InputError) as caught:
        can_bus(entry)
    assert text in str(caught.value)


def test_further_keys_go_to_the_interface_as_what_they_are():
    with Heard("receive_own_messages: true, rx_queue_size: 7, preserve_timestamps: false") as bus:
        opened = bus.device._port._bus
        assert opened.receive_own_messages is True and opened.queue.maxsize == 7
        assert opened.preserve_timestamps is False


def test_wrong_adapter_on_the_port():
    with Other() as other:
        device = can_bus(f"{other.entry}, identity: NH3CA")
        with pytest.raises(DeviceLost, match="is it the right adapter"):
            device.connect()
        device.close()


def test_the_measurement_file_library_is_not_imported(tmp_path):
    """It costs 1.4 s wherever it is installed."""
    (tmp_path / "asammdf.py").write_text("raise SystemExit('imported')")
    program = (
        "from bench.devices.can_port import without_asammdf\n"
        "with without_asammdf():\n    import can\n"
        "import sys; assert 'asammdf' not in sys.modules; print(can.io.mf4.asammdf)"
    )
    path = ":".join([str(tmp_path), *filter(None, sys.path)])
    done = subprocess.run([sys.executable, "-c", program], capture_output=True, text=True, env={"PYTHONPATH": path})
    assert done.stdout == "None\n", done.stderr


def test_command_line_does_not_pay_for_python_can():
    program = "import bench.devices.can_bus, sys; print({'can', 'cantools'} & set(sys.modules))"
    path = ":".join(filter(None, sys.path))
    done = subprocess.run([sys.executable, "-c", program], capture_output=True, text=True, env={"PYTHONPATH": path})
    assert done.stdout == "set()\n", done.stderr


# -- what ends it ----------------------------------------------------------------------------------------------------


def test_every_error_of_the_library_ends_as_lost():
    """Needs 1, 2: the bus is closed under the reader; its state still says that all is well."""
    with Other() as other, listening(can_bus(other.entry)) as running:
        running.device._port._bus.shutdown()
        assert running.device._port._bus.state == can.BusState.ACTIVE
        assert other.channel in running.lost()


def test_sending_on_a_dead_bus_is_lost():
    with Heard("", SENT) as bus:
        bus.device._port._bus.shutdown()
        with pytest.raises(DeviceLost, match="is gone"):
            bus.device.send(Frame("can", 1, b""))
        with pytest.raises(DeviceLost):
            bus.device.drive({"bms_messages": "on"})


def test_an_expected_message_that_stays_away_is_lost():
    """Needs 11, 13: no word of the library is needed for it."""
    with Other() as other, listening(can_bus(f"{other.entry}, expected: {{box_status: 50 ms}}")) as running:
        other.say(STATUS, bytes(8))
        running.until(lambda event: isinstance(event, Batch))
        assert "no box_status for" in running.lost()


def test_an_expected_message_that_never_came_is_lost():
    with Other() as other, listening(can_bus(f"{other.entry}, expected: {{bms_cells: 50 ms}}")) as running:
        assert "no bms_cells for" in running.lost()


class StateBus(can.BusABC):
    """An interface that says that it is off the bus."""

    def __init__(self, channel, **_):
        super().__init__(channel)
        self.channel_info = "says that it is off"

    def _recv_internal(self, timeout):
        return None, False

    def send(self, msg, timeout=None):
        raise can.CanOperationError("no buffer space", errno.ENOBUFS)

    @property
    def state(self):
        return can.BusState.ERROR


def test_bad_news_of_the_state_is_believed(monkeypatch):
    monkeypatch.setattr(can, "Bus", lambda **_: StateBus("x"))
    port = PythonCanPort("pcan", "x", {}, False, lambda text, times=1: None)
    with pytest.raises(DeviceLost, match="off the bus"):
        port.receive(0.0)
    with pytest.raises(DeviceLost, match=re.escape(NOBODY)):
        port.send(1, b"")
    port.close()
    port.close()


@pytest.mark.parametrize(
    ("error", "text"),
    [
        (OSError(errno.ENOBUFS, "No buffer space available"), NOBODY),
        (can.CanOperationError("Failed to transmit", errno.ENOBUFS), NOBODY),
        (OSError(errno.ENETDOWN, "Network is down"), "unplugged, switched off or closed"),
        (can.CanTimeoutError("timed out"), "or hangs"),
        (RuntimeError(), "RuntimeError"),
    ],
)
def test_errors_in_words(error, text):
    assert text in in_words("can0", error) and "can0" in in_words("can0", error)


def test_the_cause_behind_an_error_counts():
    try:
        try:
            raise OSError(errno.ENOBUFS, "x")
        except OSError as cause:
            raise can.CanOperationError("y") from cause
    except can.CanOperationError as error:
        assert NOBODY in in_words("can0", error)


# -- what is noted ---------------------------------------------------------------------------------------------------


def test_error_frames_are_counted_and_told():
    with Heard() as bus:
        assert notes(bus.say(0, b"", is_error_frame=True)) == ["error frame"]
        for _ in range(5):
            assert notes(bus.say(0, b"", is_error_frame=True)) == []  # at most once a second
        assert bus.device._tallies.counts["error frame"] == 6


@pytest.mark.parametrize(
    ("flags", "data", "text"),
    [
        (0x40, bytes(8), "bus-off"),
        (0x20, bytes(8), NOBODY),
        (0x04, bytes([0, 0x01]), "lost received frames"),
        (0x04, bytes([0, 0x20]), "error passive"),
        (0x04, bytes([0, 0x08]), "error warning"),
        (0x08, bytes(8), "rubbish"),
        (0x04, b"", "error frame"),
    ],
)
def test_error_frames_of_linux(flags, data, text):
    assert text in linux_error(flags, data)


def test_bus_off_told_by_a_frame_is_lost():
    with Heard() as bus:
        bus.device._port._interface = "socketcan"
        with pytest.raises(DeviceLost, match="off the bus"):
            bus.say(0x40, bytes(8), is_error_frame=True)


def test_remote_frames_are_no_samples():
    with Heard() as bus:
        events = bus.say(STATUS, b"", is_remote_frame=True, dlc=8)
        assert notes(events) == ["remote frames, not used"] and samples(events) == {}


def test_malformed_messages_of_the_library_are_not_decoded():
    """Needs 29: as its slcan reader makes them: one data byte missing, an 11-bit identifier above 0x7FF."""
    with Heard() as bus:
        for message in (
            can.Message(arbitration_id=STATUS, data=bytes(7), dlc=8, is_extended_id=False),
            can.Message(arbitration_id=0x999, data=bytes(2), is_extended_id=False),
        ):
            bus.other._bus.send(message)
            events = bus.device.listen(0.0)
            assert not any(isinstance(event, Batch) and event.frames for event in events)
        assert bus.device._tallies.counts == {"malformed frames, not decoded": 2}


# -- times -----------------------------------------------------------------------------------------------------------


def test_frames_from_before_the_start_are_thrown_away():
    """Needs 10."""
    with Other() as other:
        device = can_bus(other.entry)
        device.connect()
        for state in range(3):
            other.say(STATUS, bytes([state, *[0] * 7]))
        first = device.listen(0.0)
        assert notes(first) == ["frames from before the start, not used (3 times, 3 in all)"]
        assert samples(first) == {} and isinstance(first[-1], Aligned) and first[-1].bound_s == 0.005
        other.say(STATUS, bytes([2, *[0] * 7]))
        assert samples(device.listen(0.0))["controller_state"] == "run"
        device.close()


def test_times_rise_and_frames_with_news_have_their_own():
    with Heard() as bus:
        for n in range(200):
            bus.other.say(STATUS, bytes([n % 2, 0, 40, 0, 0, 0, 0, 0]))
            bus.other.say(0x7FF, bytes([n]))
        batches = [event for event in bus.device.listen(0.0) if isinstance(event, Batch)]
        times = [batch.t for batch in batches]
        assert times == sorted(set(times))
        assert [batch.samples[0] for batch in batches if batch.samples] == [
            ("controller_state", ("idle", "precharge")[n % 2]) for n in range(200)
        ][:len([b for b in batches if b.samples])]  # fmt: skip
        stamps = [batch.t + frame.after_s for batch in batches for frame in batch.frames]
        assert stamps == sorted(stamps)
        assert all(frame.after_s <= bus.device.MERGE_S for batch in batches for frame in batch.frames)


# -- sending ---------------------------------------------------------------------------------------------------------


def test_a_listen_only_bus_sends_nothing():
    with Heard("listen_only: true") as bus:
        with pytest.raises(DeviceLost, match="listen-only"):
            bus.device.send(Frame("can", 1, b"\x01"))
        bus.other.hear_nothing()


def test_a_listen_only_bus_refuses_channels_that_it_would_send():
    with pytest.raises(InputError, match="listen-only and is to send bms_cells; one or the other"):
        can_bus("interface: virtual, listen_only: true", SENT)


def test_a_bus_is_known_by_its_name_in_sequences():
    with Heard("bus: vehicle") as bus:
        assert bus.device.buses == ("vehicle",)
        (batch,) = (event for event in bus.say(STATUS, bytes(8)) if isinstance(event, Batch))
        assert batch.frames[0].bus == "vehicle"


def test_what_is_sent_is_logged():
    with Heard("", CHANNELS) as bus:
        bus.device.send(Frame("can", 0x7F0, b"\x01\x02", False, False))
        message = bus.other.hear()
        assert (message.arbitration_id, bytes(message.data), message.is_extended_id) == (0x7F0, b"\x01\x02", False)
        (batch,) = (event for event in bus.device.listen(0.0) if isinstance(event, Batch))
        assert batch.frames == (Frame("can", 0x7F0, b"\x01\x02", False, False),) and scanned([batch]) == []


def test_nothing_is_noted_on_a_quiet_bus():
    with Heard() as bus:
        assert [event for event in bus.device.listen(0.0) if isinstance(event, Noted)] == []
