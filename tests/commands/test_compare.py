"""`run --repeat` and `compare` as a user meets them."""

import json
import re
from pathlib import Path

import pytest

from bench.__main__ import main

STANDARD = Path(__file__).parents[2] / "sequences" / "standard"
ENERGISE = STANDARD / "energise" / "energise-and-shutdown.yaml"


@pytest.fixture(scope="module")
def kept(tmp_path_factory):
    """Records of three firmwares: v1, v2 like it, and v3 with a weaker discharge."""
    records = tmp_path_factory.mktemp("kept") / "records"
    for firmware, seed, resistance in (("v1", 0, "2.2"), ("v2", 50, "2.2"), ("v3", 100, "2.4")):
        arguments = [str(ENERGISE), "--records", str(records), "--firmware", firmware, "--seed", str(seed), "--json"]
        arguments += ["--set", f"discharge_resistance={resistance} kohm", "--set", "ts_sense_noise=1 V"]
        assert main(["run", *arguments, "--repeat", "3"]) == 0
    return records


@pytest.fixture
def call(capsys):
    def work(*arguments):
        capsys.readouterr()
        status = main([str(argument) for argument in arguments])
        return status, *capsys.readouterr()

    return work


def of(records, firmware):
    folders = sorted(records.iterdir())
    return [
        f
        for f in folders
        if f.is_dir() and json.loads((f / "manifest.json").read_text())["firmware"]["text"] == firmware
    ]


# -- repeated runs -------------------------------------------------------------------------------------------------


def test_repeats(call, tmp_path):
    arguments = ["--records", tmp_path / "r", "--seed", 7, "--set", "ts_sense_noise=2 V", "--json"]
    status, out, _ = call("run", ENERGISE, "--repeat", 6, *arguments)
    document = json.loads(out)
    assert (status, len(document["runs"]), document["verdict"]) == (0, 6, "pass")
    (plan,) = document["repeats"]
    assert (plan["runs"], plan["verdicts"]) == (6, {"pass": 6})
    assert plan["fails_at_most"] == pytest.approx(1 - 0.05 ** (1 / 6))
    seeds = [json.loads((Path(record) / "manifest.json").read_text())["seed"] for record in plan["records"]]
    assert seeds == [7, 8, 9, 10, 11, 12]
    (time,) = [row for row in plan["quantities"] if row["requirement"] == "PRE-02"]
    values = [step["value"] for run in document["runs"] for step in run["steps"] if step["requirement"] == "PRE-02"]
    assert time["values"] == pytest.approx(values)
    assert time["mean"] == pytest.approx(sum(values) / 6)
    assert (time["least"], time["most"]) == (min(values), max(values))
    assert time["index"] == pytest.approx(min(time["mean"] - 0.39, 2.4 - time["mean"]) / 3 / time["sd"])
    assert sum(time["histogram"]["counts"]) == 6
    assert any(row["kind"] == "rule" for row in plan["quantities"])
    assert "repeats" not in json.loads(call("run", ENERGISE, *arguments)[1])


def test_the_worst_of_repeated_runs_is_the_verdict(call, tmp_path):
    """The bench's own measurement is so noisy that some runs show too low a voltage at closing."""
    arguments = ["--records", tmp_path / "r", "--set", "bench_ts_noise=4 V", "--json"]
    status, out, _ = call("run", ENERGISE, "--repeat", 12, *arguments)
    (plan,) = json.loads(out)["repeats"]
    assert set(plan["verdicts"]) == {"pass", "fail"}
    assert (status, plan["verdict"]) == (1, "fail")
    assert plan["fails_at_most"] > plan["verdicts"]["fail"] / 12
    (ratio,) = [row for row in plan["quantities"] if row["requirement"] == "PRE-01"]
    assert (ratio["worst"], ratio["tolerance_fits"]) == ("fail", False)
    assert ratio["least_margin"] < 0


