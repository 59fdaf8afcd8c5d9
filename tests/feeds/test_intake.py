"""The rule of time, the bound, and the handing over from reader threads."""

from __future__ import annotations

import asyncio
import json
import threading
from dataclasses import dataclass

from hypothesis import given
from hypothesis import strategies as st

from pullwatch.batch import Kind, Record
from pullwatch.clock import SessionClock
from pullwatch.feeds.intake import CHUNK, Intake


@dataclass(frozen=True, slots=True)
class HandClock(SessionClock):
    """A clock set by hand, and as coarse as one likes."""

    hand: list[int] = None  # type: ignore[assignment] # always given

    def now(self) -> int:
        """Return what the hand shows."""
        return self.hand[0]


def by_hand(limit: int = 1 << 20) -> tuple[Intake, list[int], list[str]]:
    """Return an intake, the hand of its clock, and what its waking leaves."""
    hand, woken = [0], []
    return Intake(HandClock(0, hand), lambda: woken.append("woken"), limit=limit), hand, woken


STEPS = st.lists(
    st.one_of(
        st.tuples(st.just("put"), st.integers(0, 3), st.integers(0, 200), st.none() | st.integers(-50, 3_000)),
        st.tuples(st.just("take"), st.just(0), st.just(0), st.none()),
        st.tuples(st.just("tick"), st.integers(0, 3), st.integers(0, 200), st.none()),
    ),
    max_size=60,
)


@given(STEPS)
def test_the_rule_of_time(steps: list[tuple[str, int, int, int | None]]) -> None:
    """A record begins at the latest of its stamp, the end before + 1 and the last judged now + 1, over all feeds."""
    intake, hand, _ = by_hand()
    end, judged = -1, -1
    expected: list[Record] = []
    for what, feed, size, stamp in steps:
        if what == "tick":
            hand[0] += size
        elif what == "put":
            intake.put(feed, Kind.DATA, bytes(size), stamp)
            t = max(hand[0] if stamp is None else stamp, end + 1, judged + 1)
            expected.append(Record(t, feed, Kind.DATA, bytes(size)))
            end = t + size
        else:
            now, records = intake.take()
            assert records == expected
            assert now == max(hand[0], end, judged)
            expected.clear()
            judged = now


@given(STEPS)
def test_no_two_records_share_an_instant(steps: list[tuple[str, int, int, int | None]]) -> None:
    """The nanoseconds records own are disjoint and in order, whatever the clock and the stamps do; now is past them."""
    intake, hand, _ = by_hand()
    owned = -1
    for what, feed, size, stamp in [*steps, ("take", 0, 0, None)]:
        if what == "tick":
            hand[0] += size
        elif what == "put":
            intake.put(feed, Kind.DATA, bytes(size), stamp)
        else:
            now, records = intake.take()
            for record in records:
                assert record.t > owned
                owned = record.end
            assert now >= owned
            owned = now


def test_the_clock_stamps_what_has_no_stamp() -> None:
    """A piece without a stamp gets the session time of the moment it is put."""
    intake, hand, _ = by_hand()
    hand[0] = 1_000
    intake.put(1, Kind.DATA, b"x")
    hand[0] = 5_000
    assert intake.take() == (5_000, [Record(1_000, 1, Kind.DATA, b"x")])


def test_waking_comes_once_for_each_taking() -> None:
    """The path is woken at the first record after it took, and not again before it takes."""
    intake, _, woken = by_hand()
    assert woken == []
    intake.put(1, Kind.DATA, b"a")
    intake.put(2, Kind.DATA, b"b")
    assert len(woken) == 1
    intake.take()
    intake.take()
    intake.put(1, Kind.LOST, b"gone")
    assert len(woken) == 2


def test_long_data_are_split() -> None:
    """A piece longer than a chunk becomes several records that join to the same bytes."""
    intake, _, _ = by_hand()
    data = bytes(range(256)) * 600
    intake.put(1, Kind.DATA, data)
    _, records = intake.take()
    assert [len(record.data) for record in records] == [CHUNK, CHUNK, len(data) - 2 * CHUNK]
    assert b"".join(record.data for record in records) == data


def test_above_the_limit_the_newest_is_dropped_and_told() -> None:
    """Data beyond a feed's limit go, and one DROPPED record with their number stands where they are missing."""
    intake, hand, _ = by_hand(limit=10)
    intake.put(1, Kind.DATA, b"12345678")
    hand[0] = 50
    intake.put(1, Kind.DATA, b"abc")
    intake.put(1, Kind.DATA, b"defg")
    intake.put(1, Kind.DATA, b"90")
    intake.put(1, Kind.LOST, b"gone")
    intake.put(1, Kind.DATA, b"h")
    _, records = intake.take()
    kinds = [(record.kind, record.data) for record in records if record.kind is not Kind.DROPPED]
    assert kinds == [(Kind.DATA, b"12345678"), (Kind.DATA, b"90"), (Kind.LOST, b"gone")]
    assert [record.kind for record in records] == [Kind.DATA, Kind.DROPPED, Kind.DATA, Kind.LOST, Kind.DROPPED]
    assert [json.loads(record.data)["bytes"] for record in records if record.kind is Kind.DROPPED] == [7, 1]
    assert "10 bytes" in json.loads(records[1].data)["why"]
    assert records[1].t == 50
    assert intake.dropped == {1: 8}


