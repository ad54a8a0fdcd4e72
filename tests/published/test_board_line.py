"""Published facts that the I/O board's line and clock rest on."""

import pytest

from bench.devices.board_protocol import crc16
from bench.devices.clocks import ClockMap
from bench.devices.firmware import main as firmware


def test_crc_check_value():
    """CRC-16/IBM-3740 gives 29B1 for "123456789": catalogue of parametrised CRC algorithms (G. Cook), alias
    CRC-16/CCITT-FALSE. At the bench's end and in the firmware."""
    assert crc16(b"123456789") == firmware.crc16(b"123456789") == 0x29B1


@pytest.mark.parametrize(("way_there", "way_back"), [(0.0, 0.01), (0.01, 0.0), (0.005, 0.005), (0.002, 0.008)])
def test_cristians_bound(way_there, way_back):
    """F. Cristian, "Probabilistic clock synchronization", Distributed Computing 3 (1989): with a round trip of D and
    nothing known of the ways, the remote clock is known to +- D/2 around the middle, and no better."""
    clock = ClockMap(most_ppm=0.0, resolution_s=0.0)
    sent, stamp = 100.0, 7.0
    clock.round_trip(sent, stamp, sent + way_there + way_back)
    told = clock.bench_time(stamp)
    assert told.t == pytest.approx(sent + 0.005)
    assert told.bound_s == pytest.approx(0.005)
    assert abs(told.t - (sent + way_there)) <= told.bound_s + 1e-12
