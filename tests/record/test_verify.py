"""Intact, altered, incomplete: every flipped bit is found, and derived files enter by one door only."""

import json
import shutil
from pathlib import Path

import heron_record
import pytest

from bench.commands import rejudge as rejudge_command
from bench.commands import report
from bench.commands import verify as verify_command
from bench.errors import RecordError
from bench.events import Batch, Frame, Life
from bench.judging.document import run_document
from bench.judging.judge import Judge
from bench.judging.rejudge import differences
from bench.language.bench_file import load_bench
from bench.language.loading import plans_from_text
from bench.language.register import load_register
from bench.record.keys import SigningKey, fingerprint, load_private, make_pair
from bench.record.lines import strict
from bench.record.manifest import add_derived, load_manifest, tool_version, write_manifest
from bench.record.reader import read_record
from bench.record.verifying import verify
from bench.record.writer import RecordWriter
from bench.runner.options import Options
from bench.runner.run import run_plan
from bench.runner.stopping import Stop


def new_key(folder: Path) -> SigningKey:
    make_pair(folder)
    return load_private(folder / "private.pem")


def small_record(folder: Path, key: SigningKey | None = None) -> Path:
    header = heron_record.HEADER | {"channels": {"ts_voltage": {"direction": "read", "unit": "V"}}, "groups": {}}
    writer = RecordWriter(folder, header, {"sequence.yaml": "sequence: a\n", "uses/b.yaml": "b\n"}, key=key)
    writer.event(Life(0.0, "driving"))
    writer.batches([Batch(0.1, (("ts_voltage", 1.5),), ("io",), (Frame("can0", 1, b"\x01"),))])
    writer.close({"document": {"verdict": "pass"}})
    return folder


@pytest.mark.parametrize("signed", [False, True])
def test_every_flipped_bit_of_every_file_is_found(tmp_path, signed):
    key = new_key(tmp_path / "keys") if signed else None
    folder = small_record(tmp_path / "run", key)
    add_derived(folder, "report.html", b"<p>", key)
    assert verify(folder).level == "intact"
    paths = sorted(path for path in folder.rglob("*") if path.is_file())
    assert [path.relative_to(folder).as_posix() for path in paths] == [
        "frames.log", "manifest.json", "manifest.sig", "record.jsonl", "report.html", "sequence.yaml", "uses/b.yaml",
    ]  # fmt: skip
    for path in paths:
        data = path.read_bytes()
        for place in range(len(data)):
            # Without a key it is the same chain and manifest: some bits of each byte; bit 5 is the case of a letter.
            for bit in range(8) if signed else (5, place % 8):
                path.write_bytes(data[:place] + bytes([data[place] ^ 1 << bit]) + data[place + 1 :])
                assert verify(folder).level == "altered", f"{path.name} byte {place} bit {bit}"
        path.write_bytes(data)
    assert verify(folder).level == "intact"


def test_upper_case_hex_is_altered(tmp_path):
    folder = small_record(tmp_path / "run")
    signature = folder / "manifest.sig"
    text = signature.read_text()
    digest = json.loads(text)["manifest_sha256"]
    signature.write_text(text.replace(digest, digest.upper()))
    found = verify(folder)
    assert found.level == "altered" and "manifest.sig" in found.findings[0]


@pytest.mark.parametrize("name", ["frames.log", "record.jsonl", "sequence.yaml", "uses/b.yaml", "manifest.sig"])
def test_a_missing_file_is_altered(tmp_path, name):
    folder = small_record(tmp_path / "run")
    (folder / name).unlink()
    found = verify(folder)
    assert found.level == "altered" and any(finding.startswith(name) for finding in found.findings)


@pytest.mark.parametrize("name", ["note.txt", "uses/c.yaml", "report.html", "new/deep.txt", ".hidden"])
def test_an_unlisted_file_is_altered(tmp_path, name):
    folder = small_record(tmp_path / "run")
    (folder / name).parent.mkdir(exist_ok=True)
    (folder / name).write_text("x")
    found = verify(folder)
    assert found.level == "altered" and found.findings == [f"{name}: is in the folder but not in the manifest"]


