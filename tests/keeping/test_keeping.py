"""Recordings are kept: whole, in two places, small, protected, and found again."""

from __future__ import annotations

import json
import os
import shutil
import struct
from typing import TYPE_CHECKING

import pytest
from mcap.reader import make_reader
from tests.live_session import SETUP, LiveSession
from typer.testing import CliRunner

from pullwatch.cli import app
from pullwatch.errors import DamagedSession, SessionError
from pullwatch.keeping import copying, shelf
from pullwatch.keeping.intact import look
from pullwatch.keeping.packing import pack, unpack
from pullwatch.keeping.start import start
from pullwatch.recording.layout import MAGIC, Stream
from pullwatch.recording.reader import Session
from pullwatch.recording.session import end_of, info, list_sessions
from pullwatch.replaying import verify
from pullwatch.setup import load

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

HEALTHY = {"n": 5000.0, "map": 180.0, "lambda": 0.80, "t": 90.0}


@pytest.fixture(autouse=True)
def own_cache(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Unpacked parts of a test stay with the test."""
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path / "cache"))


@pytest.fixture
def live(tmp_path: Path) -> Iterator[LiveSession]:
    made = LiveSession(tmp_path / "sessions" / "2026-11-25_10-00-00_copper-hatch")
    made.drive(1.0, **HEALTHY)
    made.act("mark", text="new plugs")
    made.drive(0.5, **{**HEALTHY, "lambda": 0.93})
    made.drive(1.0, **HEALTHY)
    yield made
    made.close()


@pytest.fixture
def ended(live: LiveSession) -> Path:
    live.close()
    return live.folder


def part(folder: Path) -> Path:
    return folder / "0001.mcap"


def flip(path: Path, at: int) -> None:
    data = bytearray(path.read_bytes())
    data[at] ^= 1
    path.write_bytes(data)


# ---- intact ----------------------------------------------------------------------------------------------------------


def test_a_session_is_intact_and_has_one_seal(ended: Path, tmp_path: Path) -> None:
    """Stopped in order: intact. A copy has the same seal, another recording another."""
    found = look(ended)
    assert (found.state, found.fine) == ("intact", True)
    shutil.copytree(ended, tmp_path / "copy")
    assert look(tmp_path / "copy").seal == found.seal
    other = LiveSession(tmp_path / "other")
    other.drive(1.0, **HEALTHY)
    other.close()
    assert look(other.folder).seal != found.seal


def test_cut_and_altered_are_told_apart_with_the_place(ended: Path) -> None:
    """Cut in the middle: cut at that byte, what stands before it as recorded. One bit turned: altered, and where."""
    whole = part(ended).read_bytes()
    part(ended).write_bytes(whole[: len(whole) // 2])
    found = look(ended)
    assert found.state == "cut"
    assert "0001.mcap, byte" in found.words[0]
    part(ended).write_bytes(whole)
    flip(part(ended), len(whole) // 2)
    found = look(ended)
    assert (found.state, found.fine) == ("altered", False)
    assert "0001.mcap" in found.words[0]


def test_a_frame_forged_with_a_right_check_sum_breaks_the_chain(ended: Path) -> None:
    """Whoever changes a record and mends its CRC has not mended the hash over it."""
    import zlib

    data = bytearray(part(ended).read_bytes())
    place = data.index(b"lambda=0.93")
    data[place : place + 11] = b"lambda=0.80"
    head = data.rindex(MAGIC, 0, place)
    (length,) = struct.unpack_from("<I", data, head + 12)
    struct.pack_into("<I", data, head + 8, zlib.crc32(data[head + 12 : head + 46 + length]))
    part(ended).write_bytes(data)
    found = look(ended)
    assert found.state == "altered"
    assert any("chain is broken" in line for line in found.words)


def test_the_command_says_it_and_ends_with_one_if_not(ended: Path) -> None:
    """`pullwatch intact` prints state and seal; exit code 1 when the session is cut or altered."""
    run = CliRunner().invoke(app, ["intact", str(ended)])
    assert run.exit_code == 0
    assert "intact: every byte is as it was recorded" in run.output
    assert f"seal {look(ended).seal}" in run.output
    flip(part(ended), part(ended).stat().st_size // 2)
    assert CliRunner().invoke(app, ["intact", str(ended)]).exit_code == 1


# ---- packed ----------------------------------------------------------------------------------------------------------


def test_packed_is_compact_and_not_different(ended: Path) -> None:
    """It is smaller, replays to the same alarms, has the same seal, and unpacks to the same bytes."""
    raw = part(ended).read_bytes()
    seal, before, end = look(ended).seal, info(ended), end_of(ended)
    was, now = pack(ended)
    assert now < was / 2
    assert sorted(path.name for path in ended.iterdir()) == ["0001.packed.mcap", "packed.json"]
    after = info(ended)
    assert (after.start, after.length, after.car, after.alarms, after.status) == (
        before.start, before.length, before.car, before.alarms, "whole",
    )  # fmt: skip
    assert (after.packed, after.in_memory, after.size) == (True, False, now)
    assert verify(Session(ended)).agree
    assert look(ended).seal == seal
    assert end_of(ended) == end
    unpack(ended)
    assert part(ended).read_bytes() == raw
    assert [path.name for path in ended.iterdir()] == ["0001.mcap"]


def test_the_list_unpacks_nothing(ended: Path, tmp_path: Path) -> None:
    """Listing a hundred packed sessions must not take a hundred unpackings."""
    pack(ended)
    assert [one.packed for one in list_sessions(ended.parent)] == [True]
    assert not (tmp_path / "cache").exists()


def test_any_mcap_tool_opens_a_packed_part(ended: Path) -> None:
    """The mcap library (independent reader) finds every message of the raw part in the packed one, by its index."""
    with part(ended).open("rb") as file:
        raw = [(channel.topic, message.data) for _, channel, message in make_reader(file).iter_messages()]
    pack(ended)
    with (ended / "0001.packed.mcap").open("rb") as file:
        reader = make_reader(file, validate_crcs=True)
        summary = reader.get_summary()
        packed = [(channel.topic, message.data) for _, channel, message in reader.iter_messages()]
    assert summary is not None
    assert summary.statistics is not None
    assert summary.statistics.message_count == len(raw)
    assert sorted(packed) == sorted(raw)
    assert {channel.topic for channel in summary.channels.values()} >= {Stream.COMMIT.name.lower()}


def test_damage_in_a_packed_part_is_told(ended: Path) -> None:
    """Wherever a byte of it is turned or it is cut, reading says so and gives nothing wrong."""
    seal, told = look(ended).seal, 0
    pack(ended)
    packed = ended / "0001.packed.mcap"
    whole = packed.read_bytes()
    for at in range(60, len(whole), 997):
        flip(packed, at)
        try:
            assert look(ended).seal == seal  # a byte of the index or of a name, which reading does not rest on
        except SessionError:
            told += 1
        packed.write_bytes(whole)
    assert told > 5
    packed.write_bytes(whole[: len(whole) // 2])
    with pytest.raises(DamagedSession, match="cut"):
        Session(ended)


def test_only_what_ended_in_order_is_packed(live: LiveSession) -> None:
    """A session being recorded, a cut one and a packed one are refused in words, and left as they are."""
    with pytest.raises(SessionError, match="being recorded"):
        pack(live.folder)
    live.close()
    whole = part(live.folder).read_bytes()
    part(live.folder).write_bytes(whole[: len(whole) // 2])
    with pytest.raises(SessionError, match="is cut"):
        pack(live.folder)
    part(live.folder).write_bytes(whole)
    pack(live.folder)
    with pytest.raises(SessionError, match="packed already"):
        pack(live.folder)


def test_power_lost_while_packing_loses_nothing(ended: Path) -> None:
    """Between any two steps the session is whole: raw alone, both, or packed alone."""
    from pullwatch.recording.packing import pack_part

    raw = part(ended).read_bytes()
    pack_part(part(ended))
    assert verify(Session(ended)).agree  # both: the raw part counts
    assert part(ended).read_bytes() == raw
    part(ended).unlink()
    assert verify(Session(ended)).agree  # packed, and nothing noted yet
    assert info(ended).status == "whole"
    assert not info(ended).in_memory


# ---- the second copy -------------------------------------------------------------------------------------------------


def test_a_copy_grows_with_the_session_and_is_compared_at_the_end(live: LiveSession, tmp_path: Path) -> None:
    """While it is recorded the copy follows; once ended both are read and compared, and the copy is noted."""
    stick = tmp_path / "stick" / live.folder.name
    said: list[str] = []
    steps = [0]

    def wait(_seconds: float) -> None:
        steps[0] += 1
        if steps[0] < 4:
            live.drive(0.3, **HEALTHY)
            sizes.append(sum(path.stat().st_size for path in stick.iterdir()))
        else:
            live.close()

    sizes: list[int] = []
    assert copying.keep_copied(live.folder, stick, tell=said.append, wait=wait)
    assert sizes == sorted(sizes)
    assert verify(Session(stick)).agree
    assert look(stick).seal == look(live.folder).seal
    assert said == [f"copied whole to {stick}, seal {look(stick).seal}"]
    assert shelf.place_words(live.folder) == f"copy in {stick.parent}"
    shutil.rmtree(stick)
    assert shelf.place_words(live.folder) == "1 copy not plugged in"


def test_a_medium_that_comes_late_is_told_once_and_used_then(live: LiveSession, tmp_path: Path) -> None:
    """A stick that is not there is one line, not one a second; when it comes all of it is copied."""
    mount = tmp_path / "mount"
    mount.write_text("no folder yet")
    said: list[str] = []
    waited = [0]

    def wait(_seconds: float) -> None:
        waited[0] += 1
        if waited[0] == 3:
            mount.unlink()
            live.close()

    assert copying.keep_copied(live.folder, mount / live.folder.name, tell=said.append, wait=wait)
    assert len(said) == 2
    assert "cannot be copied" in said[0]
    assert "copied whole" in said[1]


def test_a_copy_that_went_wrong_is_made_anew(ended: Path, tmp_path: Path) -> None:
    """A byte that turned on the stick is found by comparing, and never noted as a copy."""
    target = tmp_path / "stick"
    copying.bring_over(ended, target)
    flip(part(target), 5_000)
    with pytest.raises(SessionError, match="not what was copied"):
        copying.finish(ended, target)
    assert shelf.place_words(ended) == "in one place only"
    copying.finish(ended, target)
    assert look(target).seal == look(ended).seal
    (target / "0001.mcap").write_bytes(part(ended).read_bytes() + b"more")
    copying.finish(ended, target)
    assert part(target).read_bytes() == part(ended).read_bytes()


def test_the_setup_asks_for_the_second_copy(tmp_path: Path) -> None:
    """[recording] copy_to is read, kept in the plan, and a path that leads nowhere in particular is said."""
    file = tmp_path / "setup.toml"
    file.write_text(SETUP + '\n[recording]\ncopy_to = "stick"\n', encoding="utf-8")
    plan = load(file)
    assert plan.equipment == {"recording": {"copy_to": "stick"}}
    assert "no whole path" in (start(tmp_path, plan) or "")
    file.write_text(SETUP, encoding="utf-8")
    assert start(tmp_path, load(file)) is None


# ---- notes, protection, finding --------------------------------------------------------------------------------------


def test_notes_are_added_and_found(ended: Path) -> None:
    """A note stands in the list and is found by any of its words; so are marks, cars and the rules that were raised."""
    run = CliRunner()
    root = ["--sessions", str(ended.parent)]
    assert run.invoke(app, ["annotate", ended.name, "colder than yesterday", *root]).exit_code == 0
    assert "note: colder than yesterday" in run.invoke(app, ["sessions", *root]).output
    for text, where in (
        ("COLDER", "note: colder"), ("plugs", "mark at"), ("hatch", "car copper"), ("lean", "alarm: lean under"),
    ):  # fmt: skip
        assert where in run.invoke(app, ["sessions", "--find", text, *root]).output
    assert "stands in no session" in run.invoke(app, ["sessions", "--find", "nitrous", *root]).output
    assert run.invoke(app, ["annotate", ended.name, "  ", *root]).exit_code == 2


def test_a_note_that_a_power_cut_halved_hides_no_other(ended: Path) -> None:
    """The good lines of the file are read, the half one is passed over."""
    shelf.add_note(ended, "first", "me")
    with (ended / shelf.NOTES).open("a", encoding="utf-8") as file:
        file.write('{"wall": 1, "te')
    assert [note.text for note in shelf.notes(ended)] == ["first"]


def test_what_is_protected_or_alone_is_not_taken_away(ended: Path, tmp_path: Path) -> None:
    """A protected session stays; one without a copy asks to be sure; one with a copy goes, and is not deleted."""
    root = ended.parent
    shelf.protect(ended, "the night it went lean")
    with pytest.raises(SessionError, match="protected: the night"):
        shelf.take_away(ended, root, sure=True)
    shelf.unprotect(ended)
    with pytest.raises(SessionError, match="one place only"):
        shelf.take_away(ended, root, sure=False)
    copying.finish(ended, tmp_path / "stick")
    place = shelf.take_away(ended, root, sure=False)
    assert part(place).exists()
    assert list_sessions(root) == []


def test_what_is_being_recorded_is_not_taken_away(live: LiveSession) -> None:
    """Not even when one is sure."""
    with pytest.raises(SessionError, match="being recorded"):
        shelf.take_away(live.folder, live.folder.parent, sure=True)


def test_the_list_says_how_much_is_used_and_left(ended: Path) -> None:
    """Sum of the sessions and room on the disk stand under the list."""
    out = CliRunner().invoke(app, ["sessions", "--sessions", str(ended.parent)]).output
    assert "in one place only" in out
    assert "GB free" in out
    assert json.dumps(ended.name).strip('"') in out
    assert os.sep not in out.splitlines()[1]
