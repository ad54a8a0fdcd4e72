"""Whatever happens to a file between an editor and us, loading it succeeds or tells located problems."""

from __future__ import annotations

import contextlib

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from sequence_texts import WHOLE, register

from bench.errors import InputError
from bench.language.bench_file import bench_from_text, load_bench
from bench.language.loading import load_plans
from bench.language.shipped import shipped_folder
from bench.language.yaml_nodes import decode, read_text

BENCH = load_bench()
REGISTER = register()
BENCH_TEXT = read_text(shipped_folder() / "bench.yaml")
PIECES = st.sampled_from(
    [
        *"\t\n:'\"{}[]#|>%<=(),~é\x00\ufeff\ud800",
        "  ",
        ": ",
        "- ",
        "&a ",
        "*a",
        "!",
        "<<: ",
        "---\n",
        "!!python/name:os.system ",
        "60",
        " V",
        "e9",
        "012",
        "1:30",
        "nan",
        "on",
        "simulated: ",
        "steps:",
    ]
)


@st.composite
def mutated(draw, text: str) -> bytes:
    """The text with one to four edits: characters in, out or doubled, lines swapped or lost, or raw bytes in."""
    for _ in range(draw(st.integers(1, 4))):
        at = draw(st.integers(0, len(text)))
        what = draw(st.integers(0, 4))
        if what == 0:
            text = text[:at] + draw(PIECES) + text[at:]
        elif what == 1:
            text = text[:at] + text[at + draw(st.integers(1, 12)) :]
        elif what == 2:
            text = text[:at] + text[at : at + draw(st.integers(1, 40))] + text[at:]
        else:
            lines = text.split("\n")
            first, second = (draw(st.integers(0, len(lines) - 1)) for _ in range(2))
            lines[first], lines[second] = lines[second], "" if what == 3 else lines[first]
            text = "\n".join(lines)
    raw = text.encode("utf-8", "surrogatepass")
    if draw(st.integers(0, 9)) == 0:
        at = draw(st.integers(0, len(raw)))
        raw = raw[:at] + draw(st.binary(min_size=1, max_size=6)) + raw[at:]
    return raw


@contextlib.contextmanager
def only_located_problems(raw: bytes, file: str):
    lines = raw.decode("utf-8", "replace").replace("\r\n", "\n").replace("\r", "\n").split("\n")
    try:
        yield
    except InputError as error:
        assert error.problems
        assert error.problems == sorted(error.problems)
        for problem in error.problems:
            assert problem.file == file
            assert 0 <= problem.line <= len(lines) + 1
            assert problem.column <= (len(lines[problem.line - 1]) if 0 < problem.line <= len(lines) else 0) + 2
            assert problem.wrong
            assert "\n" not in str(problem)


@pytest.fixture(scope="module")
def path(tmp_path_factory):
    return tmp_path_factory.mktemp("mutated") / "s.yaml"


@settings(max_examples=400, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(raw=mutated(WHOLE))
def test_mutated_sequences(path, raw):
    path.write_bytes(raw)
    with only_located_problems(raw, str(path)):
        assert load_plans([path], BENCH, REGISTER)


@settings(max_examples=100, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(raw=mutated(BENCH_TEXT))
def test_mutated_benches(raw):
    with only_located_problems(raw, "b.yaml"):
        assert bench_from_text(decode(raw, "b.yaml"), "b.yaml").channels


@settings(max_examples=200, deadline=None)
@given(raw=st.binary(max_size=200))
def test_random_bytes(path, raw):
    path.write_bytes(raw)
    with only_located_problems(raw, str(path)):
        load_plans([path], BENCH, REGISTER)
