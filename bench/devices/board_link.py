"""The line to the I/O board: numbers, answers, tries, and what is wrong with what comes.

Knows what a line is and which answer belongs to which line, not what the words mean: whole lines go to `hear`.
Several threads may wait for answers while one listens; whoever finds nobody receiving, receives.
"""

from __future__ import annotations

import random
import threading
import time
from collections import deque
from collections.abc import Callable
from typing import NamedTuple

from bench.devices.base import DeviceLost
from bench.devices.board_protocol import NUMBERS, Line, Malformed, decode, encode
from bench.devices.serial_port import PortSettings, SerialPort
from bench.devices.tallies import Tallies

RESTART_GAP = 1000  # so many lines cannot be lost without being found silent first
MOST_BAD = 50  # lines lost or without sense within a second
FORGET_S = 1.0


class Refused(Exception):
    """The board said no. The text is its reason."""


class Asked(NamedTuple):
    """A line of ours that is not answered yet."""

    sent: float
    word: str
    awaited: bool


class BoardLink:
    """One open port. `hear(line, asked, received)` takes every good line; `asked` is what an answer answers.

    `note` takes what a person should read at once, `tallies` what may happen often. Times are bench clock, s.
    """

    def __init__(
        self,
        settings: PortSettings,
        hear: Callable[[Line, Asked | None, float], None],
        tallies: Tallies,
        note: Callable[[str], None],
    ):
        """Open the port. Raises DeviceLost."""
        self._port = SerialPort(settings)
        self._hear, self._tallies, self._note = hear, tallies, note
        self.session = False  # until then lines of a session before may come, and halves
        self.said_at = self.talked_at = self.came_at = 0.0  # our last line, its last good one, anything at all
        self.rubbish = b""  # the first that made no sense
        self._number = random.randrange(NUMBERS)  # of our next line; not one that was asked in a session before
        self._last: int | None = None  # number of the board's last line
        self._asked: dict[int, Asked] = {}
        self._answers: dict[int, Line] = {}
        self._bad: deque[float] = deque(maxlen=MOST_BAD)
        self._receiving = threading.Lock()
        self._answered = threading.Condition()
        self._trouble: DeviceLost | None = None
        self._closed = False
        if dropped := self._port.drop():
            tallies.count(f"{len(dropped)} bytes from before the session dropped")

    def close(self) -> None:
        self._closed = True
        self._port.close()

    @property
    def behind(self) -> bool:
        """Whether more had come than was received."""
        return self._port.behind

    def lost(self, why: str) -> DeviceLost:
        return DeviceLost(f"I/O board on {self._port.name}: {why}")

    # -- asking --------------------------------------------------------------------------------------------

    def say(self, word: str, *fields: str, awaited: bool = False) -> int:
        """Send a line; its number. Raises DeviceLost."""
        if self._closed:
            raise self.lost("closed")
        number, raw = self._next_line(word, fields, awaited)
        self._port.write(raw)
        return number

    def say_at_once(self, word: str, *fields: str) -> None:
        """As `say`, but not at all where that would have to wait. Raises DeviceLost."""
        if not self._closed:
            self._port.write_at_once(self._next_line(word, fields, False)[1])

    def ask(self, word: str, *fields: str, timeout_s: float, tries: int, beat_s: float | None) -> tuple[str, ...]:
        """What the board answers, after its stamp; every failed try is noted. Raises DeviceLost, Refused."""
        for number in range(1, tries + 1):
            answer = self.answer(self.say(word, *fields, awaited=True), timeout_s, beat_s)
            if answer is not None:
                if answer.word == "no":
                    raise Refused(" ".join(answer.fields[2:]))
                return answer.fields[2:]
            self._note(f"{' '.join((word, *fields))}: no answer within {timeout_s:g} s (try {number} of {tries})")
        raise self.lost(f"it does not answer '{word}' within {timeout_s:g} s ({tries} tries)")

    def answer(self, number: int, timeout_s: float, beat_s: float | None = None) -> Line | None:
        """The answer to that line of ours, or None in time; beats meanwhile. Raises DeviceLost."""
        deadline = time.monotonic() + timeout_s
        while True:
            answer = self._answers.pop(number, None)
            now = time.monotonic()
            if answer is not None or now >= deadline:
                self._asked.pop(number, None)
                return answer
            if beat_s is not None and now - self.said_at >= beat_s:
                self.say("beat")
            if self._receiving.acquire(blocking=False):
                try:
                    self._receive(min(deadline - now, SerialPort.GRAIN_S))
                finally:
                    self._receiving.release()
            else:
                with self._answered:
                    self._answered.wait_for(lambda: number in self._answers, SerialPort.GRAIN_S)

    def _next_line(self, word: str, fields: tuple[str, ...], awaited: bool) -> tuple[int, bytes]:
        number, self._number = self._number, (self._number + 1) % NUMBERS
        raw = encode(number, word, *fields)
        self.said_at = time.monotonic()
        self._asked[number] = Asked(self.said_at, word, awaited)
        return number, raw

    # -- receiving -----------------------------------------------------------------------------------------

    def receive(self, wait_s: float) -> bool:
        """Take in what comes within about `wait_s`; whether anything came. Raises DeviceLost."""
        with self._receiving:
            came = self._receive(wait_s)
            self._forget_unanswered(time.monotonic())
        return came

    def _receive(self, wait_s: float) -> bool:
        if self._trouble is not None:
            raise self._trouble
        try:
            if not self._port.wait(wait_s):
                return False
            received = self.came_at = time.monotonic()
            while (raw := self._port.take(b"\n")) is not None:
                self._take(raw, received)
        except DeviceLost as error:  # for both threads
            self._trouble = error
            raise
        return True

    def _take(self, raw: bytes, received: float) -> None:
        try:
            line = decode(raw.removesuffix(b"\r"))
            if not self._follows(line, received):
                return
            if line.word in ("ok", "no"):
                self._take_answer(line, received)
            elif self.session:
                self._hear(line, None, received)
        except Malformed as error:
            self._nonsense(raw, str(error), received)
        except (IndexError, KeyError, ValueError):
            self._nonsense(raw, "a good CRC, but not what the protocol says", received)

    def _take_answer(self, line: Line, received: float) -> None:
        number = int(line.fields[0], 16)
        asked = self._asked.pop(number, None)
        if asked is None:
            self._tallies.count("an answer came too late, or twice")
            return
        self._hear(line, asked, received)
        if asked.awaited:
            with self._answered:
                self._answers[number] = line
                self._answered.notify_all()

    def _follows(self, line: Line, received: float) -> bool:
        """Whether it is a new line, by its number."""
        self.talked_at = received
        last, self._last = self._last, line.number
        if last is None or not self.session:
            return True
        step = (line.number - last) % NUMBERS
        if step > RESTART_GAP:
            raise self.lost("it has restarted: it counts its lines anew")
        if step == 0:
            self._tallies.count("the board repeated a line")
            return False
        self._tallies.count("a line from the board was lost", step - 1)
        self._count_bad(received, step - 1)
        return True

    def _nonsense(self, raw: bytes, why: str, received: float) -> None:
        self.rubbish = self.rubbish or raw[:60]
        self._tallies.count(f"a line from the board made no sense: {why}")
        self._count_bad(received, 1)

    def _count_bad(self, now: float, lines: int) -> None:
        self._bad.extend([now] * lines)
        if self.session and len(self._bad) == MOST_BAD and now - self._bad[0] < 1.0:
            raise self.lost(f"its line is not usable: {MOST_BAD} lines lost or without sense within a second")

    def _forget_unanswered(self, now: float) -> None:
        for number, asked in list(self._asked.items()):
            if not asked.awaited and now - asked.sent > FORGET_S:
                self._asked.pop(number, None)
                self._tallies.count(f"a {asked.word} was not answered")
