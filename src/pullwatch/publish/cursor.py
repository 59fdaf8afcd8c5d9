"""How far a session has been published, kept on disk beside the sessions; and who publishes a car just now.

    ROOT/.published/SESSION@BROKER.json      the cursor: written whole beside, then renamed over
    ROOT/.published/CAR@BROKER.lock          held by the one publisher of this car and broker
    ROOT/.published/CAR@BROKER.current       the session that is being recorded: who publishes an older one makes way

A cursor that is not there, damaged, or of other settings means the beginning: messages then go out a second time with
the numbers they had, and change nothing for whoever has seen them.
"""

from __future__ import annotations

import json
import os
from contextlib import suppress
from typing import TYPE_CHECKING, Self

from pullwatch.publish.digest import Place
from pullwatch.publish.start import FOLDER
from pullwatch.publish.topics import level

if TYPE_CHECKING:
    from pathlib import Path
    from types import TracebackType

    from pullwatch.setup.equipment.broker import BrokerSection

try:
    import fcntl
except ImportError:  # there is no such lock on Windows: two publishers of one car are not kept apart there
    fcntl = None  # type: ignore[assignment, unused-ignore]


class Cursor:
    """The cursor of one session at one broker."""

    def __init__(self, session: Path, section: BrokerSection) -> None:
        self.path = session.parent / FOLDER / f"{level(session.name)}@{_broker(section)}.json"
        self.error = ""
        """Why it could not be written last; empty: it could."""

    def read(self) -> Place | None:
        """Return the place that was kept, None if there is none that can be read."""
        try:
            said = json.loads(self.path.read_text(encoding="utf-8"))
            return Place(int(said["seq"]), int(said["after"]), said["state"])
        except (OSError, ValueError, KeyError, TypeError):
            return None

    def write(self, place: Place) -> None:
        """Keep a place. A disk that does not take it is no reason to stop: more is sent twice after a restart."""
        text = json.dumps({"seq": place.seq, "after": place.after, "state": place.state}, separators=(",", ":"))
        beside = self.path.with_name(f"{self.path.name}.{os.getpid()}")
        try:
            self.path.parent.mkdir(parents=True, exist_ok=True)
            beside.write_text(text, encoding="utf-8")
            beside.replace(self.path)
        except OSError as error:
            self.error = error.strerror or str(error)
            with suppress(OSError):
                beside.unlink(missing_ok=True)
        else:
            self.error = ""


class Seat:
    """The one place from which a car is published to a broker. `live`: the session is being recorded."""

    def __init__(self, session: Path, car: str, section: BrokerSection) -> None:
        folder = session.parent / FOLDER
        self._session = session.name
        self._lock = folder / f"{level(car)}@{_broker(section)}.lock"
        self._current = self._lock.with_suffix(".current")
        self._fd: int | None = None

    def take(self, *, live: bool) -> bool:
        """Take the seat; whether it was free. With `live`, whoever publishes an older session is asked to make way.

        Raises OSError if the folder cannot be written.
        """
        self._lock.parent.mkdir(parents=True, exist_ok=True)
        if live:
            beside = self._current.with_name(f"{self._current.name}.{os.getpid()}")
            beside.write_text(self._session, encoding="utf-8")
            beside.replace(self._current)
        if fcntl is None:
            return True
        fd = os.open(self._lock, os.O_RDWR | os.O_CREAT | os.O_CLOEXEC, 0o600)
        try:
            fcntl.flock(fd, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except OSError:
            os.close(fd)
            return False
        self._fd = fd
        return True

    def wanted_by(self, *, began: str) -> str | None:
        """Return the session being recorded that asks for the seat, None if none does.

        `began` is what stood there when this publisher took the seat: only what came after it is a request.
        """
        said = self.current()
        return said if said not in ("", self._session, began) else None

    def current(self) -> str:
        """Return the session that last asked for the seat, empty if none did."""
        with suppress(OSError, UnicodeDecodeError):
            return self._current.read_text(encoding="utf-8")
        return ""

    def __enter__(self) -> Self:
        """Hold it."""
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        """Leave it."""
        fd, self._fd = self._fd, None
        if fd is not None:
            os.close(fd)


def _broker(section: BrokerSection) -> str:
    return level(f"{section.host}_{section.port_used}_{section.topic}")
