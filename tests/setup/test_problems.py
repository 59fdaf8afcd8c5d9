"""Wrong setups: everything that is wrong is told at once, each with its line, and nothing that is right is told."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import pytest

from pullwatch.errors import Problem, SetupError
from pullwatch.setup import load, read_setup

if TYPE_CHECKING:
    from collections.abc import Callable

EVERYTHING_WRONG = Path(__file__).with_name("everything_wrong.toml")


def problems(path: Path) -> tuple[Problem, ...]:
    """Return what is told about a wrong setup."""
    with pytest.raises(SetupError) as found:
        load(path)
    return found.value.problems


def told(path: Path) -> str:
    """Return all of it as one text."""
    return "\n".join(str(problem) for problem in problems(path))


def test_everything_at_once() -> None:
    """Of a file with dozens of faults every wrong line is told, in order, and no line that is right."""
    lines = EVERYTHING_WRONG.read_text(encoding="utf-8").splitlines()
    wrong = [number for number, line in enumerate(lines, 1) if line.endswith("#!")]
    found = [problem.line for problem in problems(EVERYTHING_WRONG)]
    assert sorted(set(found)) == wrong
    assert found == sorted(found)
    assert len(wrong) > 50


def test_message_names_file_line_key_and_nearest_name() -> None:
    """The message is one line a problem: file, line, key, what is wrong, the nearest valid name."""
    with pytest.raises(SetupError) as found:
        load(EVERYTHING_WRONG)
    first, *rest = str(found.value).splitlines()
    assert first.endswith(f"everything_wrong.toml is not used: {len(rest)} problems.")
    assert all(line.startswith(f"  {EVERYTHING_WRONG}, line ") for line in rest)
    text = "\n".join(rest)
    for part in (
        'car mas_kg: this key is not known (did you mean "mass_kg"?). Known here: name, fuel,',
        'feed "dash" kind: "serial-lines" is no kind of feed (did you mean "serial-line"?)',
        'rule "four" wile: this key is not known (did you mean "while"?)',
        '"engine_sped" is no channel (did you mean "engine_speed"?)',
        '"manifold_pressur" is no channel of this setup (did you mean "manifold_pressure"?)',
        '"exhaust_gas_temp" is not in the catalogue of channels (did you mean "exhaust_gas_temperature"?)',
        'channel.oil_presure: no feed gives this channel (did you mean "oil_pressure"?)',
        "30 needs a unit; oil_pressure is in kPa",
        "write bara if absolute is meant",
        'feed "gauges": "throttle" is given by feed "dash" already.',
        "write 12 AFR@14.7 if your gauge shows 14.7 at lambda 1",
    ):
        assert part in text


@pytest.mark.parametrize(
    ("text", "line", "what"),
    [
        ('[car]\nname = "x"\nname = "y"\n', 3, "overwrite"),
        ("[car]\nname = copper\n", 2, "Invalid value"),
        ("[car]\n\n[car]\n", 3, "twice"),
        ('a = """\n\n', 1, "Unterminated"),
        ("[car\n", 1, "Expected ']'"),
    ],
)
def test_broken_toml(write: Callable[[str], Path], text: str, line: int, what: str) -> None:
    """A file that is no TOML is refused with the line where reading stopped."""
    (problem,) = problems(write(text))
    assert problem.line == line
    assert what in problem.what


def test_file_that_cannot_be_read(tmp_path: Path) -> None:
    """A missing file, a folder, bytes that are no UTF-8 and a huge file are told as what they are."""
    assert "No such file" in told(tmp_path / "none.toml")
    assert "cannot be read" in told(tmp_path)
    latin = tmp_path / "latin.toml"
    latin.write_bytes('[car]\nname = "Grün"\n'.encode("latin-1"))
    (problem,) = problems(latin)
    assert (problem.line, problem.what) == (2, "byte 0xfc is not UTF-8.")
    huge = tmp_path / "huge.toml"
    huge.write_bytes(b"#" * (1 << 21))
    assert "is larger than 1,048,576 bytes" in told(huge)
    deep = tmp_path / "deep.toml"
    deep.write_text("a = " + "[" * 5_000 + "]" * 5_000)
    assert "nested too deep" in told(deep)


def test_byte_order_mark_is_passed_over(write: Callable[[str], Path], right: str) -> None:
    """A file saved with a byte order mark, as some editors do, is read like any other."""
    path = write(right)
    path.write_bytes(b"\xef\xbb\xbf" + path.read_bytes())
    assert load(path).car.name == "copper hatch"