def test_links_are_not_evidence(tmp_path):
    folder = small_record(tmp_path / "run")
    (folder / "sequence.yaml").rename(tmp_path / "elsewhere.yaml")
    (folder / "sequence.yaml").symlink_to(tmp_path / "elsewhere.yaml")
    assert verify(folder).level == "altered"
    other = small_record(tmp_path / "other")
    (other / "more").symlink_to(tmp_path, target_is_directory=True)
    assert verify(other).level == "altered"


def test_a_cut_or_lengthened_record_is_altered(tmp_path):
    folder = small_record(tmp_path / "run")
    path = folder / "record.jsonl"
    data = path.read_bytes()
    for changed in (data[:-1], data[: data.rindex(b'{"n"')], data + b"\n", data + b"more", b""):
        path.write_bytes(changed)
        assert verify(folder).level == "altered"


@pytest.mark.parametrize(
    "text", ["", "[]", "{", '{"files": 3}', '{"files": {"a": 1}}', '{"files": {"a": {"sha256": "b"}}}']
)
def test_a_manifest_that_is_none_is_altered(tmp_path, text):
    folder = small_record(tmp_path / "run")
    (folder / "manifest.json").write_text(text)
    assert verify(folder).level == "altered"
    with pytest.raises(RecordError, match="is not a manifest"):
        read_record(folder)


def test_without_a_manifest_the_record_is_incomplete(tmp_path):
    folder = small_record(tmp_path / "run")
    (folder / "manifest.json").unlink()
    assert verify(folder).level == "incomplete"
    assert not read_record(folder).complete


def test_the_manifest_says_what_was_run(tmp_path):
    manifest = read_record(heron_record.write_record(tmp_path / "run")).manifest
    assert manifest["document"] == heron_record.document()
    assert (manifest["format"], manifest["tool"]["name"], manifest["simulated"]) == (1, "topbox-bench", True)
    assert (manifest["seed"], manifest["box"]) == (7, "Heron 3 box B, serial 0007")
    assert manifest["started_utc"] <= manifest["ended_utc"] and manifest["ended_utc"].endswith("Z")
    assert manifest["lines"] == read_record(tmp_path / "run").lines


def test_derived_files_enter_the_manifest_and_can_be_renewed(tmp_path):
    folder = small_record(tmp_path / "run")
    before = read_record(folder).manifest
    for data in (b"one", b"two", b"two"):
        add_derived(folder, "report.html", data)
        assert verify(folder).level == "intact"
        assert (folder / "report.html").read_bytes() == data
    add_derived(folder, "junit.xml", b"<a/>")
    after = read_record(folder).manifest
    assert after["derived"] == ["junit.xml", "report.html"]
    assert {name: entry for name, entry in after["files"].items() if name in before["files"]} == before["files"]
    assert verify(folder).level == "intact"


@pytest.mark.parametrize("name", ["record.jsonl", "manifest.json", "manifest.sig", "sequence.yaml"])
def test_evidence_is_never_replaced(tmp_path, name):
    folder = small_record(tmp_path / "run")
    data = (folder / name).read_bytes()
    with pytest.raises(RecordError, match="never replaced"):
        add_derived(folder, name, b"x")
    assert (folder / name).read_bytes() == data


def test_adding_a_report_does_not_make_an_altered_record_good(tmp_path):
    folder = small_record(tmp_path / "run")
    (folder / "frames.log").write_text("")
    add_derived(folder, "report.html", b"x")
    found = verify(folder)
    assert found.level == "altered" and [f[:10] for f in found.findings] == ["frames.log"]
    (folder / "manifest.json").write_text((folder / "manifest.json").read_text().replace("pass", "fail"))
    with pytest.raises(RecordError, match="nothing was added"):
        add_derived(folder, "report.html", b"y")
    assert (folder / "report.html").read_bytes() == b"x"


def command(module, *words):
    import argparse

    parser = argparse.ArgumentParser()
    module.add_parser(parser.add_subparsers())
    return module.work(parser.parse_args([module.__name__.rpartition(".")[2], *map(str, words)]))


BENCH = load_bench(None)
FAILS = """\
sequence: cannot-pass
steps: [{name: Loop closes by itself, await: loop == 'closed', within: 100 ms}]
"""


