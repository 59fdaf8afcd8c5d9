"""The recorder: what it is given comes back, nothing makes its caller wait, and what it loses it tells."""

from __future__ import annotations

import errno
import hashlib
import json
import math
import struct
import subprocess
import sys
import threading
from itertools import pairwise
from typing import TYPE_CHECKING, Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from mcap.exceptions import EndOfFile
from mcap.reader import make_reader
from mcap.stream_reader import StreamReader

from pullwatch.batch import ACTS_FEED, Batch, Kind, Record
from pullwatch.clock import NS_PER_MS, SessionClock
from pullwatch.errors import SessionError
from pullwatch.recording import layout
from pullwatch.recording.layout import HEADER, MOST_PAYLOAD, Stream
from pullwatch.recording.reader import Follower, Session
from pullwatch.recording.recorder import Recorder
from pullwatch.recording.session import held
from pullwatch.recording.store import Limits
from pullwatch.watchdog.alarms import State
from pullwatch.watchdog.conditions import Lost
from pullwatch.watchdog.rules import Rule, RuleSet

from .sessions import (
    DEADLINE_S,
    FEEDS,
    OPEN,
    RULES,
    WALL,
    Desk,
    Disk,
    HandClock,
    Stepped,
    change,
    changes_of,
    read,
    records_of,
    some_records,
    wait_for,
)

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

    from pullwatch.recording.blocks import Block


def test_what_was_taken_comes_back(desk: Callable[..., Desk]) -> None:
    """Records, changes, checkpoints, events, clock pairs and the start record come back as they were given."""
    one = desk()
    one.run(25)
    one.pass_ms(10)
    one.take(changes=[change(one.now), change(one.now, 1, State.LATCHED_UNACKNOWLEDGED, math.nan)])
    one.recorder.event({"event": "mark", "says": "third gear"})
    one.recorder.checkpoint({"window": [1, math.inf], "x": math.nan})
    one.recorder.step()
    one.pass_ms(10_000)
    one.take()
    one.recorder.step()
    one.recorder.close("stopped", "Ctrl-C")
    session = Session(one.folder)
    blocks = list(session.blocks())
    assert records_of(blocks) == one.records
    assert [str(found.change) for found in changes_of(blocks)] == [str(given) for given in one.changes]
    assert [found.name for found in session.changes()] == ["lean under boost", "overboost"]
    checkpoints = list(session.checkpoints())
    assert [found.state.get("step") for found in checkpoints] == [9, 19, None]
    assert math.isnan(checkpoints[-1].state["x"])
    assert checkpoints[-1].state["window"] == [1, math.inf]
    assert [(alarm.rule, alarm.state) for alarm in checkpoints[-1].alarms] == [
        ("lean under boost", State.UNACKNOWLEDGED),
        ("overboost", State.LATCHED_UNACKNOWLEDGED),
    ]
    assert (one.now - 10_000 * NS_PER_MS, {"event": "mark", "says": "third gear"}) in session.events()
    assert [pair.wall - pair.t for pair in session.clock_pairs()] == [WALL] * 3
    assert session.wall(one.now) == WALL + one.now
    assert session.start["setup"] == "as resolved"
    assert session.feeds == {0: "acts", 1: "ecu", 2: "wideband"}
    assert session.rules == RULES
    assert (session.ending.status, session.ending.at_ns) == ("stopped", one.now)
    assert session.whole
    assert session.check() == []


steps = st.lists(
    st.tuples(
        st.integers(0, 6),  # records
        st.integers(0, 80),  # bytes
        st.booleans(),  # a change
        st.booleans(),  # a checkpoint behind it
        st.booleans(),  # written at once
        st.sampled_from([(1,), (1, 2), (2, 0, 1)]),
    ),
    max_size=25,
)


