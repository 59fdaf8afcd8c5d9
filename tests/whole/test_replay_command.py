"""`pullwatch replay`: never mistaken for live, silent unless asked, from a moment on, step by step, verified."""

from __future__ import annotations

import io
import json
import os
import pty
import subprocess
import sys
import threading
import time
from contextlib import contextmanager
from datetime import UTC, datetime, timedelta
from typing import TYPE_CHECKING

import pytest
from tests.whatif.sessions import WALL, act, damage, plan_in, pulls, write
from typer.testing import CliRunner

from pullwatch.cli import app
from pullwatch.clock import NS_PER_MS, NS_PER_S
from pullwatch.errors import SessionError
from pullwatch.recording.reader import Session
from pullwatch.recording.repair import repair
from pullwatch.recording.session import hold
from pullwatch.replaying import How, describe, plan_of, run_replay, verify
from pullwatch.replaying.moments import marks, moment, span

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

run = CliRunner().invoke


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return a session of a quarter of a minute: pulls, a mark, an acknowledgement, a silence."""
    place = tmp_path_factory.mktemp("kept")
    records = pulls(15.0, hot=101.0, lean=0.09, silent=(9.2, 11.0))
    records += [
        act(4 * NS_PER_S + 500, act="acknowledge", rule=None, who="helper"),
        act(6 * NS_PER_S + 500, act="mark", text="Second pull, 0.9 bar"),
    ]
    return write(place / "session", plan_in(place), records)


def told(output: str) -> list[str]:
    """Return the lines, each of which must say that it is of a replay."""
    lines = output.splitlines()
    assert lines
    assert all(line.startswith("REPLAY ") for line in lines), output
    return lines


def test_every_line_says_replay(folder: Path) -> None:
    """Shown, from a moment on, stepped through, verified: no line is without it."""
    for more in ([], ["--from", "5s"], ["--verify"], ["--step"], ["--skip-silence", "500ms", "--speed", "1000"]):
        said = run(app, ["replay", str(folder), *more], input="\n\n3s\nwhat\nq\n")
        assert said.exit_code in (0, 1), said.output
        assert len(told(said.output)) > 1, more


def test_from_and_until_are_moments_of_the_session(folder: Path) -> None:
    """By the text of a mark and a time of the session; what stands there already is said."""
    said = told(run(app, ["replay", str(folder), "--from", "second pull", "--until", "+0:07.5"]).output)
    assert "from here on; still standing: " in said[1]
    assert "mark     Second pull, 0.9 bar" in said[2]
    times = [line.split()[2] for line in said[1:]]
    assert all("+0:06" <= t <= "+0:07.51" for t in times), times
    assert "the replay ends here; the recording goes on" in said[-2]


def test_a_shortened_silence_is_said(folder: Path) -> None:
    """How long it was and how long it is played."""
    said = run(app, ["replay", str(folder), "--speed", "2000", "--skip-silence", "500ms"]).output
    assert "nothing came for 1.8 s, shortened to 0.5 s" in said or "nothing came for 1.7 s, shortened to 0.5 s" in said


def test_step_by_step_tells_one_more_thing_a_line(folder: Path) -> None:
    """Each line read tells the next; a length lets so much time pass; q ends it there."""
    none = told(run(app, ["replay", str(folder), "--step"], input="q\n").output)
    one = told(run(app, ["replay", str(folder), "--step"], input="\nq\n").output)
    two = told(run(app, ["replay", str(folder), "--step"], input="\n\nq\n").output)
    assert len(none) < len(one) < len(two)
    assert one[: len(none) - 2] == none[: len(none) - 2]
    so_far = told(run(app, ["replay", str(folder), "--step"], input="2s\n5s\nq\n").output)
    assert any("it is +0:02.0" in line for line in so_far), so_far
    assert any("it is +0:07.0" in line or "it is +0:07.1" in line for line in so_far), so_far
    asked = told(run(app, ["replay", str(folder), "--step"], input="help\n").output)
    assert any("Enter: the next; 5s: so much time; q: end" in line for line in asked)
    assert any("the replay ends here" in line for line in asked)


def test_at_a_terminal_single_keys_step(folder: Path) -> None:
    """Space and Enter tell the next, q ends, and the terminal is as it was."""
    ours, theirs = pty.openpty()
    try:
        process = subprocess.Popen(
            [sys.executable, "-m", "pullwatch", "replay", str(folder), "--step"],
            stdin=theirs, stdout=subprocess.PIPE, text=True,
        )  # fmt: skip
        before = os.get_terminal_size(theirs)
        os.write(ours, b" \rxq")
        out, _ = process.communicate(timeout=60)
        assert os.get_terminal_size(theirs) == before
    finally:
        os.close(ours)
        os.close(theirs)
    assert len(told(out)) >= 5
    assert "the replay ends here" in out


@pytest.mark.parametrize("more", [[], ["--speed", "300"], ["--from", "8s"], ["--until", "8s"]])
def test_verify_agrees_at_any_speed_and_from_the_middle(folder: Path, more: list[str]) -> None:
    """As fast as possible, paced, from a checkpoint, to a moment."""
    said = run(app, ["replay", str(folder), "--verify", *more])
    assert said.exit_code == 0, said.output
    assert told(said.output)[0].startswith("REPLAY verified: ")
    assert ("from the checkpoint at +0:0" in said.output) is ("--from" in more)


@contextmanager
def load() -> Iterator[None]:
    """Keep every core busy, and this process's interpreter too."""
    over = threading.Event()

    def spin() -> None:
        while not over.is_set():
            sum(range(5_000))

    threads = [threading.Thread(target=spin) for _ in range(3)]
    for thread in threads:
        thread.start()
    try:
        yield
    finally:
        over.set()
        for thread in threads:
            thread.join()


