"""Session folders: names, lists, and what stood at the end."""

from __future__ import annotations

import shutil
import time
from typing import TYPE_CHECKING

import pytest

from pullwatch.errors import NotASession, SessionError
from pullwatch.recording import layout
from pullwatch.recording.layout import Stream
from pullwatch.recording.reader import Session
from pullwatch.recording.session import (
    Standing,
    default_root,
    end_of,
    good_end,
    held,
    info,
    latest,
    list_sessions,
    new_folder,
    standing,
)
from pullwatch.recording.store import Limits
from pullwatch.watchdog.alarms import State

from .sessions import OPEN, WALL, Desk, change

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path


def test_folders_are_named_by_start_and_car(tmp_path: Path) -> None:
    """A session's folder carries its local start and the car; what cannot stand in a name is left out of it."""
    stamp = time.strftime("%Y-%m-%d_%H-%M-%S", time.localtime(WALL // 10**9))
    assert new_folder(tmp_path / "deep", "copper hatch", WALL).name == f"{stamp}_copper-hatch"
    assert new_folder(tmp_path, "../Ümläut: 2.0/T", WALL).name == f"{stamp}_Ümläut-2.0-T"
    assert new_folder(tmp_path, "///", WALL).name == f"{stamp}_car"


def test_two_that_begin_in_the_same_second_get_two_folders(tmp_path: Path) -> None:
    """Two sessions of one car in one second do not share a folder."""
    first, second = new_folder(tmp_path, "x", WALL), new_folder(tmp_path, "x", WALL + 1)
    assert second.name == f"{first.name}-2"


def test_a_root_that_takes_nothing_is_refused_in_words(tmp_path: Path) -> None:
    """A root that cannot be made is said to be so."""
    (tmp_path / "file").write_text("in the way")
    with pytest.raises(SessionError, match="cannot be kept there"):
        new_folder(tmp_path / "file", "x", WALL)


def test_sessions_are_kept_where_the_system_keeps_data() -> None:
    """Without a word from the user sessions are kept in the user's data folder."""
    assert default_root().parts[-2:] == ("pullwatch", "sessions")


def test_the_list_tells_how_each_session_ended(desk: Callable[..., Desk], tmp_path: Path) -> None:
    """The list has start, car, length, size, alarms, and whole, cut or being recorded, oldest first."""
    root = tmp_path / "root"
    assert list_sessions(root) == []
    assert latest(root) is None
    root.mkdir()
    (root / "no session").mkdir()
    (root / "a file").write_text("x")
    for name in ("b", "a"):
        one = desk(folder=root / name)
        one.run(30)
        one.take(changes=[change(one.now), change(one.now, 1), change(one.now, 1, State.RETURNED_UNACKNOWLEDGED)])
        one.recorder.checkpoint({})
        one.pass_ms(10)
        one.take(changes=[change(one.now)])
        one.recorder.step()
        if name == "b":
            one.recorder.close()
    shutil.copytree(root / "a", root / "c")
    part = root / "c" / "0001.mcap"
    part.write_bytes(part.read_bytes()[:-1])
    found = list_sessions(root)
    assert [(one.folder.name, one.status) for one in found] == [("a", "being recorded"), ("b", "whole"), ("c", "cut")]
    assert [one.alarms for one in found] == [3, 3, 2]
    assert [one.length for one in found] == [310_000_000, 310_000_000, 300_000_000]
    assert {one.car for one in found} == {"copper hatch"}
    assert {one.start for one in found} == {WALL}
    assert found[2].size == part.stat().st_size
    assert latest(root) == root / "c"


def test_a_session_that_cannot_be_read_does_not_hide_the_others(desk: Callable[..., Desk]) -> None:
    """A session whose disk gives an error is listed as unreadable."""
    one = desk()
    one.run(5)
    bad = one.folder.parent / "2025-06-15_10-00-00_other"
    (bad / "0001.mcap").mkdir(parents=True)  # reading a folder as a file is an error of the system
    assert [(found.car, found.status) for found in list_sessions(one.folder.parent)] == [
        ("other", "unreadable"),
        ("copper hatch", "being recorded"),
    ]
    with pytest.raises(SessionError, match="cannot be read"):
        Session(bad)


def test_a_session_whose_start_is_lost_is_listed_by_its_name(desk: Callable[..., Desk]) -> None:
    """With the start record gone, start and car come from the folder's name, and the rest from the frames."""
    one = desk()
    one.run(10)
    one.recorder.close()
    part = one.folder / "0001.mcap"
    raw = bytearray(part.read_bytes())
    for frame in list(layout.walk(bytes(raw)))[:2]:
        raw[frame.end - 1] ^= 1
    part.write_bytes(raw)
    found = info(one.folder)
    assert (found.car, found.status, found.length) == ("copper-hatch", "whole", 100_000_000)
    assert time.strftime("%Y-%m-%d_%H-%M-%S", time.localtime(found.start // 10**9)) == "2025-06-14_19-32-08"


def test_what_stood_at_the_end_is_found_from_the_end(desk: Callable[..., Desk]) -> None:
    """Alarms that are not normal at the end are found from the last checkpoint and the changes behind it."""
    one = desk()
    one.run(5)
    one.take(changes=[change(one.now)])
    since = one.now
    one.recorder.checkpoint({})
    one.run(5, checkpoint_each=99)
    one.take(changes=[change(one.now, 1), change(one.now, 1, State.LATCHED_ACKNOWLEDGED)])
    one.recorder.step()
    expected = [
        Standing("lean under boost", State.UNACKNOWLEDGED, since),
        Standing("overboost", State.LATCHED_ACKNOWLEDGED, one.now),
    ]
    assert standing(one.folder) == expected
    one.run(1)
    one.take(changes=[change(one.now, 0, State.NORMAL)])
    one.recorder.step()
    one.recorder.close()
    assert standing(one.folder) == expected[1:]
    assert end_of(one.folder).raised == 2


def test_a_change_that_was_not_committed_does_not_stand(desk: Callable[..., Desk]) -> None:
    """An alarm whose block has no commit was not judged."""
    one = desk()
    one.run(5)
    one.take(changes=[change(one.now)])
    one.recorder.step()
    raw = (one.folder / "0001.mcap").read_bytes()
    one.recorder.close()
    (one.folder / "0001.mcap").write_bytes(raw[:-1])
    assert standing(one.folder) == []


def test_what_stands_is_found_behind_a_torn_part(desk: Callable[..., Desk]) -> None:
    """When the last part holds nothing yet, the one before it is asked."""
    one = desk()
    one.run(15)
    one.take(changes=[change(one.now)])
    one.recorder.step()
    one.recorder.close()
    (one.folder / "0002.mcap").write_bytes(b"\x89MCAP0\r\n")
    assert [alarm.rule for alarm in standing(one.folder)] == ["lean under boost"]
    assert info(one.folder).alarms == 1


def test_looking_back_goes_as_far_as_the_last_checkpoint(desk: Callable[..., Desk]) -> None:
    """A checkpoint a MiB back is found, over parts too, and without any the session is read from its start."""
    one = desk(limits=Limits(flush=OPEN.flush, part=300_000))
    one.take(changes=[change(one.now)])
    one.recorder.checkpoint({})
    one.run(200, checkpoint_each=10**6, size=1500)
    one.recorder.close()
    assert (one.folder / "0003.mcap").exists()
    stop = [frame for frame in layout.walk((one.folder / "0001.mcap").read_bytes()) if frame.channel == Stream.STOP]
    assert stop == []
    assert [alarm.rule for alarm in standing(one.folder)] == ["lean under boost"]


def test_a_folder_without_parts_is_no_session(tmp_path: Path) -> None:
    """Asking for what stood in a folder without parts is an error in words."""
    with pytest.raises(NotASession, match="holds no recording"):
        standing(tmp_path)
    assert not held(tmp_path / "nowhere")


@pytest.mark.parametrize(
    ("seqs", "synced", "good"),
    [
        ([], -1, 0),
        ([5], -1, 1),
        ([0, 1, 2], -1, 3),
        ([0, 1, 3], 1, 2),
        ([0, 1, 3], 2, 3),
        ([0, 1, 4], 2, 2),
        ([0, 2, 3, 5], 1, 3),
    ],
)
def test_the_good_part_ends_before_what_was_never_on_disk(seqs: list[int], synced: int, good: int) -> None:
    """A missing frame ends the session unless it was known to be on disk."""
    assert good_end(seqs, synced) == good
