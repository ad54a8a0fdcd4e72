"""Two operators, two programs, one bench (needs 23, fault 19): the second is told who the first is."""

import subprocess
import sys

import pytest
from devices.wire_rig import METER, SimulatedMeter, bench_of

from bench.devices.holding import held
from bench.devices.opening import bench_in_wall_time
from bench.errors import BenchError


def test_the_second_is_told_who_holds_it(tmp_path):
    bench = bench_of(METER, "/dev/none")
    said = r"bench meters is in use: A\. Fell \(process [0-9]+, since .*\) holds it"
    with held(bench, "A. Fell", tmp_path), pytest.raises(BenchError, match=said), held(bench, "B. Tarn", tmp_path):
        pass
    with held(bench, "B. Tarn", tmp_path):
        pass


def test_another_bench_is_another(tmp_path):
    with held(bench_of(METER, "/dev/one"), "A", tmp_path), held(bench_of(METER, "/dev/two"), "B", tmp_path):
        pass


def test_the_same_devices_under_another_name_are_the_same_bench(tmp_path):
    one = bench_of(METER, "/dev/none")
    other = bench_of(METER.replace("bench: meters", "bench: mine"), "/dev/none")
    with held(one, "A", tmp_path), pytest.raises(BenchError, match="bench mine is in use"), held(other, "B", tmp_path):
        pass


def test_a_killed_holder_holds_nothing(tmp_path):
    bench = bench_of(METER, "/dev/none")
    code = (
        "import sys; sys.path[:0] = sys.argv[2:]\n"
        "from pathlib import Path\n"
        "from bench.devices.holding import held\n"
        "from devices.wire_rig import METER, bench_of\n"
        "with held(bench_of(METER, '/dev/none'), 'A. Fell', Path(sys.argv[1])):\n"
        "    print('held', flush=True); sys.stdin.read()\n"
    )
    paths = [each for each in sys.path if each]
    with subprocess.Popen([sys.executable, "-c", code, str(tmp_path), *paths], stdin=subprocess.PIPE,
                          stdout=subprocess.PIPE, text=True) as other:  # fmt: skip
        assert other.stdout.readline() == "held\n"
        with pytest.raises(BenchError, match=rf"A\. Fell \(process {other.pid}"), held(bench, "B", tmp_path):
            pass
        other.kill()
        other.wait()
        with held(bench, "B", tmp_path):
            pass


def test_no_port_is_touched_while_another_holds_the_bench():
    with SimulatedMeter() as meter:
        bench = bench_of(METER, meter.port)
        with held(bench, "A. Fell"), pytest.raises(BenchError, match="is in use"), bench_in_wall_time(bench, "B. Tarn"):
            pass
        with bench_in_wall_time(bench, "B. Tarn") as opened:
            assert "Tarn Instruments" in opened.identities["meter"]
