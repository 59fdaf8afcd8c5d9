"""Every call to the system on a tape, and what a power cut may leave of it.

A tape is played back up to any call, any byte of a write, and with any of the 4 KiB blocks that no sync had saved
missing. What a file system may do (POSIX promises no more): the length of a file and each of its blocks that no
finished sync covers may have reached the disk or not, in any order; a block that has not shows zeros, or what stood
there when the last sync finished; a name that no sync of its folder covers may be there or not; a rename is old or new.
"""

from __future__ import annotations

import threading
from dataclasses import dataclass, field
from itertools import combinations, pairwise
from typing import TYPE_CHECKING, NamedTuple

from pullwatch.recording.parts import Files

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator
    from pathlib import Path
    from random import Random

BLOCK = 4096


class Call(NamedTuple):
    """One call: `what` is create, write, sync, synced, folder, foldered, rename or remove."""

    what: str
    path: Path
    data: bytes = b""
    to: Path | None = None


class Tape(Files):
    """Files that write down every call, syncs with their begin and their end, and pass it on to `under`."""

    def __init__(self, under: Files) -> None:
        self.under = under
        self.calls: list[Call] = []
        self._paths: dict[int, Path] = {}
        self._lock = threading.RLock()

    def create(self, path: Path) -> int:
        """Open a new file."""
        with self._lock:
            fd = self.under.create(path)
            self._paths[fd] = path
            self.calls.append(Call("create", path))
        return fd

    def write(self, fd: int, data: bytes | memoryview) -> int:
        """Write."""
        with self._lock:
            taken = self.under.write(fd, data)
            self.calls.append(Call("write", self._paths[fd], bytes(data[:taken])))
        return taken

    def sync(self, fd: int) -> None:
        """Sync; a sync that fails has no end on the tape."""
        path = self._paths[fd]
        self.calls.append(Call("sync", path))
        self.under.sync(fd)
        self.calls.append(Call("synced", path))

    def sync_folder(self, path: Path) -> None:
        """Sync a folder."""
        self.calls.append(Call("folder", path))
        self.under.sync_folder(path)
        self.calls.append(Call("foldered", path))

    def close(self, fd: int) -> None:
        """Close."""
        self.under.close(fd)

    def remove(self, path: Path) -> None:
        """Remove a file."""
        self.under.remove(path)
        self.calls.append(Call("remove", path))

    def rename(self, path: Path, to: Path) -> None:
        """Rename a file."""
        self.under.rename(path, to)
        self.calls.append(Call("rename", path, b"", to))

    def free(self, path: Path) -> int:
        """Return the room that is left."""
        return self.under.free(path)

    def reserve(self, path: Path, size: int) -> int | None:
        """Hold room; it holds no data, so it is not on the tape."""
        return self.under.reserve(path, size)


@dataclass(slots=True)
class Content:
    """A file's bytes as written, and how many of them a finished sync covers."""

    data: bytearray = field(default_factory=bytearray)
    saved: int = 0
    saving: int = -1


class Volume:
    """What stands on a disk after some calls: names in folders, and what a power cut is sure to leave."""

    def __init__(self) -> None:
        self.names: dict[Path, Content] = {}
        self.sure: dict[Path, Content] = {}
        """Names that a sync of their folder covers."""

    def play(self, call: Call) -> None:
        """Take in one call."""
        names = self.names
        if call.what == "create":
            names[call.path] = Content()
        elif call.what == "write":
            names[call.path].data += call.data
        elif call.what == "sync" and call.path in names:
            names[call.path].saving = len(names[call.path].data)
        elif call.what == "synced" and call.path in names:
            names[call.path].saved = names[call.path].saving
        elif call.what == "foldered":
            self.sure = {path: one for path, one in self.sure.items() if path.parent != call.path}
            self.sure |= {path: one for path, one in names.items() if path.parent == call.path}
        elif call.what == "remove":
            names.pop(call.path, None)
        elif call.what == "rename":
            assert call.to is not None
            names[call.to] = names.pop(call.path)

    def loose(self) -> list[tuple[Path, int]]:
        """Return the blocks, (file, number), that no finished sync covers."""
        return [
            (path, block)
            for path, one in self.names.items()
            for block in range(one.saved // BLOCK, -(-len(one.data) // BLOCK))
            if len(one.data) > one.saved
        ]

    def after(self, missing: Iterable[tuple[Path, int]], lengths: dict[Path, int]) -> dict[Path, bytes]:
        """Return the files without the blocks `missing`, cut to `lengths` (not below what a sync covers)."""
        left: dict[Path, bytes] = {}
        without = set(missing)
        for path, one in self.names.items():
            data = bytearray(one.data)
            for where, block in without:
                if where == path:
                    begin, end = max(one.saved, block * BLOCK), min(len(data), (block + 1) * BLOCK)
                    data[begin:end] = bytes(max(0, end - begin))
            left[path] = bytes(data[: max(one.saved, lengths.get(path, len(data)))])
        return left

    def reorderings(self, random: Random, most: int) -> Iterator[dict[Path, bytes]]:
        """Yield what may be left when unsynced blocks reach the disk in any order: all ways, or `most` of them."""
        loose = self.loose()
        if len(loose) <= 8:
            ways = [pick for count in range(1, len(loose) + 1) for pick in combinations(loose, count)]
        else:
            ways = [*combinations(loose, 1), *pairwise(loose)]
            ways += [tuple(random.sample(loose, random.randrange(2, len(loose)))) for _ in range(most)]
        for pick in ways if len(ways) <= most else random.sample(ways, most):
            yield self.after(pick, {})
            path, block = random.choice(pick)
            # The length of the file may not have reached the disk either.
            yield self.after(pick, {path: block * BLOCK + random.randrange(BLOCK)})
        unsure = [path for path, one in self.names.items() if self.sure.get(path) is not one]
        gone = [path for path in self.sure if path not in self.names]
        for path in unsure:
            yield {name: bytes(one.data) for name, one in self.names.items() if name != path}
        for path in gone:
            was = {name: bytes(one.data) for name, one in self.names.items() if one is not self.sure[path]}
            yield {**was, path: bytes(self.sure[path].data)}
            yield {**{name: bytes(one.data) for name, one in self.names.items()}, path: bytes(self.sure[path].data)}
