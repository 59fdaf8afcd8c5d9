"""A corrected setup for an old session: a second reading beside the first, and every report says which it is."""

from __future__ import annotations

import hashlib
from itertools import pairwise
from typing import TYPE_CHECKING

import pytest
from typer.testing import CliRunner

from pullwatch.batch import Kind
from pullwatch.cli import app
from pullwatch.clock import NS_PER_S
from pullwatch.errors import SessionError
from pullwatch.recording.reader import Session
from pullwatch.recording.session import list_sessions
from pullwatch.replaying import plan_of, reading_of, replayed, verify
from pullwatch.watchdog.alarms import Event
from pullwatch.whatif.redecoding import redecode

from .sessions import SETUP, act, damage, plan_in, pulls, write

if TYPE_CHECKING:
    from pathlib import Path

    from pullwatch.setup import Plan

FAHRENHEIT = SETUP.replace('key = "t" }', 'key = "t", unit = "°F" }')
"""As it should have been from the begin: the controller sends °F."""


@pytest.fixture
def plan(tmp_path: Path) -> Plan:
    """Return the plan of then, which takes °F for °C."""
    return plan_in(tmp_path)


@pytest.fixture
def session(tmp_path: Path, plan: Plan) -> Session:
    """Return a session in which 215 °F were read as 215 °C, which no coolant has: a fault all along."""
    records = [*pulls(13.0, hot=222.0), act(7 * NS_PER_S + 777, act="mark", text="second pull")]
    return Session(write(tmp_path / "2025-06-15_15-06-40_copper-hatch", plan, records))


def digests(folder: Path) -> dict[str, str]:
    """Return what the files of a session are."""
    return {part.name: hashlib.sha256(part.read_bytes()).hexdigest() for part in sorted(folder.iterdir())}


def test_a_corrected_scale_makes_a_second_reading(tmp_path: Path, session: Session) -> None:
    """The same bytes at the same times; other values, other alarms; the first is not touched."""
    before = digests(session.folder)
    corrected = plan_in(tmp_path, FAHRENHEIT, "corrected.toml")
    made = redecode(session, corrected)
    assert digests(session.folder) == before
    assert made.written.parent == session.folder.parent
    again = Session(made.written)
    assert again.whole
    assert again.check() == []
    first = [record for block in session.blocks() for record in block.records]
    assert [record for block in again.blocks() for record in block.records] == first
    assert plan_of(again) == corrected
    assert plan_of(session) != corrected
    names = {change.name for change in session.changes() if change.event is Event.RAISE}
    assert "coolant hot" not in names
    hot = [c for c in again.changes() if c.name == "coolant hot" and c.event is Event.RAISE]
    assert hot
    assert 105.0 < hot[0].value < 109.0
    assert made.raised == sum(change.event is Event.RAISE for change in again.changes())
    found = verify(again)
    assert found.agree
    assert not found.unverified
    assert verify(again, since=9 * NS_PER_S).since > 7 * NS_PER_S
    assert verify(session).agree


def test_every_report_says_which_reading_it_is_of(tmp_path: Path, session: Session) -> None:
    """Redecode itself, replay, verify, alarms, whatif; the first reading says nothing of it."""
    plan_in(tmp_path, FAHRENHEIT, "corrected.toml")
    run = CliRunner().invoke
    said = run(app, ["redecode", str(session.folder), "--setup", str(tmp_path / "corrected.toml")])
    assert said.exit_code == 0, said.output
    assert "was read again; the second reading is" in said.output
    assert "coolant_temperature is taken from ecu otherwise than it was" in said.output
    assert "2025-06-15_15-06-40_copper-hatch itself is as it was." in said.output
    second = tmp_path / "redecoded_2025-06-15_15-06-40_copper-hatch"
    words = "READ AGAIN by corrected.toml: the bytes are those of 2025-06-15_15-06-40_copper-hatch"
    sweep = ["--vary", "limit.hottest", "--from", "90", "--to", "120", "--step", "10"]
    for command in (
        ["replay", str(second)],
        ["replay", str(second), "--verify"],
        ["alarms", str(second)],
        ["whatif", str(second), "--rules", str(tmp_path / "corrected.toml")],
        ["whatif", str(second), *sweep],
    ):
        told = run(app, command)
        assert words in told.output, command
        assert told.exit_code in (0, 1), told.output
    told = run(app, ["alarms", str(session.folder)])
    assert "READ AGAIN" not in told.output
    assert reading_of(session) == []


