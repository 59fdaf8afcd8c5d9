"""Acts: what a person does to the watching is a feed too, number 0, recorded like the rest.

They come from the keys of the console and from a local socket that only its owner may use. On the socket a request is
one line of JSON, and so is its answer, `{"ok": true, "said": text}` or `{"ok": false, "why": text}`:

    {"act": "acknowledge" | "reset", "rule": name or null, "who": text}
    {"act": "mark" | "note", "text": text, "who": text}
    {"act": "shelve", "rule": name, "minutes": number, "who": text}
    {"act": "unshelve" | "out-of-service" | "in-service", "rule": name, "who": text}
    {"act": "reload", "file": name, "who": text}      a plan (JSON) left beside the socket by who asks
"""

from __future__ import annotations

import asyncio
import hashlib
import json
import os
import socket
import stat
import struct
import sys
from contextlib import suppress
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final, Self

from pullwatch.batch import ACTS_FEED, Kind
from pullwatch.errors import ActError, nearest
from pullwatch.watchdog.alarms import LONGEST_SHELF, Priority

if sys.platform != "win32":
    import termios
    import tty

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping

    from pullwatch.feeds.intake import Intake


LINE_LIMIT: Final = 4_096
"""Bytes of the longest request."""
TEXT_LIMIT: Final = 1_000
"""Characters of the longest mark or note; a name may have WHO_LIMIT."""
WHO_LIMIT: Final = 64
CONNECTIONS: Final = 8
"""How many may talk to the socket at once."""
IDLE_PATIENCE: Final = 30.0
"""Seconds a connection may say nothing."""
ANSWER_PATIENCE: Final = 3.0
"""Seconds the sender of an act waits for the answer."""
_EXAMPLE: Final = 'expected for example {"act": "acknowledge", "rule": null}.'
KNOWN: Final = ("acknowledge", "reset", "mark", "note", "shelve", "unshelve", "out-of-service", "in-service", "reload")
_HIDING: Final = {
    "unshelve": "unshelved",
    "out-of-service": "taken out of service",
    "in-service": "put back in service",
}
NS_PER_MINUTE: Final = 60_000_000_000
SOCKET_NAME: Final = "acts.socket"
_PATH_LIMIT: Final = 100
"""Bytes of the longest path a Unix socket may have on every system (the least known limit is 104 with its end)."""