@settings(suppress_health_check=[HealthCheck.function_scoped_fixture], deadline=None)
@given(steps, st.integers(0, 50))
def test_any_split_comes_back_the_same(
    tmp_path_factory: pytest.TempPathFactory, steps: list[Any], join_ms: int
) -> None:
    """However batches fall into writes, and however they are read, the same comes back in the same order."""
    folder = tmp_path_factory.mktemp("split") / "session"
    clock, steady = HandClock(), [0]
    recorder = Stepped(folder, {}, FEEDS, RULES, clock, limits=OPEN, steady=lambda: steady[0])
    one = Desk(folder, clock, steady, recorder)
    follower = Follower(folder)
    followed = []
    states = {}
    for count, size, changed, checkpoint, written, feeds in steps:
        one.pass_ms(7)
        one.take(count, size, [change(one.now, value=count / 7)] if changed else [], feeds)
        if checkpoint:
            recorder.checkpoint({"records": len(one.records), "changes": len(one.changes)})
            states[one.now] = len(one.records), len(one.changes)
        if written:
            recorder.step()
            followed += follower.poll()
    recorder.close()
    followed += follower.poll()
    session = Session(folder)
    for blocks in (list(session.blocks()), list(session.blocks(join_ns=join_ms * NS_PER_MS)), followed):
        assert records_of(blocks) == one.records
        assert [found.change for found in changes_of(blocks)] == one.changes
        assert not any(block.gap_before for block in blocks)
        nows = [block.now for block in blocks]
        assert nows == sorted(nows)
    for feed in (0, 1, 2):
        assert session.bulk(feed).records() == [record for record in one.records if record.feed == feed]
    # A checkpoint stands exactly between what was judged before it and what came after.
    assert len(list(session.checkpoints())) == len(states)
    for found in session.checkpoints():
        before, changes = states[found.now]
        later = list(session.blocks(after=found.seq))
        assert records_of(later) == one.records[before:]
        assert len(changes_of(later)) == len(one.changes) - changes
    assert session.check() == []
    assert follower.ended is not None
    assert follower.ended.status == "stopped"


def test_another_reader_reads_our_parts(desk: Callable[..., Desk]) -> None:
    """The MCAP library reads a finished part whole, check sums included, and finds every frame as a message."""
    one = desk()
    one.run(30)
    one.recorder.close()
    part = one.folder / "0001.mcap"
    with part.open("rb") as file:
        reader = make_reader(file, validate_crcs=True)
        summary = reader.get_summary()
        assert summary is not None
        assert summary.statistics is not None
        topics = {channel.topic for channel in summary.channels.values()}
        assert topics == {
            "start", "commit", "change", "checkpoint", "clock", "event", "stop",
            "feed/0/acts", "feed/1/ecu", "feed/2/wideband",
        }  # fmt: skip
        messages = [message for _, _, message in reader.iter_messages(log_time_order=False)]
    assert summary.statistics.message_count == len(messages)
    with part.open("rb") as file:
        streamed = [
            record for record in StreamReader(file, validate_crcs=True).records if type(record) is type(messages[0])
        ]
    assert streamed == messages
    ours = list(Session(one.folder).frames())
    assert [message.data for message in messages[1:]] == [frame.data for frame in ours]
    for message, frame in zip(messages[1:], ours, strict=True):
        assert (message.channel_id, message.sequence) == (frame.channel, frame.seq)
        assert (message.log_time, message.publish_time) == (max(0, frame.t), max(0, frame.now))


def test_another_reader_reads_a_part_that_was_cut(desk: Callable[..., Desk]) -> None:
    """The MCAP library's stream reader gets every message of a part that nobody finished."""
    one = desk()
    one.run(5)
    with (one.folder / "0001.mcap").open("rb") as file:
        found = 0
        with pytest.raises((EndOfFile, struct.error)):  # noqa: PT012 - the loop runs until the file ends
            for record in StreamReader(file).records:
                found += hasattr(record, "log_time")
    assert found == one.recorder._seq + 1  # the start frame stands twice


def test_the_chain_is_the_one_of_the_specification(desk: Callable[..., Desk]) -> None:
    """A commit's chain is SHA-256 over the frames from the commit before it, that one included."""
    one = desk()
    one.run(12)
    one.recorder.close()
    buffer = (one.folder / "0001.mcap").read_bytes()
    since, commits = b"", 0
    for frame in list(layout.walk(buffer))[1:]:
        raw = buffer[frame.offset : frame.end]
        if frame.channel == Stream.COMMIT:
            assert raw[-16:] == hashlib.sha256(since).digest()[:16]
            since = b""
            commits += 1
        since += raw
    assert commits >= 12


def test_a_chain_that_was_tampered_with_is_told(desk: Callable[..., Desk]) -> None:
    """A sample that was altered and given a right check sum breaks the chain."""
    one = desk()
    one.run(12)
    one.recorder.close()
    part = one.folder / "0001.mcap"
    buffer = part.read_bytes()
    frame = next(found for found in layout.walk(buffer) if found.channel == Stream.FEED_0 + 1)
    payload = frame.payload(buffer)[:-1] + b"!"
    forged = layout.encode(frame.channel, frame.tag, frame.seq, frame.t, frame.now, payload)
    part.write_bytes(buffer[: frame.offset] + forged + buffer[frame.end :])
    told = Session(one.folder).check()
    assert any("chain is broken" in words for words in told)


