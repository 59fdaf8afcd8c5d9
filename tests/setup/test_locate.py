"""The lines of keys, held against what `tomllib` (the standard library, TOML 1.0.0) yields for the same text."""

from __future__ import annotations

import tomllib
from typing import TYPE_CHECKING, Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from pullwatch.setup.locate import KeyPath, line_of, locate

if TYPE_CHECKING:
    from collections.abc import Iterator


def paths(data: Any, path: KeyPath = ()) -> Iterator[KeyPath]:
    """Yield every path of what tomllib gives."""
    if path:
        yield path
    if isinstance(data, dict):
        for key, value in data.items():
            yield from paths(value, (*path, key))
    elif isinstance(data, list):
        for index, value in enumerate(data):
            yield from paths(value, (*path, index))


EXAMPLE = '''\
# a comment with [brackets] and key = 1
title = "x # not a comment"
[car]
name = 'copper [hatch]'

[[feed]]
name = "ecu"
channels = { engine_speed = "Engine.Speed", "odd key" = "a,b}", deep.er = [1,
  2] }
fields = [
  { channel = "lambda", key = "lambda" },   # one
  { channel = "lambda_status", key = [
    "state" ] },
]
[feed.extra]
a = 1

[[feed]]
name = """two
[lines] = "quoted" # and more"""
when = 1979-05-27 07:32:01 # with a space

[[feed.inner]]
x = 1
[[feed.inner]]
x = """""quotes"""""
y.z = -inf

[channel.lambda.deep]
value = 0x1F
[channel]
"r\\u0061te" = \'\'\'
[no.table]
x = 1\'\'\'
'''


def test_lines_of_an_example() -> None:
    """Every kind of key is found on the line where a person would look for it."""
    lines = locate(EXAMPLE)
    expected: dict[KeyPath, int] = {
        ("title",): 2,
        ("car",): 3,
        ("car", "name"): 4,
        ("feed",): 6,
        ("feed", 0): 6,
        ("feed", 0, "name"): 7,
        ("feed", 0, "channels", "odd key"): 8,
        ("feed", 0, "channels", "deep"): 8,
        ("feed", 0, "channels", "deep", "er", 1): 9,
        ("feed", 0, "fields", 0, "key"): 11,
        ("feed", 0, "fields", 1): 12,
        ("feed", 0, "fields", 1, "key"): 12,
        ("feed", 0, "fields", 1, "key", 0): 13,
        ("feed", 0, "extra", "a"): 16,
        ("feed", 1): 18,
        ("feed", 1, "name"): 19,
        ("feed", 1, "when"): 21,
        ("feed", 1, "inner", 0, "x"): 24,
        ("feed", 1, "inner", 1): 25,
        ("feed", 1, "inner", 1, "x"): 26,
        ("feed", 1, "inner", 1, "y", "z"): 27,
        ("channel", "lambda"): 29,
        ("channel", "lambda", "deep", "value"): 30,
        ("channel",): 31,
        ("channel", "rate"): 32,
    }
    assert {path: lines.get(path) for path in expected} == expected
    assert set(lines) == set(paths(tomllib.loads(EXAMPLE)))


def test_line_of_what_is_missing() -> None:
    """A key that is not there is told at the table that lacks it; nothing at all is line 0."""
    lines = locate(EXAMPLE)
    assert line_of(lines, ("feed", 1, "port")) == 18
    assert line_of(lines, ("profile", "kind")) == 0


@pytest.mark.parametrize("text", ["", "\n", "# only a comment", "a = 1", "a = 1\r\nb = 2\r\n", "\n\n[a]\n\n[a.b]\n"])
def test_small_texts(text: str) -> None:
    """Empty files, missing last line ends and Windows line ends are walked like any other."""
    assert set(locate(text)) == set(paths(tomllib.loads(text)))


@given(st.text(alphabet="ab.=[]{}\"'#\\ \n,1", max_size=60))
def test_any_text_ends(text: str) -> None:
    """Text that is no TOML is walked to an end; text that is yields exactly the paths of tomllib."""
    lines = locate(text)
    try:
        data = tomllib.loads(text)
    except tomllib.TOMLDecodeError:
        return
    assert set(lines) == set(paths(data))


