"""The player: a cursor over a recording that waits for nothing itself. Whatever is done, the alarms are the same."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from tests.whatif.sessions import SETUP, act, plan_in, pulls, write

from pullwatch.clock import NS_PER_MS, NS_PER_S
from pullwatch.recording.reader import Session
from pullwatch.replaying import Player, verify
from pullwatch.replaying.again import split

if TYPE_CHECKING:
    from pullwatch.watchdog.alarms import Change


@dataclass
class Hand:
    """A clock that stands where the test puts it."""

    at: int = 5_000 * NS_PER_S

    def __call__(self) -> int:
        """Return where it stands."""
        return self.at


@pytest.fixture(scope="module")
def session(tmp_path_factory: pytest.TempPathFactory) -> Session:
    """Return half a minute of pulls with acts, rules changed in the middle, and ten seconds of silence."""
    folder = tmp_path_factory.mktemp("kept")
    plan = plan_in(folder)
    other = plan_in(folder, SETUP.replace("value = 105", "value = 103"), "other.toml")
    records = pulls(32.0, hot=101.0, lean=0.09, silent=(13.0, 23.0))
    records += [
        act(4 * NS_PER_S + 500, act="acknowledge", rule=None, who="helper"),
        act(9 * NS_PER_S + 500, act="mark", text="second pull"),
        act(11 * NS_PER_S + 500, act="reload", plan=other.to_dict(), who="me"),
    ]
    return Session(write(folder / "session", plan, records))


def recorded(session: Session, since: int = -1, until: int = 1 << 62) -> list[Change]:
    """Return the recorded changes within a time."""
    return [change.change for change in session.changes() if since <= change.t <= until]


def played(player: Player, hand: Hand) -> list[Change]:
    """Play to the end, the clock going to each due moment and no further."""
    out: list[Change] = []
    player.play()
    while (due := player.due_in()) is not None:
        hand.at += due
        for step in player.poll():
            out += step.changes
    return out


def test_played_in_real_time_it_takes_as_long_as_it_took(session: Session) -> None:
    """Every step is due at its own time, none before; the changes are the recorded ones."""
    hand = Hand()
    player = Player(session, clock=hand)
    assert not player.playing
    assert player.due_in() is None
    player.play()
    begun = hand.at
    out: list[Change] = []
    while (due := player.due_in()) is not None:
        if due > 1:
            hand.at += due - 1
            assert player.poll() == []
            hand.at += 1
        for step in player.poll():
            assert step.block.now == hand.at - begun
            out += step.changes
    assert list(map(repr, out)) == list(map(repr, recorded(session)))
    assert player.ended
    assert hand.at - begun == player.position


@pytest.mark.parametrize("speed", [0.5, 10.0, 400.0])
def test_speed_shortens_the_time_and_nothing_else(session: Session, speed: float) -> None:
    """Ten times as fast takes a tenth."""
    hand = Hand()
    begun = hand.at
    out = played(Player(session, clock=hand, speed=speed), hand)
    assert list(map(repr, out)) == list(map(repr, recorded(session)))
    assert hand.at - begun == pytest.approx(session.ending.at_ns / speed, rel=1e-6)


def test_long_silences_are_shortened_on_request(session: Session) -> None:
    """Ten seconds become two, the step behind says so, and the alarms of the silence are told."""
    hand = Hand()
    begun = hand.at
    player = Player(session, clock=hand, silence=2 * NS_PER_S)
    player.play()
    out: list[Change] = []
    silences = []
    while (due := player.due_in()) is not None:
        hand.at += due
        for step in player.poll():
            out += step.changes
            if step.silence:
                silences.append((step.silence, step.block.records[0].t))
    assert list(map(repr, out)) == list(map(repr, recorded(session)))
    ((length, t),) = silences
    assert length == pytest.approx(10 * NS_PER_S, abs=0.15 * NS_PER_S)
    assert t == pytest.approx(23 * NS_PER_S, abs=0.1 * NS_PER_S)
    assert hand.at - begun == pytest.approx(session.ending.at_ns - 8 * NS_PER_S, abs=0.2 * NS_PER_S)


def test_behind_a_shortened_silence_time_goes_on_as_before(session: Session) -> None:
    """Whoever pauses there, or changes the speed, waits for the next step no longer than it takes."""
    hand = Hand()
    player = Player(session, clock=hand, silence=2 * NS_PER_S)
    player.play()
    while player.position < 24 * NS_PER_S:
        hand.at += player.due_in() or 0
        player.poll()
    player.pause()
    player.play()
    assert player.due_in() == pytest.approx(100 * NS_PER_MS, abs=1)
    player.speed = 10.0
    assert player.due_in() == pytest.approx(10 * NS_PER_MS, abs=1)


def test_a_step_is_cut_beside_records_never_in_them(session: Session) -> None:
    """A record that has begun belongs whole to the first part; nothing is lost, nothing comes twice."""
    block = next(block for block in session.blocks(since=4 * NS_PER_S) if len(block.records) > 6)
    whole = block.records
    for record in whole[1:-1]:
        for t in (record.t, record.t + 1, record.end, record.end + 1):
            before, after = split(block, t)
            assert before is not None
            assert after is not None
            assert before.records + after.records == whole
            assert before.records[-1].end <= before.now < after.records[0].t
            assert all(one.t < t for one in before.records)
            assert all(one.t >= t for one in after.records)
            assert after.now == block.now


def test_pause_stops_time_and_speed_may_change_on_the_way(session: Session) -> None:
    """Nothing is due while paused, however long; what is left is then played at the new speed."""
    hand = Hand()
    player = Player(session, clock=hand)
    player.play()
    hand.at += 5 * NS_PER_S
    player.poll()
    assert player.position == pytest.approx(5 * NS_PER_S, abs=0.11 * NS_PER_S)
    player.pause()
    hand.at += 3600 * NS_PER_S
    assert player.due_in() is None
    assert player.poll() == []
    player.speed = 2.0
    player.play()
    left, begun = session.ending.at_ns - player.position, hand.at
    played(player, hand)
    assert hand.at - begun == pytest.approx(left / 2, rel=1e-6)
    with pytest.raises(ValueError, match="not above 0"):
        player.speed = 0.0


@settings(max_examples=8, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(places=st.lists(st.integers(0, 32 * NS_PER_S), min_size=1, max_size=3))
def test_from_any_place_on_the_alarms_are_the_recorded_ones(session: Session, places: list[int]) -> None:
    """Forwards and backwards, over changed rules too: judging goes on from a checkpoint, not from nothing."""
    player = Player(session, clock=Hand(), speed=None)
    for place in places:
        player.seek(place)
    assert player.position < place + 100 * NS_PER_MS
    out: list[Change] = []
    while (step := player.step()) is not None:
        out += step.changes
    kept = [change for change in out if change.t >= place]
    assert list(map(repr, kept)) == list(map(repr, recorded(session, place)))
    assert len(out) == len(kept)


def test_it_ends_where_it_is_told_to(session: Session) -> None:
    """Everything up to that instant, and nothing after it."""
    until = 7 * NS_PER_S + 123_456_789
    player = Player(session, clock=Hand(), speed=None, until=until)
    out: list[Change] = []
    while (step := player.step()) is not None:
        out += step.changes
    assert player.position == pytest.approx(until, abs=100)
    assert list(map(repr, out)) == list(map(repr, recorded(session, until=until)))


def test_rules_in_force_are_those_of_the_place(session: Session) -> None:
    """Behind a change of rules the path has the new ones, before it the old ones."""
    player = Player(session, clock=Hand())
    player.seek(20 * NS_PER_S)
    assert player.path.reloads == 1
    assert next(limit for limit in player.path.plan.limits if limit.name == "hottest").value == (103.0,)
    player.seek(10 * NS_PER_S)
    assert player.path.reloads == 0
    assert next(limit for limit in player.path.plan.limits if limit.name == "hottest").value == (105.0,)


def test_from_a_checkpoint_in_the_middle_it_verifies(session: Session) -> None:
    """Over the change of rules, and to a place before the end."""
    for since in (3, 10, 12, 20, 30):
        found = verify(session, since=since * NS_PER_S)
        assert found.agree
        assert found.since == pytest.approx(since * NS_PER_S, abs=1.2 * NS_PER_S)
        assert found.since <= since * NS_PER_S
    found = verify(session, since=3 * NS_PER_S, until=8 * NS_PER_S)
    assert found.agree
    assert 8 * NS_PER_S <= found.now < 8.2 * NS_PER_S
