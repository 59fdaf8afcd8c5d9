"""One part of a session on its way to the disk: an MCAP file, written a whole flush at a time, synced beside it."""

from __future__ import annotations

import errno
import os
import shutil
import threading
from contextlib import suppress
from time import monotonic_ns
from typing import TYPE_CHECKING, Final

from mcap.writer import CompressionType, IndexType, Writer

from pullwatch.clock import NS_PER_MS, NS_PER_S
from pullwatch.recording import layout
from pullwatch.recording.layout import Framed, Stream

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Mapping
    from pathlib import Path

PROFILE: Final = "pullwatch"
LIBRARY: Final = f"pullwatch recording {layout.VERSION}"


class Files:
    """The calls to the system, in one place, so that a test can make a disk fail, fill up or hang."""

    def create(self, path: Path) -> int:
        """Open a new file for appending. Raises FileExistsError if there is one."""
        flags = os.O_WRONLY | os.O_CREAT | os.O_EXCL | os.O_APPEND
        return os.open(path, flags | getattr(os, "O_CLOEXEC", 0) | getattr(os, "O_BINARY", 0), 0o644)

    def write(self, fd: int, data: bytes | memoryview) -> int:
        """Write, and return how many bytes the system took."""
        return os.write(fd, data)

    def sync(self, fd: int) -> None:
        """Return when the file's data are on the disk."""
        getattr(os, "fdatasync", os.fsync)(fd)

    def sync_folder(self, path: Path) -> None:
        """Return when the folder's entries are on the disk (where a folder can be synced at all)."""
        if not hasattr(os, "O_DIRECTORY"):
            return
        fd = os.open(path, os.O_RDONLY | os.O_DIRECTORY)
        try:
            os.fsync(fd)
        except OSError as error:
            if error.errno != errno.EINVAL:  # a volume that cannot sync folders: there is nothing better to do
                raise
        finally:
            os.close(fd)

    def close(self, fd: int) -> None:
        """Close the file."""
        os.close(fd)

    def remove(self, path: Path) -> None:
        """Remove the file."""
        path.unlink()

    def rename(self, path: Path, to: Path) -> None:
        """Give the file another name, in place of whatever has it."""
        path.replace(to)

    def free(self, path: Path) -> int:
        """Return how many bytes the volume still takes from this user."""
        return shutil.disk_usage(path).free

    def reserve(self, path: Path, size: int) -> int | None:
        """Hold `size` bytes of the volume until the descriptor is closed; None where that cannot be done.

        The file has no name any more when this returns, so the system frees it however this process ends.
        (Allocating the recording itself beforehand would lengthen it, and readers would see zeros.)
        """
        if not hasattr(os, "posix_fallocate"):
            return None
        fd = self.create(path)
        try:
            path.unlink()
            os.posix_fallocate(fd, 0, size)
        except OSError:
            os.close(fd)
            raise
        return fd


FILES: Final = Files()


class _Collector:
    """What the MCAP writer writes into: it would put 8 KiB of its own before a raw file, and readers would wait."""

    def __init__(self) -> None:
        self.pieces: list[bytes] = []
        self.size = 0

    def write(self, data: bytes) -> int:
        self.pieces.append(data)
        self.size += len(data)
        return len(data)

    def tell(self) -> int:
        return self.size

    def flush(self) -> None:
        """Nothing is held back here."""

    def take(self) -> bytes:
        pieces, self.pieces = self.pieces, []
        return b"".join(pieces)