def test_one_flush_is_one_write(desk: Callable[..., Desk], folder: Path) -> None:
    """Everything that waits goes into one write, and a write with nothing in it is none."""
    disk = Disk(folder)
    one = desk(files=disk)
    before = len(disk.writes)
    for _ in range(5):
        one.pass_ms(1)
        one.take()
    one.recorder.checkpoint({})
    one.take(changes=[change(one.now)])
    one.recorder.step()
    one.recorder.step()
    assert len(disk.writes) == before + 1


def test_commits_come_while_the_path_lives(desk: Callable[..., Desk]) -> None:
    """Empty batches are committed at least ten times a second; with no batches at all there is no commit."""
    one = desk()
    one.pass_ms(10)
    one.take()
    one.recorder.step()
    for _ in range(100):
        one.pass_ms(10)
        one.recorder.take(Batch(one.now), [])
        one.recorder.step()
    nows = [block.now for block in read(one.folder)]
    assert max(later - before for before, later in pairwise(nows)) <= 100 * NS_PER_MS
    for _ in range(100):  # the path is stuck; the writer thread is not
        one.pass_ms(10)
        one.recorder.step()
    assert [block.now for block in read(one.folder)] == nows
    assert nows[-1] == one.now - 1_000 * NS_PER_MS


def test_a_batch_without_its_commit_was_not_judged(desk: Callable[..., Desk]) -> None:
    """Frames that no commit follows are no part of the session."""
    one = desk()
    one.run(5)
    whole = read(one.folder)
    part = one.folder / "0001.mcap"
    buffer = part.read_bytes()
    last = list(layout.walk(buffer))[-1]
    assert last.channel == Stream.COMMIT
    part.write_bytes(buffer[: last.end - 1])
    assert [block.seq for block in read(one.folder)] == [block.seq for block in whole[:-1]]


@pytest.mark.parametrize("urgent", ["change", "act"])
def test_changes_and_acts_are_written_at_once(folder: Path, urgent: str) -> None:
    """A change or an act does not wait for the next flush."""
    disk = Disk(folder)
    recorder = Recorder(folder, {}, FEEDS, RULES, SessionClock(), files=disk, limits=OPEN)
    follower = Follower(folder)
    try:
        if urgent == "change":
            recorder.take(Batch(1000), [change(900)])
        else:
            recorder.take(Batch(1000, [Record(900, ACTS_FEED, Kind.ACT, b'{"act": "mark"}')]), [])
        found: list[Block] = []

        def come() -> bool:
            found.extend(follower.poll())
            return bool(changes_of(found) or records_of(found))

        wait_for(come, disk.wrote)
    finally:
        recorder.close()


def test_the_threads_write_and_sync_by_themselves(folder: Path) -> None:
    """With nobody stepping it, what is taken is written and synced, and the lag goes to nothing."""
    disk = Disk(folder)
    clock = SessionClock()
    recorder = Recorder(folder, {}, FEEDS, RULES, clock, files=disk)
    given = []
    for _ in range(20):
        now = clock.now()
        given += some_records(now, 3, 20, (1, 2))
        recorder.take(Batch(now, given[-3:]), [])
        wait_for(lambda: recorder._committed_now == recorder._now, disk.wrote)
    wait_for(lambda: recorder.sync_lag_ns == 0, disk.synced)
    assert recorder.health.last_good == recorder._now
    recorder.close()
    session = Session(folder)
    assert records_of(list(session.blocks())) == given
    assert session.whole


