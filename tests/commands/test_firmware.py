"""A wrong label on a firmware, as a tired user meets it: at run, and in everything that reads the records later."""

import json
from pathlib import Path

import pytest

from bench.__main__ import main
from bench.errors import InputError
from bench.language.bench_file import load_bench
from bench.runner.options import controller

SEQUENCES = Path(__file__).parents[2] / "sequences"
ENERGISE = SEQUENCES / "standard" / "energise" / "energise-and-shutdown.yaml"
FIRST_BENCH = SEQUENCES / "benches" / "first-bench.yaml"
BOX = """\
from simulators.controller import ReferenceController
class Box(ReferenceController):
    firmware = "1.4.1"
class Silent(ReferenceController):
    pass
"""


@pytest.fixture
def call(tmp_path, monkeypatch, capsys):
    """Run a command in an empty folder; (exit status, standard output, standard error)."""
    monkeypatch.chdir(tmp_path)
    monkeypatch.syspath_prepend(str(tmp_path))

    def work(*arguments):
        capsys.readouterr()
        status = main([str(argument) for argument in arguments])
        return status, *capsys.readouterr()

    return work


def module(name, text=BOX):
    Path(f"{name}.py").write_text(text)
    return name


def records():
    return sorted(path for path in Path("records").iterdir() if path.is_dir())


def manifest_of(folder):
    return json.loads((folder / "manifest.json").read_text())


# -- what made the box ---------------------------------------------------------------------------------------------


def test_manifest_and_header_say_everything_that_made_the_box(call):
    import hashlib

    name = module("all_of_it")
    Path("fw.bin").write_bytes(b"program")
    arguments = [
        "--controller",
        f"{name}:Silent",
        "--fault",
        "fan-failed@0.5",
        "--set",
        "discharge_resistance=2.3 kohm",
    ]
    call("run", ENERGISE, "--firmware", "v1.4.2", "--firmware", "fw.bin", *arguments)
    (folder,) = records()
    header = json.loads((folder / "record.jsonl").read_bytes().split(b"\n")[0])
    expected = {
        "firmware": {"text": "v1.4.2", "file": "fw.bin", "sha256": hashlib.sha256(b"program").hexdigest()},
        "controller": {"class": f"{name}:Silent", "sha256": hashlib.sha256(BOX.encode()).hexdigest()},
        "faults": ["fan-failed@0.5"],
        "parameters": {"discharge_resistance": 2300.0},
    }
    assert header["made_of"] == expected
    assert {key: manifest_of(folder)[key] for key in expected} == expected
    call("report", folder)
    page = (folder / "report.html").read_text()
    assert f"<dt>Controller</dt><dd>{name}:Silent, source SHA-256 {expected['controller']['sha256']}</dd>" in page
    assert "<dt>Faults asked for</dt><dd>fan-failed@0.5</dd>" in page


def test_the_tools_own_controller_goes_by_the_tools_version(call):
    call("run", ENERGISE)
    assert manifest_of(records()[0])["controller"] == {"class": "simulators.controller:ReferenceController"}


@pytest.mark.parametrize(
    ("given", "error"),
    [
        (["build/fw.bin"], "there is no file 'build/fw.bin'; name the file that was loaded into the box"),
        (["v1", "v2"], "two versions are given; give the version, the file, or one of each"),
        (["a.hex", "b.hex"], "two files are given; give the version, the file, or one of each"),
    ],
)
def test_what_cannot_be_meant(call, given, error):
    for name in ("a.hex", "b.hex"):
        Path(name).write_text("x")
    status, _, err = call("run", ENERGISE, *(word for text in given for word in ("--firmware", text)))
    assert (status, err) == (2, f"--firmware:1:1: error: {error}\n")


def test_a_controller_is_for_the_simulated_box_only():
    with pytest.raises(InputError, match=r"--controller.*: the bench is not simulated; leave it out"):
        controller("any:Box", load_bench(FIRST_BENCH))


# -- a box that says its version -------------------------------------------------------------------------------------


def test_a_box_that_says_another_version_is_not_run(call):
    name = module("another")
    arguments = ["--controller", f"{name}:Box", "--firmware", "v1.4.2"]
    status, out, _ = call("run", ENERGISE, *arguments, "--json")
    (run,) = json.loads(out)["runs"]
    why = "the box says 1.4.1, the run was started for v1.4.2"
    assert (status, run["verdict"], run["reason"]) == (3, "inconclusive", why)
    assert {step["verdict"] for step in run["steps"] if not step["path"].startswith("afterwards")} == {"not-run"}
    (folder,) = records()
    assert manifest_of(folder)["firmware_said"] == "1.4.1"
    assert call("verify", folder)[0] == 0
    call("report", folder)
    first_page = (folder / "report.html").read_text().partition("<h2>Requirements</h2>")[0]
    assert why in first_page and "<dt>The box says</dt><dd>1.4.1</dd>" in first_page


