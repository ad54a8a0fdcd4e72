"""Energy stages: how high a sequence may go, what opens a stage and what does not, overrides and identity."""

from dataclasses import replace
from pathlib import Path

import pytest

from bench.language.loading import load_plans
from bench.language.register import load_register
from bench.record import MANIFEST_FILE
from bench.record.manifest import entry_of, load_manifest
from bench.record.reader import read_record
from bench.record.verifying import verify
from bench.report.exports import export
from bench.runner.acknowledging import Terminal
from bench.runner.options import Options
from bench.runner.run import run_plan
from bench.runner.stages import (
    STAGES,
    Wanted,
    lacking_identity,
    not_stand_ins,
    same_firmware,
    shortcoming,
    too_high,
    weak_override,
)
from bench.runner.stopping import Stop
from tests.judging.folding import plan_of
from tests.runner.running import START
from tests.runner.staging import FIRMWARE, LIVE, REAL, REASON, SHIPPED, STANDS_IN, WANTED, Bench, bench_with


@pytest.fixture
def at(tmp_path):
    return Bench(tmp_path)


def wanted(**changes):
    return replace(WANTED, **changes)


# -- how high a sequence may go ----------------------------------------------------------------------------------


@pytest.mark.parametrize("energy", STAGES)
@pytest.mark.parametrize("stage", STAGES)
@pytest.mark.parametrize("bench", [SHIPPED, STANDS_IN], ids=["simulated", "stands in"])
def test_a_sequence_says_how_high_it_may_go_on_any_bench(tmp_path, energy, stage, bench):
    file = tmp_path / "own.yaml"
    file.write_text(f"sequence: own\ntitle: Own\nenergy: {energy}\nsteps:\n  - pause: 1 s\n", encoding="utf-8")
    plans = load_plans([file], bench, load_register(None))
    here = Bench(tmp_path)
    if STAGES.index(stage) <= STAGES.index(energy):
        assert here.permit(Wanted(stage), bench, plans).stage == stage
    else:
        assert here.refusal(Wanted(stage), bench, plans).startswith(f"{file}:3:9: error: own may run at {energy}")


def test_a_sequence_that_says_nothing_stays_dry(tmp_path):
    file = tmp_path / "own.yaml"
    file.write_text("title: Own\nsequence: own\nsteps:\n  - pause: 1 s\n", encoding="utf-8")
    (plan,) = load_plans([file], REAL, load_register(None))
    assert too_high(plan, "dry") is None
    assert str(too_high(plan, "reduced")).startswith(f"{file}:2:11: error: own may run at dry at most, not at reduced")


def test_every_sequence_that_may_not_is_named(tmp_path, at):
    other = replace(at.plan, sequence="other", energy="dry", file="other.yaml")
    third = replace(at.plan, sequence="third", energy="reduced", file="third.yaml")
    text = at.refusal(Wanted("live"), SHIPPED, [at.plan, other, third])
    assert len(text.splitlines()) == 2
    assert "other.yaml:3:9" in text and "third.yaml:3:9" in text


# -- benches that nobody can be hurt at --------------------------------------------------------------------------


@pytest.mark.parametrize("bench", [SHIPPED, STANDS_IN], ids=["simulated", "stands in"])
@pytest.mark.parametrize("stage", ["", *STAGES])
def test_a_simulated_bench_is_every_stage(tmp_path, bench, stage):
    here = Bench(tmp_path)
    here.terminal = Terminal(False, True, here._answer, here.shown.append)
    given = here.permit(Wanted(stage), bench)
    assert given.stage == (stage or "simulated")
    assert (here.asked, here.shown, given.overrides, given.acknowledgement) == ([], [], {}, None)


def test_records_of_stand_ins_are_marked_simulated(tmp_path):
    from bench.record.header import header_fields

    plan = plan_of(tmp_path, START)
    marks = [header_fields(replace(plan, bench=b), "simple", 0)["simulated"] for b in (SHIPPED, STANDS_IN, REAL)]
    assert marks == [True, True, False]


@pytest.mark.parametrize(
    "device",
    ["port: /dev/ttyUSB0", "serial_number: A5", "port: socket://192.168.1.20:5025", "host: bench.lan", "channel: can0"],
)
def test_stand_ins_are_on_this_computer(at, device):
    bench = bench_with(f"box: {{driver: board, {device}}}", "stands_in: true\n")
    assert "take 'stands_in' out" in at.refusal(Wanted(), bench)


@pytest.mark.parametrize(
    "device", ["port: /dev/pts/7", "port: socket://127.0.0.1:5025", "host: 127.0.0.1, port: 502", "unit: 3"]
)
def test_what_is_on_this_computer_may_stand_in(device):
    assert not_stand_ins(bench_with(f"box: {{driver: board, {device}}}", "stands_in: true\n")) == []


# -- the order of stages -----------------------------------------------------------------------------------------