class Writer:
    """Writes drawn data as TOML in drawn styles, and notes on which line each path came to stand."""

    def __init__(self, draw: st.DrawFn) -> None:
        self.draw = draw
        self.text = ""
        self.lines: dict[KeyPath, int] = {}

    def line(self) -> int:
        """Return the line now written on."""
        return self.text.count("\n") + 1

    def key(self, key: str) -> str:
        """Return a key in a drawn style."""
        plain = key.isascii() and key.replace("_", "").replace("-", "").isalnum()
        styles = ["basic"] + (["bare"] if plain else []) + (["literal"] if "'" not in key and key.isprintable() else [])
        match self.draw(st.sampled_from(styles)):
            case "bare":
                return key
            case "literal":
                return f"'{key}'"
            case _:
                return '"' + "".join(f"\\U{ord(c):08x}" if c in '"\\' or not c.isprintable() else c for c in key) + '"'

    def value(self, value: Any, path: KeyPath) -> None:
        """Write a value; tables are inline here."""
        match value:
            case dict():
                self.text += "{ "
                for number, (key, inner) in enumerate(value.items()):
                    self.text += ", " if number else ""
                    self.pair(key, inner, path)
                self.text += " }"
            case list():
                between = self.draw(st.sampled_from([" ", "\n", " # ] } , [x]\n  "]))
                self.text += f"[{between}"
                for index, inner in enumerate(value):
                    self.lines[(*path, index)] = self.line()
                    self.value(inner, (*path, index))
                    self.text += f",{between}"
                self.text += "]"
            case _:
                self.text += value

    def pair(self, key: str, value: Any, path: KeyPath) -> None:
        """Write one `key = value`."""
        path = (*path, key)
        self.lines[path] = self.line()
        self.text += self.key(key)
        # Tables with one key are sometimes written dotted.
        while isinstance(value, dict) and len(value) == 1 and self.draw(st.booleans()):
            ((inner, value),) = value.items()
            path = (*path, inner)
            self.lines[path] = self.line()
            self.text += self.draw(st.sampled_from([".", " . "])) + self.key(inner)
        self.text += self.draw(st.sampled_from(["=", " = "]))
        self.value(value, path)

    def table(self, table: dict[str, Any], path: KeyPath, names: list[str]) -> None:
        """Write a table whose header stands already; inner tables inline or under headers of their own."""
        later: list[tuple[str, Any]] = []
        for key, value in table.items():
            tables = isinstance(value, list) and value and all(isinstance(inner, dict) for inner in value)
            if (isinstance(value, dict) or tables) and self.draw(st.booleans()):
                later.append((key, value))
                continue
            self.pair(key, value, path)
            self.text += self.draw(st.sampled_from(["\n", "  # x = [1]\n", "\n\n"]))
        for key, value in later:
            inner_names = [*names, self.key(key)]
            dotted = ".".join(inner_names)
            inner_path = (*path, key)
            self.lines[inner_path] = self.line()
            if isinstance(value, dict):
                self.text += f"[{dotted}]\n"
                self.table(value, inner_path, inner_names)
                continue
            for index, inner in enumerate(value):
                self.lines[(*inner_path, index)] = self.line()
                self.text += f"[[ {dotted} ]] # one more\n"
                self.table(inner, (*inner_path, index), inner_names)


SCALARS = st.sampled_from(
    [
        "1", "-1.5e3", "true", "nan", "1979-05-27T07:32:00Z", "1979-05-27 07:32:00", '"a # b"', "'c:\\'", '"\\""',
        '"""x\n[y]\n"" z"""', "'''\nq = '' # 1'''", '""""quoted""""', "''", '""', '"""\\\n  a \\""" """', "''''a'''''",
    ]
)  # fmt: skip
KEYS = st.text(st.sampled_from("ab1_-. #='\"\\[]ä"), max_size=4)
VALUES = st.recursive(
    SCALARS, lambda inner: st.lists(inner, max_size=3) | st.dictionaries(KEYS, inner, max_size=3), max_leaves=8
)


@st.composite
def documents(draw: st.DrawFn) -> tuple[str, dict[KeyPath, int]]:
    """Return a TOML text and the line on which every path of it was written."""
    writer = Writer(draw)
    writer.table(draw(st.dictionaries(KEYS, VALUES, max_size=4)), (), [])
    return writer.text, writer.lines


@given(documents())
def test_every_path_is_found_on_its_line(document: tuple[str, dict[KeyPath, int]]) -> None:
    """Every path tomllib yields is found, no other, and each on the line where it was written."""
    text, expected = document
    lines = locate(text)
    assert set(lines) == set(paths(tomllib.loads(text)))
    assert lines == expected
