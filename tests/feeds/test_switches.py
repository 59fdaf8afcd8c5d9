"""Switches on a feed: what is a press, and what is none."""

from __future__ import annotations

from pullwatch.batch import Batch
from pullwatch.clock import NS_PER_MS
from pullwatch.columns import Why, to_columns
from pullwatch.feeds.switches import Switch, Switches
from pullwatch.sinks import Sink  # noqa: TC001 - an annotation that is the test

SETTLE = 40 * NS_PER_MS
STALE = 250 * NS_PER_MS
BUTTON, OTHER = 3, 4


class Hand:
    """A hand on a switch whose channel speaks each `every` ms, and what it did."""

    def __init__(self, *, below: bool = False, every: int = 10, in_columns: bool = False) -> None:
        self.presses = 0
        self.now = 0
        self._every = every * NS_PER_MS
        self._in_columns = in_columns
        switch = Switch(BUTTON, 0.5, below, SETTLE, STALE, self._pressed)
        self.switches = Switches([switch])

    def _pressed(self) -> None:
        self.presses += 1

    def holds(self, value: float, ms: int, why: int = 0) -> int:
        """Hold the switch for some ms; return how many presses there have been."""
        for _ in range(max(1, ms * NS_PER_MS // self._every)):
            samples = [(self.now, OTHER, 1.0 - value, 0), (self.now, BUTTON, value, why)]
            if self._in_columns:
                self.switches.take(Batch(self.now, (), None, to_columns(samples)), [])
            else:
                self.switches.take(Batch(self.now, (), samples), [])
            self.now += self._every
        return self.presses

    def silent(self, ms: int) -> int:
        """Let nothing come for some ms, while the loop turns."""
        for _ in range(ms // 10):
            self.now += 10 * NS_PER_MS
            self.switches.take(Batch(self.now), [])
        return self.presses


def test_a_press_is_one_act_however_long() -> None:
    """From released to pressed, once; again only after it was released."""
    for hand in (Hand(), Hand(in_columns=True)):
        assert hand.holds(0.0, 100) == 0
        assert hand.holds(1.0, 3_000) == 1
        assert hand.holds(0.0, 100) == 1
        assert hand.holds(1.0, 100) == 2


def test_a_switch_that_pulls_down_is_pressed_below() -> None:
    """The same, the other way round."""
    hand = Hand(below=True)
    assert hand.holds(1.0, 100) == 0
    assert hand.holds(0.0, 100) == 1


def test_contacts_that_bounce_are_one_press() -> None:
    """Ten changes within a few ms, on pressing and on letting go, are one press."""
    hand = Hand(every=1)
    hand.holds(0.0, 100)
    for value in (1.0, 0.0) * 5:
        hand.holds(value, 2)
    assert hand.holds(1.0, 100) == 1
    for value in (0.0, 1.0) * 5:
        hand.holds(value, 2)
    assert hand.holds(0.0, 100) == 1


def test_a_single_wrong_sample_is_no_press() -> None:
    """Nor are three of them, 30 ms long."""
    hand = Hand()
    hand.holds(0.0, 100)
    hand.holds(1.0, 30)
    assert hand.holds(0.0, 200) == 0


def test_a_switch_found_pressed_was_pressed_by_nobody() -> None:
    """Pressed when first heard (a wire to the supply), it does nothing until it was let go and pressed."""
    hand = Hand()
    assert hand.holds(1.0, 1_000) == 0
    hand.holds(0.0, 100)
    assert hand.holds(1.0, 100) == 1


def test_a_switch_that_comes_back_pressed_is_no_press() -> None:
    """After silence, or after a reading that is not believed, where it was before counts no more."""
    hand = Hand()
    hand.holds(0.0, 100)
    hand.silent(300)
    assert hand.holds(1.0, 500) == 0
    hand.holds(0.0, 100)
    hand.holds(0.0, 20, why=int(Why.IMPLAUSIBLE))
    assert hand.holds(1.0, 500) == 0


def test_a_switch_that_speaks_once_is_pressed_when_it_has_settled() -> None:
    """Sent on change only, the value stands as long as it is good, and the loop's own turns let it settle."""
    hand = Hand()
    hand.holds(0.0, 10)
    hand.silent(100)
    hand.holds(1.0, 10)
    assert hand.presses == 0
    assert hand.silent(20) == 0
    assert hand.silent(20) == 1
    assert hand.silent(2_000) == 1


def test_a_value_that_went_stale_settles_nothing() -> None:
    """What was good for less than the time to settle is no state, however late the loop looks."""
    presses: list[int] = []
    switches = Switches([Switch(BUTTON, 0.5, False, 300 * NS_PER_MS, STALE, lambda: presses.append(1))])
    switches.take(Batch(0, (), [(0, BUTTON, 0.0, 0)]), [])
    switches.take(Batch(10**9), [])
    switches.take(Batch(10**9 + 1, (), [(10**9 + 1, BUTTON, 1.0, 0)]), [])
    switches.take(Batch(2 * 10**9), [])
    assert not presses


def test_switches_are_a_sink() -> None:
    """They are told like every other."""
    sink: Sink = Hand().switches
    sink.close()
