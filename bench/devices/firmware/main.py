"""Firmware of the I/O board: drives pins, stamps what it reads, and lets go of everything when nobody talks to it.

The protocol is written down in `board_protocol.py` of the bench. Nothing here touches hardware: `hardware.py` does,
through one small class, so this very file also runs in tests and as the simulated board (see `Hardware` there for what
is asked of it). Whatever happens, an output is driven only while a host has armed the board and keeps talking.
"""

NAME, VERSION = "topbox-io", "1"
LONGEST = 200  # bytes of a line with its end
STATUS_US = 200_000
WATCHDOG_MS = 1000  # a hung loop resets the board, which lets go of all pins
OUTPUTS = ("out", "level")
INPUTS = ("in", "edge", "pulse", "analog")
MASK = 0xFFFFFFFF


def _nibble(value):
    crc = value << 12
    for _ in range(4):
        crc = ((crc << 1) ^ 0x1021) & 0xFFFF if crc & 0x8000 else (crc << 1) & 0xFFFF
    return crc


NIBBLES = tuple(_nibble(value) for value in range(16))


def crc16(data):
    """CRC-16/IBM-3740, four bits at a time."""
    crc = 0xFFFF
    for byte in data:
        crc = ((crc << 4) & 0xFFFF) ^ NIBBLES[(crc >> 12) ^ (byte >> 4)]
        crc = ((crc << 4) & 0xFFFF) ^ NIBBLES[(crc >> 12) ^ (byte & 15)]
    return crc


def parse(line):
    """(number, word, fields) of a line without its end; None for one that is none."""
    body, star, check = line.partition(b"*")
    if not star or len(line) >= LONGEST or check != f"{crc16(body):04X}".encode():
        return None
    try:
        number, *words = body.decode().split(" ")
        return (int(number, 16), words[0], words[1:]) if len(number) == 4 else None
    except (ValueError, IndexError):
        return None