def test_dry_needs_nothing_and_is_the_default(at):
    given = at.permit(Wanted())
    assert (given.stage, given.fields(at.plan)["overrides"]) == ("dry", [])
    assert len(at.shown) == 1 and "local rules and licensed practice come first" in at.shown[0]


def test_a_passing_dry_record_opens_reduced_and_a_reduced_one_opens_live(at):
    dry = at.record()
    given = at.permit()
    assert given.fields(at.plan) == {
        "stage": "reduced", "opened_by": dry.name, "overrides": [], "acknowledgement": None,
    }  # fmt: skip
    assert any("Local rules and licensed practice come first" in line for line in at.shown)
    at.answers = ["yes", "yes"]
    live = replace(LIVE, rules=at.rules)
    assert f"no passing reduced record of {at.plan.sequence} with this box" in at.refusal(live)
    reduced = at.record("reduced")
    assert at.permit(live).opened_by == {("case", ""): reduced.name}


def test_the_newest_record_that_opens_it_is_named_and_later_trouble_does_not_close_it(at):
    at.record(name="one", started_utc="2026-01-01")
    at.record(name="two", started_utc="2026-01-02")
    at.record(name="three", started_utc="2026-01-03", document={"verdict": "inconclusive"})
    at.record(name="four", started_utc="2026-01-04", box="TB-08", document={"verdict": "fail"})
    assert at.permit().opened_by == {("case", ""): "two"}


def test_a_later_fail_closes_it_until_the_next_pass(at):
    at.record(name="one", started_utc="2026-01-01")
    at.record(name="two", started_utc="2026-01-02", document={"verdict": "fail"})
    assert "(two is fail)" in at.refusal()
    at.record(name="three", started_utc="2026-01-03")
    assert at.permit().opened_by == {("case", ""): "three"}


def test_what_could_not_fail_at_the_lower_stage_keeps_nobody_from_the_next(at):
    """Below 60 V with a 50 V supply says nothing; the next stage is where it is shown."""
    steps = [{"verdict": "pass", "began_s": 0.0}, {"verdict": "not-run", "began_s": 1.0}]
    at.record(name="one", document={"verdict": "not-run", "steps": steps, "invariants": [{"verdict": "pass"}]})
    assert at.permit().opened_by == {("case", ""): "one"}


@pytest.mark.parametrize(
    ("changes", "short"),
    [
        ({"simulated": True}, "is simulated"),
        ({"simulated": None}, "is simulated"),
        ({"box": "TB-08"}, "is of box TB-08"),
        ({"box": ""}, "is of box unknown"),
        ({"firmware": {"text": "v2"}}, "is of firmware v2"),
        ({"firmware": {"file": "box.bin", "sha256": "cd" * 32}}, "is of firmware cdcdcdcdcdcd"),
        ({"firmware": {}}, "is of firmware unknown"),
        ({"firmware": None}, "is of firmware unknown"),
        ({"document": {"verdict": "fail"}}, "is fail"),
        ({"document": {"verdict": "inconclusive"}}, "is inconclusive"),
        ({"document": {}}, "is without a verdict"),
        ({"document": {"verdict": "not-run", "steps": [{"verdict": "not-run", "began_s": None}]}}, "is not-run"),
        ({"document": {"verdict": "not-run", "invariants": [{"verdict": "not-run"}]}}, "is not-run"),
        ({"stage": "simulated"}, None),
        ({"stage": "reduced"}, None),
        ({"stage": None}, None),
        ({"sequence": "another"}, None),
        ({"case": "low"}, None),
    ],
)
def test_what_a_record_may_fall_short_of(at, changes, short):
    folder = at.record(**changes)
    text = at.refusal()
    assert text.startswith(f"--stage:1:1: error: {at.records} holds no passing dry record of case with this box")
    assert text.endswith("run it with --stage dry first, or say why not with --override REASON")
    assert (f"({folder.name} {short})" in text) if short else folder.name not in text


def test_a_record_of_another_text_of_the_sequence_opens_nothing(at):
    at.record()
    edited = {"sequence.yaml": at.plan.sources["sequence.yaml"].replace("within: 5 s", "within: 9 s")}
    changed = replace(at.plan, sources=at.plan.sources | edited)
    assert "is of another text of the sequence" in at.refusal(plans=[changed])
    used = replace(at.plan, sources=at.plan.sources | {"uses/reach.yaml": "sequence: reach"})
    assert "is of another text of the sequence" in at.refusal(plans=[used])
    bench = replace(at.plan, sources=at.plan.sources | {"bench.yaml": "rewired"})
    assert at.permit(plans=[bench]).opened_by


@pytest.mark.parametrize("name", ["record.jsonl", "frames.log", "sequence.yaml", MANIFEST_FILE])
def test_an_altered_record_opens_nothing(at, name):
    folder = at.record()
    path = folder / name
    data = path.read_bytes()
    path.write_bytes(data.replace(b'"stage": "dry"', b'"stage": "dry" ') if name == MANIFEST_FILE else data + b"\n")
    assert f"({folder.name} is not what it was when it was closed)" in at.refusal()


