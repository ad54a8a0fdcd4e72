"""Message counters and checksums."""

import pytest
from devices.can_rig import STATUS, Heard, can_bus, notes, samples, scanned

from bench.devices.can_checks import Protection, ProtectionOptions
from bench.errors import InputError

#: Clear of bytes 0 and 1, where profile 1 has its sum and its counter.
FAN = '\n  fan_duty: {direction: read, unit: "%", signal: box_status.fan_duty}\n'


def status(counter: int, state: int = 0, fan: int = 40) -> bytes:
    return bytes([state, 0, fan, 0, 0, 0, 0, counter])


def test_frames_lost_on_the_way_are_counted():
    """Needs 9. The counter turns over at 16."""
    with Heard("counters: {box_status: status_counter}") as bus:
        assert [notes(bus.say(STATUS, status(n % 16))) for n in range(12, 20)] == [[]] * 8
        assert notes(bus.say(STATUS, status(6))) == ["box_status: frames lost (2 times, 2 in all)"]
        assert samples(bus.say(STATUS, status(7, state=2))) == {"controller_state": "run"}  # still believed


def test_a_frozen_counter_counts_as_silence():
    """Needs 12: three frames with one counter, then nothing is fresh until it moves."""
    with Heard("counters: {box_status: status_counter}, frozen_after: 3") as bus:
        bus.say(STATUS, status(1))
        assert [scanned(bus.say(STATUS, status(1))) for _ in range(2)] == [["box_status"]] * 2
        frozen = bus.say(STATUS, status(1, state=2))
        assert notes(frozen) == ["box_status: counter stands still at 1, counts as silent"]
        assert scanned(frozen) == [] and samples(frozen) == {}
        assert scanned(bus.say(STATUS, status(1))) == []
        again = bus.say(STATUS, status(2, state=2))
        assert "box_status: counter moves again" in notes(again) and samples(again)["controller_state"] == "run"


@pytest.mark.parametrize(
    "protection", ["{crc: CRC-8/SAE-J1850, byte: 3}", "{crc: CRC-8/SAE-J1850, byte: 3, data_id: 0x1234}",
                   "{crc: CRC-16/IBM-3740, byte: 3}", "{profile: e2e-1, data_id: 0x0123}"],
)  # fmt: skip
def test_wrong_checksum_is_not_used(protection):
    with Heard(f"protection: {{box_status: {protection}}}", FAN) as bus:
        keys = dict(part.split(": ") for part in protection.strip("{}").split(", "))
        right = bytearray(status(0, state=2))
        Protection(ProtectionOptions(**keys), 8).protect(right, 3)
        wrong = bytearray(right)
        wrong[6] ^= 0x10
        refused = bus.say(STATUS, bytes(wrong))
        assert notes(refused) == ["box_status: wrong checksum, frame not used"]
        assert samples(refused) == {} and scanned(refused) == [] and refused[0].frames
        assert scanned(bus.say(STATUS, bytes(right))) == ["box_status"]


def test_profile_1_brings_its_own_counter():
    """15 values: after 14 comes 0."""
    with Heard("protection: {box_status: {profile: e2e-1, data_id: 0x0123}}", FAN) as bus:
        protection = Protection(ProtectionOptions(profile="e2e-1", data_id=0x0123), 8)

        def say(counter: int) -> list[str]:
            data = bytearray(status(0))
            protection.protect(data, counter)
            return notes(bus.say(STATUS, bytes(data)))

        assert [say(13), say(14), say(0)] == [[], [], []]
        assert say(3) == ["box_status: frames lost (2 times, 2 in all)"]


def test_single_bit_errors_are_all_found():
    protection = Protection(ProtectionOptions(crc="CRC-8/SAE-J1850", byte=7), 8)
    right = bytearray(b"\x12\x34\x56\x78\x9a\xbc\xde\x00")
    protection.protect(right, 0)
    for bit in range(64):
        wrong = bytearray(right)
        wrong[bit // 8] ^= 1 << bit % 8
        assert not protection.is_right(bytes(wrong))


@pytest.mark.parametrize(
    ("entry", "text"),
    [
        ("counters: {box_state: status_counter}", "no message 'box_state'; did you mean 'box_status'?"),
        ("counters: {box_status: counter}", "box_status has no signal 'counter'"),
        ("protection: {box_status: {crc: CRC-8/NOBODY}}", "no 8- or 16-bit CRC is called 'CRC-8/NOBODY'; write for"),
        ("protection: {box_status: {profile: e2e-1}}", "needs the message's data identifier; add 'data_id: 0x123'"),
        ("protection: {box_status: {crc: CRC-8/SAE-J1850, profile: e2e-1}}", "one of 'crc' and 'profile' is due"),
        ("protection: {box_status: {crc: CRC-8/SAE-J1850, byte: 8}}", "byte 8 does not fit into 8 bytes; move it"),
        ("frozen_after: 0", "frozen_after"),
    ],
)
def test_entries_that_cannot_be(entry, text):
    with pytest.raises(InputError) as caught:
        can_bus(f"interface: virtual, {entry}")
    assert text in str(caught.value)


def test_a_frozen_counter_that_goes_on_by_one_moves_again():
    """The value that comes next is the usual one, and the stop before it must still be told to be over."""
    with Heard("counters: {box_status: status_counter}, frozen_after: 2") as bus:
        for n in (1, 1, 1):
            bus.say(STATUS, status(n))
        assert bus.device._followed[STATUS].check.frozen
        bus.say(STATUS, status(2))
        assert not bus.device._followed[STATUS].check.frozen
        assert bus.device._tallies.counts["box_status: counter moves again"] == 1
