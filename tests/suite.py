"""The standard sequences on the built-in bench, read once for all tests of a process."""

from bench.language.bench_file import load_bench
from bench.language.loading import load_plans
from bench.language.register import load_register
from bench.language.shipped import shipped_folder

STANDARD = shipped_folder() / "standard"
BENCH, REGISTER = load_bench(None), load_register(None)
PLANS = load_plans([STANDARD], BENCH, REGISTER)
