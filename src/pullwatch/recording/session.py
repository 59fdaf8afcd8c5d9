"""Session folders: how they are named, listed and locked, and which alarms stood when one ended."""

from __future__ import annotations

import os
import re
import shutil
import time
from contextlib import suppress
from dataclasses import dataclass, field
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final, Literal, TypeAlias

import platformdirs

from pullwatch.clock import NS_PER_S
from pullwatch.errors import NotASession, SessionError
from pullwatch.recording import layout
from pullwatch.recording.layout import Frame, Stream
from pullwatch.watchdog.alarms import Event, State

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping, Sequence

try:
    import fcntl
except ImportError:  # there is no such lock on Windows
    fcntl = None  # type: ignore[assignment, unused-ignore]

Status: TypeAlias = Literal["whole", "cut", "being recorded", "unreadable"]

PART_NAME: Final = re.compile(r"(\d{4,})\.mcap")
PACKED_NAME: Final = re.compile(r"(\d{4,})\.packed\.mcap")
FOLDER_NAME: Final = re.compile(r"(\d{4}-\d\d-\d\d_\d\d-\d\d-\d\d)_(.+?)(?:-\d+)?")
_START_FORMAT: Final = "%Y-%m-%d_%H-%M-%S"
_FIRST_LOOK: Final = 256 * 1024
_HEAD: Final = (256 * 1024, 4 * 1024 * 1024, 40 * 1024 * 1024)


def default_root() -> Path:
    """Return the folder in which sessions are kept when nobody says otherwise."""
    return platformdirs.user_data_path("pullwatch") / "sessions"


