"""What every kind of feed must do, whatever it reads: one suite over all of them, on wires that carry real bytes."""

from __future__ import annotations

import asyncio
import json
import threading
from typing import TYPE_CHECKING

import pytest
from tests.conftest import open_descriptors

from pullwatch.batch import Kind
from pullwatch.feeds.kinds import BUILDERS
from pullwatch.feeds.options import OPTIONS

from .rigs import Taker

if TYPE_CHECKING:
    from .rigs import Rig


def pulled(rig: Rig) -> Rig:
    """Return a rig that can be absent; the others have nothing to show here."""
    if not rig.pluggable:
        pytest.skip("this bus is always there")
    return rig


async def test_bytes_arrive_whole_and_in_order(rig: Rig, taker: Taker) -> None:
    """What the hardware sends after FOUND is, byte for byte, the DATA of the feed."""
    await rig.plug()
    feed = rig.feed()
    feed.start(taker.intake)
    await taker.texts(Kind.FOUND)
    await rig.ready()
    sent = b"".join(rig.say(number) for number in range(100))
    await taker.until(lambda: taker.data().endswith(sent))
    await feed.stop()
    assert [record.kind for record in taker.records[:2]] == [Kind.FOUND, Kind.DATA]
    assert {record.feed for record in taker.records} == {feed.number} == {1}


async def test_times_are_apart(rig: Rig, taker: Taker) -> None:
    """No two records share a nanosecond, and each is after the now that was judged before it came."""
    await rig.plug()
    feed = rig.feed()
    feed.start(taker.intake)
    await taker.texts(Kind.FOUND)
    await rig.ready()
    judged = taker.nows[-1]
    begun = len(taker.records)
    for number in range(50):
        said = rig.say(number)
        await taker.until(lambda said=said: taker.data().endswith(said))  # type: ignore[misc] # mypy cannot infer it
    await feed.stop()
    ends = [judged, *(record.end for record in taker.records[begun:])]
    assert all(record.t > end for record, end in zip(taker.records[begun:], ends, strict=False))
    assert taker.nows == sorted(taker.nows)


async def test_an_absent_port_is_named_then_taken(rig: Rig, taker: Taker) -> None:
    """A port that is not there at the start is said by name, once, and taken when it comes."""
    rig = pulled(rig)
    feed = rig.feed()
    feed.start(taker.intake)
    (reason,) = await taker.texts(Kind.LOST)
    assert rig.named in reason
    assert not feed.health.open
    await rig.plug()
    await taker.texts(Kind.FOUND)
    await rig.ready()
    sent = rig.say(1)
    await taker.until(lambda: taker.data().endswith(sent))
    await feed.stop()
    assert len(taker.of(Kind.LOST)) == 1
    assert feed.health.lost == 0
    assert feed.health.last_error == reason


async def test_a_pulled_port_is_told_and_taken_again_within_500_ms(rig: Rig, taker: Taker) -> None:
    """A port that goes is told with a reason; half a second after it returns its data are in the records."""
    rig = pulled(rig)
    await rig.plug()
    feed = rig.feed()
    feed.start(taker.intake)
    await taker.texts(Kind.FOUND)
    await rig.ready()
    before = rig.say(1)
    await taker.until(lambda: taker.data().endswith(before))
    await rig.unplug()
    assert rig.named in (await taker.texts(Kind.LOST))[0]
    await taker.texts(Kind.LOST, 2)  # the first try to open it again has failed
    returned = taker.intake.clock.now()
    await rig.plug()
    await taker.texts(Kind.FOUND, 2)
    await rig.ready()
    after = rig.say(2)
    await taker.until(lambda: taker.data().endswith(after))
    assert taker.of(Kind.DATA)[-1].t - returned < 500_000_000
    health = feed.health
    await feed.stop()
    assert (health.opened, health.lost, health.open) == (2, 1, True)


async def test_health_counts(rig: Rig, taker: Taker) -> None:
    """Reads, bytes and the time of the last read are counted."""
    await rig.plug()
    feed = rig.feed()
    assert feed.health.last_good == -1
    feed.start(taker.intake)
    await taker.texts(Kind.FOUND)
    await rig.ready()
    sent = rig.say(7)
    await taker.until(lambda: taker.data().endswith(sent))
    await feed.stop()
    taker.take()
    health = feed.health
    assert health.opened == 1
    assert health.bytes_read == len(taker.data())
    assert health.reads == len(taker.of(Kind.DATA))
    assert 0 < health.last_good <= taker.of(Kind.DATA)[-1].t
    assert (health.dropped, health.rejected, health.error_frames) == (0, 0, 0)
    assert rig.writes or not health.bytes_written


async def test_stop_leaves_nothing(rig: Rig, taker: Taker) -> None:
    """After a stop no thread, task or descriptor of the feed is left, and no LOST is said for a port still there."""
    await rig.plug()
    threads, descriptors = set(threading.enumerate()), open_descriptors()
    feed = rig.feed()
    feed.start(taker.intake)
    await taker.texts(Kind.FOUND)
    await rig.ready()
    await feed.stop()
    assert asyncio.all_tasks() == {asyncio.current_task()}
    for thread in set(threading.enumerate()) - threads:
        thread.join(1.0)
    assert set(threading.enumerate()) == threads
    assert {name for _, name in open_descriptors() - descriptors if "socket" not in name} == set()
    taker.take()
    assert taker.of(Kind.LOST) == []


async def test_stop_may_come_at_any_time(rig: Rig, taker: Taker) -> None:
    """A feed may be stopped before it is started, before its port was looked for, while it waits, and twice."""
    await rig.feed().stop()
    feed = rig.feed()
    feed.start(taker.intake)
    await feed.stop()
    await feed.stop()
    if rig.pluggable:
        feed = rig.feed()
        feed.start(taker.intake)
        await taker.texts(Kind.LOST)
        await feed.stop()


async def test_what_is_too_much_is_counted_and_told(rig: Rig) -> None:
    """Data beyond what may wait are thrown away, and every byte of them is counted and stands in a DROPPED record."""
    taker = Taker(limit=4)  # less than any message, more than the answer of an adapter
    await rig.plug()
    feed = rig.feed()
    feed.start(taker.intake)
    await taker.texts(Kind.FOUND)
    await rig.ready()
    sent = b"".join(rig.say(number) for number in range(60))

    def told() -> int:
        return sum(json.loads(record.data)["bytes"] for record in taker.of(Kind.DROPPED))

    await taker.until(lambda: told() >= len(sent))
    await feed.stop()
    taker.take()
    assert feed.health.dropped == told()
    assert len(taker.data()) + told() == feed.health.bytes_read


def test_every_kind_of_the_setup_file_has_a_feed() -> None:
    """There is a builder for each kind of options, and no other."""
    assert set(BUILDERS) == set(OPTIONS)