def test_verify_agrees_under_load_and_after_repair(folder: Path, tmp_path: Path) -> None:
    """Paced while every core is busy; and what repair made of a cut session is what was recorded."""
    session = Session(folder)
    begun = time.perf_counter()
    with load():
        found = verify(session, pace=lambda now: _until(begun + now / NS_PER_S / 20))
    assert found.agree
    cut = tmp_path / "cut"
    cut.mkdir()
    data = (folder / "0001.mcap").read_bytes()
    (cut / "0001.mcap").write_bytes(data[: int(len(data) * 0.7)])
    made = repair(cut)
    assert made.written is not None
    repaired = verify(Session(made.written))
    assert repaired.agree
    assert 0 < repaired.changes < found.changes


def _until(at: float) -> None:
    event = threading.Event()
    event.wait(max(0.0, at - time.perf_counter()))


def test_a_changed_recording_is_found(folder: Path, tmp_path: Path) -> None:
    """A change that was altered, in whatever field, and the same changes in another order."""
    from pullwatch.recording.layout import encode_change

    session = Session(folder)
    before = session.blocks

    class Altered(Session):
        def blocks(self, **how: object) -> Iterator[object]:  # type: ignore[override]
            for block in before(**how):  # type: ignore[arg-type]
                if len(block.changes) > 1:
                    block.changes.reverse()
                yield block

    found = verify(Altered(folder))
    assert found.disordered
    assert not found.agree
    assert any("in another order" in line for line in describe(session, plan_of(session), found))
    (one, *_) = session.changes()
    assert encode_change(one.change, one.name) != encode_change(one.change, "another name")


def test_a_gap_is_told_and_verified_around(folder: Path, tmp_path: Path) -> None:
    """What is lost is named; exit code 0, for nothing differs in what can be verified."""
    import shutil

    other = tmp_path / "session"
    shutil.copytree(folder, other)
    damage(other, 0.5)
    said = run(app, ["replay", str(other), "--verify"])
    assert said.exit_code == 0, said.output
    assert "cannot verify" in said.output
    told(said.output)


# ---- sound -----------------------------------------------------------------------------------------------------------


def test_sound_is_announced_and_plays_through_a_sentinel(folder: Path, capfd: pytest.CaptureFixture[str]) -> None:
    """On a device of no sound; no process of it is left."""
    begun = time.perf_counter()
    run_replay(folder, How(speed=60.0, device="null"))
    assert time.perf_counter() - begun < 30
    said = told(capfd.readouterr().out)
    assert any(line.endswith("sound is on: what you hear is a recording") for line in said)
    assert not any("sentinel:" in line for line in said), said


def test_there_is_no_sound_beside_a_session_that_is_watched(folder: Path) -> None:
    """It is refused in words while another session there is being recorded; without sound it is shown."""
    live = folder.parent / "live"
    write(live, plan_in(folder.parent), pulls(1.0))
    lock = hold(live)
    try:
        with pytest.raises(SessionError, match="is being watched: a replay makes no sound beside it"):
            run_replay(folder, How(speed=1.0, device="null"))
        assert run(app, ["replay", str(folder)]).exit_code in (0, 1)
    finally:
        if lock is not None:
            os.close(lock)


