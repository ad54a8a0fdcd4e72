"""The microcontroller under the firmware: pins, clock, watchdog, and the serial line on standard input and output.

Plain MicroPython: `machine.Pin`, `ADC`, `PWM`, `WDT`, `time.ticks_us`; nothing of one make of board. A pin that was
never opened is an input with nothing connected: wire the bench so that this is its safe state.
"""

import select
import sys
import time
from array import array

import machine
import micropython

RING = 64  # changes that may wait to be told
STEADY_US = 1_000_000  # without an edge for so long a pulse pin is a steady level
CARRIER_HZ = 1000  # of PWM outputs
CAUSES = ("PWRON_RESET", "HARD_RESET", "WDT_RESET", "DEEPSLEEP_RESET", "SOFT_RESET")


class Edge:
    """Stamps the changes of one pin, in its interrupt: no memory may be taken there."""

    def __init__(self, hardware, number):
        self.hardware, self.number = hardware, number

    def edge(self, pin):
        ticks = time.ticks_us()
        hardware = self.hardware
        head = hardware.head
        after = (head + 1) % RING
        if after == hardware.tail:
            hardware.missed += 1
            return
        hardware.numbers[head] = self.number
        hardware.levels[head] = pin.value()
        hardware.stamps[head] = ticks
        hardware.head = after


class Pulse:
    """Measures the last whole period of one pin, in its interrupt."""

    def __init__(self):
        self.rose = self.high_now = self.high = self.period = 0
        self.started = False

    def edge(self, pin):
        ticks = time.ticks_us()
        if not pin.value():
            self.high_now = time.ticks_diff(ticks, self.rose)
            return
        if self.started:
            self.high, self.period = self.high_now, time.ticks_diff(ticks, self.rose)
        self.rose, self.started = ticks, True

    def read(self, level):
        if self.started and time.ticks_diff(time.ticks_us(), self.rose) > STEADY_US:
            self.started, self.period = False, 0
        return f"{self.high}/{self.period}" if self.period else f"{level}/0"


class Hardware:
    """`ident` is the board's own number, `cause` why it started, `missed` how many changes found no room."""

    def __init__(self):
        self.ident = "".join(f"{byte:02X}" for byte in machine.unique_id())
        cause = machine.reset_cause()
        known = [name for name in CAUSES if getattr(machine, name, None) == cause]
        self.cause = known[0] if known else "unknown"
        self.missed = 0
        self.head = self.tail = 0  # of the ring: the interrupts write at the head, `edge` reads at the tail
        self.numbers, self.levels, self.stamps = array("H", [0] * RING), array("B", [0] * RING), array("l", [0] * RING)
        self._pins = {}  # number -> (read, write)
        self._watchdog = None
        self._input, self._room = select.poll(), select.poll()
        self._input.register(sys.stdin, select.POLLIN)
        self._room.register(sys.stdout, select.POLLOUT)

    # -- line and time -------------------------------------------------------------------------------------

    def read(self, wait_ms):
        """What has come, after waiting at most `wait_ms` for something."""
        data = b""
        while len(data) < 256 and self._input.poll(0 if data else wait_ms):
            data += sys.stdin.buffer.read(1)
        return data

    def write(self, data):
        """Send, if the host takes anything at all; whether it was sent. Never waits for a host that hangs."""
        if not self._room.poll(0):
            return False
        sys.stdout.buffer.write(data)
        return True

    def ticks(self):
        return time.ticks_us()

    def ticks_diff(self, later, earlier):
        return time.ticks_diff(later, earlier)

    def watch(self, timeout_ms):
        """From now on: reset the board if `feed` is not called in time, and take Ctrl-C for rubbish, not a command."""
        micropython.kbd_intr(-1)
        if self._watchdog is None:
            self._watchdog = machine.WDT(timeout=timeout_ms)

    def feed(self):
        if self._watchdog is not None:
            self._watchdog.feed()

    # -- pins ----------------------------------------------------------------------------------------------

    def open(self, number, role, option):
        """Give a pin its role; `option` is the level an output begins with, or the pull of an input.

        Raises ValueError for a pin that cannot be that.
        """
        pin = machine.Pin
        try:
            if role == "out":
                made = pin(number, pin.OUT, value=option)  # the level is set before the pin becomes an output
                access = made.value, made.value
            elif role == "level":
                made = machine.PWM(pin(number), freq=CARRIER_HZ, duty_u16=option)
                access = made.duty_u16, made.duty_u16
            elif role == "analog":
                access = machine.ADC(pin(number)).read_u16, None
            else:
                pull = {"up": pin.PULL_UP, "down": pin.PULL_DOWN}.get(option)
                made = pin(number, pin.IN) if pull is None else pin(number, pin.IN, pull)
                access = self._input_of(number, role, made), None
        except (TypeError, AttributeError, OSError) as error:
            raise ValueError(f"pin {number} cannot be {role}: {error}") from None
        self._pins[number] = access

    def put(self, number, level):
        self._pins[number][1](level)

    def get(self, number):
        """The level that the pin really has; HIGH/PERIOD in us of a pulse pin."""
        return self._pins[number][0]()

    def edge(self):
        """The oldest change not yet told: (number, level, ticks); None when there is none."""
        tail = self.tail
        if tail == self.head:
            return None
        found = self.numbers[tail], self.levels[tail], self.stamps[tail]
        self.tail = (tail + 1) % RING
        return found

    def _input_of(self, number, role, made):
        if role == "in":
            made.irq(handler=None)
            return made.value
        watcher = Edge(self, number) if role == "edge" else Pulse()
        both = machine.Pin.IRQ_RISING | machine.Pin.IRQ_FALLING
        try:
            made.irq(handler=watcher.edge, trigger=both, hard=True)
        except TypeError:  # a port without hard interrupts
            made.irq(handler=watcher.edge, trigger=both)
        return made.value if role == "edge" else lambda: watcher.read(made.value())
