"""What the bench sends: messages from channels, on time, counted and summed."""

import itertools
import time

import pytest
from devices.can_rig import CELLS, MEASUREMENTS, SENT, Heard, can_bus, listening, notes
from devices.rig import eventually

from bench.devices.base import DeviceLost
from bench.devices.can_checks import Protection, ProtectionOptions
from bench.devices.can_sending import SentMessage
from bench.devices.can_timer import Periods, Timer
from bench.errors import InputError
from bench.events import Batch
from bench.language.plan import Send
from bench.language.shipped import shipped_file
from bench.language.surroundings import can_database

MUX = """VERSION ""
NS_ :
BS_:
BU_: A
BO_ 512 limits: 8 A
 SG_ which M : 0|8@1+ (1,0) [0|255] "" A
 SG_ charge m0 : 8|16@1+ (0.1,0) [0|500] "A" A
 SG_ discharge m1 : 8|16@1+ (0.1,0) [0|500] "A" A
 SG_ spare : 56|8@1+ (1,0) [0|255] "" A
"""
FAST = "periodic: {bms_cells: 5 ms}"


def send_step(message: str, signals=None, frame_id: int = 0, data: bytes = b"", extended: bool = False) -> Send:
    return Send("1", "", 1, None, "can", message, signals or {}, frame_id, data, extended)


def volts(message) -> tuple[float, float]:
    data = bytes(message.data)
    return int.from_bytes(data[:2], "little") / 1e4, int.from_bytes(data[2:4], "little") / 1e4


# -- BMS emulation ---------------------------------------------------------------------------------------------------


def test_nothing_is_sent_before_the_channel_says_so():
    with Heard("", SENT) as bus:
        bus.device.listen(0.0)
        bus.other.hear_nothing()
        bus.device.drive({"bms_messages": "on"})
        assert volts(bus.other.hear()) == (3.6, 3.6)  # their safe values, until driven


def test_a_driven_value_leaves_with_the_next_frame_before_the_drive_is_confirmed():
    with Heard(FAST, SENT) as bus:
        bus.device.drive({"bms_messages": "on", "bms_max": 4.25})
        assert volts(bus.other.hear())[0] == 4.25  # the very first frame
        bus.device.drive({"bms_max": 4.3, "bms_min": 2.7})
        heard = []
        while (message := bus.other._bus.recv(0)) is not None:
            heard.append(volts(message))
        assert heard[-1] == (4.3, 2.7)
        assert set(heard) <= {(4.25, 3.6), (4.3, 2.7)}  # both at once, never one of them


TWO_MESSAGES = (
    SENT
    + """
  pack: {direction: driven, unit: V, safe: 0 V, signal: box_measurements.pack_voltage}
  measurements: {direction: driven, states: ["on", "off"], safe: "on", at: send box_measurements while on}
"""
)


def test_all_messages_change_at_once_and_not_one_after_the_other():
    """Between two frames of the quick message, which shows that nobody waits for the slow one first."""
    with Heard("periodic: {bms_cells: 400 ms, box_measurements: 20 ms}", TWO_MESSAGES) as bus:
        bus.device.drive({"bms_messages": "on", "measurements": "on"})
        bus.device.drive({"bms_max": 4.3, "pack": 100.0})
        heard = []
        while (message := bus.other._bus.recv(0)) is not None:
            heard.append((message.arbitration_id, message.data[:2].hex()))
        slow_first = heard.index((CELLS, "f8a7"))
        quick_before = [data for number, data in heard[:slow_first] if number == MEASUREMENTS]
        assert quick_before[-1] == "03e8"


def test_off_stops_at_once_and_on_begins_again():
    with Heard(FAST, SENT) as bus:
        bus.device.drive({"bms_messages": "on"})
        bus.other.hear()
        bus.device.drive({"bms_messages": "off"})
        while bus.other._bus.recv(0) is not None:
            pass
        bus.device.drive({"bms_max": 4.1})  # confirmed at once: nothing is being sent
        assert bus.other._bus.recv(0.05) is None
        bus.device.drive({"bms_messages": "on"})
        assert volts(bus.other.hear())[0] == 4.1


def test_restore_goes_back_to_the_resting_value():
    with Heard(FAST, SENT) as bus:
        bus.device.drive({"bms_messages": "on", "bms_max": 4.25})
        bus.device.restore("bms_max")
        while volts(bus.other.hear())[0] != 3.6:
            pass


