"""The commands, as a person types them: the logbook, the card, the review."""

from __future__ import annotations

import json
import os
import pty
import subprocess
import sys
from pathlib import Path

import pytest
from typer.testing import CliRunner

from pullwatch.cli import app
from pullwatch.logbook import Logbook
from pullwatch.recording.reader import Session


def run(tmp_path: Path, *words: str) -> str:
    """Run a command that succeeds, on a logbook of the test's own, and return what it prints."""
    done = CliRunner().invoke(app, list(words), env={"PULLWATCH_LOGBOOK": str(tmp_path / "logbook.sqlite")})
    assert done.exit_code == 0, done.output
    return done.output


def refused(tmp_path: Path, *words: str) -> str:
    """Run a command that is refused, with exit code 2, and return what it says."""
    done = CliRunner().invoke(app, list(words), env={"PULLWATCH_LOGBOOK": str(tmp_path / "logbook.sqlite")})
    assert done.exit_code == 2, done.output
    return done.output


def test_everything_can_be_written_down_listed_struck_and_carried_along(tmp_path: Path) -> None:
    """Car, change, slip with a speed in miles, weather, oil, note; list, show, pick, strike, export, import."""
    run(tmp_path, "logbook", "add", "car", "copper hatch", "--mass-kg", "1240")
    run(tmp_path, "logbook", "add", "change", "wastegate_duty", "35")
    run(tmp_path, "logbook", "add", "change", "fuel", "2", "--speed", "5200-6400", "--pressure", "160-200")
    slip = ("--60ft", "1.95", "--330ft", "5.40", "--660ft", "8.25", "--1000ft", "10.70", "--1320ft", "12.78")
    run(tmp_path, "logbook", "add", "slip", "--reaction", "0.412", *slip, "--1320ft-speed", "110.6mph")
    run(tmp_path, "logbook", "add", "weather", "--temperature", "21", "--pressure", "989", "--kind", "station")
    run(tmp_path, "logbook", "add", "oil", "iron=18ppm", "fuel=1.2%", "--oil", "5W-40")
    run(tmp_path, "logbook", "add", "note", "dry", "--at", "2025-11-20 21:40")
    listed = run(tmp_path, "logbook", "list")
    for words in (
        "item fuel",
        "kmh_1320ft 177.99",
        "pressure_kind station",
        '"iron": [18.0, "ppm"]',
        "2025-11-20 21:40",
    ):
        assert words in listed
    assert "wastegate duty: 35 %" in run(tmp_path, "logbook", "show")
    assert "35 %; a step: 34 or 36 %" in run(tmp_path, "logbook", "pick")
    uid = run(tmp_path, "logbook", "list", "note").split()[0]
    assert "struck out: note" in run(tmp_path, "logbook", "strike", uid, "another evening")
    assert run(tmp_path, "logbook", "list", "note") == "Nothing was written down.\n"
    assert "STRUCK OUT: another evening" in run(tmp_path, "logbook", "list", "note", "--struck")
    assert "change.csv" in run(tmp_path, "logbook", "export", str(tmp_path / "csv"))
    assert run(tmp_path, "logbook", "import", str(tmp_path / "csv")).startswith("0 rows added, 7 were there already")


def test_what_cannot_be_is_refused_with_exit_code_2(tmp_path: Path) -> None:
    """In words, each with what to do."""
    assert "logbook add car NAME" in refused(tmp_path, "logbook", "add", "change", "wastegate_duty", "35")
    run(tmp_path, "logbook", "add", "car", "copper hatch")
    for words, told in (
        (("add", "change"), "what was changed?"),
        (("add", "change", "wastegate_duty"), "changed to what?"),
        (("add", "change", "fuel", "2", "--speed", "high"), "two numbers with - between"),
        (("add", "slip", "--60ft", "1.9", "--660ft", "8.2", "--660ft-speed", "141"), "needs its unit"),
        (("add", "slip", "--60ft", "1.9", "--660ft", "8.2", "--660ft-speed", "141psi"), "psi is no speed"),
        (("add", "slip", "--60ft", "1.9", "--660ft", "8.2", "--660ft-speed", "141knots"), "is not known"),
        (("add", "oil", "iron"), "is no figure"),
        (("add", "oil", "iron=1", "Iron=2"), "stands there twice"),
        (("add", "note", "x", "--at", "soon"), "is no time"),
        (("list", "slips"), 'did you mean "slip"'),
        (("list", "slip", "--car", "x"), "holds no car"),
        (("strike", "zzzz", "why"), "no row"),
        (("between", "last", "last:2"), "names no run"),
        (("import", str(tmp_path / "nothing.csv")), "of which kind"),
    ):
        assert told in refused(tmp_path, "logbook", *words), words


def test_on_a_terminal_it_shows_the_pick_list_and_asks(tmp_path: Path) -> None:
    """Where there is a person, options may be left out."""
    run(tmp_path, "logbook", "add", "car", "copper hatch")
    for command, typed in (
        (("logbook", "add", "change"), "wastegate_duty\n36\n"),
        (("logbook", "add", "slip"), "1.95\n5.40\n8.25\n\n\n12.78\n178km/h\n"),
    ):
        person, terminal = pty.openpty()
        os.write(person, typed.encode())
        done = subprocess.run(
            [sys.executable, "-m", "pullwatch", *command, "--logbook", str(tmp_path / "logbook.sqlite")],
            stdin=terminal, capture_output=True, text=True, check=False,
        )  # fmt: skip
        os.close(person)
        os.close(terminal)
        assert done.returncode == 0, done.stdout + done.stderr
        assert "written down as" in done.stdout
        if "change" in command:
            assert "wastegate duty: not noted" in done.stdout
    with Logbook(tmp_path / "logbook.sqlite") as book:
        given = book.given("copper hatch")
        assert given.changes[0].now == "36"
        assert given.slips[0].times == {"60 ft": 1.95, "330 ft": 5.4, "660 ft": 8.25, "1320 ft": 12.78}
        assert given.slips[0].speeds == {"1320 ft": 178.0}