class Acts:
    """Turns what a person does into records. `rules` are the priorities by name; None: any name is taken."""

    def __init__(
        self,
        intake: Intake,
        rules: Mapping[str, Priority] | None = None,
        reload: Callable[[str], tuple[Mapping[str, Any], Mapping[str, Priority]]] | None = None,
    ) -> None:
        """`reload` takes the name of a file beside the socket; it returns the plan and the priorities it leads to.

        It raises ActError when the plan cannot take the place of the one in force.
        """
        self._intake = intake
        self._rules = rules
        self._reload = reload

    def acknowledge(self, rule: str | None, who: str) -> str:
        """Acknowledge the alarm of `rule` (None: of all); return what was done. Raises ActError for no such rule."""
        return self._about("acknowledge", rule, who)

    def reset(self, rule: str | None, who: str) -> str:
        """Reset the latched alarm of `rule` (None: of all); return what was done. Raises ActError for no such rule."""
        return self._about("reset", rule, who)

    def shelve(self, rule: str, minutes: float, who: str) -> str:
        """Hide a rule for a time; return what was done. Raises ActError for a critical rule or too long a time."""
        self._known(rule)
        if self._rules is not None and self._rules[rule] is Priority.CRITICAL:
            raise ActError(f'"{rule}" is critical and cannot be shelved. It can be taken out of service, by name.')
        most = LONGEST_SHELF / NS_PER_MINUTE
        if not 0 < minutes <= most:
            raise ActError(f"{minutes:g} minutes is no time to shelve a rule for; expected up to {most:g} minutes.")
        self._put({"act": "shelve", "rule": rule, "for_ns": round(minutes * NS_PER_MINUTE), "who": _who(who)})
        return f'shelved "{rule}" for {minutes:g} minutes'

    def hide(self, act: str, rule: str, who: str) -> str:
        """Unshelve a rule, take it out of service or put it back; return what was done. Raises ActError."""
        self._known(rule)
        self._put({"act": act, "rule": rule, "who": _who(who)})
        return f'{_HIDING[act]} "{rule}"'

    def reload(self, file: str, who: str) -> str:
        """Judge by other rules from now on; return what was done. Raises ActError if they cannot be used."""
        if self._reload is None:
            raise ActError("rules cannot be changed here.")
        plan, self._rules = self._reload(file)
        self._put({"act": "reload", "rule": None, "who": _who(who), "plan": plan})
        return f"judging by {len(self._rules)} rules from now on"

    def mark(self, text: str, who: str) -> str:
        """Mark this moment in the recording. Returns what was done; raises ActError if the text is too long."""
        self._put_text("mark", text, who)
        return f'marked "{text}"' if text else "marked"

    def note(self, text: str, who: str) -> str:
        """Note something in the recording: what was changed, seen or heard, rather than this moment.

        Returns what was done; raises ActError if there is no text, or it is too long.
        """
        if not text.strip():
            raise ActError('a note has a text; expected for example {"act": "note", "text": "new plugs, gap 0.6"}.')
        self._put_text("note", text, who)
        return f'noted "{text}"'

    def obey(self, request: bytes, default_who: str) -> str:
        """Do what one line of JSON asks. Returns what was done; raises ActError in words for anything else."""
        try:
            asked = json.loads(request)
        except (ValueError, RecursionError):
            raise ActError(f"the request is not JSON; {_EXAMPLE}") from None
        if not isinstance(asked, dict):
            raise ActError(f"the request is no JSON object; {_EXAMPLE}")
        act = asked.get("act")
        who = _text(asked, "who", default_who)
        match act:
            case "acknowledge" | "reset":
                _only(asked, ("act", "rule", "who"))
                rule = _text(asked, "rule", None)
                return self.acknowledge(rule, who) if act == "acknowledge" else self.reset(rule, who)
            case "shelve":
                _only(asked, ("act", "rule", "minutes", "who"))
                minutes = asked.get("minutes")
                if isinstance(minutes, bool) or not isinstance(minutes, int | float):
                    raise ActError('"minutes" is not a number; expected for example "minutes": 10.')
                return self.shelve(_needed(asked), minutes, who)
            case "unshelve" | "out-of-service" | "in-service":
                _only(asked, ("act", "rule", "who"))
                return self.hide(act, _needed(asked), who)
            case "reload":
                _only(asked, ("act", "file", "who"))
                return self.reload(_text(asked, "file", ""), who)
            case "mark" | "note":
                _only(asked, ("act", "text", "who"))
                text = _text(asked, "text", "")
                return self.mark(text, who) if act == "mark" else self.note(text, who)
            case _:
                hint = nearest(act, KNOWN) if isinstance(act, str) else ""
                raise ActError(f"there is no act {json.dumps(act)[:80]}{hint}; expected {', '.join(KNOWN)}.")

    def _put_text(self, act: str, text: str, who: str) -> None:
        if len(text) > TEXT_LIMIT:
            raise ActError(f"the {act} has {len(text)} characters; it may have {TEXT_LIMIT}.")
        self._put({"act": act, "rule": None, "text": text, "who": _who(who)})

    def _about(self, act: str, rule: str | None, who: str) -> str:
        if rule is not None:
            self._known(rule)
        self._put({"act": act, "rule": rule, "who": _who(who)})
        done = "acknowledged" if act == "acknowledge" else act
        return f'{done} "{rule}"' if rule is not None else f"{done} all"

    def _known(self, rule: str) -> None:
        if self._rules is not None and rule not in self._rules:
            raise ActError(f'there is no rule "{rule[:80]}"{nearest(rule[:80], self._rules)}.')

    def _put(self, payload: dict[str, Any]) -> None:
        self._intake.put(ACTS_FEED, Kind.ACT, json.dumps(payload).encode())