def test_a_value_that_the_message_cannot_carry():
    with Heard(FAST, SENT) as bus:
        with pytest.raises(DeviceLost, match="bms_cells cannot be sent"):
            bus.device.drive({"bms_max": 700.0})
        bus.device.drive({"bms_messages": "on"})
        assert volts(bus.other.hear())[0] == 3.6


def test_what_was_sent_is_in_the_frame_log():
    with Heard(FAST, SENT) as bus:
        bus.device.drive({"bms_messages": "on"})
        bus.other.hear()
        frames = [f for e in bus.device.listen(0.0) if isinstance(e, Batch) for f in e.frames]
        assert frames and all(frame.id == CELLS and not frame.heard for frame in frames)


# -- counters, sums, fixed values ------------------------------------------------------------------------------------


def test_counter_and_sum_of_what_is_sent():
    entry = (
        f"{FAST}, counters: {{bms_cells: cells_counter}}, protection: {{bms_cells: {{crc: CRC-8/SAE-J1850, byte: 6}}}}"
    )
    with Heard(entry, SENT) as bus:
        bus.device.drive({"bms_messages": "on"})
        heard = [bytes(bus.other.hear().data) for _ in range(20)]
    assert [data[7] & 0x0F for data in heard] == [n % 16 for n in range(20)]
    protection = Protection(ProtectionOptions(crc="CRC-8/SAE-J1850", byte=6), 8)
    assert all(protection.is_right(data) for data in heard)


def test_fixed_values_and_messages_without_channels():
    entry = "periodic: {box_status: {every: 5 ms, values: {controller_state: run, fan_duty: 30}}}"
    with Heard(entry, "\n  x: {direction: read, text: true, signal: box_status.controller_state}\n") as bus:
        data = bytes(bus.other.hear().data)  # sent from the start
        assert data[0] & 0x0F == 2 and data[2] == 60


def test_resting_values_are_what_a_signal_can_carry():
    for message in can_database(shipped_file("heron3.dbc")).messages:
        SentMessage(message, None, "", None, None).next_data()


@pytest.mark.parametrize(
    ("entry", "channels", "text"),
    [
        (
            "",
            SENT.replace("while on", "while sent"),
            "does not say what it does on the bus; write 'signal: MESSAGE.SIGNAL'",
        ),
        ("", SENT.replace("send bms_cells", "send bms_cell"), "no message 'bms_cell'; did you mean 'bms_cells'?"),
        ("periodic: {box_status: {values: {fan_duty: fast}}}", SENT, "box_status.fan_duty: 'fast' is no number"),
        ("periodic: {box_status: {values: {fan_duty: 300}}}", SENT, "box_status cannot be sent"),
        ("periodic: {box_status: {values: {fan: 3}}}", SENT, "box_status has no signal 'fan'"),
        ("periodic: {box_status: 5 V}", SENT, "no length of time"),
    ],
)
def test_entries_that_cannot_be(entry, channels, text):
    with pytest.raises(InputError) as caught:
        can_bus(", ".join(filter(None, ("interface: virtual", entry))), channels)
    assert text in str(caught.value)


def test_a_message_without_a_period(tmp_path):
    channels = "\n  c: {direction: driven, unit: A, safe: 0 A, signal: limits.spare}\n"
    with pytest.raises(InputError, match="limits has no period; add 'periodic"):
        can_bus("interface: virtual", channels.replace("unit: A, safe: 0 A", 'unit: "", safe: "0"'), tmp_path, MUX)


# -- send steps ------------------------------------------------------------------------------------------------------


def test_send_steps():
    with Heard("", SENT) as bus:
        for step in (
            send_step("box_status", {"controller_state": "run"}),
            send_step("", None, 0x18FF50E5, b"\x01", True),
        ):
            bus.device.send(bus.device.frame(step))
        first, second = bus.other.hear(), bus.other.hear()
        assert first.arbitration_id == 288 and first.data[0] & 0x0F == 2 and not first.is_extended_id
        assert second.arbitration_id == 0x18FF50E5 and bytes(second.data) == b"\x01" and second.is_extended_id


