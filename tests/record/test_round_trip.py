"""What the writer was given comes back from the reader, in the same order."""

import json
import math

import can
import heron_record
import pytest

from bench.errors import InputError, RecordError
from bench.events import (
    KINDS,
    Aligned,
    Answered,
    Asked,
    Batch,
    Driven,
    Driving,
    Filed,
    Frame,
    HeldBack,
    Injected,
    Life,
    Lost,
    Noted,
    Passed,
    Restored,
    Sent,
    Silent,
    Stale,
    StepBegan,
    StepEnded,
    Stopped,
)  # fmt: skip
from bench.record.header import header_fields
from bench.record.reader import read_record
from bench.record.verifying import verify
from bench.record.writer import FolderTaken, RecordWriter, new_record

ONE_OF_EACH = [
    Life(-3.0, "checking"),
    Life(-3.0, "driving", 'reasons "quoted", ümlaut, \u2028 and \ud83d alone'),
    StepBegan(0.0, "4.2#17", "Name\nwith a line break", "drive"),
    Driving(0.0, "drive", {"shutdown_loop": "closed", "current": math.inf}),
    Driven(0.000123, "shutdown_loop", "closed"),
    Driven(0.000123, "current", -math.inf),
    Sent(0.1, "can0", 0x1ABCDEF0, "00ff"),
    Injected(0.2, "weld-air-plus", ("loop opens all", "second")),
    Injected(0.2, "no-excuse"),
    Restored(0.3, "weld-air-plus"),
    Asked(0.4, "Is the lamp on?", ("yes", "no")),
    Answered(0.5, "inf", "simulated"),
    Filed(0.55, "photos/3-covers.jpg", "ab" * 32, "A. Keller"),
    Filed(0.56, "", "", "A. Keller"),
    Lost(0.6, "box", "gone"),
    Stale(0.7, "io", 0.25),
    Stale(0.7, "io", math.inf),
    Silent(0.7, "box_status"),
    HeldBack(0.7, 12.5, "step 4: the pre-charge resistor has to cool"),
    Stopped(0.8, "operator"),
    Aligned(0.8, "board", 12.5, -118.25, 0.00041),
    Noted(0.8, "board", "malformed line"),
    HeldBack(0.8, 12.5, "step 4 (Press start): precharge_resistor has to cool"),
    StepEnded(0.9, "4.2#17", "inconclusive", "stopped"),
]


def as_judged(events):
    """Events with batches in a form in which the order of samples has no meaning, and without frames."""
    return [
        (event.t, sorted(event.samples, key=repr), sorted(event.scanned)) if type(event) is Batch else event
        for event in events
    ]


def written(tmp_path, events, **options):
    writer = RecordWriter(tmp_path / "record", heron_record.HEADER, heron_record.TEXTS, **options)
    for event in events:
        if type(event) is Batch:
            writer.batches([event])
        else:
            writer.event(event)
    writer.close({"document": heron_record.document()})
    return read_record(tmp_path / "record")


def test_every_kind_of_event_comes_back_equal(tmp_path):
    assert {type(event) for event in ONE_OF_EACH} == set(KINDS.values())
    record = written(tmp_path, [*ONE_OF_EACH, Passed(1.0)])
    back = list(record.events())
    assert back == ONE_OF_EACH
    assert [type(event) for event in back] == [type(event) for event in ONE_OF_EACH]
    assert record.complete and record.problems == []


def test_a_whole_run_comes_back_in_judged_order(tmp_path):
    events = heron_record.run_events()
    back = list(written(tmp_path, events).events())
    assert as_judged(back) == as_judged(events)
    assert list(read_record(tmp_path / "record").marks()) == [event for event in events if type(event) is not Batch]


def test_a_whole_run_by_wall_clock_comes_back_too(tmp_path):
    events = heron_record.run_events()
    back = list(written(tmp_path, events, wall_clock=True).events())
    assert as_judged(back) == as_judged(events)


def test_stimuli_and_batches_of_one_instant_keep_their_order(tmp_path):
    events = [
        Batch(0.99, (("ts_voltage", 1.0),), ("io",)),
        Batch(1.0, (("ts_voltage", 2.0), ("loop", "open")), ("io",)),
        Driving(1.0, "drive", {"shutdown_loop": "closed"}),
        Driven(1.0, "shutdown_loop", "closed"),
        Batch(1.0, (("loop", "closed"),)),
        Injected(1.0, "weld-air-plus"),
        Batch(1.0, (("air_plus", "closed"),)),
        Driven(1.0, "start_request", "pressed"),
        Batch(1.01, (("ts_voltage", 3.0), ("ts_voltage", 4.0)), ("io",)),
    ]
    assert as_judged(written(tmp_path, events).events()) == as_judged(events)