def _who(who: str) -> str:
    if len(who) > WHO_LIMIT:
        raise ActError(f"the name of who acts has {len(who)} characters; it may have {WHO_LIMIT}.")
    return who


def _text(asked: dict[str, Any], key: str, default: Any) -> Any:
    """Return a text of the request, the default if it is absent or null."""
    value = asked.get(key)
    if value is None:
        return default
    if not isinstance(value, str):
        raise ActError(f'"{key}" is not a text; expected for example "{key}": "lean under boost".')
    return value


def _needed(asked: dict[str, Any]) -> str:
    """Return the name of the rule an act is about that is never about all of them."""
    rule = _text(asked, "rule", None)
    if rule is None:
        raise ActError(f'"{asked["act"]}" is about one rule; expected for example "rule": "coolant warm".')
    name: str = rule
    return name


def _only(asked: dict[str, Any], known: tuple[str, ...]) -> None:
    for key in asked:
        if key not in known:
            raise ActError(f'"{key[:40]}" is not known here{nearest(key[:40], known)}; known are {", ".join(known)}.')


class Keys:
    """The keys of the console: `a` acknowledge all, `r` reset all, `m` mark, `n` note, `q` quit; others do nothing.

    After `n` the terminal gives whole lines, as it shows and mends them by itself: the next one is the note, an empty
    one is none. Until then the other keys are letters of it.

    A context manager: the terminal gives single keys inside, and is put back as it was on leaving, however one leaves.
    Without a terminal, or in the background of one, it does nothing, for a program that reads from there is stopped.
    """

    def __init__(
        self,
        acts: Acts,
        quit_now: Callable[[], None],
        *,
        terminal: int = 0,
        who: str = "console",
        say: Callable[[str], object] = str,
    ) -> None:
        """`say` prints a line for who typed; it must not wait."""
        self._acts = acts
        self._quit = quit_now
        self._say = say
        self._terminal = terminal
        self._who = who
        self._before: list[Any] | None = None
        self._noting = False
        self._ahead = b""
        self._loop: asyncio.AbstractEventLoop | None = None

    @property
    def active(self) -> bool:
        """Whether keys are read."""
        return self._loop is not None

    def __enter__(self) -> Self:
        if sys.platform != "win32" and os.isatty(self._terminal) and self._in_front():
            self._before = termios.tcgetattr(self._terminal)
            tty.setcbreak(self._terminal, termios.TCSANOW)
            self._loop = asyncio.get_running_loop()
            self._loop.add_reader(self._terminal, self._pressed)
        return self

    def __exit__(self, *_: object) -> None:
        self._leave()
        if self._before is not None:
            with suppress(termios.error):  # the terminal itself is gone
                termios.tcsetattr(self._terminal, termios.TCSANOW, self._before)
            self._before = None

    def _leave(self) -> None:
        if self._loop is not None:
            self._loop.remove_reader(self._terminal)
            self._loop = None

    def _in_front(self) -> bool:
        try:
            return os.tcgetpgrp(self._terminal) == os.getpgrp()
        except OSError:  # not the terminal of this session: nobody can stop us there
            return True

    def _pressed(self) -> None:
        if not self._in_front():
            self._leave()
            return
        try:
            keys = os.read(self._terminal, 64)
        except (BlockingIOError, InterruptedError):
            return
        except OSError:
            keys = b""
        if self._noting:
            self._noted(keys)
            return
        if not keys:
            self._leave()
        for place, key in enumerate(keys.decode("ascii", "replace"), start=1):
            match key:
                case "a":
                    self._acts.acknowledge(None, self._who)
                case "r":
                    self._acts.reset(None, self._who)
                case "m":
                    self._acts.mark("", self._who)
                case "n":
                    self._note(keys[place:])
                    return
                case "q":
                    self._quit()
                case _:
                    pass

    def _note(self, ahead: bytes) -> None:
        """Have the terminal give the next line as a whole; `ahead` was typed before it could."""
        assert self._before is not None
        termios.tcsetattr(self._terminal, termios.TCSANOW, self._before)
        self._noting, self._ahead = True, ahead
        if b"\n" in ahead:
            self._noted(b"")
        else:
            self._say("A note: type it, then Enter (an empty one is none).")

    def _noted(self, line: bytes) -> None:
        """Take the line, or that there is none (Ctrl-D), and go back to single keys."""
        self._noting = False
        tty.setcbreak(self._terminal, termios.TCSANOW)
        text = (self._ahead + line).decode("utf-8", "replace").split("\n")[0].strip()
        if text:
            self._acts.note(text[:TEXT_LIMIT], self._who)
        else:
            self._say("No note.")