def judged_record(records: Path, key: SigningKey | None = None) -> Path:
    """A record of a real run, whose verdict is `fail`."""
    (plan,) = plans_from_text(FAILS, "cannot-pass.yaml", BENCH, load_register(None))
    return Path(run_plan(plan, Options(records=records, key=key), Stop())["record"])


def forge(folder: Path, **changes) -> None:
    """What somebody could do who writes to the folder: another document, and every hash made anew."""
    manifest = load_manifest(folder)
    manifest["document"] |= changes
    write_manifest(folder, manifest)


def test_the_command_exits_0_1_3_whatever_the_verdict_was(tmp_path, capsys):
    folder = judged_record(tmp_path / "records")
    assert command(verify_command, folder) == 0
    assert capsys.readouterr().out == (
        f"{folder}: intact (7 files, {read_record(folder).lines} lines)\n"
        "  judging its events again gives the verdicts that it states\n"
        "  not signed: whoever can write to it could have made all of it anew\n"
    )
    incomplete = heron_record.write_record(tmp_path / "short", last_s=0.1, close=False)
    assert command(verify_command, incomplete) == 3
    assert "never closed" in capsys.readouterr().out
    (folder / "frames.log").write_text("")
    assert command(verify_command, folder, "--json") == 1
    document = json.loads(capsys.readouterr().out)
    assert document["level"] == "altered" and "frames.log" in document["findings"][0]
    assert document["record"] == str(folder) and document["lines"] == read_record(folder).lines


def test_a_verdict_that_the_events_do_not_give_is_found_though_every_hash_is_right(tmp_path, capsys):
    folder = judged_record(tmp_path / "records")
    forge(folder, verdict="pass", reason="")
    assert verify(folder).level == "intact"
    assert command(verify_command, folder) == 1
    assert "its events give another verdict: verdict: 'pass' became 'fail'" in capsys.readouterr().out


@pytest.fixture
def stored(tmp_path):
    """A record that an earlier version wrote, whose document did not say uncertainty, rule, trust nor other limits."""
    return Path(shutil.copytree(Path(__file__).parent / "stored" / "unpowered-box", tmp_path / "unpowered-box"))


def test_a_record_of_an_earlier_version_is_intact(stored, capsys):
    document = load_manifest(stored)["document"]
    assert "rule" not in document and not {"uncertainty", "false_accept"} & set(document["steps"][0])
    assert command(verify_command, stored) == 0
    assert "  judging its events again gives the verdicts that it states\n" in capsys.readouterr().out
    assert command(rejudge_command, stored) == 1  # its verdict: fail
    assert capsys.readouterr().out.endswith("the same as recorded\n")


def told_of(stored, capsys):
    """As if this version had written it."""
    write_manifest(stored, load_manifest(stored) | {"tool": {"name": "topbox-bench", "version": tool_version()}})
    assert verify(stored).level == "intact"
    assert command(verify_command, stored) == 1
    return capsys.readouterr().out.splitlines()[1:]


def test_a_value_that_an_earlier_version_stated_otherwise_is_found(stored, capsys):
    document = load_manifest(stored)["document"]
    document["steps"][0]["value"] = 1.0
    document["invariants"][0]["verdict"] = "fail"
    forge(stored, **document)
    start = "  its events give another verdict: "
    assert told_of(stored, capsys) == [
        f"{start}step Vehicle side is dead: value 1.0 became 0.0",
        f"{start}invariant coils-off: verdict 'fail' became 'pass'",
    ]


def test_another_version_that_judged_otherwise_has_altered_nothing(stored, capsys):
    document = load_manifest(stored)["document"]
    document["steps"][0]["value"] = 1.0
    forge(stored, **document)
    write_manifest(stored, load_manifest(stored) | {"tool": {"name": "topbox-bench", "version": "0.0.9"}})
    assert command(verify_command, stored) == 3
    assert capsys.readouterr().out.splitlines()[1:] == [
        f"  version 0.0.9 judged it, and this one, {tool_version()}, judges otherwise: "
        "step Vehicle side is dead: value 1.0 became 0.0"
    ]


def test_what_is_beyond_nine_digits_is_no_difference():
    said = {"verdict": "pass", "steps": [{"name": "a", "value": 0.046}], "invariants": []}
    for other, is_same in ((0.04600000000000004, True), (0.046000002, False), (None, False), ("0.046", False)):
        again = said | {"steps": [{"name": "a", "value": other}]}
        lines = [line for line in differences(said, again) if "became" in line]
        assert (lines == []) is is_same, other