# ---- of a recording --------------------------------------------------------------------------------------------------


@pytest.fixture
def session(evening_recorded: Path) -> str:
    """Return the folder of the recorded evening as it is typed."""
    return str(evening_recorded)


def test_the_card_and_the_review_are_printed(tmp_path: Path, session: str) -> None:
    """All cards or the last ones; the answers asked for; text for people, JSON for machines."""
    assert run(tmp_path, "card", session).count("recorded whole: yes") == 4
    last = run(tmp_path, "card", session, "--last", "1")
    assert last.startswith("run 4: pull, gear 4")
    assert last.count("recorded whole") == 1
    text = run(tmp_path, "review", session)
    assert "RUNS  Which runs were there" in text
    assert "MARGINS  How close did it get?" in text
    assert "the decision stays with the owner" in text
    assert "there is no logbook" in text
    only = run(tmp_path, "review", session, "--answer", "runs")
    assert "MARGINS" not in only
    assert "recorded whole" not in only
    said = json.loads(run(tmp_path, "review", session, "--json", "--last", "2"))
    (one,) = said["sessions"]
    assert [card["run"] for card in one["cards"]] == [3, 4]
    assert set(one["answers"]) >= {"runs", "margins"}
    assert one["answers"]["runs"]["data"]["runs"][0]["kind"] == "pull"
    assert 'did you mean "margins"' in refused(tmp_path, "review", session, "--answer", "margin")
    assert "is no folder here" in refused(tmp_path, "card", "nothing")


def test_following_a_session_that_is_over_prints_its_cards_and_ends(tmp_path: Path, session: str) -> None:
    """The same command that waits while one is being recorded."""
    done = subprocess.run(
        [sys.executable, "-m", "pullwatch", "card", session, "--follow"],
        capture_output=True, text=True, check=False, env={**os.environ, "PULLWATCH_LOGBOOK": str(tmp_path / "none")},
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    assert done.stdout.count("recorded whole: yes") == 4


def test_the_owner_corrects_a_run_and_asks_what_lies_between_two(tmp_path: Path, session: str) -> None:
    """The correction is in the review from then on; changes of the evening stand beside what they did."""
    assert 'holds no car "copper hatch"' in refused(tmp_path, "logbook", "correct", session, "1", "class", "load hold")
    run(tmp_path, "logbook", "add", "car", "copper hatch")
    assert "run 1: load hold" in run(tmp_path, "logbook", "correct", session, "1", "class", "load hold")
    assert "set by the owner: class" in " ".join(run(tmp_path, "review", session, "--answer", "runs").split())
    assert "the owner says it is none" in run(tmp_path, "logbook", "correct", session, "2", "no run")
    assert run(tmp_path, "card", session).count("recorded whole") == 3
    assert "expected one of" in refused(tmp_path, "logbook", "correct", session, "1", "class", "sprint")
    assert "has no run 9" in refused(tmp_path, "logbook", "correct", session, "9", "class", "pull")
    with Logbook(tmp_path / "logbook.sqlite") as book:
        wall = Session(Path(session)).wall(0)
        assert wall is not None
        for item in ("wastegate_duty", "launch_speed"):
            book.add_change(None, item, "35" if item == "wastegate_duty" else "4200", at=wall + 50_000_000_000)
    told = run(tmp_path, "logbook", "between", f"{session}:4", f"{session}:3")
    assert told.startswith("from run 3 of")
    assert "changed: wastegate duty: 35 %" in told
    assert "NOT SEPARABLE: 2 things" in told
    assert "has no run 2; it has 1, 3, 4" in refused(tmp_path, "logbook", "between", f"{session}:1", f"{session}:2")


def test_slips_are_paired_by_hand_or_by_the_time_of_day(tmp_path: Path, session: str) -> None:
    """A dyno evening has no pass: nothing is guessed, and the owner's word counts."""
    run(tmp_path, "logbook", "add", "car", "copper hatch")
    assert run(tmp_path, "logbook", "pair", session) == "No slip waits for its run.\n"
    uid = run(tmp_path, "logbook", "add", "slip", "--60ft", "1.95", "--330ft", "5.4").split()[-1]
    assert "no pass was then" in run(tmp_path, "logbook", "pair", session)
    assert "go together" in refused(tmp_path, "logbook", "pair", session, "--slip", uid)
    assert "has no run 7" in refused(tmp_path, "logbook", "pair", session, "--slip", uid, "--run", "7")
    assert "run 2 of" in run(tmp_path, "logbook", "pair", session, "--slip", uid, "--run", "2")
    with Logbook(tmp_path / "logbook.sqlite") as book:
        assert book.given("copper hatch").slips[0].run == 2


def test_watching_needs_no_database() -> None:
    """Neither the command line nor what it needs to watch imports SQLite."""
    code = "import sys, pullwatch.cli, pullwatch.watching; print('sqlite3' in sys.modules)"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "False"