def socket_places(session: Path) -> tuple[Path, ...]:
    """Return where the socket of a session may be, the best first: in its folder, else in a folder of the user's.

    A path may be too long for a socket, and a USB stick's file system may know none.
    """
    import platformdirs  # noqa: PLC0415 - only who listens or sends looks for the place

    name = hashlib.blake2b(os.fsencode(session.absolute()), digest_size=8).hexdigest() + ".socket"
    runtime = os.environ.get("XDG_RUNTIME_DIR")
    other = Path(runtime, "pullwatch") if runtime else platformdirs.user_cache_path("pullwatch")
    places = (session / SOCKET_NAME, other / name)
    return tuple(place for place in places if len(os.fsencode(place)) <= _PATH_LIMIT)


class Door:
    """The local socket for acts: mode 0600, and its owner is asked for besides where the system tells who calls."""

    def __init__(self, acts: Acts, session: Path, *, owner: int | None = None) -> None:
        self._acts = acts
        self._session = session
        self._owner = owner
        self._server: asyncio.Server | None = None
        self._talking: dict[asyncio.Task[None], asyncio.StreamWriter] = {}
        self.path: Path | None = None
        """Where it listens, while it does."""
        self.refused = 0
        """Requests answered with a no."""

    async def open(self) -> Path:
        """Listen, at the first of `socket_places` that allows it. Raises ActError if none does."""
        if sys.platform == "win32":
            raise ActError("this platform has no local socket for acts: use the keys of the console.")
        if self._owner is None:
            self._owner = os.getuid()
        troubles: list[str] = []
        for place in socket_places(self._session):
            try:
                place.parent.mkdir(parents=True, exist_ok=True, mode=0o700)
                listening = _bound(place)
            except OSError as error:
                troubles.append(f"{place}: {error.strerror or error}")
                continue
            self._server = await asyncio.start_unix_server(self._enter, sock=listening, limit=LINE_LIMIT)
            self.path = place
            return place
        raise ActError(f"no socket for acts can be made: {'; '.join(troubles) or 'every path is too long'}.")

    async def close(self) -> None:
        """Stop listening, end every connection, take the socket away."""
        if self._server is None:
            return
        self._server.close()
        for _ in range(3):  # turns of the loop a caller already accepted takes to come in here
            await asyncio.sleep(0)
        for writer in self._talking.values():
            writer.transport.abort()
        if self._talking:
            await asyncio.wait(tuple(self._talking))  # each ends by itself, its connection being gone
        await self._server.wait_closed()
        self._server = None
        if self.path is not None:
            self.path.unlink(missing_ok=True)
            self.path = None

    async def _enter(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        task = asyncio.current_task()
        assert task is not None
        self._talking[task] = writer
        try:
            with suppress(ConnectionError):  # the caller went, or we are closing: nothing is left to say
                await self._talk(reader, writer)
        finally:
            writer.close()
            with suppress(ConnectionError):
                await writer.wait_closed()
            del self._talking[task]

    async def _talk(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        if len(self._talking) > CONNECTIONS:
            self._refuse(writer, f"{CONNECTIONS} connections are open already.")
            return
        uid = peer_uid(writer.get_extra_info("socket"))
        if uid is not None and uid != self._owner:
            self._refuse(writer, f"only the user who watches may act (you are user {uid}, it is user {self._owner}).")
            return
        who = f"user {uid}" if uid is not None else "socket"
        while True:
            try:
                async with asyncio.timeout(IDLE_PATIENCE):
                    line = await reader.readuntil(b"\n")
            except asyncio.IncompleteReadError as error:
                if error.partial:
                    self._refuse(writer, "the request has no end of line.")
                return
            except asyncio.LimitOverrunError:
                self._refuse(writer, f"the request is longer than {LINE_LIMIT} bytes.")
                return
            except TimeoutError:
                self._refuse(writer, f"nothing was asked for {IDLE_PATIENCE:g} s.")
                return
            try:
                done = self._acts.obey(line, who)
            except ActError as error:
                self._refuse(writer, str(error))
            else:
                _answer(writer, {"ok": True, "said": done})
            await writer.drain()

    def _refuse(self, writer: asyncio.StreamWriter, why: str) -> None:
        self.refused += 1
        _answer(writer, {"ok": False, "why": why})


def _answer(writer: asyncio.StreamWriter, answer: dict[str, Any]) -> None:
    writer.write(json.dumps(answer).encode() + b"\n")


def _bound(place: Path) -> socket.socket:
    """Return a socket bound at `place`, for the owner only from the first moment; a dead session's is replaced.

    Raises OSError.
    """
    if place.is_socket():
        with socket.socket(socket.AF_UNIX) as probe:
            try:
                probe.connect(str(place))
            except ConnectionRefusedError:
                place.unlink()
            else:
                raise FileExistsError(0, "another session listens there")
    listening = socket.socket(socket.AF_UNIX)
    try:
        listening.bind(str(place))
        place.chmod(stat.S_IRUSR | stat.S_IWUSR)  # nobody can connect before it listens, so not before this either
        listening.setblocking(False)
    except BaseException:
        listening.close()
        raise
    return listening


def peer_uid(connected: socket.socket) -> int | None:
    """Return the user behind the other end of a Unix socket, None where the system does not tell (SO_PEERCRED)."""
    if not hasattr(socket, "SO_PEERCRED"):
        return None
    answer = connected.getsockopt(socket.SOL_SOCKET, socket.SO_PEERCRED, struct.calcsize("3i"))
    uid: int = struct.unpack("3i", answer)[1]
    return uid


def send(path: Path, act: dict[str, Any], *, patience: float = ANSWER_PATIENCE) -> str:
    """Hand one act to the watching process and return what it says it did. Blocks up to `patience` seconds.

    `path` is the session's folder or the socket itself. Raises ActError if nobody watches there or the act is refused.
    """
    place = path
    if not path.is_socket():
        found = next((place for place in socket_places(path) if place.is_socket()), None)
        if found is None:
            raise ActError(f"{path}: nobody watches here. Start `pullwatch watch`, or name the running session.")
        place = found
    try:
        with socket.socket(socket.AF_UNIX) as door:
            door.settimeout(patience)
            door.connect(str(place))
            with suppress(BrokenPipeError):  # refused before it was read: the answer says why
                door.sendall(json.dumps(act).encode() + b"\n")
            with door.makefile("rb") as answers:
                answer = json.loads(answers.readline(LINE_LIMIT))
    except TimeoutError:
        raise ActError(f"{place}: the watching process did not answer within {patience:g} s.") from None
    except ConnectionRefusedError:
        raise ActError(f"{place}: the session there has ended without closing; nobody watches.") from None
    except PermissionError:
        raise ActError(f"{place}: only the user who watches may act.") from None
    except OSError as error:
        raise ActError(f"{place}: the act could not be handed over: {error.strerror or error}.") from error
    except ValueError:
        raise ActError(f"{place}: the answer cannot be understood.") from None
    if not isinstance(answer, dict) or not answer.get("ok"):
        raise ActError(f"refused: {answer.get('why') if isinstance(answer, dict) else answer}")
    return str(answer.get("said", ""))
