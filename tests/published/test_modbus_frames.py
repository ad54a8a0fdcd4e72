"""Modbus frames as published, against the driver's library, our stand-in, and the bytes that the driver sends.

MB-1, MB-2, MB-3: Modbus Application Protocol V1.1b3, 6.5 (write single coil 173; the section from memory) and the RTU
frames made of it; the coil frames of unit 1 and 11 03 00 6B 00 03 76 87 are seen in published notes, all checksums
are recomputed. MB-4: Modbus over serial line V1.02, CRC appendix (from memory). MB-7: V1.1b3, section 7 (from memory).
CRC-4: catalogue of CRC algorithms, CRC-16/MODBUS, check 0x4B37.
"""

import pytest
from crccheck.crc import CrcModbus

from bench.devices.modbus import EXCEPTIONS, ModbusBoard, answer_length, what_came
from bench.language.bench_file import bench_from_text
from simulators.relay_board import RelayBoard

FRAMES = [
    "01 05 00 AC FF 00 4C 1B",
    "11 05 00 AC FF 00 4E 8B",
    "01 05 00 AC 00 00 0D EB",
    "01 05 00 00 FF 00 8C 3A",
    "01 05 00 00 00 00 CD CA",
    "01 03 00 00 00 02 C4 0B",
    "11 03 00 6B 00 03 76 87",
    "02 07 41 12",
]
BENCH = """\
bench: published
devices: {relays: {driver: modbus, port: 'PORT', unit: 17, timeout: 500 ms}}
channels:
  relay: {direction: driven, states: [open, closed], safe: open, at: coil 172}
"""


def test_the_check_value_of_the_catalogue():
    assert CrcModbus.calc(b"123456789") == 0x4B37


def test_the_checksum_goes_low_byte_first():
    assert CrcModbus.calc(bytes([0x02, 0x07])) == 0x1241


@pytest.mark.parametrize("frame", FRAMES)
def test_the_checksum_of_each_frame(frame):
    data = bytes.fromhex(frame)
    assert CrcModbus.calc(data[:-2]) == int.from_bytes(data[-2:], "little")
    assert "checksum" not in what_came(data, data[0], tcp=False)
    assert "checksum" in what_came(data[:-1] + bytes([data[-1] ^ 1]), data[0], tcp=False)


def test_a_coil_is_written_as_published():
    """Coil number 173 has address 172. The driver's question and the stand-in's echo are the specification's bytes."""
    heard, said = [], []

    class Listening(RelayBoard):
        def heard(self, data):
            heard.append(data)
            for answer in super().heard(data):
                said.append(answer)
                yield answer

    channels = bench_from_text(BENCH, "bench.yaml").channels
    with Listening(channels, lambda name: None, lambda name, value: None, unit=17) as relays:
        bench = bench_from_text(BENCH.replace("PORT", relays.port), "bench.yaml")
        device = ModbusBoard("relays", bench.devices["relays"].options, bench.channels, bench)
        device.connect()
        try:
            device.drive({"relay": "closed"})
        finally:
            device.close()
    frame = bytes.fromhex("11 05 00 AC FF 00 4E 8B")
    assert frame in b"".join(heard)
    assert frame in said


@pytest.mark.parametrize(
    ("request_", "answer"),
    [
        ("01 05 00 AC FF 00 4C 1B", "01 05 00 AC FF 00 4C 1B"),  # the echo
        ("01 05 00 AC 00 00 0D EB", "01 05 00 AC 00 00 0D EB"),
        ("01 05 00 AC 12 34", "01 85 03"),  # only FF00 and 0000 are legal
        ("01 05 00 AD FF 00", "01 85 02"),  # no such coil
        ("01 07 00 00 00 00", "01 87 01"),  # a function that it has not
        ("02 05 00 AC FF 00", ""),  # meant for another
    ],
)
def test_the_stand_in_answers_as_published(request_, answer):
    def sealed(text: str) -> bytes:
        data = bytes.fromhex(text)
        return data if len(data) == 8 or not data else data + CrcModbus.calc(data).to_bytes(2, "little")

    channels = bench_from_text(BENCH, "bench.yaml").channels
    with RelayBoard(channels, lambda name: None, lambda name, value: None) as relays:
        assert b"".join(relays.heard(sealed(request_))) == sealed(answer)
        assert not answer or answer_length(sealed(answer)) == len(sealed(answer))


def test_exception_codes_have_their_names():
    assert EXCEPTIONS == {1: "illegal function", 2: "illegal address", 3: "illegal value", 4: "device failure"}
