"""Strict YAML: nothing is guessed, everything has a place, and hostile files end in one located line."""

from __future__ import annotations

import os

import pytest
import yaml
from hypothesis import given
from hypothesis import strategies as st

from bench.errors import InputError
from bench.language.located import Map, Text, plain
from bench.language.yaml_nodes import MOST_BYTES, MOST_DEPTH, compose, decode, read_text


def refused(text: str) -> list[str]:
    with pytest.raises(InputError) as caught:
        compose(decode(text.encode(), "f.yaml"), "f.yaml")
    return str(caught.value).splitlines()


SCALARS = (
    "on off yes no y n NO True true null ~ 1:30 10:00:00 012 0o14 0x1F 1e3 1.0e3 1_000 .5 .inf .nan 2026-11-25 = 5"
)


@pytest.mark.parametrize("scalar", SCALARS.split(" "))
def test_scalars_stay_text(scalar):
    assert compose(f"key: {scalar}", "f") == {"key": scalar}
    assert compose(f"{scalar}: x", "f") == {scalar: "x"}


def test_places_of_keys_and_values():
    data = compose("a: b\nlist:\n  - {x: 'quoted', y: plain}\n  - >-\n    folded\n    text\n", "f.yaml")
    assert isinstance(data, Map)
    (first, second) = data["list"]
    assert data.key_place("list")[:3] == ("f.yaml", 2, 1)
    assert first.place[:3] == ("f.yaml", 3, 5)
    assert first["x"].place[:3] == ("f.yaml", 3, 9)
    assert first["x"].place.shifted(2)[:3] == ("f.yaml", 3, 12)  # one more for the quote
    assert first["y"].place.shifted(2)[:3] == ("f.yaml", 3, 24)
    assert second == "folded text"
    assert second.place.shifted(9)[:3] == ("f.yaml", 4, 5)  # inside a folded text no column is known


@pytest.mark.parametrize(
    ("text", "start", "says"),
    [
        ("a: 1\nb: 2\na: 3", "f.yaml:3:1:", "the key 'a' is already in line 1, column 1"),
        ("a:\n  x: 1\n  x: 2", "f.yaml:3:3:", "already in line 2, column 3"),
        ("a: {x: 1, 'x': 2}", "f.yaml:1:11:", "already in line 1, column 5"),
        ("a: 1\n\tb: 2", "f.yaml:2:1:", "a tab; use spaces"),
        ("a: x # note\there", "f.yaml:1:12:", "a tab; use spaces"),
        ("a: !!python/object/apply:os.system [ls]", "f.yaml:1:4:", "the tag"),
        ("a: !!str x", "f.yaml:1:4:", "the tag"),
        ("a: !own x", "f.yaml:1:4:", "the tag"),
        ("a: {<<: *b}", "f.yaml:1:9:", "nothing is called &b"),
        ("b: &b {x: '1'}\na: {<<: *b}", "f.yaml:2:5:", "write the keys out"),
        ("a: 1\n---\nb: 2", "f.yaml:2:1:", "a second document"),
        ("a: &x [*x]", "f.yaml:1:8:", "nothing is called &x"),
        ("a:\nb: 2", "f.yaml:1:3:", "nothing is written here"),
        ("a: [1, , 2]", "f.yaml:1:8:", "not YAML"),
        ("a: b: c", "f.yaml:1:5:", "put quotes around"),
        ("a: 'x", "f.yaml:1:", "close the quotes"),
        ("a: [x", "f.yaml:", "close the bracket"),
        ("a: @x", "f.yaml:1:4:", "put quotes around"),
        ('a: "\\x1b[31m"', "f.yaml:1:4:", "not text"),
        ('a: "\\0"', "f.yaml:1:4:", "not text"),
        ("? [a]\n: b", "f.yaml:1:3:", "a key is one word"),
        ("", "f.yaml:1:1:", "the file is empty"),
        ("# only a comment\n", "f.yaml:1:1:", "the file is empty"),
        ("- a", "f.yaml:1:1:", "not a mapping"),
        ("just text", "f.yaml:1:1:", "not a mapping"),
        ("a: b\x07", "f.yaml:1:5:", "U+0007"),
        ("a: b\u2028c: d", "f.yaml:1:5:", "U+2028"),
        ("a: " + "[" * 100_000, "f.yaml:1:", "write it flatter"),
        ("a: " + "{a: " * 400, "f.yaml:1:", "nested deeper"),
        ("".join(" " * depth + "a:\n" for depth in range(300)), "f.yaml:", "write it flatter"),
    ],
)
def test_refused(text, start, says):
    lines = refused(text)
    assert any(line.startswith(start) and says in line for line in lines), lines


