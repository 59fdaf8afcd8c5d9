"""Acts: as records, from the console's keys on a pseudo terminal, and over the local socket."""

from __future__ import annotations

import asyncio
import json
import os
import pty
import select
import socket
import stat
import tempfile
import termios
from contextlib import nullcontext, suppress
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest

from pullwatch import acts as acts_module
from pullwatch.acts import LINE_LIMIT, SOCKET_NAME, Acts, Door, Keys, peer_uid, send, socket_places
from pullwatch.batch import ACTS_FEED, Kind
from pullwatch.clock import SessionClock
from pullwatch.errors import ActError
from pullwatch.feeds.intake import Intake
from pullwatch.watchdog.alarms import Priority

if TYPE_CHECKING:
    from collections.abc import AsyncIterator, Iterator

RULES = {"lean under boost": Priority.CRITICAL, "overboost": Priority.CAUTION}


class Desk:
    """Acts, and what became of them."""

    def __init__(self) -> None:
        self.woken = asyncio.Event()
        self.intake = Intake(SessionClock(), self.woken.set)
        self.acts = Acts(self.intake, RULES)
        self.done: list[dict[str, Any]] = []

    def took(self) -> list[dict[str, Any]]:
        """Return the payloads of all ACT records so far."""
        for record in self.intake.take()[1]:
            assert (record.feed, record.kind) == (ACTS_FEED, Kind.ACT)
            self.done.append(json.loads(record.data))
        return self.done

    async def until(self, count: int) -> list[dict[str, Any]]:
        """Wait for `count` acts; return them."""
        async with asyncio.timeout(5):
            while len(self.took()) < count:
                await self.woken.wait()
                self.woken.clear()
        return self.done


@pytest.fixture
def desk() -> Desk:
    return Desk()


def test_acts_become_records_of_feed_0(desk: Desk) -> None:
    """Each act is one ACT record with the act, the rule (null: all), who, and the text of a mark."""
    assert desk.acts.acknowledge("overboost", "me") == 'acknowledged "overboost"'
    assert desk.acts.acknowledge(None, "me") == "acknowledged all"
    assert desk.acts.reset(None, "you") == "reset all"
    assert desk.acts.mark("new plugs", "me") == 'marked "new plugs"'
    assert desk.took() == [
        {"act": "acknowledge", "rule": "overboost", "who": "me"},
        {"act": "acknowledge", "rule": None, "who": "me"},
        {"act": "reset", "rule": None, "who": "you"},
        {"act": "mark", "rule": None, "text": "new plugs", "who": "me"},
    ]


def test_hiding_a_rule_is_by_name_for_a_time_and_never_a_critical_one(desk: Desk) -> None:
    """Shelving has an end within half an hour; a critical rule can only be taken out of service, and put back."""
    asked = {"act": "shelve", "rule": "overboost", "minutes": 2.5}
    assert desk.acts.obey(json.dumps(asked).encode(), "me") == 'shelved "overboost" for 2.5 minutes'
    assert desk.acts.hide("unshelve", "overboost", "me") == 'unshelved "overboost"'
    assert desk.acts.hide("out-of-service", "lean under boost", "me") == 'taken out of service "lean under boost"'
    in_service = json.dumps({"act": "in-service", "rule": "lean under boost"}).encode()
    assert desk.acts.obey(in_service, "you") == 'put back in service "lean under boost"'
    assert desk.took() == [
        {"act": "shelve", "rule": "overboost", "for_ns": 150_000_000_000, "who": "me"},
        {"act": "unshelve", "rule": "overboost", "who": "me"},
        {"act": "out-of-service", "rule": "lean under boost", "who": "me"},
        {"act": "in-service", "rule": "lean under boost", "who": "you"},
    ]


def test_an_act_on_no_rule_is_refused(desk: Desk) -> None:
    """A rule that does not exist is refused with the nearest name, and leaves no record."""
    with pytest.raises(ActError, match=r'no rule "overbost" \(did you mean "overboost"\?\)'):
        desk.acts.acknowledge("overbost", "me")
    assert desk.took() == []