def test_empty_file(write: Callable[[str], Path]) -> None:
    """Of an empty file it is told what it needs."""
    assert [problem.key for problem in problems(write(""))] == ["car", "feed"]


@pytest.mark.parametrize("kind", ["feed", "rule"])
def test_one_of_several_written_as_one(write: Callable[[str], Path], right: str, kind: str) -> None:
    """[feed] and [rule] with single brackets are told how to be written, and bring no further problems about."""
    text = right.replace("[[feed]]", "[feed]") if kind == "feed" else right + '[rule]\nname = "x"\n'
    text += "[channel.lambda]\nrate_hz = 10\n"
    (problem,) = problems(write(text))
    assert problem.key == kind
    assert f"[[{kind}]]" in problem.todo
    assert text.splitlines()[problem.line - 1] == f"[{kind}]"


def test_sections_that_are_no_tables(write: Callable[[str], Path]) -> None:
    """Sections that are numbers or texts are told, all of them, and nothing breaks."""
    text = 'car = 1\nprofile = "strip"\nprotection = 2\nfeed = 3\nchannel = 4\nlimit = 5\nrule = 6\n'
    assert [problem.line for problem in problems(write(text))] == [1, 2, 3, 4, 5, 6, 7]
    text = "feed = [1]\nrule = [2]\n[channel]\nlambda = 3\n[limit]\nleanest = 4\n"
    assert [problem.line for problem in problems(write(text))] == [0, 1, 2, 4, 6]


def test_one_wrong_feed_does_not_look_like_many_wrong_rules(write: Callable[[str], Path], right: str) -> None:
    """What rests on a feed, channel or limit that is wrong already is not told a second time."""
    rule = (
        '[[rule]]\nname = "r"\ntrip = "lambda > leanest"\nwhile = "manifold_pressure > 120 kPa"\n'
        '[limit.leanest]\nalong = "manifold_pressure"\nat = [100, 200]\nvalue = [0.9, 0.8]\n'
    )
    (problem,) = problems(write(right.replace('port = "serial:FT5678"', "port = 5") + rule))
    assert problem.key == 'feed "box" port'
    keys = [problem.key for problem in problems(write(right.replace("fields = [", "fieldes = [") + rule))]
    assert keys == ['feed "box" fields', 'feed "box" fieldes']
    (problem,) = problems(write(right + rule.replace("at = [100, 200]", "at = [200, 100]")))
    assert problem.key == "limit.leanest at"


@pytest.mark.parametrize(
    ("wrong", "key"),
    [
        ("[channel.rack]\nunit = 5\n", "channel.rack unit"),
        ('[limit.leanest]\nalong = 5\nat = [100, 200]\nvalue = [0.9, 0.8]\nlimits = "lambda"\n', "limit.leanest along"),
        (
            f'[[rule]]\nname = "r"\ntrip = "lambda > 1 lambda"\npriority = "critical"\nsays = "{"a" * 99}"\n',
            'rule "r" says',
        ),
    ],
)
def test_one_wrong_key_is_one_problem(write: Callable[[str], Path], right: str, wrong: str, key: str) -> None:
    """A wrong value brings no problems about that are only there because it was left out."""
    text = right.replace("fields = [", 'fields = [ { channel = "rack", key = "rk" },')
    text += wrong if "rack" in wrong else f'[channel.rack]\nunit = ""\n{wrong}'
    (problem,) = problems(write(text))
    assert problem.key == key


def test_problem_inside_a_list_stands_at_its_own_line(write: Callable[[str], Path], right: str) -> None:
    """A wrong key in one field of many is told at that field, which is counted from 1."""
    text = right.replace('key = "rpm"', 'kee = "rpm"')
    (problem,) = problems(write(text))
    assert problem.key == 'feed "box" fields[2].kee'
    assert 'kee = "rpm"' in text.splitlines()[problem.line - 1]
    assert 'did you mean "key"?' in problem.what


def test_problems_are_kept_until_all_are_known(write: Callable[[str], Path], right: str) -> None:
    """Reading alone does not refuse: problems of shape wait for those of meaning."""
    setup = read_setup(write(right.replace("[car]", "[car]\ncylinders = 0")))
    assert [problem.key for problem in setup.problems] == ["car cylinders"]
    assert setup.line("feed", 0, "port") == 8
