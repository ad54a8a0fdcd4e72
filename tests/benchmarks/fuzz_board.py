"""100,000 corrupted lines of the I/O board: how many the bench and the firmware take for lines (at most 6 each).

python tests/benchmarks/fuzz_board.py [COUNT [SEED]]
"""

import sys
import time
from pathlib import Path

sys.path[:0] = [str(Path(__file__).parents[2]), str(Path(__file__).parents[1])]

from devices.corrupting import accepted  # noqa: E402 - after the path


def main() -> int:
    count, seed = ([int(text) for text in sys.argv[1:]] + [100_000, 1][len(sys.argv) - 1 :])[:2]
    began = time.perf_counter()
    bench, board = accepted(count, seed)
    print(f"{count} corrupted lines, seed {seed}: accepted {bench} (bench), {board} (firmware); ", end="")
    print(f"expected of a 16-bit CRC {count / 65536:.1f}; {time.perf_counter() - began:.1f} s")
    return int(max(bench, board) > 6 * max(count / 100_000, 1))


if __name__ == "__main__":
    sys.exit(main())