def test_the_table_of_repeated_runs(call, tmp_path):
    _, out, _ = call("run", ENERGISE, "--repeat", 3, "--records", tmp_path / "r", "--set", "ts_sense_noise=2 V")
    assert "energise-and-shutdown: 3 runs, k(95/95) = 7.66" in out
    assert "with 95 % confidence at most 63 % of such runs fail" in out
    assert re.search(r"[▁▂▃▄▅▆▇█]", out) and "all the same" in out


def test_no_runs_at_all(call):
    status, _, err = call("run", ENERGISE, "--repeat", 0)
    assert (status, err) == (2, "--repeat:1:1: error: 0 runs are none; write a number from 1 on\n")


# -- compare -------------------------------------------------------------------------------------------------------


def test_a_record_and_itself(call, kept):
    record = of(kept, "v1")[0]
    status, out, _ = call("compare", record, record)
    assert status == 0
    assert out.rstrip().endswith("● equivalent")


def test_like_firmware_is_equivalent_and_a_changed_box_is_worse(call, kept):
    status, out, _ = call("compare", kept, "--firmware", "v1", "--firmware", "v2", "--json")
    document = json.loads(out)
    assert (status, document["outcome"], document["verdicts"]) == (0, "equivalent", [])
    assert {row["outcome"] for row in document["quantities"]} == {"equivalent"}
    status, out, _ = call("compare", kept, "--firmware", "v1", "--firmware", "v3", "--json")
    document = json.loads(out)
    assert (status, document["outcome"]) == (1, "worse")
    first = document["quantities"][0]
    assert (first["requirement"], first["outcome"]) == ("DIS-01", "worse")
    assert first["difference"] == pytest.approx(0.2e3 * 560e-6 * 1.905, abs=0.012)  # dR C ln(403.2/60)


def test_a_verdict_that_became_a_fail(call, kept, tmp_path):
    call("run", ENERGISE, "--records", tmp_path / "r", "--set", "discharge_resistance=5.6 kohm")
    status, out, _ = call("compare", of(kept, "v1")[0], tmp_path / "r")
    assert status == 1
    assert "✗ energise-and-shutdown: Discharge time: pass became fail" in out


def test_changed_limits_come_first_and_weigh(call, kept, tmp_path):
    limits = tmp_path / "limits.yaml"
    limits.write_text("limits:\n  - {id: DIS-01, limit: {max: 6 s}, reason: another event}\n")
    call("run", ENERGISE, "--records", tmp_path / "r", "--limits", limits, "--firmware", "v1")
    status, out, _ = call("compare", of(kept, "v1")[0], tmp_path / "r", "--json")
    document = json.loads(out)
    assert (status, document["outcome"]) == (3, "undecided")
    assert any(change["what"] == "limits.yaml" and change["weighs"] for change in document["inputs"])
    assert document["reasons"][0].startswith("the two sides were not asked the same")


def test_a_changed_register_is_told_limit_by_limit(tmp_path):
    from bench.comparing.inputs import changes
    from bench.comparing.side import Side
    from bench.record.store import Kept

    sides = []
    for name, limit in (("a", "5 s"), ("b", "4 s")):
        (tmp_path / name).mkdir()
        text = f"requirements:\n  - {{id: DIS-01, title: t, text: t, limit: {{max: {limit}}}}}\n"
        (tmp_path / name / "requirements.yaml").write_text(text)
        document = {"sequence": "s", "case": "", "rule": "simple"}
        files = {"requirements.yaml": {"sha256": name}}
        sides.append(Side(name, [Kept(tmp_path / name, {"document": document, "files": files})], []))
    (change,) = changes(*sides)
    assert (change.what, change.a, change.b, change.weighs) == ("limit of DIS-01", "max 5 s", "max 4 s", True)
    (tmp_path / "b" / "requirements.yaml").write_text(
        "# a comment\n" + (tmp_path / "a" / "requirements.yaml").read_text()
    )
    (change,) = changes(*sides)
    assert (change.what, change.weighs) == ("requirements.yaml (comments and layout only)", False)


