"""Channels read column by column are what the events say, and a line that holds no numbers is named."""

import hashlib
import math

import heron_record
import pytest

from bench.errors import RecordError
from bench.events import Batch, Driven
from bench.record.lines import FIRST_PREV, line_start
from bench.record.reader import read_record


def by_channel(record):
    """From the events, one by one."""
    found = {}
    for event in record.events():
        samples = event.samples if isinstance(event, Batch) else ()
        if isinstance(event, Driven):
            samples = ((event.channel, event.value),)
        for channel, value in samples:
            found.setdefault(channel, []).append((event.t, value))
    return found


def test_columns_are_what_the_events_say(tmp_path):
    record = read_record(heron_record.write_record(tmp_path / "r"))
    expected = by_channel(record)
    assert max(map(len, expected.values())) > 300  # more blocks than are read at once
    at_once = read_record(tmp_path / "r", samples=True)
    for channel in record.channels:
        assert list(zip(*record.changes(channel), strict=True)) == expected.get(channel, [])
        assert at_once.changes(channel) == record.changes(channel)
    assert (at_once.lines, at_once.last_line_sha256) == (record.lines, record.last_line_sha256)
    assert list(at_once.marks()) == list(record.marks())


def rewritten(folder, lines):
    """A record of these lines, each the inside of an object, in an unbroken chain."""
    folder.mkdir()
    prev, text = FIRST_PREV, b""
    for number, line in enumerate(lines, 1):
        raw = f"{line_start(number, prev)}{line}}}".encode()
        prev = hashlib.sha256(raw).hexdigest()
        text += raw + b"\n"
    (folder / "record.jsonl").write_bytes(text)
    return read_record(folder)


HEADER = (
    '"kind": "record", "format": 1, "sequence": "s", "case": "", "title": "", "energy": "dry", "bench": "b", '
    '"simulated": true, "rule": "simple", "seed": 0, "groups": {}, '
    '"channels": {"ts_voltage": {"unit": "V"}, "current": {"unit": "A"}}'
)


def block(channel, times, values):
    return f'"t": 0.0, "kind": "samples", "channel": "{channel}", "times": [{times}], "values": [{values}]'


def test_a_number_may_be_infinite_and_a_quantity_may_be_driven_in_between(tmp_path):
    driven = '"t": 0.25, "kind": "driven", "channel": "current", "value": 7.0'
    record = rewritten(tmp_path / "r", [
        HEADER, block("current", "0.1,0.2", '1.5,"inf"'), block("ts_voltage", "0.1,0.2", '"-inf",2.0'),
        driven, block("current", "0.3", "3.0"), block("current", "0.05", "0.5"),
    ])  # fmt: skip
    assert list(zip(*record.changes("current"), strict=True)) == [
        (0.05, 0.5), (0.1, 1.5), (0.2, math.inf), (0.25, 7.0), (0.3, 3.0),
    ]  # fmt: skip
    assert list(record.changes("ts_voltage").values) == [-math.inf, 2.0]


@pytest.mark.parametrize(
    ("times", "values"),
    [
        ("0.2,0.3", "2.0"),
        ("0.2", "2.0,3.0"),
        ("0.2", ""),
        ("", "2.0"),
        ("0.2", '"two"'),
        ("0.2,0.3", '"2.0,3.0"'),
        ("0.2", "null"),
        ("0.2", "[2.0]"),
        ("0.2,0.3", "2.0], [3.0"),
        ("0.2", "2.0], [3.0"),
        ("0.2", "2.0,"),
        ('"soon"', "2.0"),
        ("0.2,0.3", "2.0,}"),
        ("0.2,", "2.0,"),
    ],
)
def test_a_block_that_holds_no_numbers_is_named(tmp_path, times, values):
    good = [block("current", f"0.{n}", "1.0") for n in range(9)]
    record = rewritten(tmp_path / "r", [HEADER, *good, block("current", times, values), *good])
    for opened in (record, read_record(tmp_path / "r", samples=True)):
        assert opened.lines == 20
        with pytest.raises(RecordError, match=r"record.jsonl:11: is not an event that this version knows"):
            opened.changes("ts_voltage")


@pytest.mark.parametrize("wound", ["a value", "half a line", "a line that is none", "the header"])
def test_what_was_read_before_the_chain_was_checked_counts_only_if_all_of_it_is_good(tmp_path, wound):
    rewritten(tmp_path / "r", [HEADER, *(block("current", f"0.{n}", "1.5") for n in range(1, 9))])
    file = tmp_path / "r" / "record.jsonl"
    lines = file.read_bytes().splitlines(keepends=True)
    match wound:
        case "a value":
            lines[4] = lines[4].replace(b"1.5", b"9.5")  # line 6 has the hash of what it was
        case "half a line":
            lines[8] = lines[8][:-9]
        case "a line that is none":
            lines[5] = b"[" * 2000 + b"\n"
        case "the header":
            lines[0] = lines[0].replace(b'"channels": {', b'"channels": 1, "others": {')
    file.write_bytes(b"".join(lines))
    if wound == "the header":
        with pytest.raises(RecordError, match=r"record.jsonl:1: is not the first line of a record"):
            read_record(tmp_path / "r", samples=True)
        return
    late, ahead = read_record(tmp_path / "r"), read_record(tmp_path / "r", samples=True)
    assert ahead.problems == late.problems != []
    assert ahead.changes("current") == late.changes("current")
    assert len(late.changes("current").times) == {"a value": 4, "half a line": 7, "a line that is none": 4}[wound]


def test_lines_across_the_pieces_that_a_file_is_read_in(tmp_path, monkeypatch):
    """From a piece a line to many pieces a line, and one that ends where a line does."""
    expected = rewritten(tmp_path / "r", [HEADER, *(block("current", f"0.{n}", "1.5") for n in range(1, 9))])
    size = (tmp_path / "r" / "record.jsonl").stat().st_size
    for piece in (7, 64, 200, size - 1, size, size + 1):
        monkeypatch.setattr("bench.record.lines.PIECE", piece)
        record = read_record(tmp_path / "r", samples=True)
        assert (record.lines, record.last_line_sha256) == (9, expected.last_line_sha256)
        assert record.problems == expected.problems and record.chain == expected.chain
        assert list(record.changes("current").times) == [n / 10 for n in range(1, 9)]
