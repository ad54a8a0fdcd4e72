"""`topbox-bench simulate`, with the board's side of the story on standard output, a line at a time.

loop closed | loop open, heard nothing for S s | status armed | status tripped
"""

import sys
import time

from bench.__main__ import main
from simulators import stand_ins


class Watched(stand_ins.StandIns):
    """Tells what the board does with the loop, and how long it had heard nothing by then."""

    def __init__(self, *arguments):
        super().__init__(*arguments)
        self._heard_at, self._status = 0.0, b""
        hardware = self.board.hardware
        read, write = hardware.read, hardware._write

        def watched_read(wait_ms):
            if data := read(wait_ms):
                self._heard_at = time.monotonic()
            return data

        def watched_write(name, value):
            write(name, value)
            if name == "shutdown_loop":
                silent = f", heard nothing for {time.monotonic() - self._heard_at:.3f} s" if value == "open" else ""
                print(f"loop {value}{silent}", flush=True)

        hardware.read, hardware._write = watched_read, watched_write
        self.board.mangle = self._says

    def _says(self, line):
        words = line.split()
        if b"status" in words:
            status = words[words.index(b"status") + 2]
            if status != self._status:
                self._status = status
                print(f"status {status.decode()}", flush=True)
        return line


if __name__ == "__main__":
    stand_ins.StandIns = Watched
    sys.exit(main(["simulate", "--write-bench", sys.argv[1]]))