def test_both_duplicates_of_a_file_are_told_in_one_pass():
    assert len(refused("a: 1\na: 2\nb: 1\nb: 2")) == 2


def test_alias_bomb():
    lines = ["a: &a [x, x, x, x, x, x, x, x, x]"]
    lines += [f"{new}: &{new} [{', '.join(['*' + old] * 9)}]" for old, new in zip("abcdefgh", "bcdefghi", strict=True)]
    (line,) = refused("\n".join(lines))
    assert "more than 50000 values" in line


def test_alias_tower():
    lines = ["a0: &a0 [x]"] + [f"a{n}: &a{n} [*a{n - 1}]" for n in range(1, 60)]
    (line,) = refused("\n".join(lines))
    assert f"deeper than {MOST_DEPTH}" in line


def test_an_honest_alias_is_written_out():
    assert plain(compose("a: &same {x: '1'}\nb: *same", "f")) == {"a": {"x": "1"}, "b": {"x": "1"}}


@pytest.mark.parametrize(
    ("raw", "says"),
    [
        (b"\xff\xfe\x00a", "1:1: error: not UTF-8"),
        (b"a: b\nc: \xe4", "2:4: error: not UTF-8"),
        (b"\x7fELF\x02\x01\x01", "1:1: error: the character U+007F is not text"),
        (b"a: \x00", "1:4: error: the character U+0000"),
        (bytes(range(256)) * 40, "error:"),
    ],
)
def test_binary_rubbish(raw, says):
    with pytest.raises(InputError) as caught:
        decode(raw, "f")
    assert says in str(caught.value)


def test_byte_order_mark_and_line_ends_are_taken():
    assert decode(b"\xef\xbb\xbfa: b\r\nc: d\r", "f") == "a: b\nc: d\n"


def test_a_file_of_100_mb_is_not_read(tmp_path):
    path = tmp_path / "huge.yaml"
    with path.open("wb") as file:
        file.truncate(100_000_000)
    with pytest.raises(InputError, match=f"the file has 100,000,000 bytes; at most {MOST_BYTES:,} are read"):
        read_text(path)


def test_missing_folder_and_other_files(tmp_path):
    for path, says in [(tmp_path / "none.yaml", "No such file"), (tmp_path, "not a file"), (tmp_path / "a\0b", "null")]:
        with pytest.raises(InputError) as caught:
            read_text(path)
        assert says in str(caught.value)
    os.mkfifo(tmp_path / "pipe.yaml")
    with pytest.raises(InputError, match="not a file"):
        read_text(tmp_path / "pipe.yaml")


def test_an_unreadable_file(tmp_path, monkeypatch):
    path = tmp_path / "secret.yaml"
    path.write_text("a: b")

    def refuse(*given, **options):
        raise PermissionError(13, "Permission denied")

    monkeypatch.setattr("builtins.open", refuse)  # whoever may read everything is not stopped by file modes
    with pytest.raises(InputError, match="cannot be read: Permission denied"):
        read_text(path)


@given(st.text(st.sampled_from("ab:-[]{},&*!|>'\"%@`#?<~ \n=.0"), max_size=60))
def test_pyyaml_agrees_wherever_we_accept(text):
    """PyYAML's own composer is the judge of structure; all its guesses about scalars are switched off."""
    try:
        ours = compose(text, "f")
    except InputError as error:
        assert all(problem.line >= 0 and "\n" not in str(problem) for problem in error.problems)
    else:
        assert plain(ours) == yaml.load(text, yaml.BaseLoader)
        assert all(isinstance(key, Text) for key in ours)


def test_without_the_c_loader_the_same_comes_out(monkeypatch):
    text = "a: &x {b: [on, 'off']}\nc: *x\n"
    with_c = compose(text, "f")
    monkeypatch.delattr(yaml, "CSafeLoader", raising=False)
    assert compose(text, "f") == with_c
    assert refused("a: 1\na: 2")[0].startswith("f.yaml:2:1:")
    assert "write it flatter" in refused("a: " + "[" * 5000)[0]