@pytest.mark.parametrize("label", ["1.4.1", "v1.4.1", "heron3-1.4.1.bin"])
def test_a_box_that_says_the_right_version(call, label):
    name = module("right")
    if label.endswith(".bin"):
        Path(label).write_text("x")
    assert call("run", ENERGISE, "--controller", f"{name}:Box", "--firmware", label)[0] == 0


def test_a_file_named_for_another_version(call):
    name = module("named")
    Path("heron3-1.4.2.bin").write_text("x")
    _, out, _ = call("run", ENERGISE, "--controller", f"{name}:Box", "--firmware", "heron3-1.4.2.bin", "--json")
    assert json.loads(out)["runs"][0]["reason"] == "the box says 1.4.1, the run was started for heron3-1.4.2.bin"


# -- a label that was something else -----------------------------------------------------------------------------------


@pytest.fixture
def relabelled(call):
    """Two records of "v1.4.2": two files."""
    Path("fw.bin").write_bytes(b"one")
    assert call("run", ENERGISE, "--firmware", "v1.4.2", "--firmware", "fw.bin")[0] == 0
    Path("fw.bin").write_bytes(b"other")
    status, out, _ = call("run", ENERGISE, "--firmware", "v1.4.2", "--firmware", "fw.bin")
    assert status == 0
    return out


ONE, OTHER = "7692c3ad3540", "d9298a10d1b0"  # SHA-256 of b"one" and b"other", beginning


def test_run_says_at_its_start_that_the_label_was_another_file(relabelled):
    first, second = records()
    day = manifest_of(first)["started_utc"][:10]
    today = manifest_of(second)["started_utc"][:10]
    assert relabelled.splitlines()[0] == (
        f"warning: firmware 1.4.2 has been file {ONE} ({day}, {first.name}) and file {OTHER} ({today}, this run)"
    )
    assert manifest_of(first)["firmware_doubts"] == []
    (doubt,) = manifest_of(second)["firmware_doubts"]
    assert relabelled.startswith(f"warning: {doubt}\n")


def test_what_reads_the_records_says_it_too(relabelled, call):
    first, second = records()
    days = [manifest_of(folder)["started_utc"][:10] for folder in (first, second)]
    doubt = f"firmware 1.4.2 has been file {ONE} ({days[0]}, {first.name}) and file {OTHER} ({days[1]}, {second.name})"
    assert f"\n! {doubt}\n" in call("records")[1]
    assert json.loads(call("records", "--json")[1])["contradictions"] == [doubt]
    status, out, _ = call("compare", first, second, "--json")
    assert (status, json.loads(out)["reasons"][0]) == (3, doubt)
    assert call("compare", first, first)[0] == 0
    call("report", second)
    assert "The label or file of this firmware was another" in (second / "report.html").read_text()
    _, out, _ = call("dossier", "records", "-o", "dossier.html")
    assert out.endswith(" gaps, 1 contradiction in what the firmware was\n")
    gaps = Path("dossier.html").read_text().partition("<h2>Gaps</h2>")[2].partition("<table")[0]
    assert f"firmware 1.4.2 has been file {ONE} ({days[0]}, R1) and file {OTHER} ({days[1]}, R2)" in gaps


def test_one_file_under_two_labels(call):
    Path("fw.bin").write_bytes(b"one")
    call("run", ENERGISE, "--firmware", "v1.4.2", "--firmware", "fw.bin")
    _, out, _ = call("run", ENERGISE, "--firmware", "v1.4.3", "--firmware", "fw.bin", "--json")
    (doubt,) = json.loads(out)["firmware_doubts"]
    assert doubt.startswith(f"file {ONE} has been called 1.4.2 (") and doubt.endswith(", this run)")
    assert call("compare", *records())[0] == 3


def test_one_label_for_two_controllers(call):
    name = module("two_labels")
    call("run", ENERGISE, "--firmware", "v1.4.2")
    _, out, _ = call("run", ENERGISE, "--firmware", "v1.4.2", "--controller", f"{name}:Silent")
    assert out.startswith("warning: firmware 1.4.2 has been controller simulators.controller:ReferenceController (")
    status, out, _ = call("compare", *records())
    assert status == 3
    assert f"  controller: class simulators.controller:ReferenceController became class {name}:Silent" in out
    assert "? undecided: firmware 1.4.2 has been controller " in out


def test_nothing_is_said_of_what_was_never_labelled_or_is_the_same(call):
    name = module("unlabelled")
    call("run", ENERGISE)
    assert "warning" not in call("run", ENERGISE, "--controller", f"{name}:Silent")[1]
    call("run", ENERGISE, "--firmware", "v1")
    assert "warning" not in call("run", ENERGISE, "--firmware", "v1")[1]
    assert "!" not in call("records")[1]
