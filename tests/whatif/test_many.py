"""Folders of sessions: on all cores, in order, one bad one left out, and no process left behind."""

from __future__ import annotations

import os
import subprocess
import sys
from contextlib import suppress
from pathlib import Path

import pytest

from pullwatch.errors import NotASession
from pullwatch.whatif.many import FAILED, OTHERWISE, SAME, Task, do, each, sessions_in

from .sessions import SETUP, plan_in, pulls, write


@pytest.fixture
def evening(tmp_path: Path) -> Path:
    """Return a folder of three sessions, the second of which cannot be read."""
    plan = plan_in(tmp_path / "setups")
    plan_in(tmp_path / "setups", SETUP.replace("value = 105", "value = 95"), "strict.toml")
    folder = tmp_path / "evening"
    write(folder / "a", plan, pulls(6.0, hot=97.0))
    write(folder / "c", plan, pulls(6.0, hot=80.0))
    (folder / "b").mkdir()
    (folder / "b" / "0001.mcap").write_bytes(b"no session at all")
    (folder / "notes").mkdir()
    return folder


def group_of(session: int) -> list[int]:
    """Return the processes of a session (of the system's kind) that still run."""
    found = []
    for entry in Path("/proc").iterdir():
        with suppress(OSError, ValueError, IndexError):
            fields = (entry / "stat").read_text(encoding="ascii", errors="replace").rpartition(")")[2].split()
            if int(fields[3]) == session and fields[0] != "Z":
                found.append(int(entry.name))
    return found


@pytest.mark.skipif(not Path("/proc/self/stat").exists(), reason="which processes run is read from /proc")
def test_a_folder_of_sessions_is_done_on_all_cores(evening: Path) -> None:
    """Reports in order of name; the one that cannot be read is named; exit code 2 says so; nothing runs on."""
    command = [sys.executable, "-m", "pullwatch", "whatif", str(evening)]
    command += ["--rules", str(evening.parent / "setups" / "strict.toml")]
    process = subprocess.Popen(
        command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, start_new_session=True
    )
    out, err = process.communicate(timeout=120)
    assert group_of(process.pid) == []
    assert process.returncode == 2, err
    heads = [line for line in out.splitlines() if not line.startswith(" ")]
    assert heads[0].startswith("WHAT IF strict.toml had judged a: 1 alarms added")
    assert heads[1].startswith("b is left out: ")
    assert heads[2].startswith("WHAT IF strict.toml had judged c: 0 alarms added, 0 removed")
    assert len(heads) == 3


def test_one_at_a_time_gives_the_same(evening: Path) -> None:
    """On one core nothing is started, and the same is said; what each came to is told apart."""
    plan = plan_in(evening.parent / "setups", SETUP.replace("value = 105", "value = 95"), "strict.toml")
    task = Task("compare", plan.to_dict())
    reports = list(each(task, sessions_in(evening), cores=1))
    assert [report.outcome for report in reports] == [OTHERWISE, FAILED, SAME]
    swept = Task("sweep", name="limit.hottest", span=("95", "105", "5"))
    assert [do(swept, folder).outcome for folder in sessions_in(evening)] == [OTHERWISE, FAILED, SAME]


def test_a_folder_without_sessions_is_refused(tmp_path: Path) -> None:
    """In words."""
    with pytest.raises(NotASession, match="is no session and holds none"):
        sessions_in(tmp_path)


def test_a_worker_that_is_killed_costs_its_session_only(evening: Path) -> None:
    """The others are done in processes of their own."""
    code = (
        "import os, signal, sys\n"
        "from pathlib import Path\n"
        "from pullwatch.whatif import many\n"
        "if __name__ == '__main__':\n"
        "    task = many.Task('compare', None, name='killed')\n"
        "    for report in many.each(task, [Path(p) for p in sys.argv[1:]], cores=2):\n"
        "        print(report.folder.name, report.outcome, *report.lines)\n"
        "else:\n"
        "    done = many.do\n"
        "    def do(task, folder, cores=1):\n"
        "        if folder.name == 'b':\n"
        "            os.kill(os.getpid(), signal.SIGKILL)\n"
        "        return many.Report(folder, ('well',), 0)\n"
        "    many.do = do\n"
    )
    # A worker that is spawned runs the main file again: there `do` is one that a session kills.
    program = evening.parent / "program.py"
    program.write_text(code, encoding="utf-8")
    done = subprocess.run(
        [sys.executable, str(program), *(str(evening / name) for name in "ab")],
        capture_output=True, text=True, check=False, timeout=120, env={**os.environ},
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    lines = {line.split()[0]: line for line in done.stdout.splitlines()}
    assert lines["b"].startswith("b 2 b is left out: the process that read it was killed")
    assert lines["a"] == "a 0 well"
