"""The firmware on simulated pins and a line that a test holds. Runs on MicroPython."""

import machine
import main
from hardware import Hardware

from __main__ import poll, send, serving


class Wired(Hardware):
    def read(self, wait_ms):
        edges, data = poll(wait_ms)
        for number, level in edges:
            machine.Pin.made[number].interrupt(level)
        return bytes(data)

    def write(self, data):
        return send(list(data))


def serve():
    board = main.Board(Wired())
    while serving():
        board.turn()