def test_a_corrected_delay_is_a_reading_too(tmp_path: Path, session: Session) -> None:
    """It changes no value, and what it changes is said."""
    text = SETUP.replace("delay_ms = [40, 100]", "delay_ms = [60, 180]")
    made = redecode(session, plan_in(tmp_path, text, "late.toml"), tmp_path / "late")
    assert made.differences == ("lambda has another delay than it had",)
    assert verify(Session(tmp_path / "late")).agree


def test_the_second_reading_is_never_the_latest_session(tmp_path: Path, session: Session) -> None:
    """It is listed, but what stands in it is not carried into the next evening; `last` is the first reading."""
    from pullwatch.recording.session import latest

    made = redecode(session, plan_in(tmp_path, FAHRENHEIT, "corrected.toml"))
    assert latest(tmp_path) == session.folder
    assert {one.folder for one in list_sessions(tmp_path)} == {session.folder, made.written}
    twice = redecode(session, plan_in(tmp_path, FAHRENHEIT, "corrected.toml"))
    assert twice.written.name == f"{made.written.name}-2"


def test_what_cannot_be_read_again_is_refused_in_words(tmp_path: Path, session: Session, plan: Plan) -> None:
    """Nothing otherwise; a second reading; a folder that holds a recording already."""
    with pytest.raises(SessionError, match="as it was read then"):
        redecode(session, plan)
    corrected = plan_in(tmp_path, FAHRENHEIT, "corrected.toml")
    made = redecode(session, corrected)
    with pytest.raises(SessionError, match="is a second reading itself, of 2025-06-15_15-06-40_copper-hatch"):
        redecode(Session(made.written), corrected)
    with pytest.raises(SessionError, match="holds a recording already"):
        redecode(session, corrected, made.written)


@pytest.mark.parametrize("share", [0.45, 0.5, 0.55])
def test_a_damaged_session_is_read_again_as_far_as_it_is_good(tmp_path: Path, session: Session, share: float) -> None:
    """What is lost is told, counts as silence, and joins no halves of lines; the second reading verifies whole."""
    damage(session.folder, share)
    damaged = Session(session.folder)
    assert damaged.gaps
    made = redecode(damaged, plan_in(tmp_path, FAHRENHEIT, "corrected.toml"))
    assert made.gaps == 1
    again = Session(made.written)
    assert verify(again).agree
    assert not verify(again).unverified
    good = [r for block in damaged.blocks(everything=True) for r in block.records]
    kept = [r for block in again.blocks() for r in block.records]
    assert [record for record in kept if record.kind is not Kind.DROPPED] == good
    dropped = [record for record in kept if record.kind is Kind.DROPPED]
    assert dropped or len(good) == sum(len(block.records) for block in session.blocks())
    assert all(a.end < b.t for a, b in pairwise(kept))
    assert any(event.get("event") == "missing" for _, event in again.events())


@pytest.mark.parametrize("share", [0.45, 0.6])
def test_halves_of_lines_are_never_joined(tmp_path: Path, plan: Plan, share: float) -> None:
    """A line cut by what is lost is rejected: its second half does not go on behind the first of another."""
    whole = pulls(6.0, hot=222.0)
    halves = []
    for record in whole:  # every line in two records
        cut = len(record.data) // 2
        halves += [record._replace(data=record.data[:cut]), record._replace(t=record.t + 5_000, data=record.data[cut:])]
    shifted = [r._replace(t=r.t + 99_998_000) for r in halves]  # so that steps end between the halves of a line
    folder = write(tmp_path / "session", plan, shifted)
    damage(folder, share)
    session = Session(folder)
    made = redecode(session, plan_in(tmp_path, FAHRENHEIT, "corrected.toml"))
    again = Session(made.written)
    seen = set()
    for step in replayed(plan_of(again), again.blocks()):
        numbers = {c.name: c.number for c in step.path.plan.channels}
        seen |= {v for _, number, v, why in step.batch.samples or [] if number == numbers["engine_speed"] and not why}
    sent = {float(record.data.split(b";")[0][2:]) for record in whole if record.feed == 1}
    assert seen <= sent


def test_rules_changed_then_do_not_come_back(tmp_path: Path, plan: Plan) -> None:
    """An act that changed the rules of then stays on the record and changes nothing in the second reading."""
    other = plan_in(tmp_path, SETUP.replace("value = 105", "value = 300"), "other.toml")
    records = [*pulls(8.0, hot=222.0), act(NS_PER_S + 777, act="reload", plan=other.to_dict(), who="me")]
    session = Session(write(tmp_path / "session", plan, records))
    made = redecode(session, plan_in(tmp_path, FAHRENHEIT, "corrected.toml"))
    again = Session(made.written)
    assert any(c.name == "coolant hot" and c.event is Event.RAISE for c in again.changes())
    assert verify(again).agree
