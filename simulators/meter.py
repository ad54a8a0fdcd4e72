"""A simulated bench meter, and supply, that speaks SCPI over TCP on 127.0.0.1, with trouble on request.

It measures what `read` gives (V; None reads as not a number), in the range that was set, and takes `VOLT` and `OUTP`
when it has a `write`. Left out: measuring time, noise, averaging, status registers, and most of SCPI.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable

from simulators.wire_end import WireEnd

OVERLOAD = "+9.90000000E+37"
NOT_A_NUMBER = "+9.91000000E+37"
NO_ERROR = '0,"No error"'


class Meter(WireEnd):
    """Trouble beside that of `WireEnd`: `reading` (a fixed answer to every measurement), `frozen` (the last one, for
    ever), `stuck` (commands are taken, and nothing follows)."""

    def __init__(
        self,
        read: Callable[[], float | None],
        serial: str = "0001",
        write: Callable[[str, float], None] | None = None,
        model: str = "DM-600",
        range_v: float = 1000.0,
        tcp: bool = True,
    ):
        self.identity = f"Tarn Instruments,{model},{serial},1.04"
        self.reading: str | None = None
        self.frozen = self.stuck = False
        self.errors: list[str] = []
        #: What was set, by header; all of it can be asked for.
        self.set = {"VOLT:DC:RANG": range_v, "VOLT:DC:NPLC": 1.0} | ({"VOLT": 0.0, "OUTP": 0.0} if write else {})
        self._limits = {
            "VOLT:DC:RANG": (0.1, 1000.0),
            "VOLT:DC:NPLC": (0.02, 10.0),
            "VOLT": (0.0, 60.0),
            "OUTP": (0, 1),
        }
        self._read, self._write = read, write
        self._last = NOT_A_NUMBER
        self._line = b""
        super().__init__(tcp)

    def forget(self) -> None:
        self._line = b""

    def heard(self, data: bytes) -> Iterable[bytes]:
        *lines, self._line = (self._line + data).split(b"\n")
        for line in lines:
            answer = self._obey(line.decode("latin-1").strip())
            if answer is not None:
                yield answer.encode("latin-1") + b"\n"

    def _obey(self, line: str) -> str | None:
        header, _, argument = line.lstrip(":").partition(" ")
        match header.upper():
            case "*IDN?":
                return self.identity
            case "*CLS":
                self.errors.clear()
            case "SYST:ERR?":
                return self.errors.pop(0) if self.errors else NO_ERROR
            case "MEAS:VOLT:DC?":
                return self._measured()
            case known if known.removesuffix("?") in self.set:
                if known.endswith("?"):
                    return f"{self.set[known[:-1]]:.6g}"
                self._take(known, argument)
            case _:
                self.errors.append('-113,"Undefined header"')
        return None

    def _take(self, header: str, argument: str) -> None:
        low, high = self._limits[header]
        try:
            number = float(argument)
        except ValueError:
            self.errors.append('-104,"Data type error"')
            return
        if not low <= number <= high:
            self.errors.append('-222,"Data out of range"')
            return
        if self.stuck:
            return
        self.set[header] = number
        if self._write is not None and header in ("VOLT", "OUTP"):
            self._write(header, number)

    def _measured(self) -> str:
        if self.reading is not None:
            return self.reading
        if not self.frozen:
            value = self._read()
            if value is None or math.isnan(value):
                self._last = NOT_A_NUMBER
            elif abs(value) > 1.2 * self.set["VOLT:DC:RANG"]:
                self._last = OVERLOAD if value > 0 else "-" + OVERLOAD[1:]
            else:
                self._last = f"{value:+.8E}"
        return self._last
