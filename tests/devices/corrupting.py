"""Lines of the I/O board as a bad cable leaves them."""

from __future__ import annotations

import random
from collections.abc import Iterator

from bench.devices.board_protocol import encode

SENT = [
    (0x0000, "boot", "PWRON_RESET"),
    (0x0001, "ok", "0001", "000003ED", "topbox-io", "1", "0A1B2C3D", "idle"),
    (0x00FF, "ok", "0008", "00001704", "3=1", "6=32768"),
    (0x1234, "change", "FFFFFFFE", "4=1"),
    (0xABCD, "scan", "00042162", "4=1", "5=0", "7=50000/100000", "26=40959"),
    (0xFFFF, "status", "00062F00", "armed", "bad=0", "lost=0", "missed=0", "unsent=0"),
    (0x0200, "drive", "3=1", "2=0", "6=65535"),
    (0x0300, "beat"),
]


def corrupted(count: int, seed: int) -> Iterator[tuple[bytes, bytes]]:
    """(line as sent, line as it came), without ends; never the same."""
    rng = random.Random(seed)
    raw = [encode(number, word, *fields)[:-1] for number, word, *fields in SENT]
    while count:
        sent = rng.choice(raw)
        came = bytearray(sent)
        for _ in range(rng.choice((1, 1, 2, 3, 8))):
            at = rng.randrange(len(came)) if came else 0
            match rng.randrange(7):
                case 0 if came:
                    came[at] ^= 1 << rng.randrange(8)
                case 1 if came:
                    came[at] = rng.choice(b"0123456789ABCDEF =*")
                case 2:
                    del came[at : at + rng.choice((1, 2, 5))]
                case 3:
                    came[at:at] = came[at : at + rng.choice((1, 2, 5))]
                case 4:
                    came = came[:at] + rng.choice(raw)[at:]  # the end of another line
                case 5 if len(came) > 4:
                    came[-4:] = b"%04X" % rng.randrange(1 << 16)
                case 6:
                    came[at:at] = rng.randbytes(rng.randrange(1, 4))
        if came != sent and bytes(came) not in raw:
            count -= 1
            yield sent, bytes(came)


def accepted(count: int, seed: int = 1) -> tuple[int, int]:
    """How many of so many corrupted lines the bench and the firmware take for lines."""
    from bench.devices.board_protocol import Malformed, decode
    from bench.devices.firmware.main import parse

    bench = board = 0
    for _, came in corrupted(count, seed):
        try:
            decode(came)
            bench += 1
        except Malformed:
            pass
        board += parse(came) is not None
    return bench, board
