"""The demo, run as the README says it."""

from __future__ import annotations

import re
import subprocess
import sys
from typing import TYPE_CHECKING

import pytest

from pullwatch.recording.reader import Session
from pullwatch.recording.session import list_sessions

if TYPE_CHECKING:
    from pathlib import Path


@pytest.fixture(scope="module")
def evening(tmp_path_factory: pytest.TempPathFactory) -> tuple[subprocess.CompletedProcess[str], Path]:
    """Run the demo once; it takes as long as the evening does."""
    root = tmp_path_factory.mktemp("demo")
    done = subprocess.run(
        [sys.executable, "-m", "pullwatch", "demo", "--sessions", str(root), "--device", "null"],
        capture_output=True, text=True, check=False, stdin=subprocess.DEVNULL, timeout=300,
    )  # fmt: skip
    return done, root


def test_the_evening_goes_as_its_scenario_says(
    evening: tuple[subprocess.CompletedProcess[str], Path],
) -> None:
    """Exit code 0, every outcome a yes, the alarms in their words, and where the session lies."""
    done, root = evening
    assert done.returncode == 0, done.stdout + done.stderr
    outcomes = done.stdout.rpartition("Did the evening go")[2]
    assert len(re.findall(r"^  yes ", outcomes, re.MULTILINE)) >= 7
    assert "  NO " not in outcomes
    for words in ("No mixture reading. Lift.", "Fuel pressure falling.", "Lean under boost. Lift.", "FIRST OUT"):
        assert words in done.stdout
    assert "MONITOR GONE" in done.stderr
    assert str(root) in outcomes
    assert "never replaces the ECU's own protections" in " ".join(done.stdout.split())


def test_the_clean_pull_launch_and_overruns_are_silent(
    evening: tuple[subprocess.CompletedProcess[str], Path],
) -> None:
    """Before the cable is pulled there is no alarm at all."""
    done, _ = evening
    before = done.stdout.partition("fault: lambda cable")[0]
    assert "overrun 2" in before
    assert not re.search(r"\b(CRITICAL|CAUTION)\b", before)


def test_the_bare_rule_is_worse(evening: tuple[subprocess.CompletedProcess[str], Path]) -> None:
    """The rule many would write first gives false alarms in the same recording, and none for the pulled cable."""
    done, _ = evening
    found = re.search(r"(\d+) alarms, (\d+) of them false", done.stdout)
    assert found is not None
    assert int(found.group(2)) >= 3
    assert "none for the pulled cable" in done.stdout


def test_two_sessions_lie_there_one_cut_one_whole(
    evening: tuple[subprocess.CompletedProcess[str], Path],
) -> None:
    """The killed watcher's recording is cut, the second one's whole, and both can be read."""
    _, root = evening
    infos = list_sessions(root)
    assert [info.status for info in infos] == ["cut", "whole"]
    assert all(Session(info.folder).ending.at_ns > 0 for info in infos)
