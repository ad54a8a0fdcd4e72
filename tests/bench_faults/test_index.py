"""The index is whole and names tests that exist, and no test of the project is skipped."""

import ast
from pathlib import Path

import pytest
from bench_faults.index import FAULTS, NEEDS

TESTS = Path(__file__).parents[1]
#: One more oracle, where the circuit simulator ngspice is installed; a full disk, where the system has /dev/full.
MAY_SKIP = {"test_circuit.py", "test_run.py"}
ROWS = [(f"fault {number}", *row) for number, row in FAULTS.items()]
ROWS += [(f"need {number}", *row) for number, row in NEEDS.items()]


def test_every_row_is_there():
    assert sorted(FAULTS) == list(range(1, 26))
    assert sorted(NEEDS) == [*range(1, 27), 29, 41, 45, 46, 47]


@pytest.mark.parametrize(("row", "what", "tests"), ROWS, ids=[f"{row} {what}" for row, what, _ in ROWS])
def test_every_row_names_tests_that_exist(row, what, tests):
    assert tests
    for test in tests:
        file, _, name = test.partition("::")
        tree = ast.parse((TESTS / file).read_text(encoding="utf-8"))
        assert name in {node.name for node in tree.body if isinstance(node, ast.FunctionDef)}, test


def test_no_test_is_skipped():
    """A skipped test would be counted as one that passed. Hosted CI has no CAN bus: tests bring their own."""
    words = ("skip", "skipif", "xfail", "importorskip")
    for file in (file for file in TESTS.rglob("*.py") if file.name not in MAY_SKIP):
        tree = ast.parse(file.read_text(encoding="utf-8"))
        used = {node.attr for node in ast.walk(tree) if isinstance(node, ast.Attribute)} & set(words)
        assert not used, f"{file.name}: {used}"
