"""How long `records` takes over many records: `python tests/benchmarks/many_records.py [N]` (default 10 000).

The records are copies of one small real run with other dates, firmware and verdicts. Printed: building the index from
nothing, then the command as a user starts it (three runs), beside the floor: a process that starts Python and stats
the same files without looking at what is in them.
"""

from __future__ import annotations

import subprocess
import sys
import tempfile
from pathlib import Path
from time import perf_counter

from bench.language.bench_file import load_bench
from bench.language.loading import plans_from_text
from bench.language.register import load_register
from bench.record.manifest import load_manifest, write_whole
from bench.runner.options import Options
from bench.runner.run import run_plan
from bench.runner.stopping import Stop

TEXT = """\
sequence: small
steps:
  - {name: Close the loop, drive: {shutdown_loop: closed}}
  - {name: Loop feeds the coils, await: loop == 'closed', within: 1 s}
  - {name: Voltage is low, check: ts_voltage, limit: {max: 60 V}}
"""
FLOOR = """\
import os, sys
root = sys.argv[1]
for place in os.scandir(root):
    if place.is_dir():
        for name in ("manifest.json", "record.jsonl", "manifest.sig"):
            os.stat(f"{root}/{place.name}/{name}")
"""


def fill(folder: Path, number: int) -> None:
    """`number` records in `folder`."""
    import json

    from bench.record.manifest import signature_bytes

    (plan,) = plans_from_text(TEXT, "small.yaml", load_bench(None), load_register(None))
    made = Path(run_plan(plan, Options(records=folder), Stop())["record"])
    files = {path.relative_to(made): path.read_bytes() for path in made.rglob("*") if path.is_file()}
    fields = load_manifest(made) or {}
    for place in range(number - 1):
        verdict = "fail" if place % 37 == 0 else "pass"
        fields["document"]["verdict"] = verdict
        fields["firmware"] = {"text": f"1.{place * 20 // number}.0"}
        fields["started_utc"] = f"2026-{1 + place % 12:02}-{1 + place % 28:02}T12:00:00.000Z"
        copy = folder / f"record-{place:06}"
        copy.mkdir()
        for name, data in files.items():
            (copy / name).parent.mkdir(exist_ok=True)
            (copy / name).write_bytes(data)
        manifest = json.dumps(fields, indent=1).encode()
        (copy / "manifest.json").write_bytes(manifest)
        (copy / "manifest.sig").write_bytes(signature_bytes(manifest))
    write_whole(folder / "note.txt", b"no record\n")


def timed(*command: str) -> float:
    begin = perf_counter()
    subprocess.run([sys.executable, *command], check=True, stdout=subprocess.DEVNULL)
    return perf_counter() - begin


def main() -> None:
    number = int(sys.argv[1]) if len(sys.argv) > 1 else 10_000
    with tempfile.TemporaryDirectory() as place:
        folder = Path(place)
        fill(folder, number)
        print(f"{number} records; index built from nothing: {timed('-m', 'bench', 'records', place):.2f} s")
        timed("-c", FLOOR, place)
        floor = min(timed("-c", FLOOR, place) for _ in range(3))
        for name, options in (
            ("all", ()),
            ("--verdict fail", ("--verdict", "fail")),
            ("--trend 'Voltage is low'", ("--trend", "Voltage is low")),
        ):
            seconds = min(timed("-m", "bench", "records", place, *options) for _ in range(3))
            print(f"records {name}: {seconds:.3f} s, {seconds / floor:.1f} x the floor ({floor:.3f} s)")


if __name__ == "__main__":
    main()
