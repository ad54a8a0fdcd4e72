"""CAN intake: cost per frame through the whole path, and full buses without a lost frame.

Cost: one thread, python-can's virtual interface filled beforehand; ours is driver, decode of the signals in use, queue,
engine and record on disk; beside it python-can's own receive loop with cantools decoding everything, in the same run.

Full buses: a sender at the rate of a full bus, the driver in its reader thread, engine and record in the main thread,
as in a run. Frames a second of a full bus = bit rate / bits of a frame; the shortest 8-byte frame with an 11-bit
identifier has 8 n + 47 = 111 bits with its interframe space and no stuff bit (n = 8; see tests/published), so 9009
frames/s at 1 Mbit/s and 4504 at 500 kbit/s: the most that an adapter can have to hand over.

Run: python tests/benchmarks/can_intake.py [--seconds 5]
"""

import argparse
import os
import random
import subprocess
import sys
import tempfile
import time
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[2]))

from bench.devices.can_bus import CanBus
from bench.devices.can_port import without_asammdf
from bench.devices.simulated import SimulatedBench
from bench.devices.wall_bench import WallBench
from bench.events import Batch, Lost, Noted
from bench.judging.judge import Judge
from bench.language.bench_file import bench_from_text, load_bench
from bench.language.loading import load_plans
from bench.language.register import load_register
from bench.language.shipped import shipped_file, shipped_folder
from bench.language.surroundings import can_database
from bench.record.header import header_fields
from bench.record.writer import new_record
from bench.runner.collector import short_pauses
from bench.runner.engine import Engine
from bench.runner.hands import Hands
from bench.runner.stopping import Stop
from bench.runner.virtual_loop import run_virtual
from simulators.world import World

DATABASE = shipped_file("heron3.dbc")
FRAME_BITS = 8 * 8 + 47
FULL_1M, FULL_500K = 1_000_000 / FRAME_BITS, 500_000 / FRAME_BITS
SOME = ("controller_state", "fan_duty", "pack_voltage", "ts_voltage", "max_cell_voltage", "max_cell_temperature")


def bench_text(devices: dict[str, str], wanted) -> str:
    """A bench with these CAN devices and on each a channel for every wanted signal; None: for all.

    Message counters are no channels: the driver checks them.
    """
    counters = "{box_status: status_counter, box_measurements: measurements_counter, bms_cells: cells_counter}"
    lines = ["bench: intake", f"database: {DATABASE}", "stale_after: 10 s", "devices:"]
    lines += [f"  {name}: {{driver: can, counters: {counters}, {entry}}}" for name, entry in devices.items()]
    lines.append("channels:")
    for device in devices:
        for message in can_database(DATABASE).messages:
            for signal in message.signals:
                if signal.name in wanted if wanted else not signal.name.endswith("_counter"):
                    kind = "text: true" if signal.choices else f'unit: "{signal.unit or ""}"'
                    lines.append(
                        f"  {device}_{message.name}_{signal.name}: {{device: {device}, direction: read, {kind}, "
                        f"signal: {message.name}.{signal.name}, group: {device}_{message.name}, may_be_silent: true}}"
                    )
    return "\n".join(lines) + "\n"


Traffic = list[tuple[int, bytes]]


def of_the_car() -> Traffic:
    """What is on the bus while the shipped sequence energise-and-shutdown runs: identifier and data, in order."""
    (plan,) = load_plans(
        [shipped_folder() / "standard/energise/energise-and-shutdown.yaml"], load_bench(), load_register()
    )
    frames: Traffic = []

    class Listening:
        def batches(self, batches: list[Batch]) -> None:
            frames.extend((frame.id, frame.data) for batch in batches for frame in batch.frames)

        def event(self, event) -> None:
            pass

    world = World(plan.bench, plan.simulated)
    bench = SimulatedBench(world, plan.bench.database)
    engine = Engine(plan, Judge(plan), world.start_s)
    run_virtual(engine, bench, Hands(engine, bench, Listening()), Stop())
    return frames


