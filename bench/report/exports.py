"""A record's samples in formats that other programs read. CAN frames need none: frames.log is plain text already.

Each channel is given as it was seen: an unchanged value is there again at each scan, so that nothing that draws
straight lines between samples invents a slope.
"""

from __future__ import annotations

import io
from collections.abc import Iterator
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any

from bench.errors import BenchError

if TYPE_CHECKING:
    from bench.apart import Begin
    from bench.record.columns import Trace
    from bench.record.reader import Record

#: Kind of export -> its file's name in the record.
FILES = {
    "html": "report.html",
    "pdf": "report.pdf",
    "junit": "junit.xml",
    "csv": "samples.csv",
    "parquet": "samples.parquet",
    "mdf": "samples.mf4",
}


def export(record: Record, kind: str, begin: Begin = partial) -> bytes:
    """The content of `FILES[kind]`; `begin` begins its figures, if it has any. Raises RecordError for a record that
    cannot be read, BenchError where an extra is not installed."""
    match kind:
        case "csv":
            return _csv(record)
        case "parquet":
            return _parquet(record)
        case "mdf":
            return _mdf(record)
        case "junit":
            from bench.report.document import run_document
            from bench.report.junit import junit_xml

            return junit_xml([run_document(record)])
    from bench.report.content import report_content
    from bench.report.page import html_page, pdf_pages

    return (html_page if kind == "html" else pdf_pages)("report", report_content(record, begin))


def _channels(record: Record) -> Iterator[tuple[str, str, Trace]]:
    """(name, unit, trace) of every channel of which something was recorded; the unit of states and texts is ''."""
    for name, fields in record.channels.items():
        trace = record.channel(name)
        if len(trace.times):
            yield name, fields.get("unit", ""), trace


def _csv(record: Record) -> bytes:
    """One row a sample: time in s on the run clock, channel, value, unit."""
    import csv

    file = io.StringIO(newline="")
    writer = csv.writer(file, lineterminator="\n")
    writer.writerow(("time_s", "channel", "value", "unit"))
    for name, unit, trace in _channels(record):
        writer.writerows((t, name, value, unit) for t, value in zip(trace.times, trace.values, strict=True))
    return file.getvalue().encode("utf-8", "replace")


def _parquet(record: Record) -> bytes:
    """One row a sample: `value` is null for states and texts, `state` for quantities."""
    try:
        import pyarrow as arrow
        from pyarrow import parquet
    except ImportError as error:
        raise BenchError("Parquet needs the extra 'parquet': pip install 'topbox-bench[parquet]'") from error
    schema = arrow.schema(
        [
            ("time_s", arrow.float64()),
            ("channel", arrow.string()),
            ("value", arrow.float64()),
            ("state", arrow.string()),
            ("unit", arrow.string()),
        ],
        metadata={f"topbox-bench.{key}": text for key, text in _about(record).items()},
    )
    file = io.BytesIO()
    with parquet.ParquetWriter(file, schema) as writer:
        for name, unit, trace in _channels(record):
            size = len(trace.times)
            if "unit" in record.channels[name]:
                values = (arrow.array(trace.values, arrow.float64()), arrow.nulls(size, arrow.string()))
            else:
                texts = [str(value).encode("utf-8", "replace").decode() for value in trace.values]
                values = (arrow.nulls(size, arrow.float64()), arrow.array(texts, arrow.string()))
            columns = [
                arrow.array(trace.times, arrow.float64()),
                arrow.array([name] * size, arrow.string()),
                *values,
                arrow.array([unit] * size, arrow.string()),
            ]
            writer.write_table(arrow.table(columns, schema=schema))
    return file.getvalue()


def _mdf(record: Record) -> bytes:
    """ASAM MDF 4.10: one group a channel, its time in s on the run clock (times before 0 are before the first step).
    A state is a number with a table of its words."""
    import tempfile

    import numpy as np

    try:
        from asammdf import MDF, Signal
    except ImportError as error:
        raise BenchError("ASAM MDF needs the extra 'mdf': pip install 'topbox-bench[mdf]'") from error
    file = MDF(version="4.10")
    file.header.comment = "; ".join(f"{key} {text}" for key, text in _about(record).items())
    for name, unit, trace in _channels(record):
        times = np.asarray(trace.times, dtype=float)
        if "unit" in record.channels[name]:
            signal = Signal(np.asarray(trace.values, dtype=float), times, unit=unit, name=name)
        else:
            words = {word: place for place, word in enumerate(dict.fromkeys(trace.values))}
            table: dict[str, Any] = {}
            for word, place in words.items():
                table[f"val_{place}"] = place
                table[f"text_{place}"] = str(word).encode("utf-8", "replace")
            numbers = np.asarray([words[value] for value in trace.values], dtype=np.uint32)
            signal = Signal(numbers, times, name=name, conversion=table)
        file.append([signal], comment=name)
    with file, tempfile.TemporaryDirectory() as folder:
        return Path(file.save(Path(folder) / "samples.mf4", overwrite=True, compression=2)).read_bytes()


def _about(record: Record) -> dict[str, str]:
    """What a file of samples says about where it comes from."""
    from bench.report.texts import firmware_text, plain

    manifest = record.manifest or {}
    return {
        "sequence": str(record.header["sequence"]),
        "case": str(record.header["case"]),
        "box": plain(manifest.get("box")),
        "firmware": firmware_text(manifest.get("firmware")),
        "started_utc": str(manifest.get("started_utc", "")),
        "simulated": str(record.header["simulated"]).lower(),
        "last_line_sha256": record.last_line_sha256,
    }
