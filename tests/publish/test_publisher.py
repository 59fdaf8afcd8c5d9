"""Publishing to a real broker: everything arrives, in order, whatever dies in between."""

from __future__ import annotations

import asyncio
import json
import signal
import subprocess
import sys
from contextlib import suppress
from itertools import pairwise
from typing import TYPE_CHECKING

import aiomqtt
import pytest

from pullwatch.batch import Kind
from pullwatch.clock import NS_PER_MS, NS_PER_S, steady_ns
from pullwatch.errors import BrokerError
from pullwatch.publish.far import Far

from .rig import DEADLINE_S, Broker, Drive, line, plan_in, publisher, recorded_changes, section, until

if TYPE_CHECKING:
    from pathlib import Path

    from .rig import Ear, Gate


def told_changes(ear: Ear) -> list[tuple[int, str, str]]:
    """Return the changes of alarms that were told, in order of their numbers' arrival: (t, rule, state)."""
    return [(one["t_ns"], one["rule"], one["state"]) for one in ear.of("alarm") if one["event"]]


def numbers(ear: Ear) -> list[int]:
    """Return the numbers of all messages in the order in which they came, those kept by the broker left out."""
    return [body["seq"] for topic, body, kept in ear.heard if not topic.endswith("/state") and not kept]


def as_seen(ear: Ear) -> Far:
    """Return what a reader knows after all of this, its clock the car's."""
    far = Far("pullwatch")
    for topic, payload in ear.raw:
        far.take(topic, payload, kept=False, clock=steady_ns())
    return far


def run(command: list[str]) -> subprocess.Popen[bytes]:
    """Start a program of ours."""
    return subprocess.Popen(command, stdout=subprocess.DEVNULL)


async def test_a_session_arrives_whole_and_in_order(drive: Drive, broker: Broker, ear: Ear) -> None:
    """Every change of an alarm arrives once, in order, with its time; numbers leave no gap."""
    work = asyncio.create_task(publisher(drive, section(broker)).run())
    drive.run(10.0, lean_at=lambda step: step % 20 == 10)
    drive.end()
    assert await asyncio.wait_for(work, DEADLINE_S)
    await ear.until(lambda: "ended" in ear.states())
    assert told_changes(ear) == recorded_changes(drive)
    assert len(told_changes(ear)) > 9
    assert numbers(ear) == list(range(1, max(numbers(ear)) + 1))


async def test_ten_minutes_without_a_broker_arrive_when_it_is_back(
    tmp_path: Path, broker: Broker, gate: Gate, ear: Ear
) -> None:
    """The broker dies, ten minutes of session pass, it comes back with nothing kept: all comes, in order, once."""
    drive = Drive(tmp_path, plan_in(tmp_path), ends_at_s=620.0)
    words: list[str] = []
    work = asyncio.create_task(publisher(drive, section(gate, rate_hz=1.0), words, retry=(0.02, 0.1)).run())
    drive.run(5.0)
    await ear.until(lambda: len(ear.of("values")) > 3)
    await gate.shut()
    broker.kill()
    for minute in range(10):
        drive.run(60.0, lean_at=lambda step: step % 50 == 40, each_ms=300.0)
        drive.block(10.0, line(), records=((Kind.LOST, b"unplugged"), (Kind.FOUND, b"again")) if minute == 4 else ())
        await asyncio.sleep(0)  # the publisher may look at it, and must not gather it
    broker.start()
    await asyncio.wait_for(ear.linked.wait(), DEADLINE_S)
    await gate.open()
    drive.run(5.0)
    drive.end()
    assert await asyncio.wait_for(work, 2 * DEADLINE_S)
    await ear.until(lambda: ear.states()[-1] == "ended")
    assert told_changes(ear) == recorded_changes(drive)
    assert len(told_changes(ear)) > 75
    assert [one["what"] for one in ear.of("event") if one["what"] in ("lost", "found")] == ["lost", "found"]
    times = [one["t_ns"] for one in ear.of("values")]
    assert times == sorted(set(times))
    assert max(later - earlier for earlier, later in pairwise(times)) <= 2 * NS_PER_S
    assert times[-1] - times[0] >= 600 * NS_PER_S
    seen = as_seen(ear).cars["copper hatch"]
    assert seen.missing == 0
    assert any("is not reached" in said for said in words)