def new_folder(root: Path, car: str, wall: int) -> Path:
    """Make and return the folder `<start>_<car>` of a new session.

    `wall` is ns since the Unix epoch; the name shows it as local time. Raises SessionError if it cannot be made.
    """
    start = time.strftime(_START_FORMAT, time.localtime(wall // NS_PER_S))
    clean = re.sub(r"[^\w.]+", "-", car).strip("-._") or "car"
    try:
        root.mkdir(parents=True, exist_ok=True)
        for count in range(1, 1000):
            folder = root / (f"{start}_{clean}" if count == 1 else f"{start}_{clean}-{count}")
            with suppress(FileExistsError):
                folder.mkdir()
                return folder
    except OSError as error:
        what = f"a session cannot be kept there: {error.strerror}."
        raise SessionError(root, what, "Name another folder.") from error
    raise SessionError(root, f"a thousand sessions began at {start}.")


def boot_id() -> str:
    """Return what names this start of the machine (Linux), else an empty text.

    Times on the steady clock mean nothing after another start.
    """
    try:
        with open("/proc/sys/kernel/random/boot_id", encoding="ascii") as file:  # noqa: PTH123 - a name of the system's
            return file.read().strip()
    except OSError:
        return ""


# ---- the lock --------------------------------------------------------------------------------------------------------


def hold(folder: Path) -> int | None:
    """Lock the folder for as long as this process lives; return the descriptor to close, None where there are no locks.

    The system lets go of the lock however the process ends, so whoever finds it free knows that nobody records here.
    Raises SessionError if another process holds it.
    """
    if fcntl is None:
        return None
    fd = os.open(folder, os.O_RDONLY)
    for _ in range(100):
        try:
            fcntl.flock(fd, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except OSError:
            time.sleep(0.002)  # a reader that asks `held` has it for some microseconds
        else:
            return fd
    os.close(fd)
    raise SessionError(folder, "another process records into this folder.", "Give every watching process its own.")


def held(folder: Path) -> bool:
    """Whether a process records into the folder right now.

    Where there are no locks (Windows): whether a part was written to in the last two seconds.
    """
    if fcntl is None:
        return any(time.time() - path.stat().st_mtime < 2.0 for _, path in parts_in(folder))
    try:
        fd = os.open(folder, os.O_RDONLY)
    except FileNotFoundError:
        return False
    try:
        fcntl.flock(fd, fcntl.LOCK_SH | fcntl.LOCK_NB)
    except OSError:
        return True
    finally:
        os.close(fd)
    return False


# ---- parts -----------------------------------------------------------------------------------------------------------


def parts_in(folder: Path) -> list[tuple[int, Path]]:
    """Return the parts that stand in one folder, by rising number; of packed ones their raw form (see `packing`)."""
    try:
        names = [entry.name for entry in os.scandir(folder)]
    except (FileNotFoundError, NotADirectoryError):
        return []
    found = {int(match.group(1)): folder / name for name in names if (match := PART_NAME.fullmatch(name))}
    packed = {int(match.group(1)): folder / name for name in names if (match := PACKED_NAME.fullmatch(name))}
    if packed.keys() - found.keys():
        from pullwatch.recording.packing import unpacked  # noqa: PLC0415 - only packed sessions need it

        found |= {number: unpacked(path) for number, path in packed.items() if number not in found}
    return sorted(found.items())


def read_start(part: Path) -> tuple[int, dict[str, Any]] | None:
    """Return the session tag and the start record that the part begins with; None if it holds no whole one."""
    for size in _HEAD:
        with part.open("rb") as file:
            buffer = file.read(size)
        for frame in layout.walk(buffer):
            if frame.channel == Stream.START:
                return frame.tag, layout.decode_json(frame.payload(buffer))
            break
        if len(buffer) < size:
            break
    return None


def fallback_of(start: Mapping[str, Any]) -> Path | None:
    """Return the folder in memory that the start record names."""
    named = start.get("recording", {}).get("fallback")
    return Path(named) if named else None


@dataclass(frozen=True, slots=True)
class Parts:
    """The parts of one session, wherever they stand: the session tag, the start record, (number, path) by number."""

    tag: int | None
    start: dict[str, Any]
    files: list[tuple[int, Path]]


def parts_of(folder: Path) -> Parts:
    """Find the parts of a session, those in memory included. Raises NotASession if there is none."""
    home = parts_in(folder)
    if not home:
        what = "holds no recording (no 0001.mcap)" if folder.is_dir() else "is not there"
        raise NotASession(folder, f"{what}.", "Name the folder of one session, the one that holds 0001.mcap.")
    first = next((found for _, path in home if (found := read_start(path)) is not None), None)
    if first is None:
        return Parts(None, {}, home)
    tag, start = first
    memory = fallback_of(start)
    if memory is not None and memory != folder:
        ours = [(number, path) for number, path in parts_in(memory) if (read_start(path) or (None,))[0] == tag]
        home = sorted(home + ours)
    return Parts(tag, start, home)


def _elsewhere(path: Path, folder: Path) -> bool:
    """Whether a part of a session stands in memory, neither in its folder nor packed there."""
    return path.parent != folder and not (folder / f"{path.stem}.packed.mcap").exists()


def bring_home(folder: Path) -> list[Path]:
    """Copy the parts that stand in memory to the session's folder, sync them, and remove them from memory.

    Returns what was brought. Raises OSError if the disk does not take them; nothing is lost then.
    """
    brought = []
    for _, path in parts_of(folder).files:
        if _elsewhere(path, folder):
            arriving = folder / f"{path.name}.arriving"
            shutil.copyfile(path, arriving)
            with arriving.open("rb+") as file:
                os.fsync(file.fileno())
            arriving.rename(folder / path.name)
            path.unlink()
            brought.append(folder / path.name)
    return brought


# ---- how a session ended ---------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Standing:
    """An alarm that was not normal at the end: the rule's name, the state, and since when (session ns)."""

    rule: str
    state: State
    since: int


@dataclass(frozen=True, slots=True)
class End:
    """What the last frames say: judged up to `now`, alarms raised so far, those standing, the stop record."""

    now: int
    raised: int
    standing: tuple[Standing, ...]
    stop: dict[str, Any] | None
    kept: dict[str, float] = field(default_factory=dict)
    """What its derived channels keep for the next session, by channel name."""


def good_end(seqs: Sequence[int], synced: int) -> int:
    """Return how many of the rising `seqs` are the session's: those before a missing one not known to be on disk."""
    for i in range(1, len(seqs)):
        if seqs[i] > seqs[i - 1] + 1 and seqs[i] - 1 > synced:
            return i
    return len(seqs)


_TELLING: Final = frozenset({Stream.CHANGE, Stream.CHECKPOINT, Stream.COMMIT, Stream.STOP})
_Told: TypeAlias = "dict[int, tuple[Frame, bytes]]"


def _look_back(parts: Iterable[Path], tag: int | None) -> list[tuple[Frame, bytes]]:
    """Return the last frames of a session in order, from before its last checkpoint on, with the payloads that tell."""
    told: _Told = {}
    for path in parts:
        with path.open("rb") as file:
            size = file.seek(0, os.SEEK_END)
            look = _FIRST_LOOK
            while True:
                begin = max(0, size - look)
                file.seek(begin)
                buffer = file.read()
                for frame in layout.walk(buffer, 0, tag):
                    if frame.seq not in told:
                        told[frame.seq] = frame, frame.payload(buffer) if frame.channel in _TELLING else b""
                kept = _kept(told)
                if begin == 0 or any(frame.channel == Stream.CHECKPOINT for frame, _ in kept):
                    break
                look *= 4
        if any(frame.channel == Stream.CHECKPOINT for frame, _ in kept):
            return kept
    return _kept(told)


def _kept(told: _Told) -> list[tuple[Frame, bytes]]:
    """Return what belongs to the session: up to its last commit or stop."""
    order = sorted(told)
    synced = -1
    for seq in reversed(order):
        frame, payload = told[seq]
        if frame.channel == Stream.COMMIT:
            synced = layout.decode_commit(payload).synced
            break
        if frame.channel == Stream.STOP:
            synced = int(layout.decode_json(payload)["synced"])
            break
    kept = [told[seq] for seq in order[: good_end(order, synced)]]
    while kept and kept[-1][0].channel not in (Stream.COMMIT, Stream.STOP):
        kept.pop()
    return kept


def end_of(folder: Path) -> End:
    """Say how a session ended, from its last frames alone. Raises NotASession if the folder holds none."""
    parts = parts_of(folder)
    return _end([path for _, path in reversed(parts.files)], parts.tag)


def _end(newest_first: Iterable[Path], tag: int | None) -> End:
    alarms: dict[str, Standing] = {}
    raised, now = 0, -1
    kept: dict[str, float] = {}
    stop: dict[str, Any] | None = None
    for frame, payload in _look_back(newest_first, tag):
        now = frame.now
        if frame.channel == Stream.CHECKPOINT:
            said = layout.decode_json(payload)
            raised = int(said["raised"])
            kept = dict((said.get("state") or {}).get("kept") or {})
            alarms = {
                rule: Standing(rule, State(stands["state"]), int(stands["since"]))
                for rule, stands in said["alarms"].items()
            }
        elif frame.channel == Stream.CHANGE:
            change = layout.decode_change(payload)
            raised += change.event is Event.RAISE
            alarms.pop(change.name, None)
            if change.state is not State.NORMAL:
                alarms[change.name] = Standing(change.name, change.state, change.t)
        elif frame.channel == Stream.STOP:
            stop = layout.decode_json(payload)
    return End(now, raised, tuple(alarms.values()), stop, kept)


def standing(folder: Path) -> list[Standing]:
    """Return the alarms that were not normal when the session ended, found from the end backwards.

    Raises NotASession if the folder holds no recording.
    """
    return list(end_of(folder).standing)


# ---- lists -----------------------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class SessionInfo:
    """One line of the list: start (ns since the Unix epoch), car, length (ns), size (bytes), how it ended."""

    folder: Path
    start: int
    car: str
    length: int
    size: int
    status: Status
    alarms: int
    """Alarms raised."""
    in_memory: bool = False
    """Part of it stands only in memory: `bring_home` it before the power goes."""
    imported: str = ""
    """Name of the file it was imported from; empty for a session that was watched."""
    packed: bool = False


def info(folder: Path) -> SessionInfo:
    """Return the line for one session. Raises NotASession if the folder holds none, OSError if it cannot be read."""
    if (packed := _packed(folder)) is not None:
        return packed
    parts = parts_of(folder)
    end = _end([path for _, path in reversed(parts.files)], parts.tag)
    status: Status = "being recorded" if held(folder) else "cut" if end.stop is None else "whole"
    return SessionInfo(
        folder=folder,
        start=_start_wall(parts, folder),
        car=_car(parts.start, folder),
        length=max(0, end.now),
        size=sum(path.stat().st_size for _, path in parts.files),
        status=status,
        alarms=end.raised,
        in_memory=any(_elsewhere(path, folder) for _, path in parts.files),
        imported=imported_from(parts.start),
    )


def imported_from(start: Mapping[str, Any]) -> str:
    """Return the name of the file a session was imported from, by its start record; empty if it was watched."""
    about = start.get("imported")
    return str(about.get("file") or "a file") if isinstance(about, dict) else ""


def _packed(folder: Path) -> SessionInfo | None:
    """Return the line of a packed session from what was noted when it was packed: listing unpacks nothing."""
    try:
        names = {entry.name: entry.stat().st_size for entry in os.scandir(folder)}
    except (FileNotFoundError, NotADirectoryError):
        return None
    sizes = [size for name, size in names.items() if PACKED_NAME.fullmatch(name)]
    if not sizes or any(PART_NAME.fullmatch(name) for name in names):
        return None
    from pullwatch.recording.packing import facts_of  # noqa: PLC0415 - only packed sessions need it

    facts = facts_of(folder)
    if facts is None:
        return None
    try:
        start, length, alarms = (int(facts[key]) for key in ("start", "length", "alarms"))
        imported = str(facts["imported"])  # without it nobody could tell an import from a live session
        return SessionInfo(
            folder, start, str(facts["car"]), length, sum(sizes), "whole", alarms, imported=imported, packed=True
        )
    except (KeyError, TypeError, ValueError):
        return None


def _start_wall(parts: Parts, folder: Path) -> int:
    pair = parts.start.get("recording", {}).get("pair")
    if pair:
        return int(pair["wall"]) - int(pair["t"])
    named = FOLDER_NAME.fullmatch(folder.name)
    if named:
        return int(datetime.strptime(named.group(1), _START_FORMAT).astimezone().timestamp()) * NS_PER_S
    return parts.files[0][1].stat().st_mtime_ns


def _car(start: Mapping[str, Any], folder: Path) -> str:
    car = start.get("car")
    if isinstance(car, dict):
        car = car.get("name")
    if isinstance(car, str) and car:
        return car
    named = FOLDER_NAME.fullmatch(folder.name)
    return named.group(2) if named else folder.name


def list_sessions(root: Path) -> list[SessionInfo]:
    """Return every session in `root`, the oldest first; folders that hold no recording are passed over."""
    found = []
    try:
        folders = [folder for folder in root.iterdir() if folder.is_dir()]
    except FileNotFoundError:
        return []
    for folder in folders:
        try:
            found.append(info(folder))
        except NotASession:
            continue
        except OSError:  # a failing disk: one bad session must not hide the others
            nothing = Parts(None, {}, [(0, folder)])
            found.append(SessionInfo(folder, _start_wall(nothing, folder), _car({}, folder), 0, 0, "unreadable", 0))
    return sorted(found, key=lambda one: (one.start, one.folder.name))


def latest(root: Path, *, imports: bool = False) -> Path | None:
    """Return the folder of the session that began last; None if there is none.

    One that was imported is none of them, so that nothing is taken from it for a live session; with `imports` it is.
    A session's folder is named by its begin, so only the newest names are looked at: watching must not start the slower
    the more there is to list.
    """
    try:
        named = sorted((folder for folder in root.iterdir() if FOLDER_NAME.fullmatch(folder.name)), reverse=True)
    except FileNotFoundError:
        return None
    for folder in named:
        with suppress(NotASession, OSError):
            if not info(folder).imported or imports:
                return folder
    sessions = [one for one in list_sessions(root) if imports or not one.imported]
    return sessions[-1].folder if sessions else None