@pytest.mark.parametrize(
    ("more", "said"),
    [
        (["--sound"], "--sound needs time to be heard in"),
        (["--sound", "--speed", "1", "--step"], "--sound needs time"),
        (["--step", "--verify"], "take one of them"),
        (["--speed", "0"], "a number above 0 is expected"),
        (["--from", "9s", "--until", "3s"], "which is before"),
        (["--from", "20min"], "ends at +0:1"),
        (["--from", "third pull"], 'has no mark "third pull"'),
        (["--from", "03:00:00"], "is not in it"),
        (["--skip-silence", "soon"], "is no length of time"),
    ],
)
def test_what_cannot_be_is_refused_in_words(folder: Path, more: list[str], said: str) -> None:
    """Exit code 2, and what to do."""
    refused = run(app, ["replay", str(folder), *more])
    assert refused.exit_code == 2, refused.output
    assert said in refused.output


# ---- moments ---------------------------------------------------------------------------------------------------------


def test_a_moment_is_a_mark_a_time_of_the_session_or_a_time_of_day(folder: Path) -> None:
    """However it is written; a time of day is that of the wall clock of then."""
    session = Session(folder)
    assert marks(session) == [(6 * NS_PER_S + 500, "Second pull, 0.9 bar")]
    for text in ("Second pull, 0.9 bar", "second PULL", "0.9 bar"):
        assert moment(session, text) == 6 * NS_PER_S + 500
    for text, ns in (("12.5s", 12_500), ("250ms", 250), ("2 min", 120_000), ("7", 7_000), ("+1:02.345", 62_345)):
        assert moment(session, text) == ns * NS_PER_MS
    begin = datetime.fromtimestamp(WALL / NS_PER_S, UTC)
    then = begin + timedelta(seconds=8)
    assert moment(session, f"{then:%H:%M:%S}.250", UTC) == 8_250 * NS_PER_MS
    with pytest.raises(SessionError) as refused:
        moment(session, "third", UTC)
    assert 'its marks: +0:06.000 "Second pull, 0.9 bar"' in str(refused.value)
    assert span("soon") is None


def test_a_time_of_day_may_lie_behind_midnight(tmp_path: Path) -> None:
    """A session from 23:59:55 on holds 00:00:05; a clock that was set on the way counts as it showed."""
    from pullwatch.recording.layout import encode_json
    from pullwatch.whatif.writing import SessionWriter

    midnight = datetime(2026, 6, 16, tzinfo=UTC)
    wall = int((midnight - timedelta(seconds=5)).timestamp()) * NS_PER_S
    start = {"recording": {"feeds": {"0": "acts"}, "pair": {"t": 0, "wall": wall, "uncertainty": 1}}}
    with SessionWriter(tmp_path / "night", start, {0: "acts"}) as writer:
        writer.block(10 * NS_PER_S, [], [])
        set_forward = encode_json({"t": 20 * NS_PER_S, "wall": wall + 3620 * NS_PER_S, "uncertainty": 1})
        writer.block(30 * NS_PER_S, [], [], clocks=[set_forward])
        writer.close("over")
    session = Session(tmp_path / "night")
    assert moment(session, "23:59:58", UTC) == 3 * NS_PER_S
    assert moment(session, "00:00:05", UTC) == 10 * NS_PER_S
    assert moment(session, "01:00:20", UTC) == 25 * NS_PER_S


def test_marks_that_cannot_be_read_are_passed_over(tmp_path: Path) -> None:
    """A damaged act is no mark."""
    plan = plan_in(tmp_path)
    odd = act(NS_PER_S, act="mark")._replace(data=b'{"mark"')
    session = Session(write(tmp_path / "session", plan, [odd, act(2 * NS_PER_S, act="mark", text="good")]))
    assert marks(session) == [(2 * NS_PER_S, "good")]
    assert json.loads(json.dumps("good")) == "good"


def test_lines_asked_for_may_come_from_anywhere(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """A script's lines are as good as a person's."""
    run_replay(folder, How(step=True), io.StringIO("\nq\n"))
    told(capsys.readouterr().out)