def test_a_flood_costs_no_other_feed_a_byte() -> None:
    """The limit is each feed's own: what one floods, another still has room for."""
    intake, _, _ = by_hand(limit=10)
    for _ in range(5):
        intake.put(1, Kind.DATA, b"flood")
    intake.put(2, Kind.DATA, b"quiet")
    _, records = intake.take()
    assert [record.data for record in records if record.feed == 2] == [b"quiet"]
    assert intake.dropped == {1: 15}


def test_after_taking_there_is_room_again() -> None:
    """What was taken no longer counts against the limit."""
    intake, _, _ = by_hand(limit=10)
    for _ in range(3):
        intake.put(1, Kind.DATA, b"1234567890")
        assert [record.kind for record in intake.take()[1]] == [Kind.DATA]


def in_a_thread(work: list[tuple[int, Kind, bytes, int]], intake: Intake) -> None:
    """Hand pieces over from a thread and wait for it to end."""

    def hand_over() -> None:
        for piece in work:
            intake.put_from_thread(*piece)

    thread = threading.Thread(target=hand_over)
    thread.start()
    thread.join()


async def test_pieces_from_a_thread_keep_their_stamps() -> None:
    """A reader thread's stamps stand, in the order handed over, and the path is woken on the loop."""
    intake, _, woken = by_hand()
    intake.open_to_threads()
    in_a_thread([(1, Kind.FOUND, b"can0", 100), (1, Kind.DATA, b"ab", 200), (1, Kind.DATA, b"cd", 300)], intake)
    assert woken == []
    await asyncio.sleep(0)
    assert woken == ["woken"]
    _, records = intake.take()
    assert [(record.t, record.data) for record in records] == [(100, b"can0"), (200, b"ab"), (300, b"cd")]


async def test_taking_takes_what_threads_handed_over() -> None:
    """A take has everything handed over before it, without the loop's next turn, and wakes nobody for it."""
    intake, _, woken = by_hand()
    intake.open_to_threads()
    in_a_thread([(1, Kind.DATA, b"ab", 200)], intake)
    assert [record.data for record in intake.take()[1]] == [b"ab"]
    await asyncio.sleep(0)
    assert woken == []
    assert intake.take()[1] == []


async def test_a_stamp_before_the_judged_now_is_moved_behind_it() -> None:
    """A piece stamped before a take but handed over after it begins at the next instant nobody has judged."""
    intake, hand, _ = by_hand()
    intake.open_to_threads()
    hand[0] = 1_000
    assert intake.take()[0] == 1_000
    in_a_thread([(1, Kind.DATA, b"late", 900)], intake)
    assert intake.take()[1] == [Record(1_001, 1, Kind.DATA, b"late")]


async def test_threads_are_bounded_too() -> None:
    """What a thread hands over while the loop does not turn is bounded, counted, and told at its place."""
    intake, _, _ = by_hand(limit=10)
    intake.open_to_threads()
    pieces = [(1, Kind.DATA, b"1234567", 1), (1, Kind.DATA, b"abcdef", 20), (1, Kind.DATA, b"ghijkl", 30)]
    more = [(2, Kind.DATA, b"quiet", 40), (1, Kind.DATA, b"89", 50), (1, Kind.DATA, b"mnopq", 60)]
    in_a_thread([*pieces, *more], intake)
    _, records = intake.take()
    assert [(record.feed, record.kind) for record in records] == [
        (1, Kind.DATA),
        (2, Kind.DATA),
        (1, Kind.DROPPED),
        (1, Kind.DATA),
        (1, Kind.DROPPED),
    ]
    assert [json.loads(records[place].data)["bytes"] for place in (2, 4)] == [12, 5]
    assert intake.dropped == {1: 17}
    in_a_thread([(1, Kind.DATA, b"1234567890", 70)], intake)
    assert [record.data for record in intake.take()[1]] == [b"1234567890"]


async def test_a_thread_may_outlive_the_loop() -> None:
    """A driver that returns after the session's loop is closed hands over to nobody, without an error."""
    intake, _, _ = by_hand()
    loop = asyncio.new_event_loop()

    async def begin() -> None:
        intake.open_to_threads()

    await asyncio.to_thread(loop.run_until_complete, begin())
    loop.close()
    intake.put_from_thread(1, Kind.DATA, b"late", 1)


@given(st.lists(st.tuples(st.integers(1, 3), st.binary(max_size=40)), max_size=40), st.integers(1, 100))
def test_every_byte_is_there_or_told(pieces: list[tuple[int, bytes]], limit: int) -> None:
    """The bytes in a feed's DATA records and those its DROPPED records tell add up to the bytes put."""
    intake, _, _ = by_hand(limit=limit)
    put: dict[int, int] = {}
    for feed, data in pieces:
        intake.put(feed, Kind.DATA, data)
        put[feed] = put.get(feed, 0) + len(data)
    _, records = intake.take()
    got: dict[int, int] = {}
    for record in records:
        size = len(record.data) if record.kind is Kind.DATA else json.loads(record.data)["bytes"]
        got[record.feed] = got.get(record.feed, 0) + size
    assert got == put
