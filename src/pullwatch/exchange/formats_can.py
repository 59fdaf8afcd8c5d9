"""CAN logs of other programs, read frame by frame: candump text here, ASC, BLF, TRC and MF4 by python-can's readers.

candump's text is read by ourselves because it must be exact and forgiving: times to the last digit written (a float
loses a quarter of a microsecond), and a line that is no frame is counted and passed over, where python-can's reader
gives up. Every form of a frame is taken that the comment above parse_canframe has (lib.h of linux-can's can-utils).
"""

from __future__ import annotations

import logging
import re
from binascii import unhexlify
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any, Final, NamedTuple

from pullwatch.clock import NS_PER_S
from pullwatch.decoders.frames import FD_LENGTHS, HEADS_KEPT, HIGHEST_EXTENDED, Frame, pack
from pullwatch.errors import PullwatchError

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator
    from pathlib import Path

    from pullwatch.recording.reader import Session

SUFFIXES: Final = (".asc", ".blf", ".trc", ".mf4", ".log")
"""Endings of logs that may hold CAN frames. A `.log` or `.mf4` may hold anything else as well: see `is_can_log`."""
_HEAD: Final = 65_536
_LINE: Final = re.compile(
    rb"\s*\((\d+)\.(\d{1,9})\)\s+(\S+)\s+([0-9A-Fa-f]{3}|[0-9A-Fa-f]{8})#([^\s]*)(?:\s+[RTrt])?\s*"
)
_REMOTE: Final = re.compile(rb"[Rr]([0-8])?(?:_[0-9A-Fa-f])?")
_CLASSIC: Final = re.compile(rb"((?:[0-9A-Fa-f]{2}\.?){0,8})(?:_[0-9A-Fa-f])?")
_FD: Final = re.compile(rb"#[0-9A-Fa-f]((?:[0-9A-Fa-f]{2}\.?){0,64})")
_ERROR_FLAG: Final = 0x2000_0000
_SHOWN: Final = 3
_PROGRESS_EVERY: Final = 20_000
WALL_FROM: Final = 100_000_000
"""Seconds: a time beyond this (1973) counts from 1970, one before it from the begin of the log."""
HEAD_SIZE: Final = 6
"""Bytes of the head of a packed frame (`decoders.frames`)."""
_FLOAT_NS: Final = 1_000
"""A time since 1970 that comes as a float is known to a quarter of a microsecond: it is rounded to whole ones."""


class Logged(NamedTuple):
    """One frame: its time (ns, of the log's own clock), the channel the log names, and itself, as we pack frames."""

    t: int
    channel: str
    data: bytes


@dataclass(slots=True)
class Reading:
    """What was met in reading a log: frames, pieces that are none (the first of them as examples), why it ended."""

    frames: int = 0
    rejected: int = 0
    examples: list[str] = field(default_factory=list)
    ended: str = ""

    def reject(self, what: str) -> None:
        """Count a piece that is no frame."""
        self.rejected += 1
        if len(self.examples) < _SHOWN:
            self.examples.append(what)

    def told(self) -> list[str]:
        """Say what a person should know of it."""
        out = []
        if self.rejected:
            pieces = "1 piece" if self.rejected == 1 else f"{self.rejected:,} pieces"
            out.append(f"{pieces} of the file are no CAN frames and are left out: {'; '.join(self.examples)}")
        if self.ended:
            out.append(f"the file could not be read to its end: {self.ended}")
        return out


class NotReadable(PullwatchError):  # noqa: N818 - it names a state, and reads so where it is caught
    """A CAN log cannot be read at all."""


def is_can_log(path: Path) -> bool:
    """Whether a file is a CAN log: by its ending; a `.log` by its first line, a `.mf4` by whether it holds frames.

    Raises NotReadable if it cannot be looked at.
    """
    suffix = path.suffix.lower()
    if suffix in (".asc", ".blf", ".trc"):
        return True
    if suffix == ".mf4":
        return _holds_frames(path)
    try:
        with path.open("rb") as file:
            head = file.read(_HEAD)
    except OSError as error:
        raise NotReadable(f"{path} cannot be read: {error.strerror or error}.") from error
    lines = [line for line in head.split(b"\n")[:20] if line.strip()]
    return bool(lines) and sum(_LINE.fullmatch(line) is not None for line in lines) * 2 > len(lines)