def test_taking_never_waits_and_what_is_dropped_is_told(folder: Path) -> None:
    """While the disk hangs `take` returns; what finds no room is dropped, counted, told in every feed, and a gap."""
    disk = Disk(folder)
    limits = Limits(queue=20_000)
    clock = HandClock()
    recorder = Recorder(folder, {}, FEEDS, RULES, clock, files=disk, limits=limits)
    one = Desk(folder, clock, [0], recorder)  # type: ignore[arg-type]  # its recorder writes by itself here
    recorder.checkpoint({})
    one.pass_ms(10)
    one.take()
    wait_for(lambda: recorder._committed_now == one.now, disk.wrote)
    disk.write_gate.clear()
    taken = 0
    while recorder.health.dropped == 0:
        one.pass_ms(2)
        one.take(4, 1000)
        taken += 1
        assert taken < 100
    last_now = recorder._now
    one.pass_ms(2)
    one.take(4, 1000, [change(one.now)])
    assert recorder._now == last_now  # no commit may cover what is neither recorded nor told
    assert recorder.health.dropped == 8
    disk.write_gate.set()
    wait_for(lambda: recorder._in == recorder._out, disk.wrote)
    one.pass_ms(2)
    one.take()
    assert recorder.wants_checkpoint
    recorder.checkpoint({"after": "the loss"})
    one.pass_ms(2)
    one.take()
    recorder.close()
    session = Session(folder)
    everything = list(session.blocks(everything=True))
    told = [event for _, event in session.events() if event["event"] == "lost"]
    assert [(event["feeds"]["1"]["records"], event["feeds"]["2"]["records"], event["changes"]) for event in told] == [
        (4, 4, 1)
    ]
    dropped = [record for record in records_of(everything) if record.kind is Kind.DROPPED]
    assert [(record.feed, json.loads(record.data)["bytes"]) for record in dropped] == [(1, 4000), (2, 4000)]
    kept = [record for record in records_of(everything) if record.kind is Kind.DATA]
    assert len(kept) == len(one.records) - 8
    assert set(kept) < set(one.records)
    assert not session.whole
    assert session.dropped == 8
    judged = list(session.blocks())
    after = [block for block in judged if block.gap_before]
    assert [block.checkpoint.state for block in after if block.checkpoint] == [{"after": "the loss"}]
    assert records_of(judged[judged.index(after[0]) :]) == one.records[-4:]


def test_a_checkpoint_is_wanted_each_second(desk: Callable[..., Desk]) -> None:
    """A checkpoint is wanted at once, then each second of judged time."""
    one = desk()
    assert one.recorder.wants_checkpoint
    one.take()
    one.recorder.checkpoint({})
    assert not one.recorder.wants_checkpoint
    one.pass_ms(999)
    one.take()
    assert not one.recorder.wants_checkpoint
    one.pass_ms(1)
    one.take()
    assert one.recorder.wants_checkpoint


def test_what_cannot_be_recorded_is_told_and_costs_nothing_else(desk: Callable[..., Desk]) -> None:
    """An event that is no JSON, a feed nobody named, a record of 17 MiB: counted, told, and the rest is recorded."""
    one = desk()
    one.pass_ms(100)
    one.recorder.event({"event": "odd", "value": object()})
    one.take()
    one.recorder.take(Batch(one.now, [Record(one.now - 9, 7, Kind.DATA, b"x")]), [])
    one.recorder.take(Batch(one.now, [Record(one.now - 5, 1, Kind.DATA, bytes(MOST_PAYLOAD + 1))]), [])
    one.recorder.checkpoint({"bad": {1, 2}})
    one.recorder.step()
    one.recorder.close()
    session = Session(one.folder)
    assert records_of(list(session.blocks())) == one.records
    assert one.recorder.health.rejected == 4
    assert len([event for _, event in session.events() if event["event"] == "not recorded"]) == 4
    assert session.recorded == len(one.records)


def test_a_new_rule_set_names_the_changes_behind_it(desk: Callable[..., Desk]) -> None:
    """Changes before a new rule set carry the old names, those behind it the new ones."""
    one = desk()
    one.pass_ms(10)
    one.take(changes=[change(one.now)])
    one.take(changes=[change(one.now, 1)])
    named = tuple(Rule(n, name, Lost(0)) for n, name in enumerate(("oil pressure", "lean under boost")))
    one.recorder.rules_are(RuleSet((), named))
    one.pass_ms(10)
    one.take(changes=[change(one.now)])
    one.recorder.checkpoint({})
    one.recorder.step()
    one.recorder.close()
    session = Session(one.folder)
    assert [found.name for found in session.changes()] == ["lean under boost", "overboost", "oil pressure"]
    names = [event["names"] for _, event in session.events() if event["event"] == "rules"]
    assert names == [["oil pressure", "lean under boost"]]
    (last,) = session.checkpoints()
    assert {alarm.rule for alarm in last.alarms} == {"lean under boost", "oil pressure"}


