"""A sample of the sweep over real wires, in wall time: each device x {unplugged, hung, rubbish}, in mid-step.

The drivers, their threads and the bytes are real, the devices are the stand-ins. Proves that what `failing.py` takes
for granted happens: the driver or the engine notices, whatever the device does, and the box is left safe. Does not
prove it for every sequence and moment; that is `test_sweep.py`.
"""

import threading

import pytest
from devices.rig import eventually

from bench.devices.opening import bench_in_wall_time
from bench.events import Lost, StepBegan
from bench.judging.rejudge import differences, rejudge
from bench.language.bench_file import bench_from_text
from bench.language.loading import plans_from_text
from bench.language.register import load_register
from bench.record.verifying import verify
from bench.runner.options import Options
from bench.runner.run import run_plan
from bench.runner.stopping import Stop
from simulators import board_stand_in, wire_end
from simulators.stand_ins import TEMPLATE, StandIns

SEQUENCE = """
sequence: wait
title: The loop is closed and nothing else happens
energy: dry
steps:
  - {name: Close the loop, drive: {shutdown_loop: closed}}
  - {name: Nothing closes, hold: air_plus == 'open' and air_minus == 'open', for: 4 s}
  - {name: The pack is there, check: pack_voltage, limit: {min: 100 V}}
"""


def noise(data: bytes) -> bytes:
    """Nothing of the protocol is left but the ends of the lines."""
    return bytes(byte if byte == 13 else byte | 0x80 for byte in data)


#: How a device comes to fail.
TROUBLES = {
    ("io", "unplugged"): lambda bench: bench.board.unplug(),
    ("io", "hung"): lambda bench: bench.board.hang(),
    ("io", "rubbish"): lambda bench: setattr(bench.board, "mangle", board_stand_in.rubbish),
    ("bus", "unplugged"): lambda bench: bench.adapter.unplug(),
    ("bus", "hung"): lambda bench: setattr(bench.adapter, "hanging", True),
    ("bus", "rubbish"): lambda bench: setattr(bench.adapter, "mangle", noise),
    ("meter", "unplugged"): lambda bench: bench.meter.unplug(),
    ("meter", "hung"): lambda bench: setattr(bench.meter, "hung", True),
    ("meter", "rubbish"): lambda bench: setattr(bench.meter, "mangle", wire_end.rubbish),
    ("relays", "unplugged"): lambda bench: bench.relays.unplug(),
    ("relays", "hung"): lambda bench: setattr(bench.relays, "hung", True),
    ("relays", "rubbish"): lambda bench: setattr(bench.relays, "mangle", wire_end.rubbish),
}


@pytest.fixture
def stand_ins():
    with StandIns() as bench:
        yield bench


def run(stand_ins, folder, trouble=None):
    """(document, events): the sequence over the wires; `trouble` comes when its second step has begun."""
    bench = bench_from_text(stand_ins.bench_text, TEMPLATE)
    (plan,) = plans_from_text(SEQUENCE, "wait.yaml", bench, load_register(None))
    events = []

    def watch(event, judge):
        events.append(event)
        if isinstance(event, StepBegan) and event.path == "2" and trouble is not None:
            threading.Thread(target=trouble, args=(stand_ins,)).start()

    with bench_in_wall_time(bench) as opened:
        document = run_plan(plan, Options(records=folder), Stop(), watch, opened, powered_before_s=0.5)
    return document, events


@pytest.mark.parametrize(("device", "fault"), TROUBLES, ids=[" ".join(key) for key in TROUBLES])
def test_a_device_that_fails_in_the_middle(stand_ins, tmp_path, device, fault):
    document, events = run(stand_ins, tmp_path, TROUBLES[device, fault])
    assert document["verdict"] == "inconclusive", document["reason"]
    group = "insulation" if device == "relays" else device
    assert document["trouble"].startswith((f"{device}: ", f"nothing was read from {group} for "))
    assert not [step for step in document["steps"] if step["verdict"] in ("pass", "fail")]
    eventually(lambda: stand_ins.world.read("shutdown_loop") == "open" and stand_ins.world.read("loop") == "open")
    assert verify(document["record"]).level == "intact"
    again, before = rejudge(document["record"])
    assert differences(before, again) == []
    if device == "bus":
        assert next(event.device for event in events if isinstance(event, Lost)) == "bus"


def test_without_trouble_it_passes(stand_ins, tmp_path):
    document, _ = run(stand_ins, tmp_path)
    assert document["verdict"] == "pass", document["reason"]
