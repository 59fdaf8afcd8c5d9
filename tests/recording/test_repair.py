"""Repair: the good prefix as a clean session beside the damaged one."""

from __future__ import annotations

import errno
from typing import TYPE_CHECKING

import pytest
from mcap.reader import make_reader

from pullwatch.errors import DamagedSession, SessionError
from pullwatch.recording import layout
from pullwatch.recording.layout import Stream
from pullwatch.recording.reader import Session
from pullwatch.recording.repair import repair
from pullwatch.recording.session import info, standing

from .sessions import Desk, Disk, change, read, records_of

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path


@pytest.fixture
def cut(desk: Callable[..., Desk]) -> Desk:
    """Give a session that was cut in the middle of a flush, with an alarm standing."""
    one = desk()
    one.run(30)
    one.take(changes=[change(one.now)])
    one.recorder.step()
    one.run(5)
    raw = (one.folder / "0001.mcap").read_bytes()
    one.recorder.close()
    (one.folder / "0001.mcap").write_bytes(raw[:-30])
    return one


def contents(folder: Path) -> dict[str, bytes]:
    """Return every file of a folder."""
    return {path.name: path.read_bytes() for path in folder.iterdir()}


def test_a_cut_session_is_repaired_up_to_its_last_commit(cut: Desk) -> None:
    """The repaired session holds every frame up to the last commit as it was, is whole by itself, and says so."""
    before = contents(cut.folder)
    blocks = read(cut.folder)
    report = repair(cut.folder)
    assert contents(cut.folder) == before
    target = cut.folder.with_name(f"{cut.folder.name}_repaired")
    assert report.written == target
    assert report.until == blocks[-1].now
    assert report.left_out == 2  # the frames of the block that lost its commit
    repaired = Session(target)
    assert [block.seq for block in repaired.blocks()] == [block.seq for block in blocks]
    assert records_of(list(repaired.blocks())) == cut.records[: len(records_of(blocks))]
    originals = [frame.data for frame in Session(cut.folder).frames()]
    assert [frame.data for frame in repaired.frames()][:-1] == originals
    assert repaired.check() == []
    assert repaired.ending.status == "stopped"
    assert repaired.ending.stop is not None
    assert repaired.ending.stop["status"] == "repaired"
    assert repaired.ending.stop["records"] == len(records_of(blocks))
    assert not repaired.whole
    assert standing(target) == standing(cut.folder) != []
    assert (info(target).status, info(target).alarms) == ("whole", 1)
    with (target / "0001.mcap").open("rb") as file:
        assert make_reader(file, validate_crcs=True).get_summary() is not None
    words = str(report)
    assert "Everything judged up to 0.340 s" in words
    assert "2 frames behind the last commit were never judged" in words
    assert "is as it was" in words


def test_repairing_again_goes_beside_the_first(cut: Desk, tmp_path: Path) -> None:
    """A second repair does not touch the first; a named folder is used; one with a recording is refused."""
    first = repair(cut.folder).written
    second = repair(cut.folder).written
    assert first is not None
    assert second is not None
    assert second.name == f"{first.name}-2"
    named = repair(cut.folder, tmp_path / "named").written
    assert named == tmp_path / "named"
    assert read(first)[-1].seq == read(second)[-1].seq == read(named)[-1].seq
    with pytest.raises(SessionError, match="holds a recording already"):
        repair(cut.folder, named)
    assert "nothing to repair" in str(repair(first))


def test_damage_in_the_middle_stays_a_gap(desk: Callable[..., Desk]) -> None:
    """What is lost in the middle of a stopped session is left out, told, and never made up."""
    one = desk()
    one.run(40)
    one.recorder.close()
    part = one.folder / "0001.mcap"
    raw = bytearray(part.read_bytes())
    frame = [found for found in layout.walk(bytes(raw)) if found.channel == Stream.FEED_0 + 2][11]
    raw[frame.end - 4] ^= 16
    part.write_bytes(raw)
    report = repair(one.folder)
    assert report.written is not None
    assert len(report.gaps) == 1
    assert "still missing" in str(report)
    left = list(Session(report.written).blocks(everything=True))
    assert records_of(left) == [r for r in one.records if not (r.feed == 2 and frame.t <= r.t <= frame.t + 10**6)]
    assert len(Session(report.written).gaps) == 1


def test_a_whole_session_needs_no_repair(desk: Callable[..., Desk]) -> None:
    """Nothing is written for a session that is whole, nor for one that is being recorded."""
    one = desk()
    one.run(5)
    with pytest.raises(SessionError, match="is being recorded"):
        repair(one.folder)
    one.recorder.close()
    report = repair(one.folder)
    assert report.written is None
    assert "nothing to repair" in str(report)
    assert [path.name for path in one.folder.parent.iterdir()] == [one.folder.name]


def test_a_session_without_its_start_is_repaired_too(cut: Desk) -> None:
    """With the start record gone, the records are kept, and that it is gone stays told."""
    part = cut.folder / "0001.mcap"
    raw = bytearray(part.read_bytes())
    for frame in list(layout.walk(bytes(raw)))[:2]:
        raw[frame.end - 1] ^= 1
    part.write_bytes(raw)
    report = repair(cut.folder)
    assert report.written is not None
    repaired = Session(report.written)
    assert records_of(list(repaired.blocks(everything=True))) == records_of(read(cut.folder, everything=True))
    assert any("start record is damaged" in note for note in repaired.notes)


def test_a_disk_that_does_not_take_the_repair_is_said_so(cut: Desk, tmp_path: Path) -> None:
    """A repair that cannot be written is an error in words; the original is as it was."""
    before = contents(cut.folder)
    disk = Disk(tmp_path / "full")
    disk.room = 2_000
    with pytest.raises(SessionError, match=f"cannot be written.*{errno.errorcode[errno.ENOSPC]}"):
        repair(cut.folder, tmp_path / "full", files=disk)
    assert contents(cut.folder) == before


def test_a_session_of_rubbish_cannot_be_repaired(tmp_path: Path) -> None:
    """Where not one frame is whole there is nothing to repair, and that is said."""
    (tmp_path / "0001.mcap").write_bytes(bytes(10_000))
    with pytest.raises(DamagedSession):
        repair(tmp_path)