def test_an_older_intact_record_still_opens_it(at):
    at.record(name="old", started_utc="2026-01-01")
    (at.record(name="new", started_utc="2026-01-02") / "frames.log").write_text("")
    assert at.permit().opened_by == {("case", ""): "old"}


def test_a_record_that_was_never_closed_opens_nothing(at):
    (at.record() / MANIFEST_FILE).unlink()
    assert "holds no passing dry record" in at.refusal()


def test_a_real_simulated_run_opens_nothing(at):
    """As the run command leaves it, with stage, box and firmware given on the simulated bench."""
    given = at.permit(wanted(stage="dry"), SHIPPED)
    options = Options(records=at.records, permit=given, box="TB-07", firmware=FIRMWARE)
    document = run_plan(at.plan, options, Stop())
    assert document["verdict"] == "pass"
    manifest = load_manifest(Path(document["record"]))
    assert (manifest["stage"], manifest["simulated"], manifest["box"]) == ("dry", True, "TB-07")
    assert "is simulated" in at.refusal()


def test_each_case_of_a_sequence_is_opened_by_itself(at):
    low, full = replace(at.plan, case="low"), replace(at.plan, case="full")
    at.record(plan=low)
    text = at.refusal(plans=[low, full])
    assert len(text.splitlines()) == 1
    assert "of case, case full, with this box" in text


# -- identity ----------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("stage", ["reduced", "live"])
@pytest.mark.parametrize(
    ("box", "firmware"), [("", FIRMWARE), ("  ", FIRMWARE), ("TB-07", {}), ("TB-07", {"text": " "})]
)
def test_above_dry_the_identity_is_asked_for_and_no_override_replaces_it(at, stage, box, firmware):
    at.record()
    at.record("reduced")
    text = at.refusal(replace(LIVE, stage=stage, box=box, firmware=firmware, override=REASON, rules=at.rules))
    assert "give --firmware FILE" in text if box.strip() else "give --box TEXT" in text
    assert (len(lacking_identity(stage, "", {})), at.asked) == (2, [])


@pytest.mark.parametrize(
    ("one", "other", "same"),
    [
        ({"text": "v1"}, {"text": "v1"}, True),
        ({"text": "v1"}, {"text": "v1 "}, False),
        ({"file": "a.bin", "sha256": "ab"}, {"file": "b.bin", "sha256": "ab"}, True),
        ({"file": "a.bin", "sha256": "ab"}, {"file": "a.bin", "sha256": "cd"}, False),
        ({"text": "v1"}, {"text": "v1", "sha256": "ab"}, False),
        ({}, {}, False),
        ({"text": ""}, {"text": ""}, False),
        (None, None, False),
    ],
)
def test_the_same_firmware(one, other, same):
    assert same_firmware(one, other) is same
    assert same_firmware(other, one) is same


# -- overrides ---------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("reason", ["", "   ", "because", "go on", "- - -", "1 2 3", "ok 1 2"])
def test_an_override_needs_a_reason_that_can_be_read(at, reason):
    assert weak_override(reason) is not None
    assert "--override:1:1" in at.refusal(wanted(override=reason))


def test_an_override_with_a_reason_is_in_the_manifest_and_at_the_head_of_the_report(at):
    given = at.permit(wanted(override=REASON))
    document = run_plan(at.plan, Options(records=at.records, permit=given, box="TB-07", people=("A", "B")), Stop())
    folder = Path(document["record"])
    manifest = load_manifest(folder)
    (override,) = manifest["overrides"]
    assert override["reason"] == REASON
    assert override["what"].startswith("run at reduced with no passing dry record of case")
    assert manifest["stage"] == "reduced"
    assert manifest["people"] == {"operator": "", "present": ["A", "B"]}
    assert verify(folder).findings == []
    page = export(read_record(folder), "html").decode()
    before_verdict = page[: page.index("<h2>Verdict</h2>")]
    assert "This run was made under an override." in before_verdict and REASON in before_verdict
    facts = page[page.index("<h2>Verdict</h2>") : page.index("<h2>Requirements</h2>")]
    assert REASON in facts and "reduced" in facts and "A; B" in facts


def test_an_override_that_nothing_needed_is_none(at):
    at.record()
    assert at.permit(wanted(override=REASON)).fields(at.plan)["overrides"] == []


def test_a_shortcoming_needs_no_disk(at):
    """The deciding half works on manifests alone."""
    manifest = {"sequence": "case", "case": "", "stage": "dry", "simulated": False, "box": "TB-07",
                "firmware": FIRMWARE, "document": {"verdict": "pass"},
                "files": {"sequence.yaml": entry_of(at.plan.sources["sequence.yaml"].encode())}}  # fmt: skip
    assert shortcoming(manifest, at.plan, WANTED) == ""
    assert shortcoming({}, at.plan, WANTED) is None
    assert shortcoming(manifest | {"files": {}}, at.plan, WANTED) == "is of another text of the sequence"