class Part:
    """One MCAP file of the session. Raises OSError from `__init__`, `put` and `finish`.

    With `durable`, a thread syncs it every `sync` ns (a thread of its own: a sync may take seconds, and may never come
    back); `synced` is (seq, now) of the last frame known to be on disk,
    `failure` the error that ended the syncing, `sync_began` when the sync under way began (0: none is).
    """

    def __init__(
        self,
        path: Path,
        feeds: Mapping[int, str],
        files: Files,
        *,
        durable: bool = True,
        sync: int = 50 * NS_PER_MS,
        steady: Callable[[], int] = monotonic_ns,
    ) -> None:
        self.path = path
        self.durable = durable
        self.synced = (-1, -1)
        self.failure: OSError | None = None
        self.sync_began = 0
        self._written = (0, -1, -1)
        """How many writes, and (seq, now) of the last frame written; one tuple, so the sync thread sees one state."""
        self._files = files
        self._steady = steady
        self._fd = files.create(path)
        self._out = _Collector()
        self._mcap = Writer(
            self._out,  # type: ignore[arg-type, unused-ignore]  # it asks for no more than write, tell and flush
            use_chunking=False,
            compression=CompressionType.NONE,
            index_types=IndexType.NONE,
            enable_data_crcs=True,
        )
        self._head(feeds)
        self._stop = threading.Event()
        self._kick = threading.Event()
        self._every = sync / NS_PER_S
        self._thread: threading.Thread | None = None
        if durable:
            self._thread = threading.Thread(target=self._sync_loop, name=f"sync {path.name}", daemon=True)
            self._thread.start()

    @property
    def size(self) -> int:
        """Bytes written so far."""
        return self._out.size

    @property
    def last_seq(self) -> int:
        """The seq of the last frame written whole (-1: none)."""
        return self._written[1]

    def _head(self, feeds: Mapping[int, str]) -> None:
        mcap = self._mcap
        mcap.start(PROFILE, LIBRARY)
        schemas = {
            stream: mcap.register_schema(f"pullwatch.{stream.name.lower()}", "jsonschema", text.encode())
            for stream, text in layout.JSON_SCHEMAS.items()
        }
        schemas[Stream.COMMIT] = mcap.register_schema("pullwatch.commit", "x-columns", layout.COMMIT_TEXT.encode())
        columns = mcap.register_schema("pullwatch.records", "x-columns", layout.COLUMNS_TEXT.encode())
        says = {"payload_at": str(layout.HEADER.size)}
        for stream in Stream:
            if stream is not Stream.FEED_0:
                self._channel(stream, stream.name.lower(), schemas[stream], says)
        for feed in range(max(feeds, default=0) + 1):
            self._channel(Stream.FEED_0 + feed, f"feed/{feed}/{feeds.get(feed, 'unused')}", columns, says)

    def _channel(self, number: int, topic: str, schema: int, says: dict[str, str]) -> None:
        given = self._mcap.register_channel(topic, layout.MESSAGE_ENCODING, schema, says)
        assert given == number, "the MCAP library numbers channels from 1, one by one"

    def put(self, frames: Iterable[Framed]) -> None:
        """Write frames, all in one write."""
        _, seq, now = self._written
        for frame in frames:
            seq, now = frame.seq, frame.now
            self._mcap.add_message(frame.channel, max(0, frame.t), frame.data, max(0, now), seq & 0xFFFF_FFFF)
        self._write(seq, now)

    def _write(self, seq: int, now: int) -> None:
        data = memoryview(self._out.take())
        while data:
            taken = self._files.write(self._fd, data)
            if taken <= 0:  # no error, and no byte taken: it would be tried for ever
                raise OSError(errno.EIO, "the disk took nothing")
            data = data[taken:]
        self._written = (self._written[0] + 1, seq, now)

    def finish(self) -> None:
        """Write the MCAP summary and footer, then `close`."""
        self._mcap.finish()  # type: ignore[no-untyped-call]
        self._write(*self._written[1:])

    def close(self) -> None:
        """Sync what was written, then close the file; on the sync thread, so this does not wait."""
        self._stop.set()
        self._kick.set()
        if self._thread is None:
            with suppress(OSError):  # memory has nothing more to say at closing
                self._files.close(self._fd)

    def join(self, timeout: float) -> bool:
        """Wait at most `timeout` seconds for the sync thread to end, after `close`; whether it has."""
        if self._thread is None:
            return True
        self._thread.join(timeout)
        return not self._thread.is_alive()

    @property
    def over(self) -> bool:
        """Whether nothing will change `synced` any more."""
        return self._thread is None or not self._thread.is_alive()

    def settle(self, seq: int, until: Callable[[], bool]) -> None:
        """Wait until frame `seq` is on disk, the sync has failed, or `until` says that it has taken long enough."""
        while self.durable and self.synced[0] < seq and self.failure is None and not until():
            self._kick.set()
            if self._thread is not None:
                self._thread.join(0.001)

    def _sync_loop(self) -> None:
        done = 0
        try:
            while self.failure is None:
                self._kick.wait(self._every)
                self._kick.clear()
                stopping = self._stop.is_set()
                done = self._sync(done)
                if stopping:
                    return
        finally:
            with suppress(OSError):  # everything that was to be saved is already saved, or told as failed
                self._files.close(self._fd)

    def _sync(self, done: int) -> int:
        """Sync unless `done` writes are all there are; return how many are on disk."""
        writes, seq, now = self._written
        if writes == done:
            return done
        self.sync_began = self._steady()
        try:
            self._files.sync(self._fd)
            if not done:
                self._files.sync_folder(self.path.parent)
                self._files.sync_folder(self.path.parent.parent)
        except OSError as error:
            # Never tried again: the system may have thrown the pages away and call the next sync good.
            self.failure = error
            return done
        finally:
            self.sync_began = 0
        self.synced = (seq, now)
        return writes