@pytest.mark.parametrize(
    ("place", "key"),
    [((), "verdict"), ((), "reason"), (("steps", 0), "value"), (("steps", 3), "verdict"), (("invariants", 0), "at_s")],
)
def test_what_every_version_has_said_must_be_there(stored, capsys, place, key):
    document = inside = load_manifest(stored)["document"]
    for each in place:
        inside = inside[each]
    del inside[key]
    manifest = load_manifest(stored)
    write_manifest(stored, manifest | {"document": document})
    (finding,) = told_of(stored, capsys)
    assert finding.endswith(f"{key}{'' if place else ':'} is missing")


@pytest.mark.parametrize(
    ("change", "finding"),
    [
        ({"steps": []}, "steps: 0 became 5"),
        ({"invariants": []}, "invariants: 0 became 1"),
        ({"good": True}, "good: True is not said any more"),
        ({"verdict": "pass"}, "verdict: 'pass' became 'fail'"),
    ],
)
def test_a_document_that_says_something_else(stored, capsys, change, finding):
    forge(stored, **change)
    assert told_of(stored, capsys) == [f"  its events give another verdict: {finding}"]


def test_a_nested_value_is_compared_by_what_it_contained():
    document = run_document(Judge(plans_from_text(FAILS, "a.yaml", BENCH, load_register(None))[0]), "")
    after = json.loads(json.dumps(strict(document)))
    after["steps"][0]["predicted"] = {"value": 1.0, "tau": 2.0}
    before = json.loads(json.dumps(after))
    del before["steps"][0]["predicted"]["tau"]
    assert differences(before, after) == []
    before["steps"][0]["predicted"]["value"] = 1.5
    assert differences(before, after) == ["step Loop closes by itself: predicted, value 1.5 became 1.0"]


def test_a_record_that_cannot_be_judged_again_is_incomplete(tmp_path, capsys):
    folder = small_record(tmp_path / "run")
    assert command(verify_command, folder) == 3
    assert "it cannot be judged again" in capsys.readouterr().out


def test_only_the_key_asked_for_will_do(tmp_path, capsys):
    mine, other = new_key(tmp_path / "mine"), new_key(tmp_path / "other")
    folder = judged_record(tmp_path / "records", mine)
    assert command(verify_command, folder) == 0
    assert "nobody vouched" in capsys.readouterr().out
    assert command(verify_command, folder, "--key", tmp_path / "mine/public.pem") == 0
    assert f"signed by {fingerprint(mine.public)} (the key that you gave)" in capsys.readouterr().out
    assert command(verify_command, folder, "--key", tmp_path / "other/public.pem") == 1
    assert f"signed with another key, {fingerprint(mine.public)}" in capsys.readouterr().out
    forge(folder, title="another")
    assert command(verify_command, folder, "--key", tmp_path / "mine/public.pem") == 1
    assert "the record is not signed" in capsys.readouterr().out
    assert verify(folder, other.public).level == verify(folder, mine.public).level == "altered"


def test_what_is_derived_from_a_signed_record_is_signed_with_its_key_or_not_added(tmp_path):
    mine, other = new_key(tmp_path / "mine"), new_key(tmp_path / "other")
    folder = small_record(tmp_path / "run", mine)
    for key in (None, other):
        with pytest.raises(RecordError, match=r"is signed, and report\.html would change its manifest"):
            add_derived(folder, "report.html", b"x", key)
        assert not (folder / "report.html").exists() and verify(folder, mine.public).level == "intact"
    add_derived(folder, "report.html", b"x", mine)
    assert verify(folder, mine.public).level == "intact"
    unsigned = small_record(tmp_path / "unsigned")
    add_derived(unsigned, "report.html", b"x", mine)
    assert verify(unsigned).signed_by == ""  # a signature says who closed the run, not who made its report


def test_a_record_stays_intact_when_its_report_is_made(tmp_path, capsys):
    folder = judged_record(tmp_path / "records")
    for _ in range(2):
        assert command(report, folder) == 0
        assert capsys.readouterr().out.strip() == str(folder / "report.html")
        assert command(verify_command, folder) == 0
        capsys.readouterr()