BAD = [
    (b"acknowledge", "not JSON"),
    (b"\xff\xfe", "not JSON"),
    (b"[" * 3000, "not JSON"),
    (b"[]", "no JSON object"),
    (b"{}", "no act null"),
    (b'{"act": "acknowlege"}', 'did you mean "acknowledge"'),
    (b'{"act": 3}', "no act 3"),
    (b'{"act": "acknowledge", "rule": 3}', '"rule" is not a text'),
    (b'{"act": "acknowledge", "rules": "x"}', '"rules" is not known here (did you mean "rule"?)'),
    (b'{"act": "reset", "rule": "none such"}', 'no rule "none such"'),
    (b'{"act": "reset", "text": "x"}', '"text" is not known here'),
    (b'{"act": "shelve", "rule": "lean under boost", "minutes": 5}', "is critical and cannot be shelved"),
    (b'{"act": "shelve", "rule": "overboost", "minutes": 31}', "expected up to 30 minutes"),
    (b'{"act": "shelve", "rule": "overboost", "minutes": NaN}', "nan minutes is no time"),
    (b'{"act": "shelve", "rule": "overboost", "minutes": true}', '"minutes" is not a number'),
    (b'{"act": "shelve", "minutes": 5}', '"shelve" is about one rule'),
    (b'{"act": "out-of-service"}', '"out-of-service" is about one rule'),
    (b'{"act": "in-service", "rule": "overbost"}', 'did you mean "overboost"'),
    (b'{"act": "mark", "text": ["x"]}', '"text" is not a text'),
    (b'{"act": "mark", "text": "' + b"x" * 1001 + b'"}', "1001 characters"),
    (b'{"act": "mark", "who": "' + b"x" * 65 + b'"}', "65 characters"),
]


@pytest.mark.parametrize(("request_line", "said"), BAD)
def test_a_bad_request_is_refused_in_words(desk: Desk, request_line: bytes, said: str) -> None:
    """Whatever is wrong with a request is said, with what was expected, and nothing is recorded."""
    with pytest.raises(ActError) as refused:
        desk.acts.obey(request_line, "test")
    assert said in str(refused.value)
    assert desk.took() == []


@pytest.fixture
def terminal() -> Iterator[tuple[int, int]]:
    """Give both ends of a pseudo terminal: the keyboard's, the program's."""
    ends = pty.openpty()
    yield ends
    for end in ends:
        with suppress(OSError):  # the test has closed it
            os.close(end)


async def test_the_keys_of_the_console(desk: Desk, terminal: tuple[int, int]) -> None:
    """Single keys act: a acknowledges all, r resets all, m marks, q quits; others do nothing."""
    keyboard, program = terminal
    quitting = asyncio.Event()
    with Keys(desk.acts, quitting.set, terminal=program) as keys:
        assert keys.active
        os.write(keyboard, b"a")
        await desk.until(1)
        os.write(keyboard, "xArä".encode())
        await desk.until(2)
        os.write(keyboard, b"mq")
        async with asyncio.timeout(5):
            await quitting.wait()
    assert [act["act"] for act in desk.took()] == ["acknowledge", "reset", "mark"]
    assert {act["who"] for act in desk.done} == {"console"}


@pytest.mark.parametrize("error", [None, KeyboardInterrupt, asyncio.CancelledError, RuntimeError])
async def test_the_terminal_is_put_back_however_one_leaves(
    desk: Desk, terminal: tuple[int, int], error: type[BaseException] | None
) -> None:
    """After the keys the terminal is as it was: lines and echo again, on an error and on an interrupt too."""
    program = terminal[1]
    before = termios.tcgetattr(program)

    def inside() -> None:
        local = termios.tcgetattr(program)[3]
        assert not local & (termios.ICANON | termios.ECHO)
        assert local & termios.ISIG
        if error is not None:
            raise error

    with (
        pytest.raises(error) if error is not None else nullcontext(),
        Keys(desk.acts, lambda: None, terminal=program),
    ):
        inside()
    assert termios.tcgetattr(program) == before


async def test_a_terminal_that_goes_is_let_go(desk: Desk, terminal: tuple[int, int]) -> None:
    """When the terminal is closed (a remote login that breaks) the keys end, and nothing turns or fails."""
    keyboard, program = terminal
    with Keys(desk.acts, lambda: None, terminal=program) as keys:
        os.close(keyboard)
        await asyncio.to_thread(select.select, [program], [], [], 5)
        await asyncio.sleep(0)
        assert not keys.active
    assert desk.took() == []


async def test_no_keys_in_the_background(
    desk: Desk, terminal: tuple[int, int], monkeypatch: pytest.MonkeyPatch
) -> None:
    """A program in the background leaves the terminal alone: reading it there would stop the watching."""
    monkeypatch.setattr(os, "tcgetpgrp", lambda _: os.getpgrp() + 1)
    before = termios.tcgetattr(terminal[1])
    with Keys(desk.acts, lambda: None, terminal=terminal[1]) as keys:
        assert not keys.active
        assert termios.tcgetattr(terminal[1]) == before


async def test_no_keys_without_a_terminal(desk: Desk, tmp_path: Path) -> None:
    """With standard input from a file there are no keys, and no error."""
    (tmp_path / "input").write_text("q")
    with (tmp_path / "input").open() as source:
        with Keys(desk.acts, lambda: pytest.fail("quit"), terminal=source.fileno()) as keys:
            assert not keys.active
        assert source.read() == "q"


