"""What a firmware is called, and records that contradict each other in what it was."""

import pytest

from bench.record.firmware import Claim, claim_of, contradictions, label_of

A, B = "12ab" * 16, "98cd" * 16


@pytest.mark.parametrize(
    ("firmware", "said", "label"),
    [
        ({"text": "v1.4.2"}, None, "1.4.2"),
        ({"text": " V1.4.2  Debug "}, None, "1.4.2 debug"),
        ({"text": "v1.4.2", "file": "old-1.3.bin", "sha256": A}, "1.4.1", "1.4.2"),  # what the user calls it
        ({"file": "heron3-1.4.2.bin", "sha256": A}, None, "1.4.2"),
        ({"file": "heron3_v1.4.2-rc1.hex", "sha256": A}, None, "1.4.2-rc1"),
        ({"file": "heron3.bin", "sha256": A}, None, ""),  # the car's number is no version
        ({"file": "heron3.bin", "sha256": A}, "V2.0", "2.0"),
        ({"text": "vessel"}, None, "vessel"),
        ({}, "1.4.1", "1.4.1"),
        ({}, None, ""),
        (None, None, ""),
        ("1.4.2", None, "1.4.2"),  # as a text by itself
    ],
)
def test_what_a_firmware_is_called(firmware, said, label):
    assert label_of(firmware, said) == label


def test_a_manifest_says_it_all():
    manifest = {
        "firmware": {"text": "v1.4.2", "file": "a.bin", "sha256": A},
        "controller": {"class": "my_box:Box", "sha256": B},
        "started_utc": "2026-11-20T10:00:00.000Z",
    }
    assert claim_of(manifest, "R1") == Claim("1.4.2", A, "my_box:Box (98cd98cd98cd)", "2026-11-20", "R1")
    assert claim_of({}, "R1") == Claim("", "", "", "", "R1")


def claim(label="", sha256="", controller="", day=20, folder="r"):
    return Claim(label, sha256, controller, f"2026-11-{day}", folder)


def test_a_label_that_was_two_files():
    found = contradictions([claim("1.4.2", B, day=25, folder="b"), claim("1.4.2", A, folder="a"), claim("1.4.2", A)])
    text = "firmware 1.4.2 has been file 12ab12ab12ab (2026-11-20, a) and file 98cd98cd98cd (2026-11-25, b)"
    assert found == [text]


def test_a_file_that_had_two_labels():
    found = contradictions([claim("1.4.2", A, folder="a"), claim("1.4.3", A, day=25, folder="b")])
    assert found == ["file 12ab12ab12ab has been called 1.4.2 (2026-11-20, a) and 1.4.3 (2026-11-25, b)"]


def test_a_label_that_was_two_controllers():
    one, other = claim("1.4.2", controller="m:Box (12ab)", folder="a"), claim("1.4.2", controller="m:Box (98cd)")
    assert contradictions([one, other]) == [
        "firmware 1.4.2 has been controller m:Box (12ab) (2026-11-20, a) and controller m:Box (98cd) (2026-11-20, r)"
    ]


@pytest.mark.parametrize(
    "claims",
    [
        [claim("1.4.2", A), claim("1.4.3", B)],  # two firmwares
        [claim("1.4.2", A), claim("1.4.2")],  # not said is not another
        [claim(sha256=A), claim(sha256=B)],  # built anew, and called nothing
        [claim("1.4.2", controller="m:Box (12ab)"), claim("1.5.0", controller="m:Box (12ab)")],
        [claim("1.4.2", A), claim("1.4.2", controller="m:Box (12ab)")],  # a real box, and a simulated one
    ],
)
def test_no_contradiction(claims):
    assert contradictions(claims) == []
