"""CAN logs of other programs: read frame by frame, and made sessions that are judged like any other."""

from __future__ import annotations

import itertools
import random
from typing import TYPE_CHECKING, Any

import can
import pytest

from pullwatch.columns import join
from pullwatch.decoders import Ledger
from pullwatch.decoders.frames import ERROR, FD_LENGTHS, Frame, Packed, pack
from pullwatch.errors import PullwatchError
from pullwatch.exchange import can_import
from pullwatch.exchange.can_import import BETWEEN, LEAD, import_can
from pullwatch.exchange.can_session import SessionWriter
from pullwatch.exchange.export_rows import decoded
from pullwatch.exchange.exporting import Wanted, export
from pullwatch.exchange.formats_can import NotReadable, Reading, is_can_log, read_frames
from pullwatch.feeds.can_bus import packed
from pullwatch.recording.reader import Session
from pullwatch.replaying import plan_of, verify

from . import recorded

if TYPE_CHECKING:
    from collections.abc import Sequence
    from pathlib import Path

    from can.io.generic import MessageWriter

    from pullwatch.batch import Record

S = 1_000_000_000


def read(path: Path) -> tuple[list[Any], Reading]:
    """Return the frames of a log, and what was met."""
    reading = Reading()
    return list(read_frames(path, reading)), reading


def of(data: bytes) -> tuple[int, int, bytes]:
    """Return (t, id word, data) of a packed frame that began at 0."""
    ((t, word, payload, _),) = Packed().few(0, data, Ledger())
    return t, word, payload


# Forms of a frame: linux-can can-utils lib.h, the comment above parse_canframe (text seen); the three whole lines are
# those of published examples (text seen).
LINES = [
    (
        "(1436509053.850870) vcan0 18FEF600#FF50FF64FFFFFFFF",
        1_436_509_053_850_870_000,
        Frame(419362304, bytes.fromhex("ff50ff64ffffffff"), extended=True),
    ),
    ("(1469439874.299591) vcan0 123#R", 1_469_439_874_299_591_000, Frame(291, remote=True)),
    (
        "(1469439875.000000) vcan0 110##500112233445566778899AABB",
        1_469_439_875_000_000_000,
        Frame(272, bytes.fromhex("00112233445566778899aabb"), fd=True),
    ),
    ("(0.0) vcan0 123#", 0, Frame(291)),
    ("(0.0) vcan0 123#11.22.33.44.55.66.77.88", 0, Frame(291, bytes.fromhex("1122334455667788"))),
    ("(0.0) vcan0 123#R7", 0, Frame(291, remote=True, length=7)),
    ("(0.0) vcan0 32345678#112233", 0, Frame(0x12345678, b"\x11\x22\x33", error=True)),
]
REJECTED = ["12#00", "123#0", "123#112233445566778899", "110##1001122334455667788", "8FF#00", "123", "123#xx", "123#R9"]


@pytest.mark.parametrize(("line", "t", "frame"), LINES)
def test_every_published_form_of_a_candump_line_is_read(line: str, t: int, frame: Frame, tmp_path: Path) -> None:
    """Time to the last digit, interface, identifier, kind and data are those the source states."""
    path = tmp_path / "a.log"
    path.write_text(line + "\n")
    ((got_t, channel, data),), reading = read(path)
    assert (got_t, channel, data) == (t, "vcan0", pack(frame))
    assert not reading.rejected


@pytest.mark.parametrize("frame", REJECTED)
def test_what_is_no_frame_is_counted_and_told(frame: str, tmp_path: Path) -> None:
    """An identifier of two digits (can-utils lib.h: it must be 3 or 8) and the like: shown, and the rest read."""
    path = tmp_path / "a.log"
    path.write_text(f"(1.000000) can0 123#11\n(1.100000) can0 {frame}\n(1.200000) can0 123#22\n\n")
    frames, reading = read(path)
    assert [of(one.data)[2] for one in frames] == [b"\x11", b"\x22"]
    assert reading.rejected == 1
    assert "line 2" in reading.told()[0]
    assert frame in reading.told()[0]