class Board:
    """One session after the other with a host. Call `turn` for ever."""

    def __init__(self, hardware):
        self.hardware = hardware
        self.state = "idle"
        self.roles = {}  # pin -> its `pin` line
        self.safe = {}  # output pin -> its safe level
        self.bad = self.lost = self.unsent = 0
        self.deadman_us, self.scan_us = 250_000, 10_000
        self._rest = b""
        self._number = 0  # of the next line to send
        self._heard = None  # number of the last line that came
        self._ticks = hardware.ticks()
        self._now = 0
        self._heard_us = self._scanned_us = self._status_us = 0
        self._words = {
            "hello": self._hello, "pin": self._pin, "arm": self._arm, "drive": self._drive, "beat": self._beat,
            "rest": self._go_to_rest,
        }  # fmt: skip
        self._say("boot", hardware.cause)

    def turn(self):
        """Once round: hear, watch the host, tell."""
        data = self.hardware.read(1)
        now = self.now()
        if self.state == "armed" and (now - self._heard_us) & MASK > self.deadman_us:
            self.make_safe()
            self.state = "tripped"
            self._status(now)
        if data:
            self._feed(data)
        self._tell_edges()
        if self.state != "idle" and (now - self._scanned_us) & MASK >= self.scan_us:
            behind = (now - self._scanned_us) & MASK
            self._scanned_us = (now - behind % self.scan_us) & MASK  # in step, however late this turn is
            self._scan()
        if self.state != "idle" and (now - self._status_us) & MASK >= STATUS_US:
            self._status(now)
        self.hardware.feed()

    def make_safe(self):
        for pin, level in self.safe.items():
            self.hardware.put(pin, level)

    def now(self):
        """The board's clock in us, modulo 2^32: made of ticks, which wrap where they like."""
        ticks = self.hardware.ticks()
        self._now = (self._now + self.hardware.ticks_diff(ticks, self._ticks)) & MASK
        self._ticks = ticks
        return self._now

    # -- what comes in -------------------------------------------------------------------------------------

    def _feed(self, data):
        lines = (self._rest + data).split(b"\n")
        self._rest = lines.pop()
        if len(self._rest) > LONGEST:  # never a line: keep it too long until its end comes
            self._rest = self._rest[: LONGEST + 1]
        for line in lines:
            self._take(line)

    def _take(self, line):
        parsed = parse(line)
        if parsed is None or parsed[1] not in self._words or parsed[0] == self._heard:
            self.bad += 1
            return
        number, word, fields = parsed
        if self._heard is not None and word != "hello":
            self.lost += (number - self._heard - 1) & 0xFFFF
        self._heard, self._heard_us = number, self.now()
        try:
            kind, told = "ok", self._words[word](fields)
        except (ValueError, IndexError) as error:
            kind, told = "no", str(error).split()
        self._say(kind, f"{number:04X}", f"{self.now():08X}", *told)

    def _hello(self, fields):
        self._go_to_rest(fields)
        self.bad = self.lost = self.unsent = 0
        return NAME, VERSION, self.hardware.ident, self.state

    def _pin(self, fields):
        pin, role, option = int(fields[0]), fields[1], fields[2] if len(fields) > 2 else ""
        if self.state == "armed":
            raise ValueError("armed: no new pins")
        if role not in OUTPUTS + INPUTS or (role not in OUTPUTS and option not in ("", "up", "down")):
            raise ValueError("no such role")
        if self.roles.get(pin) != fields:
            self.roles.pop(pin, None)
            self.safe.pop(pin, None)
            if role in OUTPUTS:
                safe = self._level(role, option)
                self.hardware.open(pin, role, safe)
                self.safe[pin] = safe
            else:
                self.hardware.open(pin, role, option)
            self.roles[pin] = fields
        return self._levels((pin,))

    def _arm(self, fields):
        deadman_ms, scan_ms = int(fields[0]), int(fields[1])
        if not 50 <= deadman_ms <= 2000 or not 1 <= scan_ms <= 1000:
            raise ValueError("out of range")
        self.deadman_us, self.scan_us = deadman_ms * 1000, scan_ms * 1000
        self.make_safe()
        self.hardware.watch(WATCHDOG_MS)
        self.state = "armed"
        return self._levels(self.safe)

    def _drive(self, fields):
        if self.state != "armed":
            raise ValueError(self.state)
        wanted = []
        for field in fields:
            name, _, level = field.partition("=")
            pin = int(name)
            if pin not in self.safe:
                raise ValueError(f"pin {pin} is no output")
            wanted.append((pin, self._level(self.roles[pin][1], level)))
        for pin, level in wanted:
            self.hardware.put(pin, level)
        return self._levels([pin for pin, _ in wanted])

    def _beat(self, fields):
        return ()

    def _go_to_rest(self, fields):
        self.make_safe()
        self.state = "idle"
        return self._levels(self.safe)

    def _level(self, role, text):
        level = int(text)
        if role not in OUTPUTS or not 0 <= level <= (1 if role == "out" else 65535):
            raise ValueError("no such level")
        return level

    # -- what goes out -------------------------------------------------------------------------------------

    def _levels(self, pins):
        return [f"{pin}={self.hardware.get(pin)}" for pin in pins]

    def _say(self, *words):
        body = (f"{self._number:04X} " + " ".join(words)).encode()
        self._number = (self._number + 1) & 0xFFFF
        if not self.hardware.write(body + f"*{crc16(body):04X}\n".encode()):
            self.unsent += 1

    def _tell_edges(self):
        told = False
        while True:
            edge = self.hardware.edge()
            if edge is None:
                return told
            pin, level, ticks = edge
            now = self.now()
            stamp = (now + self.hardware.ticks_diff(ticks, self._ticks)) & MASK
            if self.state != "idle":
                self._say("change", f"{stamp:08X}", f"{pin}={level}")
            told = True

    def _scan(self):
        """All inputs at one instant; read again if a change came in between, so that it is told before."""
        pins = [pin for pin, line in self.roles.items() if line[1] in INPUTS]
        for _ in range(3):
            stamp = f"{self.now():08X}"
            levels = self._levels(pins)
            if not self._tell_edges():
                break
        room = LONGEST - 30
        while levels:
            part, length = [], 0
            while levels and length + len(levels[0]) < room:
                length += len(levels[0]) + 1
                part.append(levels.pop(0))
            self._say("scan", stamp, *part)

    def _status(self, now):
        self._status_us = now
        counts = ("bad", self.bad), ("lost", self.lost), ("missed", self.hardware.missed), ("unsent", self.unsent)
        self._say("status", f"{now:08X}", self.state, *[f"{name}={count}" for name, count in counts])


def main():
    from hardware import Hardware

    board = Board(Hardware())
    try:
        while True:
            board.turn()
    finally:
        board.make_safe()


if __name__ == "__main__":
    main()