@pytest.fixture
def folder() -> Iterator[Path]:
    """Give a session's folder whose path is short enough for a socket."""
    with tempfile.TemporaryDirectory(prefix="pw") as name:
        yield Path(name)


@pytest.fixture
async def door(desk: Desk, folder: Path) -> AsyncIterator[Door]:
    """Open a door in a session's folder."""
    door = Door(desk.acts, folder)
    await door.open()
    yield door
    await door.close()


async def test_an_act_over_the_socket(desk: Desk, door: Door, folder: Path) -> None:
    """An act sent to the session's folder is recorded, and the sender is told what was done."""
    done = await asyncio.to_thread(send, folder, {"act": "acknowledge", "rule": "overboost", "who": "me"})
    assert done == 'acknowledged "overboost"'
    assert desk.took() == [{"act": "acknowledge", "rule": "overboost", "who": "me"}]
    assert door.path is not None
    assert await asyncio.to_thread(send, door.path, {"act": "mark", "text": "here"}) == 'marked "here"'
    assert desk.took()[1]["who"] == f"user {os.getuid()}"


async def test_only_the_owner_can_reach_the_socket(door: Door, folder: Path) -> None:
    """The socket is readable and writable for its owner only, and gone when the door is closed."""
    place = folder / SOCKET_NAME
    assert door.path == place
    assert stat.S_IMODE(place.stat().st_mode) == 0o600
    await door.close()
    assert not place.exists()


async def test_another_user_is_turned_away(desk: Desk, folder: Path) -> None:
    """A caller the system says is another user is refused in words, even if the socket lets him in."""
    door = Door(desk.acts, folder, owner=os.getuid() + 1)
    await door.open()
    with pytest.raises(ActError, match="only the user who watches may act"):
        await asyncio.to_thread(send, folder, {"act": "reset"})
    await door.close()
    assert (desk.took(), door.refused) == ([], 1)


def test_the_system_tells_who_calls() -> None:
    """The user behind the other end of a Unix socket is this one."""
    ends = socket.socketpair()
    assert peer_uid(ends[0]) == os.getuid()
    for end in ends:
        end.close()


async def asked(path: Path, *requests: bytes) -> list[dict[str, Any]]:
    """Return the answers to requests sent over one connection."""
    reader, writer = await asyncio.open_unix_connection(str(path))
    for request in requests:
        writer.write(request)
    writer.write_eof()
    async with asyncio.timeout(5):
        answers = (await reader.read()).splitlines()
    writer.close()
    await writer.wait_closed()
    return [json.loads(answer) for answer in answers]


async def test_a_bad_request_is_answered_and_the_next_is_heard(desk: Desk, door: Door, folder: Path) -> None:
    """A connection may ask again and again; what is wrong is answered in words and does not end it."""
    answers = await asked(folder / SOCKET_NAME, b"nonsense\n", b'{"act": "reset"}\n', b'{"act": "rest"}\n')
    assert [answer["ok"] for answer in answers] == [False, True, False]
    assert "not JSON" in answers[0]["why"]
    assert 'did you mean "reset"' in answers[2]["why"]
    assert len(desk.took()) == 1
    assert door.refused == 2


async def test_an_endless_line_is_refused(desk: Desk, door: Door, folder: Path) -> None:
    """A request longer than a line may be is refused before it is read to its end, and the connection is ended."""
    (answer,) = await asked(folder / SOCKET_NAME, b"x" * (LINE_LIMIT + 1) + b"\n")
    assert f"longer than {LINE_LIMIT} bytes" in answer["why"]
    assert door.refused == 1
    assert desk.took() == []


async def test_half_a_request_is_answered(desk: Desk, door: Door, folder: Path) -> None:
    """A request cut off before the end of its line is not obeyed, and it is said."""
    (answer,) = await asked(folder / SOCKET_NAME, b'{"act": "reset"}')
    assert "no end of line" in answer["why"]
    assert (desk.took(), door.refused) == ([], 1)


