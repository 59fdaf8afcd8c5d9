"""Notes: a text beside a mark, from the socket, the command and the console."""

from __future__ import annotations

import asyncio
import json
import os
import pty
import select
import termios
from contextlib import suppress
from typing import TYPE_CHECKING, Any

import pytest
from typer.testing import CliRunner

from pullwatch.acts import TEXT_LIMIT, Acts, Keys
from pullwatch.cli import app
from pullwatch.clock import SessionClock
from pullwatch.commands import acting
from pullwatch.errors import ActError
from pullwatch.feeds.intake import Intake

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path


class Desk:
    """Acts, and what became of them."""

    def __init__(self) -> None:
        self.woken = asyncio.Event()
        self.intake = Intake(SessionClock(), self.woken.set)
        self.acts = Acts(self.intake)
        self.done: list[dict[str, Any]] = []

    def took(self) -> list[dict[str, Any]]:
        """Return the payloads of all acts so far."""
        self.done += [json.loads(record.data) for record in self.intake.take()[1]]
        return self.done

    async def until(self, count: int) -> None:
        """Wait for so many acts."""
        async with asyncio.timeout(5):
            while len(self.took()) < count:
                await self.woken.wait()
                self.woken.clear()


@pytest.fixture
def desk() -> Desk:
    """Return a desk nobody has sat at."""
    return Desk()


@pytest.fixture
def terminal() -> Iterator[tuple[int, int]]:
    """Open a pseudo terminal: its keyboard, and the program's end."""
    ends = pty.openpty()
    yield ends
    for end in ends:
        with suppress(OSError):
            os.close(end)


def test_a_note_is_an_act_of_its_own(desk: Desk) -> None:
    """It is recorded with its text and who wrote it; without a text, or with a novel, it is refused."""
    assert desk.acts.obey(b'{"act": "note", "text": "gap 0.6", "who": "me"}', "socket") == 'noted "gap 0.6"'
    assert desk.took() == [{"act": "note", "rule": None, "text": "gap 0.6", "who": "me"}]
    for text in ("", " \t"):
        with pytest.raises(ActError, match="a note has a text"):
            desk.acts.note(text, "me")
    with pytest.raises(ActError, match="the note has 1001 characters; it may have 1000"):
        desk.acts.note("x" * (TEXT_LIMIT + 1), "me")
    with pytest.raises(ActError, match='"rule" is not known here'):
        desk.acts.obey(b'{"act": "note", "text": "x", "rule": "y"}', "socket")
    assert len(desk.took()) == 1


def test_the_command_hands_a_note_over(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    """`pullwatch note "text"` sends it to the session being watched."""
    sent: list[tuple[dict[str, object], Path | None]] = []
    monkeypatch.setattr(acting, "send", lambda act, sessions: sent.append((act, sessions)))
    done = CliRunner().invoke(app, ["note", "plugs one step colder", "--sessions", str(tmp_path)])
    assert done.exit_code == 0, done.output
    assert sent == [({"act": "note", "text": "plugs one step colder"}, tmp_path)]


async def test_a_note_is_typed_in_the_console(desk: Desk, terminal: tuple[int, int]) -> None:
    """After n the terminal shows and mends what is typed; Enter keeps it, and the keys are keys again."""
    keyboard, program = terminal
    before = termios.tcgetattr(program)
    heard = asyncio.Event()
    with Keys(desk.acts, lambda: None, terminal=program, say=lambda _: heard.set()):
        os.write(keyboard, b"n")
        async with asyncio.timeout(5):
            await heard.wait()
        assert termios.tcgetattr(program)[3] & termios.ICANON
        assert termios.tcgetattr(program)[3] & termios.ECHO
        os.write(keyboard, "quiet rammp\x7f\x7fp, größer\nam".encode())
        await desk.until(3)
        assert not termios.tcgetattr(program)[3] & termios.ICANON
        echoed = b""
        while select.select([keyboard], [], [], 0)[0]:
            echoed += os.read(keyboard, 4_096)
        assert b"quiet ram" in echoed
    assert [(act["act"], act.get("text")) for act in desk.took()] == [
        ("note", "quiet ramp, größer"),
        ("acknowledge", None),
        ("mark", ""),
    ]
    assert termios.tcgetattr(program) == before


@pytest.mark.parametrize("nothing", [b"\n", b"   \n", b"\x04"])
async def test_no_note(desk: Desk, terminal: tuple[int, int], nothing: bytes) -> None:
    """An empty line, or Ctrl-D, is no note, and the keys go on."""
    keyboard, program = terminal
    said: asyncio.Queue[str] = asyncio.Queue()
    with Keys(desk.acts, lambda: None, terminal=program, say=said.put_nowait) as keys:
        for typed, answer in ((b"n", "A note: type it, then Enter (an empty one is none)."), (nothing, "No note.")):
            os.write(keyboard, typed)
            async with asyncio.timeout(5):
                assert await said.get() == answer
        os.write(keyboard, b"r")
        await desk.until(1)
        assert keys.active
    assert [act["act"] for act in desk.took()] == ["reset"]


async def test_what_was_typed_ahead_belongs_to_the_note(desk: Desk, terminal: tuple[int, int]) -> None:
    """Keys that came with the n in one read are its first letters, up to the end of the line."""
    keyboard, program = terminal
    with Keys(desk.acts, lambda: None, terminal=program):
        os.write(keyboard, b"nquick\n")
        await desk.until(1)
    assert desk.took()[0]["text"] == "quick"