def messages(
    count: int, *, fd: bool = True, errors: bool = True, channels: Sequence[Any] = (1, 2)
) -> list[can.Message]:
    """Return random frames of every kind, their times whole ms."""
    chance = random.Random(7)
    out = []
    for k in range(count):
        extended = chance.random() < 0.4
        kind = chance.random()
        base: dict[str, Any] = {
            "timestamp": 1_700_000_000 + k / 1000,
            "arbitration_id": chance.randrange(1 << (29 if extended else 11)),
            "is_extended_id": extended,
            "channel": channels[k % len(channels)],
        }
        if errors and kind < 0.1:
            base |= {"is_error_frame": True, "arbitration_id": 0x80, "is_extended_id": False}
        elif kind < 0.2:
            base |= {"is_remote_frame": True, "dlc": chance.randrange(9)}
        elif fd and kind < 0.5:
            length = chance.choice(FD_LENGTHS)
            base |= {"is_fd": True, "data": chance.randbytes(length), "dlc": length}
        else:
            length = chance.randrange(9)
            base |= {"data": chance.randbytes(length), "dlc": length}
        out.append(can.Message(**base))
    return out


def written(path: Path, writer: type[MessageWriter], some: Sequence[can.Message], **options: Any) -> None:
    """Write messages by python-can."""
    with writer(path, **options) as out:
        for message in some:
            out.on_message_received(message)


def test_candump_text_of_python_can_is_read_as_its_own_reader_does(tmp_path: Path) -> None:
    """Our reader and python-can's agree on every frame but error frames (there its reader drops the identifier)."""
    path = tmp_path / "a.log"
    written(path, can.CanutilsLogWriter, messages(2_000))
    frames, reading = read(path)
    with can.CanutilsLogReader(path) as reader:
        theirs = list(reader)
    assert len(frames) == len(theirs) == 2_000
    assert not reading.rejected
    for ours, message in zip(frames, theirs, strict=True):
        word = of(ours.data)[1]
        assert bool(word & ERROR) == message.is_error_frame
        if not message.is_error_frame:
            assert ours.data == packed(message)
            assert ours.channel == str(message.channel)
        assert ours.t / S == pytest.approx(message.timestamp, abs=1e-6)


@pytest.mark.parametrize(
    ("suffix", "writer", "fd", "errors"),
    [(".asc", can.ASCWriter, True, True), (".blf", can.BLFWriter, True, True), (".trc", can.TRCWriter, False, False)],
)
def test_logs_that_python_can_writes_are_read_whole(
    suffix: str, writer: type[MessageWriter], fd: bool, errors: bool, tmp_path: Path
) -> None:
    """Standard, extended, remote, CAN FD and error frames of several channels, with their times."""
    path = tmp_path / f"a{suffix}"
    some = messages(500, fd=fd, errors=errors, channels=(1,) if suffix == ".trc" else (1, 2))
    if suffix == ".trc":
        some = [message for message in some if not message.is_remote_frame]  # its writer makes data frames of them
    written(path, writer, some)
    frames, reading = read(path)
    assert not reading.rejected, reading.told()
    assert len(frames) == len(some)
    assert len({one.channel for one in frames}) == len({message.channel for message in some})
    for ours, message in zip(frames, some, strict=True):
        word, data = of(ours.data)[1:]
        assert bool(word & ERROR) == message.is_error_frame
        if not message.is_error_frame:
            assert word & 0x1FFF_FFFF == message.arbitration_id
            assert data == (b"" if message.is_remote_frame else bytes(message.data))
    for ours, message in zip(frames, some, strict=True):
        assert (ours.t - frames[0].t) / S == pytest.approx(message.timestamp - some[0].timestamp, abs=1e-4)


@pytest.mark.filterwarnings("ignore::DeprecationWarning")  # of asammdf and what it imports
@pytest.mark.filterwarnings("ignore::ResourceWarning")  # asammdf leaves its temporary file to the collector
def test_mf4_logs_of_frames_are_told_from_those_of_signals(tmp_path: Path) -> None:
    """Frames in MF4 are read by python-can; a file of signals is no CAN log."""
    pytest.importorskip("asammdf")
    path = tmp_path / "a.mf4"
    some = [message for message in messages(300, channels=(1,)) if not message.is_error_frame]
    written(path, can.MF4Writer, some)
    assert is_can_log(path)
    frames, reading = read(path)
    assert not reading.ended, reading.ended
    theirs = sorted(packed(m) for m in some if not m.is_remote_frame)
    assert sorted(one.data for one in frames if not of(one.data)[1] & (1 << 29)) == theirs
    folder = recorded.session(tmp_path, seconds=2.0)
    export(folder, tmp_path / "signals.mf4", Wanted("mdf"))
    assert not is_can_log(tmp_path / "signals.mf4")