async def test_a_publisher_that_died_goes_on_where_it_was(drive: Drive, broker: Broker, ear: Ear) -> None:
    """The next one sends again only what may not have arrived, with the numbers it had; a reader sees no doubles."""
    first = publisher(drive, section(broker))
    work = asyncio.create_task(first.run())
    for _ in range(8):
        drive.run(1.0, lean_at=lambda step: step == 5)
        await ear.until(lambda: any(one["t_ns"] >= drive.now - NS_PER_S // 2 for one in ear.of("values")))
    work.cancel()
    with suppress(asyncio.CancelledError):
        await work
    before = numbers(ear)
    drive.run(3.0, lean_at=lambda step: step == 5)
    drive.end()
    second = publisher(drive, section(broker))
    assert await asyncio.wait_for(second.run(), DEADLINE_S)
    await ear.until(lambda: ear.states()[-1] == "ended")
    assert told_changes(ear) == recorded_changes(drive)
    assert sorted(set(numbers(ear))) == list(range(1, max(numbers(ear)) + 1))
    assert second.sent < 2 * (max(numbers(ear)) - max(before)) + 20, "it began anew"
    same: dict[int, dict[str, object]] = {}
    for topic, body, _ in ear.heard:
        if not topic.endswith("/state"):
            content = {key: value for key, value in body.items() if key not in ("sent_ns", "replay")}
            assert same.setdefault(body["seq"], content) == content
    seen = as_seen(ear).cars["copper hatch"]
    assert seen.missing == 0


async def test_a_damaged_cursor_sends_all_again_and_changes_nothing(drive: Drive, broker: Broker, ear: Ear) -> None:
    """A cursor cut short means the beginning: every number comes again with the same words."""
    drive.run(4.0, lean_at=lambda step: step == 20)
    work = asyncio.create_task(publisher(drive, section(broker)).run())
    drive.run(3.0)
    await until(lambda: list((drive.folder.parent / ".published").glob("*.json")))
    work.cancel()
    with suppress(asyncio.CancelledError):
        await work
    (cursor,) = (drive.folder.parent / ".published").glob("*.json")
    cursor.write_text(cursor.read_text()[:-10])
    drive.run(2.0)
    drive.end()
    again = publisher(drive, section(broker))
    assert await asyncio.wait_for(again.run(), DEADLINE_S)
    await ear.until(lambda: ear.states()[-1] == "ended")
    assert again.sent == max(numbers(ear))
    assert told_changes(ear) == recorded_changes(drive)


async def test_a_publisher_that_is_cut_off_is_told_gone_by_the_broker(drive: Drive, gate: Gate, ear: Ear) -> None:
    """The last will speaks when the network goes, and the publisher's own word follows when it is back."""
    work = asyncio.create_task(publisher(drive, section(gate)).run())
    drive.run(1.0)
    await ear.until(lambda: "live" in ear.states())
    await gate.shut()
    await ear.until(lambda: ear.states()[-1] == "gone")
    await gate.open()
    drive.run(1.0)
    await ear.until(lambda: ear.states()[-1] == "live")
    drive.end()
    assert await asyncio.wait_for(work, DEADLINE_S)


async def test_a_killed_publisher_process_is_told_gone_and_the_next_completes(
    tmp_path: Path, drive: Drive, broker: Broker, ear: Ear
) -> None:
    """`pullwatch publish`, killed as a crash would: the broker says so, and started again it sends the rest."""
    setup = tmp_path / "with_broker.toml"
    setup.write_text(f'{(tmp_path / "setup.toml").read_text()}\n[broker]\nhost = "127.0.0.1"\nport = {broker.port}\n')
    command = [sys.executable, "-m", "pullwatch", "publish", str(drive.folder), "--setup", str(setup)]
    drive.run(3.0, lean_at=lambda step: step == 12)
    with run(command) as first:
        await ear.until(lambda: len(ear.of("values")) > 4)
        first.send_signal(signal.SIGKILL)
        first.wait()
    await ear.until(lambda: ear.states()[-1] == "gone")
    drive.run(3.0, lean_at=lambda step: step == 12)
    drive.end()
    with run(command) as second:
        await ear.until(lambda: ear.states()[-1] == "ended")
        assert await asyncio.to_thread(second.wait, DEADLINE_S) == 0
    assert told_changes(ear) == recorded_changes(drive)
    assert sorted(set(numbers(ear))) == list(range(1, max(numbers(ear)) + 1))


async def test_a_monitor_that_stands_still_is_told_and_taken_back(drive: Drive, broker: Broker, ear: Ear) -> None:
    """When nothing has been judged for as long as the setup says, "monitor gone" is told; when it goes on, "live"."""
    work = asyncio.create_task(publisher(drive, section(broker, gone_after_ms=500.0)).run())
    drive.run(0.5)
    await ear.until(lambda: ear.states()[-1:] == ["live"])
    await ear.until(lambda: ear.states()[-1] == "monitor gone")
    drive.block((steady_ns() - drive.clock.zero - drive.now) / NS_PER_MS, line())
    await ear.until(lambda: ear.states()[-1] == "live")
    drive.end()
    assert await asyncio.wait_for(work, DEADLINE_S)
    assert ear.states()[-1] == "ended"


async def test_a_killed_monitor_is_told_once_all_it_wrote_is_handed_over(
    drive: Drive, broker: Broker, ear: Ear
) -> None:
    """A recording that ends without a word is "monitor gone" for good, and the broker keeps that."""
    work = asyncio.create_task(publisher(drive, section(broker)).run())
    drive.run(2.0, lean_at=lambda step: step == 12)
    await ear.until(lambda: "live" in ear.states())
    drive.recorder._unlock()  # as the system does when the process dies
    assert await asyncio.wait_for(work, DEADLINE_S)
    await ear.until(lambda: ear.states()[-1] == "monitor gone")
    assert told_changes(ear) == recorded_changes(drive)
    async with aiomqtt.Client("127.0.0.1", broker.port) as late:
        await late.subscribe("pullwatch/v1/copper%20hatch/state")
        kept = await asyncio.wait_for(anext(late.messages), DEADLINE_S)
    assert isinstance(kept.payload, bytes)
    assert json.loads(kept.payload)["state"] == "monitor gone"


async def test_a_recording_goes_out_as_a_replay(drive: Drive, broker: Broker, ear: Ear) -> None:
    """Nothing of a session of before can be taken for the car: every message says that it is a replay."""
    drive.run(2.0, lean_at=lambda step: step == 12)
    drive.end()
    assert await asyncio.wait_for(publisher(drive, section(broker)).run(), DEADLINE_S)
    await ear.until(lambda: ear.states()[-1] == "ended")
    assert ear.states() == ["replay", "ended"]
    assert all(body["replay"] for _, body, _ in ear.heard)
    assert not any("sent_ns" in body for _, body, _ in ear.heard)


async def test_what_was_not_confirmed_is_not_behind_the_cursor(drive: Drive, gate: Gate, ear: Ear) -> None:
    """A network that swallows everything: the place kept is one the broker has confirmed; the cut is seen at once."""
    words: list[str] = []
    first = publisher(drive, section(gate, gone_after_ms=60_000.0), words, state_every=1_000.0)
    work = asyncio.create_task(first.run())
    drive.run(3.0)
    await until(lambda: first._cursor.path.exists() and first._state[0] == "live")
    gate.thaws.clear()
    drive.run(4.0, lean_at=lambda step: step % 10 == 5)
    await until(lambda: len(first._waiting) > 10)
    async with asyncio.timeout(5):  # and not the 15 s for which an answer is waited for
        await gate.shut()
        await until(lambda: any("is not reached" in said for said in words))
    work.cancel()
    with suppress(asyncio.CancelledError):
        await work
    place = first._cursor.read()
    assert place is not None
    assert place.seq <= first._confirmed
    await gate.open()
    drive.end()
    assert await asyncio.wait_for(publisher(drive, section(gate)).run(), DEADLINE_S)
    await ear.until(lambda: ear.states()[-1] == "ended")
    assert told_changes(ear) == recorded_changes(drive)
    assert sorted(set(numbers(ear))) == list(range(1, max(numbers(ear)) + 1))


async def test_what_the_broker_lost_is_said_again(drive: Drive, broker: Broker, gate: Gate) -> None:
    """A broker that comes back empty is told again what there is and which alarms stand."""
    made = publisher(drive, section(gate))
    work = asyncio.create_task(made.run())
    drive.run(1.0, lean_at=lambda step: step >= 8)
    await until(lambda: made.sent > 8 and not made._waiting)
    await gate.shut()
    broker.kill()
    broker.start()
    await gate.open()
    wanted = {"birth", "state", "alarm/lean", "alarm/oil%20pressure%20low"}
    got: dict[str, dict[str, object]] = {}
    async with aiomqtt.Client("127.0.0.1", broker.port) as late, asyncio.timeout(DEADLINE_S):
        await late.subscribe("pullwatch/v1/copper%20hatch/#", qos=1)
        async for message in late.messages:
            assert isinstance(message.payload, bytes)
            got[str(message.topic).removeprefix("pullwatch/v1/copper%20hatch/")] = json.loads(message.payload)
            if wanted <= got.keys() and got["alarm/lean"]["state"] == "unacknowledged":
                break
    assert got["birth"]["car"] == "copper hatch"
    drive.end()
    assert await asyncio.wait_for(work, DEADLINE_S)


async def test_one_car_is_published_by_one_process(drive: Drive, broker: Broker, ear: Ear) -> None:
    """A second publisher of the same session is refused in words, and disturbs nothing."""
    work = asyncio.create_task(publisher(drive, section(broker)).run())
    drive.run(1.0)
    await ear.until(lambda: len(ear.of("values")) > 1)
    with pytest.raises(BrokerError, match=r"is published to 127\.0\.0\.1:\d+ by another process"):
        await publisher(drive, section(broker), seat=0.05).run()
    drive.end()
    assert await asyncio.wait_for(work, DEADLINE_S)


async def test_an_old_session_makes_way_for_the_one_being_recorded(
    tmp_path: Path, drive: Drive, broker: Broker, gate: Gate, ear: Ear
) -> None:
    """What waits for a broker since before lets the new session have it, and says how the rest is sent."""
    words: list[str] = []
    await gate.shut()
    old = asyncio.create_task(publisher(drive, section(gate), words, linger=60.0).run())
    drive.run(1.0)
    drive.end()
    await until(lambda: any("is not reached" in said for said in words))
    newer = Drive(tmp_path, drive.plan, name="2026-05-01_19-00-00_copper")
    work = asyncio.create_task(publisher(newer, section(gate), seat=DEADLINE_S).run())
    newer.run(1.0)
    assert not await asyncio.wait_for(old, DEADLINE_S)
    assert any(f"pullwatch publish {drive.folder.name}" in said for said in words)
    await gate.open()
    await ear.until(lambda: "live" in ear.states())
    newer.end()
    assert await asyncio.wait_for(work, DEADLINE_S)
    assert {body["name"] for body in ear.of("birth")} == {newer.folder.name}


async def test_a_publisher_gives_up_when_the_session_is_over_and_no_broker_comes(drive: Drive, gate: Gate) -> None:
    """It says so, with what sends the rest, and says that not all was handed over."""
    words: list[str] = []
    await gate.shut()
    drive.run(1.0)
    drive.end()
    assert not await asyncio.wait_for(publisher(drive, section(gate), words, linger=0.1).run(), DEADLINE_S)
    assert any(f"pullwatch publish {drive.folder.name}" in said for said in words)


async def test_a_stopped_publisher_says_that_it_goes(drive: Drive, broker: Broker, ear: Ear) -> None:
    """Told to end, it leaves "gone" with the broker, and keeps its place."""
    made = publisher(drive, section(broker))
    work = asyncio.create_task(made.run())
    drive.run(3.0)
    await ear.until(lambda: len(ear.of("values")) > 4)
    made.stop()
    assert not await asyncio.wait_for(work, DEADLINE_S)
    await ear.until(lambda: ear.states()[-1] == "gone")
    assert list((drive.folder.parent / ".published").glob("*.json"))