def test_margins_of_the_teams_own(call, kept, tmp_path):
    margins = tmp_path / "margins.yaml"
    margins.write_text("margins:\n  - {margin: 20 ms, reason: two ticks}\n")
    status, out, _ = call("compare", kept, "--firmware", "v1", "--firmware", "v2", "--margins", margins, "--json")
    assert status == 3
    reasons = {row["reason"] for row in json.loads(out)["quantities"] if row["unit"] == "V"}
    assert reasons == {"no margin has been fixed for it"}


def test_a_baseline_is_kept_and_used(call, kept):
    status, out, _ = call("compare", kept, "--firmware", "v1", "--keep-baseline", "race-build", "--records", kept)
    assert (status, out) == (0, f"{kept / 'baseline-race-build.json'}: 3 records of firmware v1\n")
    arguments = ["compare", kept, "--records", kept, "--baseline", "race-build", "--firmware"]
    assert call(*arguments, "v2")[0] == 0
    assert call(*arguments, "v3")[0] == 1


def test_a_baseline_that_was_changed(call, kept, tmp_path):
    call("compare", of(kept, "v1")[0], "--keep-baseline", "one", "--records", kept)
    path = kept / "baseline-one.json"
    path.write_text(path.read_text().replace(of(kept, "v1")[0].name, of(kept, "v1")[1].name))
    status, _, err = call("compare", of(kept, "v2")[0], "--baseline", "one", "--records", kept)
    assert status == 3 and "is not the record that became baseline one" in err


def test_an_altered_record_proves_nothing(call, kept, tmp_path):
    import shutil

    copy = tmp_path / "copy"
    shutil.copytree(of(kept, "v1")[0], copy)
    text = (copy / "frames.log").read_text()
    (copy / "frames.log").write_text(text.replace("0", "1", 1))
    status, out, err = call("compare", of(kept, "v1")[0], copy)
    assert (status, out) == (3, "")
    assert "altered: frames.log" in err


@pytest.mark.parametrize(
    ("arguments", "wrong"),
    [
        (["{kept}"], "1 places and 0 firmwares are not two sides"),
        (["{kept}", "{kept}"], "the records are of several firmwares: v1 (3), v2 (3), v3 (3)"),
        (["{kept}", "--firmware", "v1", "--firmware", "v9"], "no closed record of firmware 'v9' is here"),
        (["nowhere", "{kept}"], "no closed record is here"),
        (["{kept}", "--baseline", "none-such"], "no baseline is called 'none-such'"),
        (["{kept}", "--baseline", "../x"], "'../x' is not a name here"),
        (["{kept}", "{kept}", "--keep-baseline", "x"], "more than one side is named"),
    ],
)
def test_mistakes(call, kept, arguments, wrong):
    status, out, err = call("compare", *(each.format(kept=kept) for each in arguments), "--records", kept)
    assert (status, out) == (2, "")
    assert f":1:1: error: {wrong}; " in err and len(err.splitlines()) == 1


def test_the_page(call, kept, tmp_path):
    for name in ("one.html", "other.html"):
        call("compare", kept, "--firmware", "v1", "--firmware", "v3", "-o", tmp_path / name)
    page = (tmp_path / "one.html").read_text()
    assert page == (tmp_path / "other.html").read_text()
    assert not re.search(r"https?:|//[a-z]|url\((?!#)|@import|<script", page)
    assert "✗ worse" in page and "A ts_voltage" in page and "B ts_voltage" in page
    assert "Simulated, in whole or in part" in page
    ids = re.findall(r' id="([^"]+)"', page)
    assert len(ids) == len(set(ids))
    assert re.search(r"<h2>Changed verdicts</h2>.*<h2>Measured quantities</h2>", page, re.DOTALL)


def test_of_simulated_parameters_only_the_changed_ones_are_told(call, kept):
    _, out, _ = call("compare", kept, "--firmware", "v1", "--firmware", "v3")
    assert "  simulated parameters: discharge_resistance 2200.0 became discharge_resistance 2400.0\n" in out
    assert "  firmware: v1 became v3\n" in out
