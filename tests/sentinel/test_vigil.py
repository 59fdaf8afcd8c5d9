"""When silence is "gone": times are given, nothing waits."""

from __future__ import annotations

from hypothesis import given
from hypothesis import strategies as st

from pullwatch.clock import NS_PER_MS, NS_PER_S
from pullwatch.sentinel.vigil import AFTER_SLEEP, BEGIN_WITHIN, LOOK_EVERY, Finding, Found, Vigil

MS = NS_PER_MS


class Watched:
    """A vigil with its two clocks, moved by hand."""

    def __init__(self) -> None:
        self.boot, self.mono = 10**15, 10**12
        self.vigil = Vigil(self.boot, self.mono)

    def look(self, after: int, *, heard: bool = False, slept: int = 0) -> list[Finding]:
        """Look `after` ns on both clocks, of which the machine slept `slept` more."""
        self.mono += after
        self.boot += after + slept
        return [found.finding for found in self.vigil.look(self.boot, self.mono, heard=heard)]

    def silent_until_gone(self, most: int = 10 * NS_PER_S) -> int:
        """Look as the sentinel does until gone; return how long that took in ns of the monotonic clock."""
        began = self.mono
        while self.mono - began < most:
            if Finding.GONE in self.look(max(1, self.vigil.sleep_at_most())):
                return self.mono - began
        raise AssertionError("never gone")


def beating() -> Watched:
    watched = Watched()
    watched.look(MS, heard=True)
    return watched


def test_silence_of_175_ms_is_gone() -> None:
    """A stopped process is gone 175 ms after its last heartbeat, not later and not before."""
    assert beating().silent_until_gone() == 175 * MS


def test_gone_is_found_once_and_then_back() -> None:
    """The silence is told once however long it lasts; the first heartbeat after it says for how long nobody watched."""
    watched = beating()
    watched.silent_until_gone()
    assert [watched.look(25 * MS) for _ in range(100)] == [[]] * 100
    watched.mono += 25 * MS
    watched.boot += 25 * MS
    assert watched.vigil.look(watched.boot, watched.mono, heard=True) == [Found(Finding.BACK, 2700 * MS)]
    assert not watched.vigil.gone


def test_an_end_without_goodbye_is_gone_at_once() -> None:
    """A closed pipe needs no silence; it is told once."""
    watched = beating()
    assert watched.vigil.ended() == Found(Finding.GONE, 0)
    assert watched.vigil.ended() is None
    assert watched.look(10 * NS_PER_S) == []


def test_a_process_that_never_begins_is_gone() -> None:
    """Before the first heartbeat the allowance is for starting, not for ever."""
    assert Watched().silent_until_gone() == BEGIN_WITHIN


def test_suspend_of_the_whole_machine_is_told_and_no_false_alarm() -> None:
    """A night's sleep is told as sleep; a second to wake up is granted, and after it gone is gone again."""
    watched = beating()
    assert watched.look(20 * MS, slept=8 * 3600 * NS_PER_S) == [Finding.SLEPT]
    assert [watched.look(25 * MS) for _ in range(30)] == [[]] * 30, "0.75 s in which the ports are waking"
    assert watched.look(20 * MS, heard=True) == []
    for _ in range(100):
        assert watched.look(20 * MS, heard=True) == []
    assert watched.silent_until_gone() == 175 * MS


def test_a_process_that_does_not_wake_with_the_machine_is_gone() -> None:
    """The second granted after a sleep ends."""
    watched = beating()
    watched.look(20 * MS, slept=NS_PER_S)
    assert watched.silent_until_gone() <= AFTER_SLEEP


def test_a_pause_in_which_nobody_ran_is_no_silence() -> None:
    """A paused virtual machine moves both clocks alike: a long gap between two looks counts as one look."""
    watched = beating()
    assert watched.look(30 * NS_PER_S) == []
    assert watched.look(MS, heard=True) == []


def test_late_looks_delay_gone_but_never_prevent_it() -> None:
    """However late each look comes, five silent ones are enough."""
    watched = beating()
    found = [watched.look(300 * MS) for _ in range(5)]
    assert found[-1] == [Finding.GONE]


def test_clocks_read_one_after_the_other_are_no_sleep() -> None:
    """A few ms between the two readings (a lost turn) are not told as a sleep."""
    watched = beating()
    assert watched.look(20 * MS, heard=True, slept=5 * MS) == []


@given(
    st.lists(
        st.tuples(
            st.integers(0, 60 * NS_PER_S),  # time to the next look: late, as under load or while paused
            st.integers(0, 3600 * NS_PER_S),  # of which the machine slept
            st.integers(0, 3),  # looks in between without a heartbeat
        ),
        max_size=30,
    )
)
def test_no_false_gone_while_heartbeats_come(steps: list[tuple[int, int, int]]) -> None:
    """While a heartbeat comes at least every fourth look there is no "gone", whatever the clocks do."""
    watched = beating()
    for after, slept, silent in steps:
        findings = watched.look(after, slept=slept, heard=True)
        for _ in range(silent):
            findings += watched.look(LOOK_EVERY)
        assert set(findings) <= {Finding.SLEPT}


@given(st.lists(st.tuples(st.integers(0, 50 * MS), st.integers(0, 3600 * NS_PER_S)), max_size=30))
def test_gone_is_always_found_in_the_end(steps: list[tuple[int, int]]) -> None:
    """Whatever went before, silence with looks on time is gone within the grace after a sleep."""
    watched = beating()
    for after, slept in steps:
        watched.look(after, slept=slept, heard=True)
    assert watched.silent_until_gone() <= AFTER_SLEEP + 175 * MS