def read_frames(path: Path, reading: Reading, progress: Callable[[float], None] | None = None) -> Iterator[Logged]:
    """Yield the frames of a log in the order of the file. What is no frame is counted in `reading`.

    A log that breaks off is read up to there, and `reading.ended` says why. Raises NotReadable if it cannot be opened.
    """
    if path.suffix.lower() in (".asc", ".blf", ".trc", ".mf4"):
        return _by_library(path, reading, progress)
    return _candump(path, reading, progress)


# -- candump's text


def _candump(path: Path, reading: Reading, progress: Callable[[float], None] | None) -> Iterator[Logged]:
    try:
        size = max(1, path.stat().st_size)
        file = path.open("rb")
    except OSError as error:
        raise NotReadable(f"{path} cannot be read: {error.strerror or error}.") from error
    heads: dict[tuple[bytes, int], bytes] = {}
    names: dict[bytes, str] = {}
    done = 0
    with file:
        for number, line in enumerate(file, 1):
            done += len(line)
            found = _LINE.fullmatch(line)
            if found is None:
                if line.strip():
                    reading.reject(f"line {number}: {_shown(line)}")
                continue
            seconds, part, channel, digits, rest = found.groups()
            head = heads.get((digits, len(rest)))
            try:
                # The quick way of nearly every line: a frame whose like was seen before, its data plain digits.
                data = head + unhexlify(rest) if head is not None else _packed(digits, rest)
            except ValueError:
                try:
                    data = _packed(digits, rest)
                except ValueError:
                    reading.reject(f"line {number}: {_shown(line)}")
                    continue
            if head is None and 2 * (len(data) - HEAD_SIZE) == len(rest) and len(heads) < HEADS_KEPT:
                heads[digits, len(rest)] = data[:HEAD_SIZE]
            name = names.get(channel)
            if name is None:
                name = names[channel] = channel.decode("utf-8", "replace")
            reading.frames += 1
            yield Logged(int(seconds) * NS_PER_S + int(part) * 10 ** (9 - len(part)), name, data)
            if progress is not None and not reading.frames % _PROGRESS_EVERY:
                progress(done / size)


def _identifier(digits: bytes) -> tuple[int, bool, bool]:
    """Return (identifier, extended, error frame)."""
    number = int(digits, 16)
    if len(digits) == 3:
        return number, False, False
    if number & _ERROR_FLAG:
        return number & HIGHEST_EXTENDED, False, True
    return number, True, False


def _packed(digits: bytes, rest: bytes) -> bytes:
    """Return the frame of an identifier and what stands behind the first `#`, packed. Raises ValueError for none."""
    number, extended, error = _identifier(digits)
    classic = _CLASSIC.fullmatch(rest)
    if classic is not None:
        return pack(Frame(number, bytes.fromhex(classic[1].replace(b".", b"").decode()), extended, error=error))
    remote = _REMOTE.fullmatch(rest)
    if remote is not None:
        return pack(Frame(number, extended=extended, remote=True, error=error, length=int(remote[1] or 0)))
    fd = _FD.fullmatch(rest)
    if fd is None:
        raise ValueError("no frame")
    data = bytes.fromhex(fd[1].replace(b".", b"").decode())
    if len(data) not in FD_LENGTHS:
        raise ValueError("no length of CAN FD")
    return pack(Frame(number, data, extended, error=error, fd=True))


def _shown(line: bytes) -> str:
    text = line[:60].decode("utf-8", "replace").strip()
    return repr(text) if text.isprintable() else repr(text)[:60]


# -- python-can's readers