def test_a_log_file_of_something_else_is_no_can_log(tmp_path: Path) -> None:
    """The first lines decide: a table that is called .log is none, and neither is an empty file."""
    (tmp_path / "a.log").write_text("time,rpm\n0.0,900\n")
    (tmp_path / "b.log").write_text("")
    (tmp_path / "c.log").write_text("(1.000000) can0 123#11\n")
    assert [is_can_log(tmp_path / f"{name}.log") for name in "abc"] == [False, False, True]
    with pytest.raises(NotReadable, match="cannot be read"):
        is_can_log(tmp_path / "nowhere.log")


@pytest.mark.parametrize("suffix", [".blf", ".asc"])
def test_a_log_that_breaks_off_is_kept_up_to_there(suffix: str, tmp_path: Path) -> None:
    """What came before the damage is taken, in order, and what came after is told as missing or is simply not there."""
    whole = tmp_path / f"a{suffix}"
    some = messages(6_000, channels=(1,))
    written(whole, can.BLFWriter if suffix == ".blf" else can.ASCWriter, some)
    cut = tmp_path / f"b{suffix}"
    raw = whole.read_bytes()
    cut.write_bytes(raw[: len(raw) // 2] + b"\xff\x00garbage")
    before, reading = read(cut)
    all_of_it, _ = read(whole)
    assert 500 < len(before) < len(all_of_it)
    assert [one.data for one in before] == [one.data for one in all_of_it[: len(before)]]
    if suffix == ".blf":
        assert reading.ended


def test_what_is_no_log_at_all_is_refused_in_words(tmp_path: Path) -> None:
    """Rubbish with the right ending."""
    (tmp_path / "a.blf").write_bytes(b"rubbish")
    with pytest.raises(NotReadable, match=r"a\.blf is no BLF log"):
        read(tmp_path / "a.blf")
    with pytest.raises(NotReadable, match="cannot be read"):
        read(tmp_path / "nowhere.log")


def log_of(path: Path, records: Sequence[Record], *, channel: str = "can0", began: float = 1_750_000_000.0) -> None:
    """Write the CAN frames of records as candump text."""
    with path.open("w") as out:
        for record in records:
            if record.feed == 1:
                _, word, data = of(record.data)
                name = f"{word & 0x1FFF_FFFF:08X}" if word >> 31 else f"{word:03X}"
                us = round(began * 1e6) + record.t // 1000
                out.write(f"({us // 10**6}.{us % 10**6:06d}) {channel} {name}#{data.hex().upper()}\n")


def test_an_imported_can_log_is_judged_at_its_own_times(tmp_path: Path) -> None:
    """The session holds every frame, decodes to the same values at the log's times, and verifies to the nanosecond."""
    setup = recorded.setup_file(tmp_path / "setup", adapter="slcan", port="socket://127.0.0.1:47998")
    log = tmp_path / "evening.log"
    records = recorded.evening(6.0)
    log_of(log, records)
    done = import_can(log, tmp_path / "sessions", rules=setup)
    session = Session(done.folder)
    assert not session.check()
    assert session.whole
    assert verify(session).agree
    assert done.frames == sum(record.feed == 1 for record in records)
    assert done.moved == 0
    plan = plan_of(session)
    columns = {plan.channels[n].name: c for n, c in join([c for _, c in decoded(session)]).items()}
    speeds = [r for r in records if r.feed == 1 and of(r.data)[1] == 0x100]
    assert columns["engine_speed"].v.tolist() == [int.from_bytes(of(r.data)[2][:2], "little") for r in speeds]
    assert columns["engine_speed"].t.tolist() == [r.t + LEAD + len(r.data) - 1 for r in speeds]
    assert session.wall(0) == 1_750_000_000 * S - LEAD
    raised = [(change.name, change.t) for change in session.changes() if change.event is not None]
    assert raised[0][0] == "too fast"
    first = next(r for r in speeds if int.from_bytes(of(r.data)[2][:2], "little") > 6500)
    assert raised[0][1] == first.t + LEAD + len(first.data) - 1
    told = "\n".join(done.lines())
    assert "the log has nothing of lambda" in told
    assert "not judged: lean" in told
    assert not any("lambda" in change.name for change in session.changes()), "what no log has is not told lost"
    about = session.start["imported"]
    assert (about["file"], about["format"], about["bytes"]) == ("evening.log", "log", log.stat().st_size)
    again = import_can(log, tmp_path / "sessions", rules=setup)
    assert again.before
    assert again.folder == done.folder
    assert not list((tmp_path / "sessions").glob(".*"))


def test_an_import_exported_again_is_the_log_it_came_from(tmp_path: Path) -> None:
    """Candump text in and out: line by line the same, but for the name of the interface."""
    setup = recorded.setup_file(tmp_path / "setup")
    log = tmp_path / "evening.log"
    log_of(log, recorded.evening(2.0), channel="ecu")
    extra = (
        "(1750000003.000000) ecu 110##000112233445566778899AABB\n(1750000003.000500) ecu 20000080#0102030405060708\n"
    )
    with log.open("a") as out:
        out.write(
            extra
            + "(1750000003.001000) ecu 123#R7\n(1750000003.002000) ecu 18FEF600#R\n(1750000003.003000) ecu 110##0\n"
        )
    done = import_can(log, tmp_path / "sessions", rules=setup)
    assert done.error_frames == 1
    export(done.folder, tmp_path / "again.log", Wanted("candump"))
    assert (tmp_path / "again.log").read_text() == log.read_text()


def test_channels_that_no_feed_reads_are_kept(tmp_path: Path) -> None:
    """The feed gets the channel its messages come on; the other stands in a feed of its own and can be exported."""
    setup = recorded.setup_file(tmp_path / "setup")
    log = tmp_path / "two.log"
    records = recorded.evening(2.0)
    log_of(log, records, channel="can1")
    ours = log.read_text().splitlines()
    others = [line.replace("can1", "can0").replace(" 100#", " 333#").replace("18FF", "1ABC") for line in ours]
    others = [line[:14] + "1" + line[15:] for line in others]
    log.write_text("\n".join(sorted(ours + others)) + "\n")
    done = import_can(log, tmp_path / "sessions", rules=setup)
    assert done.channels == {"can1": 1, "can0": 3}
    session = Session(done.folder)
    assert session.feeds == {0: "acts", 1: "ecu", 2: "wideband", 3: "can0"}
    assert verify(session).agree
    assert len(session.bulk(3)) == len(others)
    out = export(done.folder, tmp_path / "a.log", Wanted("candump", feed="can0"))
    assert out.rows == len(others)
    named = import_can(log, tmp_path / "other", rules=setup, buses={"can1": "ecu"})
    assert named.channels == done.channels


def test_a_channel_that_comes_late_is_kept_and_decoded_by_nobody(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """What the beginning of the log has nothing of stands in a feed of its own, never in one of the setup's."""
    monkeypatch.setattr(can_import, "LOOKED_AT", 50)
    setup = recorded.setup_file(tmp_path / "setup")
    log = tmp_path / "a.log"
    log_of(log, recorded.evening(2.0))
    with log.open("a") as out:
        out.writelines(f"(175000000{3 + k}.000000) can9 100#E803E80300000000\n" for k in range(3))
    done = import_can(log, tmp_path / "sessions", rules=setup)
    session = Session(done.folder)
    assert done.channels == {"can0": 1, "can9": 3}
    assert session.feeds == {0: "acts", 1: "ecu", 2: "wideband", 3: can_import.LATE}
    assert len(session.bulk(3)) == 3
    assert len(session.bulk(2)) == 0
    assert verify(session).agree


def test_a_bus_that_cannot_be_told_is_asked_for(tmp_path: Path) -> None:
    """The same messages on two channels: nothing is guessed. A name that is none is refused with those there are."""
    setup = recorded.setup_file(tmp_path / "setup")
    log = tmp_path / "two.log"
    log_of(log, recorded.evening(1.0))
    lines = log.read_text().splitlines()
    log.write_text("\n".join(lines + [line.replace("can0", "can7") for line in lines]) + "\n")
    with pytest.raises(PullwatchError, match=r"come on can0 and can7 alike.*--bus can0=ecu"):
        import_can(log, tmp_path / "sessions", rules=setup)
    assert import_can(log, tmp_path / "sessions", rules=setup, buses={"can7": "ecu"}).channels["can7"] == 1
    with pytest.raises(PullwatchError, match=r'no channel "can5"\. It has can0, can7'):
        import_can(log, tmp_path / "sessions", rules=setup, buses={"can5": "ecu"})
    with pytest.raises(PullwatchError, match=r'no CAN feed "eku" .did you mean "ecu"'):
        import_can(log, tmp_path / "sessions", rules=setup, buses={"can0": "eku"})


def test_times_that_do_not_rise_are_moved_and_counted(tmp_path: Path) -> None:
    """Frames that share a time, or come late, are moved by ns; a log that begins again is a new run after a silence."""
    setup = recorded.setup_file(tmp_path / "setup")
    log = tmp_path / "a.log"
    times = [1.0, 1.0, 1.0005, 1.0004, 1.1, 50.0, 0.5, 0.6]
    log.write_text("".join(f"({t:.6f}) can0 100#E803E80300000000\n" for t in times))
    done = import_can(log, tmp_path / "sessions", rules=setup)
    assert (done.frames, done.moved, done.runs) == (8, 2, 2)
    assert done.most_moved == 100_000 + 15
    t = Session(done.folder).bulk(1).t.tolist()
    assert t[:2] == [LEAD, LEAD + 15]
    assert all(b > a for a, b in itertools.pairwise(t))
    assert t[6] - t[5] == BETWEEN + 15
    assert "2 frames were moved later, by 0.100015 ms" in "\n".join(done.lines())
    assert "time of day" in "\n".join(done.lines())


def test_a_dbc_file_alone_is_guessed_shown_and_confirmed(tmp_path: Path) -> None:
    """Signals are taken for channels by their names; a no leaves nothing behind; no rule judges what was guessed."""
    recorded.setup_file(tmp_path / "setup")
    log = tmp_path / "a.log"
    log_of(log, recorded.evening(2.0))
    dbc = tmp_path / "setup" / "ecu.dbc"
    shown: list[str] = []

    def no(text: str) -> bool:
        shown.append(text)
        return False

    with pytest.raises(PullwatchError, match="Nothing was imported"):
        import_can(log, tmp_path / "sessions", dbc=dbc, confirm=no)
    assert "engine_speed from Engine.Speed" in shown[0]
    assert not (tmp_path / "sessions").exists()
    done = import_can(log, tmp_path / "sessions", dbc=dbc, confirm=lambda _: True)
    session = Session(done.folder)
    plan = plan_of(session)
    names = {plan.channels[n].name for _, columns in decoded(session) for n in columns}
    assert names == {"engine_speed", "manifold_pressure", "oil_pressure"}
    assert not [rule for rule in plan.rules.rules if not rule.name.startswith("no ")] or not session.changes()
    assert "there are no rules" in "\n".join(done.lines())


def test_frames_without_a_setup_or_of_another_bus_are_refused(tmp_path: Path) -> None:
    """Neither setup nor DBC; a DBC that describes nothing of it; a setup that reads nothing of it; an empty log."""
    setup = recorded.setup_file(tmp_path / "setup")
    log = tmp_path / "a.log"
    log.write_text("(1.000000) can0 7FF#00\n(1.000000) can1 7FE#00\n")
    with pytest.raises(PullwatchError, match=r"--rules SETUP.*--dbc FILE"):
        import_can(log, tmp_path / "sessions")
    with pytest.raises(PullwatchError, match=r"no message that ecu\.dbc describes"):
        import_can(log, tmp_path / "sessions", dbc=tmp_path / "setup" / "ecu.dbc")
    with pytest.raises(PullwatchError, match="no message that ecu reads"):
        import_can(log, tmp_path / "sessions", rules=setup)
    (tmp_path / "b.log").write_text("nothing\n")
    with pytest.raises(PullwatchError, match="holds no CAN frame"):
        import_can(tmp_path / "b.log", tmp_path / "sessions", rules=setup)
    assert not (tmp_path / "sessions").exists()


def test_an_import_that_fails_leaves_nothing_behind(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The disk is full in the middle: no folder, no half session."""
    setup = recorded.setup_file(tmp_path / "setup")
    log = tmp_path / "a.log"
    log_of(log, recorded.evening(3.0))
    monkeypatch.setattr(can_import, "STEP_RECORDS", 50)
    count = 0

    def take(self: Any, now: int, records: Any) -> Any:
        nonlocal count
        count += 1
        if count == 3:
            raise KeyboardInterrupt
        return whole(self, now, records)

    whole = SessionWriter.take
    monkeypatch.setattr(SessionWriter, "take", take)
    with pytest.raises(KeyboardInterrupt):
        import_can(log, tmp_path / "sessions", rules=setup)
    assert not list((tmp_path / "sessions").iterdir())