def test_batches_that_are_not_later_than_the_one_before_stay_apart(tmp_path):
    """Two phases of one instant, and two devices whose stamps cross: neither is merged or sorted away."""
    events = [
        Batch(1.0, (("loop", "closed"),), ("io",)),
        Batch(1.0, (("loop", "open"),)),
        Batch(1.0, (("loop", "closed"),)),
        Batch(0.998, (("air_plus", "closed"),)),
        Batch(1.001, (("air_plus", "open"),)),
    ]
    assert as_judged(written(tmp_path, events).events()) == as_judged(events)


@pytest.mark.parametrize("value", [0.1 + 0.2, 1e-300, -0.0, 5e300, math.inf, -math.inf, 123456789.123456789, 1 / 3])
def test_numbers_come_back_to_the_last_bit(tmp_path, value):
    (batch,) = written(tmp_path, [Batch(0.1, (("ts_voltage", value),))]).events()
    assert batch.samples == (("ts_voltage", value),)
    assert math.copysign(1, batch.samples[0][1]) == math.copysign(1, value)


def test_not_a_number_comes_back(tmp_path):
    (batch,) = written(tmp_path, [Batch(0.1, (("ts_voltage", math.nan),))]).events()
    assert math.isnan(batch.samples[0][1])


def test_a_text_channel_that_says_inf_stays_text(tmp_path):
    (batch,) = written(tmp_path, [Batch(0.1, (("controller_state", "inf"), ("ts_voltage", math.inf)))]).events()
    assert dict(batch.samples) == {"controller_state": "inf", "ts_voltage": math.inf}


def test_whole_numbers_are_written_as_floats(tmp_path):
    (batch,) = written(tmp_path, [Batch(1, (("ts_voltage", 5),))]).events()
    assert type(batch.t) is float and type(batch.samples[0][1]) is float


def test_blocks_hold_at_most_50_ms_of_one_channel_and_strict_json(tmp_path):
    record = written(tmp_path, heron_record.run_events())

    def refuse(word):
        raise AssertionError(word)

    spans = []
    for line in (record.folder / "record.jsonl").read_text().splitlines():
        fields = json.loads(line, parse_constant=refuse)
        if fields["kind"] in ("samples", "scans"):
            assert fields["t"] == fields["times"][0]
            spans.append(fields["times"][-1] - fields["times"][0])
    assert max(spans) <= 0.05
    assert sum(span > 0.035 for span in spans) > len(spans) / 3  # they do collect


def test_the_same_events_give_the_same_bytes(tmp_path):
    one = heron_record.write_record(tmp_path / "one")
    two = heron_record.write_record(tmp_path / "two")
    for name in ("record.jsonl", "frames.log"):
        assert (one / name).read_bytes() == (two / name).read_bytes()


def columns(trace):
    return list(trace.times), list(trace.values)


def test_channel_repeats_an_unchanged_value_at_each_scan_of_its_group(tmp_path):
    record = written(tmp_path, [
        Batch(0.0, (("ts_voltage", 1.0), ("loop", "open")), ("io",)),
        Batch(0.01, (), ("io",)),
        Driven(0.015, "shutdown_loop", "closed"),
        Batch(0.02, (("ts_voltage", 2.0),), ("io",)),
        Batch(0.025, (("loop", "closed"),)),
        Batch(0.03, (), ("io",)),
    ])  # fmt: skip
    assert columns(record.changes("ts_voltage")) == ([0.0, 0.02], [1.0, 2.0])
    assert columns(record.channel("ts_voltage")) == ([0.0, 0.01, 0.02, 0.03], [1.0, 1.0, 2.0, 2.0])
    assert columns(record.channel("loop")) == (
        [0.0, 0.01, 0.02, 0.025, 0.03],
        ["open", "open", "open", "closed", "closed"],
    )
    assert columns(record.channel("shutdown_loop")) == ([0.015], ["closed"])
    assert columns(record.channel("current")) == ([], [])


FRAMES = [
    (-2.99, Frame("can0", 0x123, bytes.fromhex("deadbeef"))),
    (-0.000001, Frame("can0", 0x7FF, b"", heard=False)),
    (0.0, Frame("can1", 0x1ABCDEF0, bytes(range(8)), extended=True)),
    (1.5, Frame("can1", 0x12, b"\x00", extended=True, heard=False)),
    (123456.123456, Frame("can0", 0x001, bytes(range(12)))),
]


