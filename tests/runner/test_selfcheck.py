"""The bench checks itself: what passes, what is left out, and what a bench in doubt must not run."""

import json
from datetime import date
from math import cos, exp, pi
from random import Random

import pytest

from bench.__main__ import main
from bench.errors import InputError
from bench.language.bench_file import bench_from_text, load_bench
from bench.language.register import load_register
from bench.runner.noise import swing
from bench.runner.options import Options
from bench.runner.selfcheck import SelfCheck, check_bench, known_bad_text, needed, walk_text
from bench.runner.stopping import Stop
from tests.judging.folding import plan_of
from tests.runner.running import START

SHIPPED = load_bench(None)


def bench_with(old, new):
    assert old in SHIPPED.source_text
    return bench_from_text(SHIPPED.source_text.replace(old, new, 1), SHIPPED.file)


def checked(bench, tmp_path, **options):
    return check_bench(bench, load_register(None), Options(records=tmp_path, **options), Stop())


def test_the_shipped_bench_passes_and_can_say_no(tmp_path):
    found = checked(SHIPPED, tmp_path)
    assert (found.verdict, found.usable, found.failed) == ("pass", True, {})
    assert found.known_bad["verdict"] == "fail"
    assert found.as_document()["can_say_no"] is True


def test_every_switched_output_is_walked_and_left_safe(tmp_path):
    text = walk_text(SHIPPED)
    for channel in SHIPPED.channels.values():
        if channel.direction == "driven" and channel.states:
            for state in channel.states:
                assert f"drive: {{{channel.name}: '{state}'}}" in text
    assert text.index("reset_request goes to pressed") > text.index("bms_line goes to fault")


def test_a_channel_that_reads_nonsense_is_named_and_the_rest_is_still_checked(tmp_path):
    bench = bench_with("pack_voltage: {group: io, direction: read, unit: V, range: [-50 V, 700 V]",
                       "pack_voltage: {group: io, direction: read, unit: V, range: [-50 V, 300 V]")  # fmt: skip
    found = checked(bench, tmp_path)
    assert set(found.failed) == {"pack_voltage"}
    assert (found.usable, found.verdict) == (True, "inconclusive")
    uses_it = plan_of(tmp_path, "- {name: Look, check: pack_voltage, limit: {min: 100 V}}")
    assert found.objection(uses_it).startswith("pack_voltage failed the self-check")
    assert found.objection(plan_of(tmp_path, START)) == ""


def test_a_box_that_energises_while_the_outputs_are_walked_stops_everything(tmp_path):
    class Twitches:
        period_s = 0.01

        def step(self, t, inputs):
            from simulators.controller import Outputs

            return Outputs(precharge=inputs.start_request)

    found = checked(SHIPPED, tmp_path, controller=Twitches)
    assert (found.usable, found.verdict) == (False, "inconclusive")
    assert "nothing-energised" in found.objection(plan_of(tmp_path, START))


def test_a_bench_that_cannot_say_no_is_not_usable():
    walk = {"verdict": "pass", "reason": "", "record": ""}
    found = SelfCheck(walk, walk, {}, {})
    assert (found.usable, found.verdict) == (False, "inconclusive")


def test_meters_that_should_agree(tmp_path):
    text = SHIPPED.source_text + "agree:\n  - {first: pack_voltage, second: ts_voltage, within: 5 V}\n"
    found = checked(bench_from_text(text, SHIPPED.file), tmp_path)
    assert set(found.failed) == {"pack_voltage"}


def test_a_bench_without_any_state_to_read_is_refused():
    text = "bench: b\ndevices: {d: {driver: simulated}}\nchannels: {v: {direction: read, unit: V}}\n"
    with pytest.raises(InputError, match="needs one"):
        known_bad_text(bench_from_text(text, "b.yaml"))


def test_calibration_dates():
    text = SHIPPED.source_text.replace("{driver: simulated}", "{driver: simulated, calibrated_until: '2026-03-01'}")
    bench = bench_from_text(text, SHIPPED.file)
    assert bench.overdue(date(2026, 3, 1)) == {}
    assert bench.overdue(date(2026, 3, 2)) == {"box": date(2026, 3, 1)}
    with pytest.raises(InputError, match="no date"):
        bench_from_text(text.replace("2026-03-01", "spring"), "b.yaml")


@pytest.mark.parametrize(("volts", "usable"), [(0.02, True), (3.0, False)])
def test_a_sense_line_that_picks_up_noise_is_not_relied_on(tmp_path, volts, usable):
    """Fault 23 of the bench: measured with everything off, beside what the bench file says of its accuracy (0.2 V)."""
    found = checked(SHIPPED, tmp_path, parameters={"bench_ts_noise": volts})
    assert found.noise["pack_voltage"] == 0.0
    assert found.noise["ts_voltage"] > volts
    needs_it = plan_of(tmp_path, "- {name: Low, check: ts_voltage, limit: {max: 60 V}}")
    if usable:
        assert (found.failed, found.objection(needs_it)) == ({}, "")
    else:
        assert set(found.failed) == {"ts_voltage"}
        assert "with everything off it swings by" in found.objection(needs_it)
        assert found.verdict == "inconclusive"


EVERY_10_MS = [round(-1.0 + n / 100, 3) for n in range(100)]


@pytest.mark.parametrize("noise", [0.0, 0.02, 0.5])
def test_what_is_still_discharging_is_no_noise(noise):
    """60 V a few seconds ago, and 1.23 s of time constant: it falls by 1.4 V while the noise is looked at."""
    random = Random(1)
    readings = [2.5 * exp(-(t + 1.0) / 1.23) + random.uniform(-noise, noise) for t in EVERY_10_MS]
    assert swing(EVERY_10_MS, readings) == pytest.approx(noise, rel=0.15, abs=0.002)


@pytest.mark.parametrize("hertz", [1.0, 2.5, 7.0, 50.0])
def test_what_comes_and_goes_is_noise(hertz):
    """However slowly the hum of the mains comes out between two readings."""
    readings = [0.4 * cos(2 * pi * hertz * t) for t in EVERY_10_MS]
    assert swing(EVERY_10_MS, readings) == pytest.approx(0.4, rel=0.01)


def test_few_readings_are_taken_as_they_are():
    assert swing([0.0, 0.1, 0.2, 0.3, 0.4], [5.0, 4.0, 3.0, 2.0, 1.0]) == 2.0


def test_what_a_plan_needs(tmp_path):
    assert needed(plan_of(tmp_path, START)) == {
        "shutdown_loop", "start_request", "air_minus", "air_plus", "ts_voltage"
    }  # fmt: skip


def test_the_command(tmp_path, capsys):
    assert main(["selfcheck", "--records", str(tmp_path), "--json"]) == 0
    document = json.loads(capsys.readouterr().out)
    assert (document["verdict"], document["can_say_no"], len(document["records"])) == ("pass", True, 2)
    assert main(["selfcheck", "--records", str(tmp_path)]) == 0
    assert "the bench can say no" in capsys.readouterr().out
