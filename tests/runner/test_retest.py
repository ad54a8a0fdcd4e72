"""What must be shown again after a repair, over commands; and the choice of what to run."""

import json

import pytest

from bench.__main__ import main
from bench.errors import InputError, RecordError
from bench.language.bench_file import load_bench
from bench.language.loading import load_plans
from bench.language.register import load_register
from bench.language.shipped import shipped_folder
from bench.runner.options import chosen
from bench.runner.retest import FILE, Retest, wanted_parts

BENCH, REGISTER = load_bench(None), load_register(None)
DISCHARGE = shipped_folder() / "standard" / "discharge"
WARNING = "NOT SHOWN TO BE SAFE TO USE: discharge resistor was replaced"


def run(tmp_path, capsys, *more):
    status = main(["run", str(DISCHARGE), "--records", str(tmp_path), *more])
    return status, capsys.readouterr().out


def test_the_warning_stays_until_everything_has_been_shown_again(tmp_path, capsys):
    half_burnt = ("--set", "discharge_resistance=4.4 kohm")
    status, out = run(tmp_path, capsys, "--replaced", "discharge resistor", *half_burnt)
    assert status == 1
    assert f"{WARNING}, and this has not been shown again: DIS-07" in out
    status, out = run(tmp_path, capsys, "--proves", "DIS-08")
    assert status == 0 and WARNING in out  # another run does not make it go away
    status, out = run(tmp_path, capsys, "--proves", "DIS-07", "--json")
    assert status == 0 and json.loads(out)["to_be_shown_again"] == {}
    assert WARNING not in run(tmp_path, capsys, "--proves", "DIS-08")[1]


def test_a_requirement_that_failed_once_has_not_been_shown(tmp_path):
    retest = Retest(tmp_path, "TB-07", BENCH)
    retest.replaced({"fans": ("AUX-02", "AUX-03")})
    retest.ran([{"verdict": "pass", "proves": ["AUX-02", "AUX-03"]}, {"verdict": "inconclusive", "proves": ["AUX-03"]}])
    assert Retest(tmp_path, "TB-07", BENCH).open == {"fans": ["AUX-03"]}
    assert Retest(tmp_path, "TB-08", BENCH).open == {}
    assert Retest(tmp_path, "TB-07", load_bench(shipped_folder() / "benches" / "first-bench.yaml")).open == {}


def test_a_list_that_cannot_be_read_is_not_empty(tmp_path):
    (tmp_path / FILE).write_text("{", encoding="utf-8")
    with pytest.raises(RecordError, match="cannot read which parts were replaced"):
        Retest(tmp_path, "", BENCH)


def test_an_unknown_part_is_told_with_the_nearest():
    with pytest.raises(InputError, match="did you mean 'discharge relay'"):
        wanted_parts(["discharge rely"], REGISTER)


def test_what_is_chosen():
    plans = load_plans([DISCHARGE], BENCH, REGISTER)
    assert chosen(plans, [], [], REGISTER) == plans
    assert {plan.sequence for plan in chosen(plans, ["DIS-07"], [], REGISTER)} == {"discharge-time-constant"}
    assert all("triage" in plan.tags for plan in chosen(plans, [], ["triage"], REGISTER))
    for proves, tags, what in ((["DIS-7"], [], "'DIS-7' is not known"), ([], ["triag"], "'triag' is not known"),
                               (["DIS-08"], ["triage"], "no sequence is left")):  # fmt: skip
        with pytest.raises(InputError, match=what):
            chosen(plans, proves, tags, REGISTER)