def restless(count: int = 4800) -> Traffic:
    """The three messages in turn, every value of measurements and cells new in every frame."""
    chance = random.Random(4)
    messages = {message.name: message for message in can_database(DATABASE).messages}
    frames: Traffic = []
    status: dict[str, float | str] = {signal.name: 0 for signal in messages["box_status"].signals}
    for n in range(count):
        match n % 3:
            case 0:
                if n % 20 == 0:
                    status |= {"fan_duty": chance.randrange(200) / 2, "controller_state": chance.randrange(5)}
                name, values = "box_status", status | {"status_counter": n // 3 % 16}
            case 1:
                volts = {each: chance.randrange(0, 6000) / 10 for each in ("pack_voltage", "ts_voltage")}
                name, values = "box_measurements", volts | {"pack_current": 1.0, "measurements_counter": n // 3 % 16}
            case _:
                cells = {f"{end}_cell_voltage": chance.randrange(27000, 42000) / 1e4 for end in ("max", "min")}
                cells |= {f"{end}_cell_temperature": chance.randrange(-200, 600) / 10 for end in ("max", "min")}
                name, values = "bms_cells", cells | {"cells_counter": n // 3 % 16}
        frames.append((messages[name].frame_id, bytes(messages[name].encode(values, strict=False))))
    return frames


class Intake:
    """Bench, engine and record as in a run: a hold on one of the channels is open all the time."""

    def __init__(self, folder: Path, devices: dict[str, str], wanted):
        self.bench = bench_from_text(bench_text(devices, wanted), str(folder / "bench.yaml"))
        self.devices = [
            CanBus(
                name, entry.options, {c.name: c for c in self.bench.channels.values() if c.device == name}, self.bench
            )
            for name, entry in self.bench.devices.items()
        ]
        sequence = folder / "intake.yaml"
        first = next(name for name in self.bench.channels if name.endswith("pack_voltage"))
        sequence.write_text(
            "sequence: intake\ntitle: Intake\nenergy: dry\npower: off\nsteps:\n"
            f"  - {{name: Listen, hold: {first} > -5000 V, for: 100000 s}}\n"
        )
        (plan,) = load_plans([sequence], self.bench, load_register(None))
        self.wall = WallBench(self.devices)
        self.engine = Engine(plan, Judge(plan), 0.0)
        self.record = new_record(folder, "record", header_fields(plan, "simple", 0), plan.sources, True)
        self.hands = Hands(self.engine, self.wall, self.record)
        self.hands.begin()
        self.frames = 0
        self.notes: list[str] = []

    def happened(self, events) -> None:
        for event in events:
            if type(event) is Batch:
                self.frames += len(event.frames)
            elif type(event) is Noted:
                self.notes.append(event.text)
            elif type(event) is Lost:
                self.notes.append(f"lost: {event.cause}")
        self.hands.happened(events)


def cost(name: str, traffic: Traffic, count: int) -> None:
    with without_asammdf():
        import can
    frames = [traffic[n % len(traffic)] for n in range(count)]
    database = can_database(DATABASE)

    def filled(channel: str) -> None:
        sender = can.Bus(interface="virtual", channel=channel, ignore_config=True)
        for number, data in frames:
            sender.send(can.Message(arbitration_id=number, data=data, is_extended_id=False))
        sender.shutdown()

    def plain() -> float:
        bus = can.Bus(interface="virtual", channel="plain", ignore_config=True)
        filled("plain")
        begun = time.process_time()
        taken = 0
        while (message := bus.recv(0)) is not None:
            database.decode_message(message.arbitration_id, message.data)
            taken += 1
        spent = time.process_time() - begun
        bus.shutdown()
        assert taken == count
        return spent / count

    def ours(wanted) -> float:
        with tempfile.TemporaryDirectory() as folder:
            intake = Intake(Path(folder), {"can": "interface: virtual, channel: ours"}, wanted)
            (device,) = intake.devices
            device.connect()
            device.listen(0.0)
            filled("ours")
            begun = time.process_time()
            while intake.frames < count:
                intake.wall._post(device.listen(0.0))
                intake.happened(intake.wall.take())
            spent = time.process_time() - begun
            device.close()
            intake.record.abandon()
            return spent / count

    with short_pauses():  # as in a run; for both
        rounds = [(plain(), ours(None), ours(SOME)) for _ in range(5)]
    reference, everything, some = (min(times) for times in zip(*rounds, strict=True))
    print(f"cost per frame, {name}: {count} frames, best of 5, one thread (process CPU)")
    what = "python-can receive + cantools decode of everything"
    print(f"  {what}  {reference * 1e6:6.1f} us  {1 / reference:8.0f} frames/s")
    for what, each in (("all signals", everything), (f"{len(SOME)} signals in use", some)):
        print(f"  ours, whole path to the record, {what:19s} {each * 1e6:6.1f} us  {1 / each:8.0f} frames/s"
              f"  ratio {each / reference:.2f}")  # fmt: skip


def full_buses(seconds: float) -> None:
    """Two buses at 1 Mbit/s through the virtual interface, each with its sender in a thread."""
    with without_asammdf():
        import can
    import threading

    frames = restless()
    total = int(FULL_1M * seconds)
    with tempfile.TemporaryDirectory() as folder:
        names = ("one", "two")
        intake = Intake(Path(folder), {name: f"interface: virtual, channel: full-{name}" for name in names}, SOME)

        def send(name: str) -> None:
            bus = can.Bus(interface="virtual", channel=f"full-{name}", ignore_config=True)
            messages = [can.Message(arbitration_id=n, data=d, is_extended_id=False) for n, d in frames]
            begun, sent = time.monotonic(), 0
            while sent < total:
                due = min(int((time.monotonic() - begun) * FULL_1M), total)
                for n in range(sent, due):
                    bus.send(messages[n % len(messages)])
                sent = due
                time.sleep(0.001)
            took.append(time.monotonic() - begun)
            bus.shutdown()

        took: list[float] = []
        with intake.wall:
            time.sleep(0.2)
            intake.wall.begin(0.0)
            threads = [threading.Thread(target=send, args=(name,)) for name in names]
            for thread in threads:
                thread.start()
            report("two full 1 Mbit/s buses, virtual interface", intake, 2 * total, seconds, FULL_1M, took)


def full_serial_line(seconds: float) -> None:
    """The adapter is a process of its own, so that it does not share our core's interpreter."""
    total = int(FULL_500K * seconds)
    program = (
        "import sys, time; from pathlib import Path\n"
        "from simulators.can_adapter import CanAdapter; from bench.events import Frame\n"
        "import can_intake\n"
        "rate, total = float(sys.argv[1]), int(sys.argv[2])\n"
        "frames = [Frame('can', n, d) for n, d in can_intake.restless()]\n"
        "with CanAdapter() as adapter:\n"
        "    print(adapter.port, flush=True); adapter.opened.wait(); sys.stdin.readline()\n"
        "    begun, sent = time.monotonic(), 0\n"
        "    while sent < total:\n"
        "        due = min(int((time.monotonic() - begun) * rate), total)\n"
        "        adapter.put(*(frames[n % 4800] for n in range(sent, due))); sent = due; time.sleep(0.001)\n"
        "    print(time.monotonic() - begun, flush=True); sys.stdin.readline()\n"
    )
    here = Path(__file__).parent
    path = os.pathsep.join([str(here.parent.parent), str(here), os.environ.get("PYTHONPATH", "")])
    adapter = subprocess.Popen(
        [sys.executable, "-c", program, str(FULL_500K), str(total)], stdin=subprocess.PIPE, stdout=subprocess.PIPE,
        text=True, env=os.environ | {"PYTHONPATH": path},
    )  # fmt: skip
    port = adapter.stdout.readline().strip()
    with tempfile.TemporaryDirectory() as folder:
        entry = f"interface: serial-line, channel: {port}, bitrate: 500000"
        intake = Intake(Path(folder), {"can": entry}, SOME)
        with intake.wall:
            time.sleep(0.2)
            intake.wall.begin(0.0)
            adapter.stdin.write("go\n")
            adapter.stdin.flush()
            report("one full 500 kbit/s bus, serial line over a pty", intake, total, seconds, FULL_500K, [])
    took = adapter.stdout.readline().strip()
    print(f"  the adapter took {float(took):.2f} s to send them")
    adapter.communicate("end\n")


def report(name: str, intake: Intake, total: int, seconds: float, rate: float, took: list[float]) -> None:
    """Take everything in, as the wall loop does, until all is there or nothing has come for a second."""
    begun = time.monotonic()
    spent = time.process_time()
    latest = begun
    worst_s = 0.0
    while intake.frames < total and time.monotonic() - latest < 1.0 + seconds * (intake.frames == 0):
        if not intake.wall.wait(0.02):
            intake.hands.nothing_happened()
            continue
        events = intake.wall.take()
        latest = time.monotonic()
        worst_s = max(worst_s, intake.wall.now() - min(event.t for event in events))
        intake.happened(events)
    elapsed = time.monotonic() - begun
    spent = time.process_time() - spent
    intake.record.abandon()
    print(f"{name}: {rate:.0f} frames/s each by the formula, {seconds:g} s")
    lost = total - intake.frames
    print(f"  {intake.frames} of {total} frames came through in {elapsed:.2f} s, {lost} lost")
    print(f"  CPU {spent / elapsed:.0%} of one core; latest to be judged {worst_s * 1e3:.1f} ms after its stamp")
    if took:
        print(f"  the senders took {max(took):.2f} s (they share the interpreter, and its CPU is counted)")
    for text in sorted(set(intake.notes)):
        print(f"  noted: {text}")


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--seconds", type=float, default=5.0)
    parser.add_argument("--frames", type=int, default=30_000)
    chosen = parser.parse_args()
    cost("the car's own traffic", of_the_car(), chosen.frames)
    cost("every value new in every frame", restless(chosen.frames), chosen.frames)
    full_buses(chosen.seconds)
    full_serial_line(chosen.seconds)