def test_a_branch_is_sent_alone(tmp_path):
    """Needs 31: a set of two branches is refused, never sent as one of them."""
    with Heard("", '\n  s: {direction: read, unit: "", signal: limits.spare}\n', folder=tmp_path, database=MUX) as bus:
        assert bus.device.frame(send_step("limits", {"which": 1, "discharge": 50.0})).data == bytes(
            [1, 0xF4, 1] + [0] * 5
        )
        with pytest.raises(DeviceLost, match="charge belongs to another branch of its multiplexer"):
            bus.device.frame(send_step("limits", {"which": 1, "discharge": 50.0, "charge": 1.0}))


@pytest.mark.parametrize(
    "signals", [{"fan_duty": float("nan")}, {"fan_duty": 1e300}, {"controller_state": "asleep"}, {"nothing": 1.0}]
)
def test_signals_that_cannot_be_sent_are_one_kind_of_error(signals):
    """cantools raises four kinds."""
    with Heard("", SENT) as bus, pytest.raises(DeviceLost, match="box_status cannot be sent"):
        bus.device.frame(send_step("box_status", signals))


# -- on time ---------------------------------------------------------------------------------------------------------


def message(period_s: float) -> SentMessage:
    cells = next(m for m in can_database(shipped_file("heron3.dbc")).messages if m.name == "bms_cells")
    return SentMessage(cells, period_s, "", None, None)


def test_the_schedule_does_not_drift():
    """Needs 16: sending that takes most of a period moves no later frame; the due times are whole periods."""
    sent: list[float] = []

    def slow(key: int, data: bytes) -> None:
        sent.append(time.monotonic())
        while time.monotonic() < sent[-1] + 0.006:
            pass

    timer, period_s = Timer("x", slow), 0.01
    timer.start()
    timer.switch_on(message(period_s))
    eventually(lambda: len(sent) >= 30)
    timer.close()
    assert not timer.trouble
    slots = [(at - sent[0]) / period_s for at in sent]
    whole = [int(slot + 0.05) for slot in slots]
    assert whole == sorted(set(whole))  # never two in one period, however late one was
    assert len(sent) + timer.periods["bms_cells"].missed >= whole[-1]


def test_missed_periods_are_left_out_and_counted():
    sent: list[float] = []

    def once_slow(key: int, data: bytes) -> None:
        sent.append(time.monotonic())
        if len(sent) == 3:
            while time.monotonic() < sent[-1] + 0.055:
                pass

    timer = Timer("x", once_slow)
    timer.start()
    timer.switch_on(message(0.01))
    eventually(lambda: len(sent) >= 6)
    timer.close()
    assert timer.periods["bms_cells"].missed >= 4
    assert all(b - a > 0.0005 for a, b in itertools.pairwise(sent))


def test_a_bus_that_takes_no_frames_ends_the_timer():
    def dead(key: int, data: bytes) -> None:
        raise DeviceLost("dead")

    timer = Timer("x", dead)
    timer.start()
    timer.switch_on(message(0.01))
    eventually(lambda: timer.trouble)
    with pytest.raises(DeviceLost, match="dead"):
        timer.change([message(0.01)], lambda: None)
    timer.close()
    timer.close()


def test_periods_are_told():
    with Heard("periodic: {bms_cells: 2 ms}", SENT) as bus:
        bus.device.drive({"bms_messages": "on"})
        told = []
        eventually(lambda: told.extend(notes(bus.device.listen(0.0))) or told)
        assert told[0].startswith("bms_cells every 2 ms: ") and "ms apart" in told[0]


def test_periods_in_figures():
    periods = Periods(0.1)
    for now in (1.0, 1.1, 1.21, 1.3):
        periods.sent(now)
    assert periods.worst_s == pytest.approx(0.01) and str(periods) == "every 100 ms: 4 sent, 90.0 to 110.0 ms apart"
    periods.begin()
    periods.sent(9.0)
    assert periods.worst_s == pytest.approx(0.01)  # a pause is no period


def test_trouble_of_the_timer_is_lost():
    from devices.can_rig import Other

    with Other() as other, listening(can_bus(f"{other.entry}, {FAST}", SENT)) as running:
        running.device.drive({"bms_messages": "on"})
        running.device._port._bus._open = False
        assert "is gone" in running.lost()
        running.device._port._bus._open = True  # so that closing it tidies up
