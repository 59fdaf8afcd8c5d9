"""What the sources never do, and that no name from outside leads out of its folder."""

from __future__ import annotations

import ast
import json
import os
import subprocess
import sys
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import TYPE_CHECKING

import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from pullwatch.acts import Acts
from pullwatch.clock import SessionClock
from pullwatch.errors import ActError
from pullwatch.feeds.intake import Intake
from pullwatch.recording.session import new_folder
from pullwatch.watching import _new_rules, _stand_in_for_closed

if TYPE_CHECKING:
    from collections.abc import Iterator

SOURCES = Path(__file__).parents[1] / "src" / "pullwatch"
UNPACKERS = frozenset(
    {"pickle", "cPickle", "_pickle", "dill", "cloudpickle", "joblib", "shelve", "marshal", "jsonpickle"}
)
"""Modules that run what they read."""
RUNNERS = frozenset({"eval", "exec", "compile", "__import__"})
"""Functions that run a text."""
SHELLS = frozenset({("os", "system"), ("os", "popen"), ("subprocess", "getoutput"), ("subprocess", "getstatusoutput")})


def offences(text: str) -> Iterator[str]:
    """Yield what a source does that none may, with its line."""
    for node in ast.walk(ast.parse(text)):
        match node:
            case ast.Import(names=names):
                for alias in names:
                    if alias.name.split(".")[0] in UNPACKERS:
                        yield f"line {node.lineno} imports {alias.name}"
            case ast.ImportFrom(module=str(module)) if module.split(".")[0] in UNPACKERS:
                yield f"line {node.lineno} imports {module}"
            case ast.Call(func=ast.Name(id=name)) if name in RUNNERS:
                yield f"line {node.lineno} calls {name}"
            case ast.Call(func=ast.Attribute(value=ast.Name(id="builtins"), attr=name)) if name in RUNNERS:
                yield f"line {node.lineno} calls {name}"
            case ast.Call(func=ast.Attribute(value=ast.Name(id=module), attr=name)) if (module, name) in SHELLS:
                yield f"line {node.lineno} calls {module}.{name}"
            case ast.Call(keywords=keywords):
                for keyword in keywords:
                    trusted = isinstance(keyword.value, ast.Constant) and keyword.value.value is False
                    if keyword.arg in ("shell", "allow_pickle") and not trusted:
                        yield f"line {node.lineno} sets {keyword.arg}"
            case _:
                pass


def test_no_source_runs_what_it_reads() -> None:
    """No pickle, no eval, no shell: a file, a frame or a message is never turned into code."""
    sources = sorted(SOURCES.rglob("*.py"))
    assert len(sources) > 100
    found = {str(source): list(offences(source.read_text(encoding="utf-8"))) for source in sources}
    assert {source: what for source, what in found.items() if what} == {}


@pytest.mark.parametrize(
    "text",
    [
        "import pickle",
        "import numpy, marshal as m",
        "from dill.source import getsource",
        "def f(x):\n    return eval(x)",
        "import builtins; builtins.exec('1')",
        "import os; os.system('ls')",
        "import subprocess; subprocess.run('ls', shell=True)",
        "import numpy; numpy.load('x', allow_pickle=True)",
        "__import__('os')",
    ],
)
def test_the_scan_sees(text: str) -> None:
    """Each kind of offence is found: the test above can fail."""
    assert list(offences(text))


@given(st.text(max_size=40))
@example("../../etc/cron.d/car")
@example("/etc/passwd")
@example("..")
@example(".")
@example("")
@example("~root")
@example("car\x00.toml")
@example("a/../../b")
@example("con:\\..\\x")
@example("\u2025\uff0f\u2025\uff0fetc")
def test_no_name_of_a_car_leaves_the_sessions_folder(car: str) -> None:
    """Whatever a car is called, its session is a folder right in the sessions folder."""
    with TemporaryDirectory() as made:
        root = Path(made)
        folder = new_folder(root, car, 1_764_000_000_000_000_000)
        assert folder.resolve().parent == root.resolve()
        assert folder.is_dir()
        assert list(root.iterdir()) == [folder]
        assert "/" not in folder.name
        assert not folder.name.startswith(".")


@pytest.mark.parametrize("file", ["", ".", "..", "../rules.json", "/etc/passwd", "a/b.json", "rules.json/", "x\x00y"])
def test_no_name_of_a_file_of_rules_leaves_the_sockets_folder(tmp_path: Path, file: str) -> None:
    """Whoever may use the socket can name a file beside it, and no other."""
    live = tmp_path / "live"
    live.mkdir()
    (tmp_path / "rules.json").write_text(json.dumps({"plan": 1}), encoding="utf-8")
    with pytest.raises(ActError, match=r"is no file beside the socket|cannot be read"):
        _new_rules(None, live, file)  # type: ignore[arg-type] # it is refused before the station is asked


@given(st.text(max_size=200))
def test_what_a_mark_or_a_note_says_stays_a_text(text: str) -> None:
    """It is recorded as it was said, and nothing in it can become another act."""
    intake = Intake(SessionClock(), lambda: None)
    acts = Acts(intake)
    acts.mark(text, "me")
    if text.strip():
        acts.note(text, "me")
    for record, act in zip(intake.take()[1], ("mark", "note"), strict=False):
        assert json.loads(record.data) == {"act": act, "rule": None, "text": text, "who": "me"}


def test_standing_in_for_closed_files_touches_no_open_one() -> None:
    """Where standard input and output are open, they stay what they are."""
    before = [os.fstat(number) for number in range(3)]
    _stand_in_for_closed()
    assert [os.fstat(number) for number in range(3)] == before


def test_closed_standard_files_are_stood_in_for() -> None:
    """With all three closed, no port opened later is taken for a keyboard or a terminal, and printing goes nowhere."""
    code = (
        "import os, sys; from pullwatch.watching import _stand_in_for_closed as stand_in; stand_in(); "
        "print('to nobody'); "
        "held = [os.readlink(f'/proc/self/fd/{number}') for number in range(3)]; "
        "sys.exit(0 if held == 3 * ['/dev/null'] and sys.stdout is not None and not os.isatty(0) else 7)"
    )
    done = subprocess.run(["/bin/sh", "-c", 'exec "$@" 0<&- 1>&- 2>&-', "sh", sys.executable, "-c", code], check=False)
    assert done.returncode == 0
