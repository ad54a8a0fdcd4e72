"""Exports, read back by the libraries that other people would use."""

import csv
import io
import subprocess
import sys

import heron_record
import pytest

from bench.commands import report as report_command
from bench.errors import BenchError, InputError
from bench.events import Batch
from bench.record.reader import read_record
from bench.record.verifying import verify
from bench.record.writer import RecordWriter
from bench.report.exports import FILES, export


@pytest.fixture(scope="module")
def record(tmp_path_factory):
    return read_record(heron_record.write_record(tmp_path_factory.mktemp("exports") / "run"))


def expected(record):
    """Every channel's samples, as the reader gives them."""
    return {
        name: list(zip(trace.times, trace.values, strict=True))
        for name in record.channels
        if len((trace := record.channel(name)).times)
    }


def test_csv_holds_every_sample_to_the_last_digit(record):
    rows = list(csv.DictReader(io.StringIO(export(record, "csv").decode())))
    found = {}
    for row in rows:
        quantity = "unit" in record.channels[row["channel"]]
        found.setdefault(row["channel"], []).append(
            (float(row["time_s"]), float(row["value"]) if quantity else row["value"])
        )
    assert found == expected(record)
    assert {row["unit"] for row in rows if row["channel"] == "ts_voltage"} == {"V"}


def test_parquet_holds_every_sample(record):
    from pyarrow import parquet

    table = parquet.read_table(io.BytesIO(export(record, "parquet")))
    assert table.column_names == ["time_s", "channel", "value", "state", "unit"]
    found = {}
    for row in table.to_pylist():
        value = row["value"] if row["state"] is None else row["state"]
        found.setdefault(row["channel"], []).append((row["time_s"], value))
    assert found == expected(record)
    about = table.schema.metadata
    assert about[b"topbox-bench.simulated"] == b"true" and about[b"topbox-bench.sequence"] == b"energise-and-shutdown"
    assert about[b"topbox-bench.last_line_sha256"].decode() == record.last_line_sha256


def test_mdf_holds_every_sample(record, tmp_path):
    asammdf = pytest.importorskip("asammdf", reason="the extra 'mdf' is not installed (it slows every import of can)")
    path = tmp_path / "samples.mf4"
    path.write_bytes(export(record, "mdf"))
    with asammdf.MDF(path) as file:
        assert file.version == "4.10" and "simulated true" in file.header.comment
        for name, samples in expected(record).items():
            signal = file.get(name)
            values = [value.decode() if isinstance(value, bytes) else value for value in signal.samples.tolist()]
            assert list(zip(signal.timestamps.tolist(), values, strict=True)) == samples, name
            assert signal.unit == record.channels[name].get("unit", "")


def test_texts_of_a_device_cannot_break_a_format(tmp_path):
    hostile = '=1+1,"\n\ud800\x00'
    writer = RecordWriter(tmp_path / "run", heron_record.HEADER, {})
    writer.batches([Batch(0.0, (("controller_state", hostile),))])
    writer.close({"document": heron_record.document()})
    record = read_record(tmp_path / "run")
    from pyarrow import parquet

    clean = hostile.replace("\ud800", "?")
    assert parquet.read_table(io.BytesIO(export(record, "parquet"))).to_pylist()[0]["state"] == clean
    (row,) = csv.DictReader(io.StringIO(export(record, "csv").decode(), newline=""))
    assert row["value"] == clean


def work(*words):
    import argparse

    parser = argparse.ArgumentParser()
    report_command.add_parser(parser.add_subparsers())
    return report_command.work(parser.parse_args(["report", *map(str, words)]))


def test_exports_enter_the_record_under_their_names(tmp_path, capsys):
    folder = heron_record.write_record(tmp_path / "run")
    kinds = [kind for kind in FILES if kind != "mdf"]
    assert work(folder, *(word for kind in kinds for word in ("--export", kind))) == 0
    assert capsys.readouterr().out.splitlines() == [str(folder / FILES[kind]) for kind in kinds]
    assert verify(folder).level == "intact"
    assert work(folder, "--export", "csv", "--output", tmp_path / "mine.csv") == 0
    assert (tmp_path / "mine.csv").read_bytes() == (folder / "samples.csv").read_bytes()
    with pytest.raises(InputError, match="several exports"):
        work(folder, "--export", "csv", "--export", "pdf", "--output", tmp_path / "x")


@pytest.mark.parametrize(("kind", "module"), [("parquet", "pyarrow"), ("mdf", "asammdf"), ("pdf", "typst")])
def test_a_missing_extra_says_how_to_get_it(record, monkeypatch, kind, module):
    monkeypatch.setitem(sys.modules, module, None)
    with pytest.raises(BenchError, match=rf"pip install 'topbox-bench\[{kind}\]'"):
        export(record, kind)


def test_the_help_loads_no_heavy_library():
    code = (
        "import sys\nfrom bench.__main__ import parser\nparser()\n"
        "heavy = {'numpy', 'matplotlib', 'jinja2', 'typst', 'pyarrow', 'cryptography', 'sqlite3', 'orjson', 'yaml'}\n"
        "sys.exit(', '.join(heavy & set(sys.modules)) or 0)"
    )
    assert subprocess.run([sys.executable, "-c", code], check=False).returncode == 0