def _open(path: Path) -> Any:
    """Open a log with the reader for its ending. Raises NotReadable."""
    import can  # noqa: PLC0415 - a fifth of a second

    logging.getLogger("can").addHandler(logging.NullHandler())  # its remarks on odd lines are counted, not printed
    suffix = path.suffix.lower()
    try:
        if suffix == ".asc":
            return _asc(path, can)
        if suffix == ".blf":
            return _blf(path, can)
        return can.TRCReader(path) if suffix == ".trc" else can.MF4Reader(path)
    except NotImplementedError as error:  # python-can's word for "asammdf is not there"
        raise NotReadable(
            f"{path}: MF4 files are read by the library asammdf, which is not installed. "
            'Install it with: pip install "pullwatch[mdf]"'
        ) from error
    except Exception as error:  # the readers raise whatever the bytes make them stumble over
        raise NotReadable(f"{path} is no {suffix[1:].upper()} log that can be read: {_reason(error)}.") from error


def _blf(path: Path, can: Any) -> Any:
    file = path.open("rb")
    try:
        return can.BLFReader(file)
    except BaseException:
        file.close()
        raise


def _asc(path: Path, can: Any) -> Any:
    """Open an ASC log with the times of its header's date, or, where that cannot be read, with its own alone."""
    with can.ASCReader(path, relative_timestamp=False) as trial:
        try:
            next(iter(trial), None)
        except ValueError:
            return can.ASCReader(path)
    return can.ASCReader(path, relative_timestamp=False)


def _by_library(path: Path, reading: Reading, progress: Callable[[float], None] | None) -> Iterator[Logged]:
    from pullwatch.feeds.can_bus import packed  # noqa: PLC0415 - it imports python-can

    size = max(1, path.stat().st_size) if path.exists() else 1
    reader = _open(path)
    try:
        messages = iter(reader)
        while True:
            try:
                message = next(messages)
            except StopIteration:
                said = reader.file_size if path.suffix.lower() == ".blf" else 0
                if size < said:
                    reading.ended = f"it has {size:,} bytes of the {said:,} it was closed with"
                return
            except Exception as error:  # noqa: BLE001 - as above; what came before it is kept, and the end is told
                reading.ended = _reason(error)
                return
            if message.is_fd and message.is_remote_frame:
                # There are none in CAN FD (ISO 11898-1): python-can takes one without data in an ASC log for such.
                message.is_remote_frame = False
            try:
                data = packed(message)
            except ValueError as error:
                reading.reject(f"{error}")
                continue
            reading.frames += 1
            yield Logged(_ns(message.timestamp), "" if message.channel is None else str(message.channel), data)
            if progress is not None and not reading.frames % _PROGRESS_EVERY:
                progress(min(1.0, _place(reader) / size))
    finally:
        reader.stop()


def _ns(seconds: float) -> int:
    if seconds < WALL_FROM:
        return round(seconds * NS_PER_S)
    return round(seconds * (NS_PER_S // _FLOAT_NS)) * _FLOAT_NS


def _place(reader: Any) -> int:
    """Return how many bytes of its file a reader has taken, 0 where that cannot be told."""
    file: Any = getattr(reader, "file", None)
    try:
        return int(getattr(file, "buffer", file).tell())  # a text file's own place cannot be asked while it is read
    except (AttributeError, OSError, ValueError):
        return 0


def _reason(error: Exception) -> str:
    words = str(error).strip().rstrip(".")
    return f"{type(error).__name__}{': ' + words if words else ''}"


def _holds_frames(path: Path) -> bool:
    """Whether an MF4 file holds CAN frames; without the library it may, and reading it says what is missing."""
    try:
        import asammdf  # noqa: PLC0415 - an extra, and a second to import
    except ImportError:
        return True
    try:
        with asammdf.MDF(path) as mdf:
            return bool(set(mdf.channels_db) & {"CAN_DataFrame", "CAN_RemoteFrame", "CAN_ErrorFrame"})
    except Exception as error:
        raise NotReadable(f"{path} is no MDF4 file that can be read: {_reason(error)}.") from error


def packed_feeds(session: Session) -> dict[int, str]:
    """Return the feeds of an imported session that hold packed frames, those nothing decodes too: name by number."""
    about = session.start.get("imported")
    kept = about.get("can_feeds", {}) if isinstance(about, dict) else {}
    return {int(number): str(name) for number, name in kept.items()}
