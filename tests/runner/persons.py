"""A bench on which a person reads, answers and files photos, and a run on it."""

import time

from bench.devices.base import Device
from bench.devices.operator import Operator
from bench.devices.person import Person
from bench.devices.wall_bench import WallBench
from bench.language.bench_file import bench_from_text
from bench.language.loading import plans_from_text
from bench.language.register import load_register
from bench.record.reader import read_record
from bench.runner.options import Options
from bench.runner.run import run_plan
from bench.runner.stopping import Stop

BENCH = """\
bench: persons
devices: {person: {driver: operator, people: [A. Keller], least: 0.00001 ms, silence: 20 s}, switch: {driver: line}}
every: 10 ms
stale_after: 100 ms
channels:
  tester: {device: person, direction: read, unit: V, range: [0 V, 1000 V], note: at the measuring points}
  cap: {device: person, direction: read, states: ["on", "off"]}
  feed: {device: switch, direction: driven, states: ["off", "on"], safe: "off"}
"""
HEAD = "sequence: with-a-person\ntitle: T\nenergy: dry\npurpose: P.\nsteps:\n"


class Switch(Device):
    def connect(self):
        return "a switch"

    def listen(self, timeout_s):
        return ()

    def drive(self, changes):
        pass

    def close(self):
        pass


def ran(tmp_path, steps, *answers, name="B. Roth"):
    """The document of a run, its events, and what the person was asked."""
    left, asked = list(answers), []

    def prompt(text, timeout_s):
        asked.append(text)
        began = time.monotonic()
        while time.monotonic() - began < 1e-6:  # the clock has to have moved
            pass
        return left.pop(0) if left else None

    bench = bench_from_text(BENCH, "persons.yaml")
    (plan,) = plans_from_text(HEAD + steps, "with-a-person.yaml", bench, load_register(None))
    person = Operator("person", bench.devices["person"].options, channels(bench, "person"), bench, prompt)
    switch = Switch("switch", {}, channels(bench, "switch"), bench)
    with Stop() as stop, WallBench([person, switch], Person(prompt, name, least_s=0.0)) as opened:
        document = run_plan(plan, Options(records=tmp_path), stop, opened=opened, powered_before_s=0.05)
    return document, list(read_record(document["record"]).events()), asked


def channels(bench, device):
    return {name: channel for name, channel in bench.channels.items() if channel.device == device}
