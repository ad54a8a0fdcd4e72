"""MicroPython's `machine`, as far as the board's firmware uses it, with the pins of the test that runs it.

Runs on MicroPython, in place of the built-in module. `poll`, `put`, `get`, `analog` are functions of the test.
"""

from __main__ import analog, get, put

PWRON_RESET, WDT_RESET = 1, 3


def unique_id():
    return b"\x0a\x1b\x2c\x3d"


def reset_cause():
    return PWRON_RESET


class Pin:
    IN, OUT, PULL_UP, PULL_DOWN, IRQ_RISING, IRQ_FALLING = 0, 1, 2, 3, 4, 8
    made = {}

    def __init__(self, number, mode=None, pull=None, value=None):
        if number > 40:
            raise ValueError("invalid pin")
        self.number, self.handler, self.level = number, None, None
        Pin.made[number] = self
        if value is not None:
            self.value(value)

    def value(self, level=None):
        if level is not None:
            put(self.number, level)
        elif self.level is not None:
            return self.level
        else:
            return get(self.number)

    def irq(self, handler=None, trigger=0, hard=False):
        self.handler = handler

    def interrupt(self, level):
        self.level = level  # what the handler sees
        if self.handler:
            self.handler(self)
        self.level = None


class PWM:
    def __init__(self, pin, freq, duty_u16):
        self.number = pin.number
        self.duty_u16(duty_u16)

    def duty_u16(self, level=None):
        if level is None:
            return get(self.number)
        put(self.number, level)


class ADC:
    def __init__(self, pin):
        if pin.number < 26:
            raise ValueError("invalid ADC pin")
        self.number = pin.number

    def read_u16(self):
        return analog(self.number)


class WDT:
    def __init__(self, timeout):
        put("watchdog", timeout)

    def feed(self):
        pass
