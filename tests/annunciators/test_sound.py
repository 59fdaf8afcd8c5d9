"""Which signal sounds, from what changed. The signals go into a list; the states come from the one transition table."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from pullwatch.annunciators.sound import Signals, Sound, loudest, signal_of
from pullwatch.batch import Batch
from pullwatch.sentinel.link import SentinelLink
from pullwatch.sinks import Sink  # noqa: TC001 - an annotation that is the test
from pullwatch.watchdog.alarms import QUIET, TABLE, Change, Event, Priority, State
from pullwatch.watchdog.conditions import Lost
from pullwatch.watchdog.rules import Rule, RuleSet

PRIORITIES = (Priority.CRITICAL, Priority.CAUTION, Priority.NOTE, Priority.CRITICAL)
RULES = RuleSet((), tuple(Rule(i, f"rule {i}", Lost(0), priority=p) for i, p in enumerate(PRIORITIES)))
LIFT, WARM, ODD, OVER = range(4)
QUIET_NOW, QUIET_AFTER = "quiet now", "quiet after the burst"


class Room:
    """Rules moved by events, a Sound that is told, and what was asked to sound."""

    def __init__(self) -> None:
        self.asked: list[str | tuple[Priority, int]] = []
        self.states = dict.fromkeys(range(len(PRIORITIES)), State.NORMAL)
        self.sound = Sound(RULES, self)

    def alarm(self, priority: Priority, rule: int, state: State) -> int:
        """Note what should sound."""
        assert self.states[rule] is state
        self.asked.append((priority, rule))
        return len(self.asked)

    def silence(self, *, finish: bool = False) -> None:
        """Note that nothing should."""
        self.asked.append(QUIET_AFTER if finish else QUIET_NOW)

    def move(self, *moves: tuple[int, Event]) -> list[str | tuple[Priority, int]]:
        """Let events happen in one step; return what was asked to sound because of them."""
        changes = []
        for rule, event in moves:
            was = self.states[rule]
            self.states[rule] = TABLE[was, event]
            if self.states[rule] is not was:
                changes.append(Change(0, rule, was, self.states[rule], event, math.nan, math.nan))
        before = len(self.asked)
        self.sound.take(Batch(0), changes)
        return self.asked[before:]


RAISE, CLEAR, CLEAR_L, ACK, RESET = Event.RAISE, Event.CLEAR, Event.CLEAR_LATCHED, Event.ACKNOWLEDGE, Event.RESET


def test_what_is_shelved_is_quiet_at_once() -> None:
    """Shelved it is not heard; when the time is over and it still stands, it is."""
    room = Room()
    room.move((WARM, RAISE))
    assert room.move((WARM, Event.SHELVE)) == [QUIET_NOW]
    assert room.move((WARM, Event.SHELF_OVER), (WARM, RAISE)) == [(Priority.CAUTION, WARM)]
    assert room.move((WARM, Event.TAKE_OUT)) == [QUIET_NOW]


def test_an_alarm_sounds_until_acknowledged() -> None:
    """Raised it sounds; acknowledged it is quiet at once, in the middle of a burst."""
    room = Room()
    assert room.move((LIFT, RAISE)) == [(Priority.CRITICAL, LIFT)]
    assert room.move((LIFT, ACK)) == [QUIET_NOW]
    assert room.move((LIFT, CLEAR)) == []


def test_the_most_urgent_alarm_sounds() -> None:
    """Critical takes the place of a caution; a note beside a caution is not heard; acknowledged, the next one is."""
    room = Room()
    assert room.move((WARM, RAISE)) == [(Priority.CAUTION, WARM)]
    assert room.move((LIFT, RAISE)) == [(Priority.CRITICAL, LIFT)]
    assert room.move((ODD, RAISE)) == []
    assert room.move((LIFT, ACK)) == [(Priority.CAUTION, WARM)]
    assert room.move((WARM, ACK)) == [(Priority.NOTE, ODD)]


def test_a_second_critical_alarm_is_heard_anew() -> None:
    """The one raised last is sent, so that its own first frame is stamped and a pause is cut short."""
    room = Room()
    room.move((LIFT, RAISE))
    assert room.move((OVER, RAISE)) == [(Priority.CRITICAL, OVER)]
    assert room.move((OVER, ACK)) == [(Priority.CRITICAL, LIFT)]


def test_an_alarm_that_returns_and_comes_again_sounds_again() -> None:
    """Raised again after it returned, it is the latest."""
    room = Room()
    room.move((OVER, RAISE), (LIFT, RAISE), (OVER, CLEAR))
    assert room.asked[-1] == (Priority.CRITICAL, LIFT)
    assert room.move((OVER, RAISE)) == [(Priority.CRITICAL, OVER)]


def test_with_somebody_standing_by_an_alarm_that_is_over_reminds_as_a_note() -> None:
    """On a dyno "Lift" turns into a note when the alarm is over, until somebody acknowledges."""
    room = Room()
    room.move((LIFT, RAISE))
    assert room.move((LIFT, CLEAR_L)) == [(Priority.NOTE, LIFT)]
    assert room.move((LIFT, ACK)) == [QUIET_NOW]
    assert room.move((LIFT, RESET)) == []


def test_alarms_carried_in_sound_as_what_they_are() -> None:
    """A latch standing from the session before reminds; an alarm still unacknowledged sounds."""
    room = Room()
    room.states[LIFT], room.states[WARM] = State.LATCHED_UNACKNOWLEDGED, State.UNACKNOWLEDGED
    changes = [Change(0, r, State.NORMAL, room.states[r], None, math.nan, math.nan) for r in (LIFT, WARM)]
    room.sound.take(Batch(0), changes)
    assert room.asked == [(Priority.CAUTION, WARM)]


def test_closing_is_quiet() -> None:
    """The last thing asked for is silence."""
    room = Room()
    room.move((LIFT, RAISE))
    room.sound.close()
    assert room.asked[-1] == QUIET_NOW
    room.sound.close()
    assert len(room.asked) == 2


@pytest.mark.parametrize("state", list(State))
@pytest.mark.parametrize("priority", list(Priority))
def test_only_what_nobody_has_acknowledged_sounds(priority: Priority, state: State) -> None:
    """Normal, hidden and acknowledged states are silent, and nothing sounds more urgent than it is."""
    for remind in (False, True):
        signal = signal_of(priority, state, remind=remind)
        if state in QUIET | {State.ACKNOWLEDGED, State.LATCHED_ACKNOWLEDGED}:
            assert signal is None
        elif state is State.UNACKNOWLEDGED:
            assert signal is priority
        else:
            assert signal is (Priority.NOTE if remind else None)


moves = st.lists(st.lists(st.tuples(st.integers(0, 3), st.sampled_from(Event)), max_size=4), max_size=30)


@given(moves)
def test_what_sounds_is_always_the_most_urgent_of_what_stands(steps: list[list[tuple[int, Event]]]) -> None:
    """After any history the signal sounding is the one the standing states ask for: none lost, none left over."""
    room = Room()
    for step in steps:
        room.move(*step)
        signals = [signal_of(PRIORITIES[r], s, remind=True) for r, s in room.states.items()]
        wanted = min((s for s in signals if s is not None), default=None)
        last = room.asked[-1] if room.asked else QUIET_NOW
        assert (last[0] if isinstance(last, tuple) else None) == wanted


def test_nothing_standing_is_nothing_wanted() -> None:
    """With no alarm there is no signal."""
    assert loudest([]) is None


def test_it_fits_between_the_station_and_the_sentinel() -> None:
    """A Sound is a sink, and the sentinel's link plays its signals (the type checker holds this; here it is built)."""
    link: Signals = SentinelLink()
    sink: Sink = Sound(RULES, link)
    sink.take(Batch(0), ())
    sink.close()