async def test_a_caller_who_says_nothing_is_ended(door: Door, folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A connection that asks nothing is ended after a while, in words."""
    monkeypatch.setattr(acts_module, "IDLE_PATIENCE", 0.05)
    reader, writer = await asyncio.open_unix_connection(str(folder / SOCKET_NAME))
    async with asyncio.timeout(5):
        answer = json.loads(await reader.read())
    writer.close()
    await writer.wait_closed()
    assert "nothing was asked for 0.05 s" in answer["why"]
    assert door.refused == 1


async def test_too_many_callers_are_refused(door: Door, folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Beyond so many connections at once the next is refused in words; those that are there stay."""
    monkeypatch.setattr(acts_module, "CONNECTIONS", 1)
    reader, writer = await asyncio.open_unix_connection(str(folder / SOCKET_NAME))
    writer.write(b'{"act": "mark"}\n')
    assert json.loads(await reader.readline())["ok"]
    (answer,) = await asked(folder / SOCKET_NAME)
    assert "1 connections are open already" in answer["why"]
    writer.write(b'{"act": "mark"}\n')
    assert json.loads(await reader.readline())["ok"]
    writer.close()
    await writer.wait_closed()
    assert door.refused == 1


async def test_closing_ends_every_connection(desk: Desk, folder: Path) -> None:
    """A door is closed while callers are connected: they are ended, no task is left."""
    door = Door(desk.acts, folder)
    reader, writer = await asyncio.open_unix_connection(str(await door.open()))
    writer.write(b'{"act": "mark"}\n')
    await reader.readline()
    await door.close()
    async with asyncio.timeout(5):
        assert await reader.read() == b""
    writer.close()
    await writer.wait_closed()
    assert asyncio.all_tasks() == {asyncio.current_task()}
    await door.close()


async def test_a_socket_left_by_a_killed_session_is_replaced(desk: Desk, folder: Path) -> None:
    """A socket nobody listens at any more is told to the sender, and taken over by the next session."""
    with socket.socket(socket.AF_UNIX) as dead:
        dead.bind(str(folder / SOCKET_NAME))
    with pytest.raises(ActError, match="ended without closing"):
        await asyncio.to_thread(send, folder, {"act": "reset"})
    door = Door(desk.acts, folder)
    assert await door.open() == folder / SOCKET_NAME
    assert await asyncio.to_thread(send, folder, {"act": "reset"}) == "reset all"
    await door.close()


def test_without_a_runtime_folder_the_cache_folder_is_taken(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Where the system has no runtime folder for users the second place is in the user's cache folder."""
    monkeypatch.delenv("XDG_RUNTIME_DIR", raising=False)
    monkeypatch.setenv("XDG_CACHE_HOME", str(folder))
    assert socket_places(folder)[1].parent == folder / "pullwatch"


async def test_a_long_path_has_its_socket_elsewhere(desk: Desk, folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A session whose path is too long for a socket has it in the runtime folder, and the sender finds it there."""
    monkeypatch.setenv("XDG_RUNTIME_DIR", str(folder))
    session = folder / ("long" * 30)
    session.mkdir()
    (place,) = socket_places(session)
    assert place.parent == folder / "pullwatch"
    door = Door(desk.acts, session)
    assert await door.open() == place
    assert stat.S_IMODE(place.parent.stat().st_mode) == 0o700
    assert await asyncio.to_thread(send, session, {"act": "reset"}) == "reset all"
    await door.close()


async def test_no_place_for_a_socket_is_said(desk: Desk, folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """When no folder can hold the socket the reasons are told."""
    (folder / "file").write_text("")
    monkeypatch.setenv("XDG_RUNTIME_DIR", str(folder / "file"))  # a file where a folder is wanted
    with pytest.raises(ActError, match=r"no socket for acts can be made: .*acts\.socket: .*; .*"):
        await Door(desk.acts, folder / "file" / "session").open()


async def test_a_second_session_does_not_take_the_first_ones_socket(
    desk: Desk, door: Door, folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A socket somebody listens at is left to him."""
    monkeypatch.setenv("XDG_RUNTIME_DIR", str(folder))
    second = Door(desk.acts, folder)
    assert await second.open() != door.path
    await second.close()
    assert await asyncio.to_thread(send, folder, {"act": "reset"}) == "reset all"


def test_nobody_watches(folder: Path) -> None:
    """An act for a session that is not running is refused in words, with what to do."""
    with pytest.raises(ActError, match=r"nobody watches here. Start `pullwatch watch`"):
        send(folder, {"act": "reset"})


@pytest.mark.parametrize(
    ("answer", "said"),
    [
        (None, "did not answer within 0.1 s"),
        (b"", "cannot be understood"),
        (b"hello\n", "cannot be understood"),
        (b"[1]\n", r"refused: \[1\]"),
        (b'{"ok": false, "why": "no."}\n', "refused: no."),
    ],
)
def test_what_the_sender_is_told(folder: Path, answer: bytes | None, said: str) -> None:
    """No answer, an answer that is none, and a refusal each have their words."""
    import threading

    with socket.socket(socket.AF_UNIX) as listening:
        listening.bind(str(folder / SOCKET_NAME))
        listening.listen()
        asked = threading.Event()

        def answering() -> None:
            caller = listening.accept()[0]
            with caller:
                caller.recv(LINE_LIMIT)
                if answer is None:
                    asked.wait(5)
                else:
                    caller.sendall(answer)

        thread = threading.Thread(target=answering)
        thread.start()
        with pytest.raises(ActError, match=said):
            send(folder, {"act": "reset"}, patience=0.1 if answer is None else 5)
        asked.set()
        thread.join()
