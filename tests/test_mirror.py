"""The mirror: what another process sees of a session while it is recorded."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import pytest
from tests.live_session import LiveSession

from pullwatch.clock import NS_PER_MS
from pullwatch.mirror import GONE_AFTER, Mirror
from pullwatch.watchdog.alarms import State
from pullwatch.watchdog.conditions import Verdict

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path


@pytest.fixture
def session(tmp_path: Path) -> Iterator[LiveSession]:
    live = LiveSession(tmp_path / "session")
    yield live
    live.close()


HEALTHY = {"n": 5000.0, "map": 180.0, "lambda": 0.80, "t": 90.0}


def test_nothing_is_shown_before_there_is_something(session: LiveSession, tmp_path: Path) -> None:
    """A folder that is not there, and a session nothing of which is judged yet, have no picture."""
    nowhere = Mirror(tmp_path / "nowhere")
    assert not nowhere.poll()
    assert nowhere.picture() is None
    assert Mirror(session.folder).picture() is None


def test_margins_stand_as_the_watching_process_has_them(session: LiveSession) -> None:
    """Lambda 0.80 at 180 kPa is 0.055 from its limit 0.855, coolant 90 °C is 15 °C from 105 °C."""
    session.drive(1.0, **HEALTHY)
    mirror = Mirror(session.folder)
    assert mirror.poll()
    picture = mirror.picture()
    assert picture is not None
    lean, coolant = picture.margins
    assert (lean.rule, coolant.rule) == ("lean under boost", "coolant hot")
    assert lean.margin == pytest.approx(0.055)
    assert lean.near == pytest.approx(0.04)
    assert lean.share == 1.0
    assert lean.gate is Verdict.YES
    assert coolant.margin == pytest.approx(15.0)
    assert lean.shown == "lambda 0.800, limit lambda 0.855"


def test_the_closest_comes_first_and_what_is_not_armed_last(session: LiveSession) -> None:
    """Without boost the lean rule is not armed: the coolant's margin stands before it however lean it is."""
    session.drive(0.5, **{**HEALTHY, "map": 60.0, "lambda": 1.05, "t": 101.0})
    mirror = Mirror(session.folder)
    mirror.poll()
    picture = mirror.picture()
    assert picture is not None
    coolant, lean = picture.margins
    assert coolant.share == pytest.approx(0.4)
    assert (lean.rule, lean.gate) == ("lean under boost", Verdict.NO)


def test_an_alarm_is_seen_with_what_it_was_raised_by(session: LiveSession) -> None:
    """It stands with its words, value and limit; acknowledged it still stands."""
    session.drive(0.5, **HEALTHY)
    session.drive(0.5, **{**HEALTHY, "lambda": 0.93})
    mirror = Mirror(session.folder)
    mirror.poll()
    picture = mirror.picture()
    assert picture is not None
    (alarm,) = picture.alarms
    assert (alarm.says, alarm.state, alarm.first_out) == ("Lean under boost. Lift.", State.UNACKNOWLEDGED, True)
    assert (alarm.value, alarm.limit) == ("lambda 0.930", "lambda 0.855")
    assert picture.margins[0].share == 0.0
    session.act("acknowledge")
    session.drive(0.1, **{**HEALTHY, "lambda": 0.93})
    mirror.poll()
    picture = mirror.picture()
    assert picture is not None
    assert [one.state for one in picture.alarms] == [State.ACKNOWLEDGED]


def test_silence_is_never_an_old_value(session: LiveSession) -> None:
    """A value that is stale is not shown as a value: the age is."""
    session.drive(0.5, **HEALTHY)
    for _ in range(100):
        session.pass_ms(20)
        session.write()
    mirror = Mirror(session.folder)
    mirror.poll()
    picture = mirror.picture()
    assert picture is not None
    lam = next(channel for channel in picture.channels if channel.name == "lambda")
    assert lam.value is None
    assert lam.shown == "no data for 2.0 s"
    lean = next(one for one in picture.margins if one.rule == "lean under boost")
    assert lean.share is None
    assert lean.trip is Verdict.STALE
    assert lean.shown == "not known: nothing comes"


def test_beginning_in_the_middle_shows_the_same(session: LiveSession, monkeypatch: pytest.MonkeyPatch) -> None:
    """Taken up from a checkpoint near the end, or judged from the beginning: one picture."""
    session.drive(2.0, **HEALTHY)
    session.drive(1.0, **{**HEALTHY, "lambda": 0.93})
    session.drive(2.0, **HEALTHY)
    monkeypatch.setattr("pullwatch.mirror.BACK", 40_000)
    late, whole = Mirror(session.folder), Mirror(session.folder, whole=True)
    late.poll()
    whole.poll()
    assert not late.follower.from_begin
    a, b = late.picture(), whole.picture()
    assert a is not None
    assert b is not None
    assert (a.now, a.channels, a.margins) == (b.now, b.channels, b.margins)
    assert [(one.rule, one.state, one.since) for one in a.alarms] == [
        (one.rule, one.state, one.since) for one in b.alarms
    ]


def test_changed_rules_are_found_from_the_beginning(session: LiveSession, monkeypatch: pytest.MonkeyPatch) -> None:
    """Where rules were changed earlier the end alone does not say by which is judged: the whole is read."""
    session.drive(1.0, **HEALTHY)
    other = session.plan.to_dict()
    other["rules"][1]["trip"] = "coolant_temperature > 95 °C"
    session.act("reload", plan=other)
    session.drive(3.0, **HEALTHY)
    monkeypatch.setattr("pullwatch.mirror.BACK", 60_000)
    mirror = Mirror(session.folder)
    mirror.poll()
    mirror.poll()
    picture = mirror.picture()
    assert picture is not None
    coolant = next(one for one in picture.margins if one.rule == "coolant hot")
    assert coolant.limit == 95.0


def test_a_monitor_that_stopped_judging_is_gone(session: LiveSession, monkeypatch: pytest.MonkeyPatch) -> None:
    """The age of the last commit tells; an ended session is not gone but over."""
    session.drive(0.5, **HEALTHY)
    mirror = Mirror(session.folder)
    mirror.poll()
    clock = [session.now + 30 * NS_PER_MS]
    monkeypatch.setattr("pullwatch.recording.follower.steady_ns", lambda: clock[0])
    picture = mirror.picture()
    assert picture is not None
    assert (picture.live, picture.gone) == (True, False)
    clock[0] += GONE_AFTER
    picture = mirror.picture()
    assert picture is not None
    assert picture.gone
    session.close()
    mirror.poll()
    picture = mirror.picture()
    assert picture is not None
    assert (picture.live, picture.gone) == (False, False)
    assert "the test is over" in picture.ended


@pytest.mark.parametrize(
    ("start", "says"),
    [
        ({"imported": {"file": "lastnight.csv"}}, "imported from lastnight.csv"),
        ({"redecoded": {"of": "an evening"}}, "an evening, read again"),
        ({}, ""),
    ],
)
def test_what_was_not_watched_says_what_it_was_made_from(tmp_path: Path, start: dict[str, Any], says: str) -> None:
    """An import and a second reading can be told from what was watched."""
    live = LiveSession(tmp_path / "made", start=start)
    live.drive(0.2, **HEALTHY)
    mirror = Mirror(live.folder)
    mirror.poll()
    picture = mirror.picture()
    live.close()
    assert picture is not None
    assert picture.origin == says
