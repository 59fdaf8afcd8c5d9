"""The card while it is recorded: within ten seconds of the lift, the same as afterwards, and never in the way."""

from __future__ import annotations

import os
import subprocess
import sys
from typing import TYPE_CHECKING, Any

import pytest
from tests.reviewing.recorded import Recording, evening

from pullwatch.clock import NS_PER_S
from pullwatch.review.card import AFTER
from pullwatch.review.finding import BRIDGE
from pullwatch.review.runs import Correction
from pullwatch.reviewing.follow import Following, follow
from pullwatch.reviewing.reading import review

if TYPE_CHECKING:
    from pathlib import Path


def test_each_card_comes_within_ten_seconds_of_the_lift_and_is_the_one_of_afterwards(tmp_path: Path) -> None:
    """Followed step by step as it grows: the same four cards as from the finished recording, each in time."""
    folder = tmp_path / "2026-11-25_20-00-00_copper-hatch"
    recording = Recording(folder, evening())
    following = Following(folder)
    came: list[tuple[float, Any]] = []
    seen_under_way = False
    for now in recording.steps(0.5):
        came += [(now, card) for card in following.poll()]
        seen_under_way = seen_under_way or following.under_way
    came += [(recording.end, card) for card in following.poll()]
    assert following.ended
    assert seen_under_way
    assert len(came) == 4
    for now, card in came:
        assert now - card.run.end / NS_PER_S <= max(AFTER, BRIDGE) / NS_PER_S + 0.6
        assert now - card.run.end / NS_PER_S < 10.0
    (afterwards,) = review([folder], tmp_path / "no logbook")
    assert [card.to_dict() for _, card in came] == [card.to_dict() for card in afterwards.cards]


def test_a_run_that_goes_on_when_the_session_ends_has_its_card(tmp_path: Path) -> None:
    """It says that the recording ends in it."""
    folder = tmp_path / "session"
    recording = Recording(folder, evening())
    following = Following(folder)
    recording.go(15.0)
    assert following.poll() == []
    assert following.under_way
    recording.close()
    (card,) = following.poll()
    assert card.told[-1].value == "no"
    assert card.run.ended.startswith("not over")


def test_the_owners_word_counts_while_recording_too(evening_recorded: Path) -> None:
    """A run that is none has no card, and the others keep their numbers."""
    folder = evening_recorded
    following = Following(folder, [Correction(folder.name, 12 * NS_PER_S, "no run")])
    assert [card.run.number for card in following.poll()] == [2, 3, 4]


def test_following_says_each_card_once_and_ends_with_the_session(tmp_path: Path) -> None:
    """`wait` is called between two looks; the last words come before it ends."""
    folder = tmp_path / "session"
    recording = Recording(folder, evening())
    steps = recording.steps(4.0)
    said: list[str] = []
    waits = [0]

    def wait() -> None:
        waits[0] += 1
        next(steps, None)

    follow(folder, said.append, wait)
    assert len(said) == 4
    assert said[0].startswith("\nrun 1: pull, gear 4")
    assert waits[0] >= 19


def test_a_car_without_engine_speed_is_told_so_once(tmp_path: Path) -> None:
    """There are no runs to follow, and it does not stay for nothing."""
    from tests.live_session import LiveSession

    setup = """
[car]
name = "copper hatch"
[[feed]]
name = "gps"
kind = "serial-line"
port = "socket://127.0.0.1:47999"
fields = [{ channel = "vehicle_speed", key = "v" }]
"""
    session = LiveSession(tmp_path / "session", setup)
    session.drive(1.0, v=50)
    session.write()
    said: list[str] = []
    follow(session.folder, said.append, lambda: pytest.fail("it waits for nothing"))
    session.recorder.close("stopped", "the test is over")
    assert len(said) == 1
    assert said[0].startswith("no cards: only road speed is measured")


def test_as_a_program_it_prints_the_cards_at_the_lowest_priority(evening_recorded: Path) -> None:
    """What the watching process starts: it ends with the session, and says what it cannot read."""
    folder = evening_recorded
    code = (
        "import os, sys; from pullwatch.reviewing.follow import main; "
        "r = main(); print('nice', os.nice(0)); sys.exit(r)"
    )
    done = subprocess.run([sys.executable, "-c", code, str(folder)], capture_output=True, text=True, check=True)
    assert done.stdout.count("recorded whole: yes") == 4
    assert f"nice {min(19, os.nice(0) + 19)}" in done.stdout
    wrong = subprocess.run(
        [sys.executable, "-m", "pullwatch.reviewing.follow"], capture_output=True, text=True, check=False
    )
    assert wrong.returncode == 2
    assert "usage" in wrong.stderr