def test_frames_are_read_back_by_python_can_and_by_us(tmp_path):
    events = [Batch(t, (), (), (frame,)) for t, frame in FRAMES]
    record = written(tmp_path, events)
    assert list(record.frames()) == FRAMES
    with can.CanutilsLogReader(record.folder / "frames.log") as reader:
        messages = list(reader)
    assert len(messages) == len(FRAMES)
    for message, (t, frame) in zip(messages, FRAMES, strict=True):
        assert message.timestamp == pytest.approx(t, abs=1e-9)
        assert message.arbitration_id == frame.id
        assert message.is_extended_id is frame.extended
        assert message.is_rx is frame.heard
        assert bytes(message.data) == frame.data
        assert message.channel == frame.bus
        assert message.is_fd is (len(frame.data) > 8)


def test_a_folder_is_made_once(tmp_path):
    heron_record.write_record(tmp_path / "run")
    before = (tmp_path / "run" / "record.jsonl").read_bytes()
    with pytest.raises(FolderTaken, match="never written over"):
        RecordWriter(tmp_path / "run", heron_record.HEADER, {})
    assert (tmp_path / "run" / "record.jsonl").read_bytes() == before
    for name in ("run-2", "run-3", "run-4"):
        writer = new_record(tmp_path, "run", heron_record.HEADER, {})
        assert writer.folder.name == name
        writer.abandon()


def test_a_file_in_the_way_of_the_records_folder_is_told(tmp_path):
    (tmp_path / "records").write_text("a file")
    with pytest.raises(RecordError, match="records"):
        new_record(tmp_path / "records", "run", heron_record.HEADER, {})


@pytest.mark.parametrize("name", ["../outside.yaml", "/outside.yaml", "manifest.json"])
def test_a_text_cannot_leave_the_folder_and_nothing_is_left_behind(tmp_path, name):
    with pytest.raises(ValueError, match="cannot be a file of a record"):
        RecordWriter(tmp_path / "run", heron_record.HEADER, {name: "x"})
    assert not (tmp_path / "run").exists()


def test_texts_are_kept_as_used(tmp_path):
    texts = {"sequence.yaml": "a: ä\n", "uses/other.yaml": "b: 1\n", "heron3.dbc": "VERSION\n"}
    writer = RecordWriter(tmp_path / "run", heron_record.HEADER, texts)
    writer.close({})
    record = read_record(tmp_path / "run")
    assert {name: record.text(name) for name in texts} == texts
    assert set(texts) < set(record.manifest["files"])
    assert verify(tmp_path / "run").level == "intact"


def test_what_is_no_record_is_an_input_error(tmp_path):
    for folder in (tmp_path, tmp_path / "missing"):
        for read in (read_record, verify):
            with pytest.raises(InputError, match="not the folder of a record"):
                read(folder)


def test_an_unknown_event_names_its_line(tmp_path):
    record = written(tmp_path, [])
    record_file = record.folder / "record.jsonl"
    line = f'{{"n": 2, "prev": "{record.last_line_sha256}", "t": 0.5, "kind": "surprise"}}\n'
    record_file.write_bytes(record_file.read_bytes() + line.encode())
    (record.folder / "manifest.json").unlink()
    with pytest.raises(RecordError, match=r"record\.jsonl:2"):
        list(read_record(record.folder).events())


def test_header_describes_every_channel_and_group():
    class Channel:
        def __init__(self, direction, unit=None, states=None, text=False, group="io"):
            self.direction, self.unit, self.states, self.text, self.group = direction, unit, states, text, group

    class Bench:
        name, real = "heron-3", False
        channels = {
            "shutdown_loop": Channel("driven", states=("open", "closed")),
            "ts_voltage": Channel("read", unit="V"),
            "controller_state": Channel("read", text=True, group="box_status"),
        }

    class Plan:
        bench, sequence, case, title, energy = Bench(), "one", "full", "One", "dry"

    header = header_fields(Plan(), "simple", 3)
    assert header["channels"] == {
        "shutdown_loop": {"direction": "driven", "states": ["open", "closed"]},
        "ts_voltage": {"direction": "read", "unit": "V"},
        "controller_state": {"direction": "read", "text": True},
    }
    assert header["groups"] == {"io": ["ts_voltage"], "box_status": ["controller_state"]}
    assert (header["rule"], header["seed"], header["simulated"], header["bench"]) == ("simple", 3, True, "heron-3")
