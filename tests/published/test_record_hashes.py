"""The chain of a record, checked with nothing but SHA-256 on the raw lines.

Source of the vectors: NIST, FIPS 180-4 (Secure Hash Standard, August 2015), SHA-256 examples: the messages "abc" and
"abcdbcdecdefdefgefghfghighijhijkijkljklmklmnlmnomnopnopq" (examples document that the standard refers to), and
the empty message (NIST CAVP, SHA256ShortMsg, Len = 0). Values from memory, confirmed by the run itself.
"""

import hashlib
import json

import pytest

from bench.events import Batch, Life
from bench.record.manifest import entry_of, hash_file
from bench.record.writer import RecordWriter

VECTORS = {
    b"": "e3b0c44298fc1c149afbf4c8996fb92427ae41e4649b934ca495991b7852b855",
    b"abc": "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad",
    b"abcdbcdecdefdefgefghfghighijhijkijkljklmklmnlmnomnopnopq":
        "248d6a61d20638b8e5c026930c3e6039a33ce45964ff2167f6ecedd419db06c1",
}  # fmt: skip
HEADER = {
    "format": 1, "sequence": "s", "case": "", "simulated": True, "seed": 0,
    "channels": {"ts_voltage": {"direction": "read", "unit": "V"}}, "groups": {"io": ["ts_voltage"]},
}  # fmt: skip


@pytest.mark.parametrize(("message", "digest"), VECTORS.items())
def test_files_are_hashed_by_the_published_function(tmp_path, message, digest):
    path = tmp_path / "message"
    path.write_bytes(message)
    assert hash_file(path) == entry_of(message) == {"sha256": digest, "bytes": len(message)}


def test_every_line_holds_the_sha256_of_the_raw_bytes_of_the_line_before(tmp_path):
    writer = RecordWriter(tmp_path / "run", HEADER, {"sequence.yaml": "s\n"})
    writer.event(Life(0.0, "driving"))
    for count in range(100):
        writer.batches([Batch(count / 100, (("ts_voltage", count / 7),), ("io",))])
    writer.event(Life(1.0, "closed"))
    writer.close({})
    data = (tmp_path / "run" / "record.jsonl").read_bytes()
    assert data.endswith(b"\n")
    lines = data[:-1].split(b"\n")
    expected = "0" * 64
    for number, line in enumerate(lines, 1):
        fields = json.loads(line)
        assert (fields["n"], fields["prev"]) == (number, expected)
        expected = hashlib.sha256(line).hexdigest()
    manifest_bytes = (tmp_path / "run" / "manifest.json").read_bytes()
    manifest = json.loads(manifest_bytes)
    assert (manifest["lines"], manifest["last_line_sha256"]) == (len(lines), expected)
    for name, entry in manifest["files"].items():
        raw = (tmp_path / "run" / name).read_bytes()
        assert entry == {"sha256": hashlib.sha256(raw).hexdigest(), "bytes": len(raw)}
    signature = json.loads((tmp_path / "run" / "manifest.sig").read_bytes())
    assert signature == {"manifest_sha256": hashlib.sha256(manifest_bytes).hexdigest(), "signature": ""}