def test_a_writer_that_ends_is_not_silent(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """If the writer thread ends by a fault of ours, health says so, and later batches are counted as dropped."""
    said = threading.Event()
    monkeypatch.setattr(threading, "excepthook", lambda _: said.set())
    recorder = Recorder(folder, {}, FEEDS, RULES, HandClock(), limits=OPEN)
    monkeypatch.setattr(recorder, "_commit", lambda _: 1 // 0)
    recorder.take(Batch(10), [change(5)])
    assert said.wait(DEADLINE_S)
    recorder.take(Batch(20, some_records(10**9, 3, 4, (1,))), [])
    assert "ZeroDivisionError" in recorder.health.last_error
    assert recorder.health.dropped == 3
    recorder.close()


def test_a_folder_takes_one_recording_only(desk: Callable[..., Desk], folder: Path) -> None:
    """A folder that is recorded into, here or by another process, or that holds a recording, is refused."""
    one = desk()
    with pytest.raises(SessionError, match="another process records"):
        Recorder(folder, {}, FEEDS, RULES, SessionClock())
    script = f"""
import sys
from pathlib import Path
from pullwatch.clock import SessionClock
from pullwatch.recording.recorder import Recorder
from pullwatch.errors import SessionError
try:
    Recorder(Path({str(folder)!r}), {{}}, {{}}, (), SessionClock())
except SessionError as error:
    sys.exit(str(error))
"""
    done = subprocess.run([sys.executable, "-c", script], capture_output=True, text=True, timeout=60, check=False)
    assert "another process records" in done.stderr
    one.recorder.close()
    with pytest.raises(SessionError, match="holds a recording already"):
        Recorder(folder, {}, FEEDS, RULES, SessionClock())
    assert not held(folder)


def test_two_sessions_at_once_do_not_meet(desk: Callable[..., Desk], tmp_path: Path) -> None:
    """Two recorders in one process, each in its folder, record what each was given."""
    one, two = desk(), desk(folder=tmp_path / "other")
    for _ in range(20):
        one.run(1)
        two.run(1, count=3, size=11)
    for desk_ in (one, two):
        desk_.recorder.close()
        assert records_of(read(desk_.folder)) == desk_.records
    assert Session(one.folder).tag != Session(two.folder).tag


def test_a_start_that_cannot_be_made_is_refused_in_words(tmp_path: Path) -> None:
    """A start record that is no JSON and a folder that cannot be made stop the start, and leave nothing open."""
    with pytest.raises(SessionError, match="start record cannot be written"):
        Recorder(tmp_path / "a", {"x": object()}, FEEDS, RULES, SessionClock())
    (tmp_path / "file").write_text("in the way")
    with pytest.raises(SessionError, match="folder cannot be made"):
        Recorder(tmp_path / "file" / "b", {}, FEEDS, RULES, SessionClock())
    disk = Disk(tmp_path)
    disk.create_error = errno.EROFS
    with pytest.raises(SessionError, match=r"cannot be written.*EROFS"):
        Recorder(tmp_path / "c", {}, FEEDS, RULES, SessionClock(), files=disk)


def test_closing_twice_is_closing_once(desk: Callable[..., Desk]) -> None:
    """A second close does nothing, and what is taken after the first is counted as dropped."""
    one = desk()
    one.run(2)
    one.recorder.close("stopped", "first")
    one.recorder.close("stopped", "second")
    one.take(3)
    assert one.recorder.health.dropped == 3
    assert Session(one.folder).ending.reason == "stopped: first"


def test_the_start_record_says_where_and_when(desk: Callable[..., Desk], tmp_path: Path) -> None:
    """The start record names the clock's zero, this start of the machine, and the fallback folder."""
    one = desk(fallback=tmp_path / "memory")
    ours = Session(one.folder).start["recording"]
    assert ours["zero"] == 0
    assert ours["pair"] == {"t": 0, "wall": WALL, "uncertainty": 1}
    assert ours["fallback"] == str(tmp_path / "memory" / one.folder.name)
    assert ours["boot_id"]
    buffer = (one.folder / "0001.mcap").read_bytes()
    first, second = list(layout.walk(buffer))[:2]
    assert (first.seq, second.seq) == (0, 0)
    assert buffer[first.offset : first.end] == buffer[second.offset : second.end]
    assert first.end - first.offset - HEADER.size == len(first.payload(buffer))


def test_a_large_start_record_comes_back(folder: Path) -> None:
    """A start record of some MB (DBC files stand in it) is found by every reader; one that fits no frame is refused."""
    start = {"dbc": "one line of a table of messages\n" * 100_000}
    recorder = Recorder(folder, start, FEEDS, RULES, HandClock(), limits=OPEN)
    follower = Follower(folder)
    recorder.take(Batch(10**9, some_records(10**9, 3, 9, (1,))), [])
    recorder.close()
    assert len(records_of(follower.poll())) == 3
    assert follower.start is not None
    for found in (follower.start, Session(folder).start):
        assert found["dbc"] == start["dbc"]
    with pytest.raises(SessionError, match="do not fit"):
        Recorder(folder.with_name("other"), {"dbc": "x" * MOST_PAYLOAD}, FEEDS, RULES, HandClock())
