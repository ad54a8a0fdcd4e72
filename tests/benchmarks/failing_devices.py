"""Every standard sequence x every device of the stand-ins' bench x every manner of failing x start, middle and end.

    PYTHONPATH=.:tests python tests/benchmarks/failing_devices.py

Prints what did not end safe and `inconclusive`, and how many were tried; the exit status is 1 if there is any.
"""

import os
import sys
import time
from concurrent.futures import ProcessPoolExecutor

from bench_faults.test_sweep import SEQUENCES, wrong_endings

if __name__ == "__main__":
    began, tried, wrong = time.perf_counter(), 0, []
    with ProcessPoolExecutor(os.cpu_count()) as pool:
        names = sorted(SEQUENCES)
        for name, (number, found) in zip(names, pool.map(wrong_endings, names), strict=True):
            tried += number
            wrong += [f"{name}: {text}" for text in found]
    print("\n".join(wrong))
    print(f"{len(names)} sequences, {tried} failures, {len(wrong)} of them wrong; {time.perf_counter() - began:.0f} s")
    sys.exit(bool(wrong))
