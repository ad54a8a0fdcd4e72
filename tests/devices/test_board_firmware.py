"""The firmware alone, on a virtual clock: dead-man, session, stamps, and what it refuses."""

import pytest

from bench.devices.board_protocol import decode, encode, stamp_of
from bench.devices.firmware.main import Board

TICKS = 1 << 30


class Virtual:
    """The firmware's hardware on a clock of its own: `us` moves when it is told to."""

    ident, cause = "0A1B2C3D", "PWRON_RESET"

    def __init__(self):
        self.us, self.missed = 0, 0
        self.levels, self.changes, self.opened, self.said, self.coming = {}, [], [], [], b""
        self.room = True
        self.fed = 0

    def read(self, wait_ms):
        data, self.coming = self.coming, b""
        return data

    def write(self, data):
        if self.room:
            assert data.endswith(b"\n")
            self.said.append(decode(data[:-1]))
        return self.room

    def ticks(self):
        return self.us % TICKS

    def ticks_diff(self, later, earlier):
        return (later - earlier + TICKS // 2) % TICKS - TICKS // 2

    def watch(self, timeout_ms):
        self.watched = timeout_ms

    def feed(self):
        self.fed += 1

    def open(self, pin, role, option):
        if pin > 40:
            raise ValueError("invalid pin")
        self.opened.append((pin, role, option))
        self.levels[pin] = option if role in ("out", "level") else 0

    def put(self, pin, level):
        self.levels[pin] = level

    def get(self, pin):
        return self.levels[pin]

    def edge(self):
        return self.changes.pop(0) if self.changes else None

    def change(self, pin, level):
        self.levels[pin] = level
        self.changes.append((pin, level, self.ticks()))


class Rig:
    def __init__(self):
        self.hardware = Virtual()
        self.board = Board(self.hardware)
        self.number = 0

    def turn(self, us=1000):
        self.hardware.us += us
        self.board.turn()

    def say(self, *words):
        """Say a line, turn once; the answer."""
        self.number += 1
        self.hardware.coming += encode(self.number, *words)
        self.turn()
        answer = [line for line in self.hardware.said if line.word in ("ok", "no")][-1]
        assert int(answer.fields[0], 16) == self.number
        return (answer.word, *answer.fields[2:])

    def said(self, word):
        return [line for line in self.hardware.said if line.word == word]


@pytest.fixture
def rig():
    return Rig()


@pytest.fixture
def armed(rig):
    rig.say("hello")
    rig.say("pin", "3", "out", "0")
    rig.say("pin", "2", "out", "1")
    rig.say("pin", "4", "edge", "up")
    assert rig.say("arm", "250", "10") == ("ok", "3=0", "2=1")
    return rig


def test_it_says_that_it_has_started(rig):
    assert [(line.number, line.word, line.fields) for line in rig.hardware.said] == [(0, "boot", ("PWRON_RESET",))]
    assert rig.say("hello") == ("ok", "topbox-io", "1", "0A1B2C3D", "idle")


def test_idle_it_is_quiet(rig):
    rig.say("hello")
    before = len(rig.hardware.said)
    for _ in range(1000):
        rig.turn()
    assert len(rig.hardware.said) == before


@pytest.mark.parametrize("silence_us", [249_000, 251_000])
def test_dead_man(armed, silence_us):
    assert armed.say("drive", "3=1", "2=0") == ("ok", "3=1", "2=0")
    for _ in range(silence_us // 1000):
        armed.turn()
    tripped = silence_us > 250_000
    assert (armed.hardware.levels[3], armed.hardware.levels[2]) == ((0, 1) if tripped else (1, 0))
    assert armed.board.state == ("tripped" if tripped else "armed")
    assert (armed.said("status")[-1].fields[1] == "tripped") == tripped


def test_after_a_trip_it_drives_only_when_armed_again(armed):
    armed.turn(300_000)
    assert armed.say("drive", "3=1") == ("no", "tripped")
    assert armed.hardware.levels[3] == 0
    assert armed.say("arm", "250", "10") == ("ok", "3=0", "2=1")
    assert armed.say("drive", "3=1") == ("ok", "3=1")


def test_a_beat_keeps_it_armed_and_rubbish_does_not(armed):
    armed.say("drive", "3=1")
    for _ in range(20):
        armed.turn(100_000)
        armed.say("beat")
    assert armed.board.state == "armed"
    for _ in range(6):
        armed.hardware.coming = b"0001 beat*0000\n\xff\x00\n" + encode(armed.number, "beat")  # the same line again
        armed.turn(50_000)
    assert armed.board.state == "tripped"
    assert armed.board.bad == 18


def test_a_line_that_comes_too_late_does_not_help(armed):
    """The loop itself hung, with a beat waiting: nobody watched, so the outputs go safe."""
    armed.say("drive", "3=1")
    armed.number += 1
    armed.hardware.coming = encode(armed.number, "beat")
    armed.turn(251_000)
    assert armed.hardware.levels[3] == 0


def test_a_new_session_makes_safe(armed):
    armed.say("drive", "3=1")
    assert armed.say("hello")[-1] == "idle"
    assert armed.hardware.levels[3] == 0
    assert armed.say("drive", "3=1") == ("no", "idle")


def test_rest_makes_safe(armed):
    armed.say("drive", "3=1")
    assert armed.say("rest") == ("ok", "3=0", "2=1")
    assert armed.board.state == "idle"


def test_the_same_pin_again_is_not_touched(armed):
    armed.say("hello")
    opened = list(armed.hardware.opened)
    assert armed.say("pin", "3", "out", "0") == ("ok", "3=0")
    assert armed.hardware.opened == opened
    armed.say("pin", "3", "out", "1")
    assert armed.hardware.opened[-1] == (3, "out", 1)


@pytest.mark.parametrize(
    ("words", "says"),
    [
        (("drive", "9=1"), "pin 9 is no output"),
        (("drive", "4=1"), "pin 4 is no output"),
        (("drive", "3=2"), "no such level"),
        (("drive", "3=-1"), "no such level"),
        (("drive", "3=1", "9=1"), "pin 9 is no output"),
        (("pin", "5", "in"), "armed: no new pins"),
        (("arm", "10", "10"), "out of range"),
        (("arm", "250"), ""),
    ],
)
def test_refused_and_nothing_moved(armed, words, says):
    answer = armed.say(*words)
    assert answer[0] == "no"
    assert says in " ".join(answer[1:])
    assert (armed.hardware.levels[3], armed.hardware.levels[2]) == (0, 1)


def test_pins_that_cannot_be(rig):
    rig.say("hello")
    assert rig.say("pin", "41", "in") == ("no", "invalid", "pin")
    assert rig.say("pin", "4", "inout") == ("no", "no", "such", "role")
    assert rig.say("pin", "4", "in", "sideways") == ("no", "no", "such", "role")
    assert rig.say("pin", "4", "level", "65536") == ("no", "no", "such", "level")


def test_a_change_has_its_own_stamp_and_comes_before_the_scan_that_shows_it(armed):
    armed.turn(3_000)
    armed.hardware.change(4, 1)
    at = armed.hardware.us
    armed.turn(20_000)
    lines = [line for line in armed.hardware.said if line.word in ("change", "scan")]
    change = next(line for line in lines if line.word == "change")
    assert (stamp_of(change.fields[0]), change.fields[1]) == (at, "4=1")
    shown = next(line for line in lines if line.word == "scan" and "4=1" in line.fields)
    assert lines.index(change) < lines.index(shown)


def test_stamps_go_on_through_both_wraps(armed):
    """Ticks wrap at 2^30 us (17.9 min), the stamp at 2^32 us (71.6 min)."""
    for _ in range(int(80 * 60 / 0.2)):
        armed.turn(198_000)
        armed.say("beat")
        armed.hardware.said[:-3] = []
    armed.hardware.change(4, 1)
    at = armed.hardware.us
    armed.turn()
    assert at > 1 << 32
    assert stamp_of(armed.said("change")[-1].fields[0]) == at % (1 << 32)
    assert armed.board.state == "armed"


def test_a_scan_longer_than_a_line_takes_several(rig):
    rig.say("hello")
    for pin in range(40):
        rig.say("pin", str(pin), "analog")
    rig.say("arm", "250", "10")
    for pin in range(40):
        rig.hardware.levels[pin] = 65535
    rig.turn(10_000)
    scans = rig.said("scan")
    stamp = scans[-1].fields[0]
    assert [field for line in scans if line.fields[0] == stamp for field in line.fields[1:]] == [
        f"{pin}=65535" for pin in range(40)
    ]


def test_a_host_that_takes_nothing_is_not_waited_for(armed):
    armed.say("drive", "3=1")
    armed.hardware.room = False
    for _ in range(30):
        armed.turn(10_000)
    assert armed.hardware.levels[3] == 0
    assert armed.board.unsent > 30


def test_scans_keep_step_with_the_clock(armed):
    for _ in range(200):
        armed.say("beat")
        armed.turn(2_000)
    stamps = [stamp_of(line.fields[0]) for line in armed.said("scan")]
    assert len(stamps) == 60


def test_halves_and_endless_lines(rig):
    rig.say("hello")
    raw = encode(7, "beat")
    rig.hardware.coming = raw[:5]
    rig.turn()
    rig.hardware.coming = raw[5:] + b"x" * 1000
    rig.turn()
    assert rig.said("ok")[-1].fields[0] == "0007"
    for _ in range(50):
        rig.hardware.coming = b"x" * 1000
        rig.turn()
    rig.hardware.coming = b"\n" + encode(8, "beat")
    rig.turn()
    assert rig.said("ok")[-1].fields[0] == "0008"
    assert rig.board.bad == 1
    assert len(rig.board._rest) <= 200


def test_lost_lines_are_counted_and_told(armed):
    armed.number += 3
    armed.say("beat")
    armed.turn(200_000)
    assert "lost=3" in armed.said("status")[-1].fields
    assert armed.hardware.fed > 5
