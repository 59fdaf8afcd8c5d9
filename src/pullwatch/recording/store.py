"""All parts of a session, and what of it is not known to be on disk.

The store keeps that in memory, so that the next part can begin with it when the present one fails: a disk that is full,
gone, or takes seconds costs a new part, never a sample.

A full disk goes by steps: the reserve is freed, then a folder in memory takes the next parts, then readings are left
out (see `thinning`), and at last the oldest readings that memory still holds are forgotten. The disk is looked at four
times a second meanwhile, and the recording is back on it, with everything memory held, as soon as it has room.
"""

from __future__ import annotations

import errno
import threading
from collections import deque
from contextlib import suppress
from dataclasses import dataclass
from time import monotonic_ns
from typing import TYPE_CHECKING, Any, Final

from pullwatch.batch import ACTS_FEED
from pullwatch.clock import NS_PER_MS, NS_PER_S
from pullwatch.recording.layout import Framed, Stream
from pullwatch.recording.parts import FILES, Files, Part
from pullwatch.recording.thinning import SAYS, scarcity

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping
    from pathlib import Path


@dataclass(frozen=True, slots=True)
class Limits:
    """How often, how long, how much. Times in ns, sizes in bytes."""

    flush: int = 10 * NS_PER_MS
    """What is taken waits at most this long for its write."""
    idle_commit: int = 50 * NS_PER_MS
    """A commit comes at least this often while the path lives."""
    sync: int = 50 * NS_PER_MS
    stall: int = NS_PER_S
    """A sync that takes longer is given up."""
    told_lag: int = 250 * NS_PER_MS
    checkpoint: int = NS_PER_S
    clock: int = 10 * NS_PER_S
    retry: int = NS_PER_S // 2
    """A failed disk is tried again after this; twice as long after each further failure, up to 64 times."""
    calm: int = 60 * NS_PER_S
    """... and as at first after this long without one."""
    close: int = 3 * NS_PER_S
    """Closing waits this long for the disk, not longer."""
    queue: int = 64 * 1024 * 1024
    retained: int = 64 * 1024 * 1024
    part: int = 1024 * 1024 * 1024
    """A part that is larger is followed by the next (a FAT volume holds files below 4 GiB)."""
    reserve: int = 32 * 1024 * 1024
    """Held free for the time when the disk is full: some minutes to finish the run and be told."""
    look: int = 250 * NS_PER_MS
    """A full disk is looked at this often."""
    room: int = 4 * 1024 * 1024
    """A full disk is gone back to when it has this much room beside what memory holds: not for every few KiB."""
    fallback: int = 128 * 1024 * 1024
    """A part in memory that is larger is given up."""


def words(error: OSError) -> str:
    """Say what the system said."""
    return f"{error.strerror or error} ({errno.errorcode.get(error.errno or 0, 'no number')})"


_FRAME_COST: Final = 200
"""Bytes that a frame in memory is counted with beside its data: the objects that hold it, or its MCAP message."""
_FULL: Final = frozenset({errno.ENOSPC, getattr(errno, "EDQUOT", errno.ENOSPC)})
_LASTING: Final = frozenset({Stream.COMMIT, Stream.CHANGE, Stream.EVENT, Stream.STOP, Stream.FEED_0 + ACTS_FEED})
"""Frames that are forgotten last."""
_FREED: Final = "the reserve is freed, some minutes are left"
_ROOM: Final = "the disk has room again"


class Store:
    """The parts of a session, and what of it is not known to be on disk.

    `start` is the start frame, which every part begins with. Nothing here raises OSError but `__init__`, when no part
    can be begun at all. What happened is put into `news` as events.
    """

    def __init__(
        self,
        folder: Path,
        fallback: Path | None,
        feeds: Mapping[int, str],
        start: Framed,
        *,
        files: Files = FILES,
        limits: Limits,
        steady: Callable[[], int] = monotonic_ns,
    ) -> None:
        self.folder = folder
        self.fallback = fallback
        self.news: deque[dict[str, Any]] = deque()
        self.last_error = ""
        self.parts = 0
        """Parts begun so far: when it rises, a checkpoint is wanted."""
        self.never_written = 0
        """Frames that had to be forgotten before any file took them."""
        self.scarce = 0
        """How scarce room is: what `thinning` leaves out."""
        self._told_never_written = 0
        self._feeds = feeds
        self._start = start
        self._files = files
        self._limits = limits
        self._steady = steady
        self._retained: deque[Framed] = deque()
        self._retained_bytes = 0
        self._checkpoints: deque[int] = deque()
        self._landed = -1
        self._synced = (-1, -1)
        self._part: Part | None = None
        self._old: list[Part] = []
        self._told_failed: set[Path] = set()
        self._left_behind: list[tuple[Path, int]] = []
        """Parts in memory that are no longer written, each with its last seq."""
        self._only_there = False
        """Whether a part in memory holds what had to be forgotten here, and so will never be on the disk by itself."""
        self._number = 0
        self._patience = 0
        self._last_trouble = steady()
        self._retry_at = 0
        self._look_at = 0
        self._full = False
        """Whether the disk fails for want of room, which may come back any time."""
        self._helpers: list[threading.Thread] = []
        self._probing = False
        self._home_takes_writes = False
        self._reserve: int | None = None
        self._again = False
        """Whether a reserve was asked for before: then there being none is no news."""
        self._closing = False
        self._begin()
        self._aside(self._take_reserve, "reserve")

    # ---- what the recorder asks and gives ------------------------------------------------------------------------

    @property
    def synced(self) -> tuple[int, int]:
        """(seq, now) of the last frame known to be on disk; (-1, -1) if none is. Memory does not count as disk."""
        for part in (*self._old, self._part):
            if part is not None and part.synced > self._synced:  # parts in memory are never synced
                self._synced = part.synced
        return self._synced

    @property
    def in_memory(self) -> bool:
        """Whether part of the recording stands in memory only, or nothing takes it at all."""
        return self._part is None or not self._part.durable or self._only_there

    def write(self, frames: list[Framed]) -> None:
        """Write frames: one write, unless it is time for the next part. With none, only see to the parts."""
        for frame in frames:
            self._retained.append(frame)
            self._retained_bytes += len(frame.data) + _FRAME_COST
            if frame.channel == Stream.CHECKPOINT:
                self._checkpoints.append(frame.seq)
        self._note_failures()
        part = self._part
        if part is None:
            if self._full and self._home_is_back():
                self._next(_ROOM, home_first=True)
            elif self._steady() >= self._retry_at:
                self._next("the disk is tried again", home_first=True)
        elif (trouble := self._trouble(part)) is not None:
            self._failed(part, trouble)
        elif not part.durable and self._home_is_back():
            self._next(_ROOM if self._full else "the disk takes writes again", home_first=True)
        elif not part.durable and part.size > self._limits.fallback:
            self._note_trouble()
            self._next(f"{part.path} has grown to {part.size >> 20} MiB of memory", home_first=True, fall_back=False)
        elif part.durable and part.size > self._limits.part:
            self._next(f"{part.path.name} has grown to {part.size >> 20} MiB", home_first=True)
        elif frames:
            try:
                part.put(frames)
            except OSError as error:
                self._failed(part, f"a write failed: {words(error)}", full=error.errno in _FULL)
            else:
                self._landed = frames[-1].seq
        self._forget()
        self._weigh()

    def settle(self, seq: int) -> None:
        """Wait until frame `seq` is on disk, but no longer than closing may take."""
        self._retry_at = 0  # if nothing takes the recording, the stop record tries once more
        part = self._part
        if part is None:
            return
        if not part.durable:
            self._look_at = 0
            if not self._home_is_back():
                for helper in self._helpers:
                    helper.join(self._limits.close / NS_PER_S)
            if self._home_takes_writes:
                self._next(_ROOM if self._full else "the disk takes writes again", home_first=True)
            part = self._part
        if part is not None:
            deadline = self._steady() + self._limits.close
            part.settle(seq, lambda: self._steady() > deadline)

    def close(self) -> bool:
        """Finish the last part and let go of everything. Returns whether every thread has ended in time."""
        self._closing = True
        deadline = self._steady() + self._limits.close
        part = self._part
        if part is not None:
            self._finish(part)
            if part.durable and part.join(self._left(deadline)) and part.synced[0] < self._landed:
                # What the last sync should have saved is still here.
                failure = part.failure
                what = f"the last sync failed{f': {words(failure)}' if failure is not None else ''}"
                self._failed(part, what)
                if self._part is not None:
                    self._finish(self._part)
        ended = True
        for old in self._old:
            ended &= old.join(self._left(deadline))
        for helper in self._helpers:
            helper.join(self._left(deadline))
            ended &= not helper.is_alive()
        self._note_failures()
        self._tidy()
        self._release_reserve()
        return ended

    def _left(self, deadline: int) -> float:
        return max(0.0, (deadline - self._steady()) / NS_PER_S)

    # ---- parts -------------------------------------------------------------------------------------------------------

    def _begin(self) -> None:
        """Begin the first part. Raises OSError when neither the folder nor the fallback takes it."""
        try:
            self._part = self._open(self.folder)
        except OSError as error:
            if self.fallback is None:
                raise
            self._note_trouble(full=error.errno in _FULL)
            self.fallback.mkdir(parents=True, exist_ok=True)
            self._part = self._open(self.fallback)
            self._tell(
                "next part", f"the disk failed at once: {words(error)}. Recording goes to memory: {self._where()}"
            )
            self.last_error = f"{self.folder}: {words(error)}"

    def _open(self, place: Path) -> Part:
        self._number += 1
        path = place / f"{self._number:04}.mcap"
        durable = place == self.folder
        part = Part(path, self._feeds, self._files, durable=durable, sync=self._limits.sync, steady=self._steady)
        try:
            part.put((self._start, self._start, *self._retained))
        except OSError:
            part.close()
            self._old.append(part)
            with suppress(OSError):  # it holds nothing that is not still in memory; left over it does no harm
                self._files.remove(path)
            raise
        self.parts += 1
        if self._retained:
            self._landed = self._retained[-1].seq
        return part

    def _trouble(self, part: Part) -> str | None:
        if part.failure is not None:
            self._told_failed.add(part.path)
            return f"a sync failed: {words(part.failure)}"
        began = part.sync_began
        if began and self._steady() - began > self._limits.stall * (1 if self.fallback else max(1, self._patience)):
            return f"a sync takes longer than {self._limits.stall / NS_PER_S:g} s"
        return None

    def _failed(self, part: Part, what: str, *, full: bool = False) -> None:
        self._note_trouble(full=full and part.durable)
        home_first = not part.durable or self.fallback is None
        if full and part.durable and self._release_reserve():
            what += f"; {_FREED}"
            home_first = True
        self._next(what, home_first=home_first, whole=False)

    def _note_failures(self) -> None:
        """Tell of parts whose last sync failed after the next was begun: the next holds again what it should save."""
        for old in self._old:
            failure = old.failure
            if failure is not None and old.path not in self._told_failed:
                self._told_failed.add(old.path)
                self.last_error = f"{old.path}: a sync failed: {words(failure)}"
                says = f"{self.last_error}. What it should have saved stands in the next part too."
                self.news.append({"event": "sync failed", "says": says})

    def _note_trouble(self, *, full: bool = False) -> None:
        now = self._steady()
        calm = now - self._last_trouble > self._limits.calm
        self._patience = 1 if calm or not self._patience else min(64, 2 * self._patience)
        self._last_trouble = now
        self._retry_at = now + self._limits.retry * self._patience
        self._full = full
        self._look_at = now + self._limits.look if full else self._retry_at

    def _next(self, why: str, *, home_first: bool, whole: bool = True, fall_back: bool = True) -> None:
        """Begin the next part, wherever one can be begun. `whole`: the present part is well and is finished."""
        self._forget()
        old = self._part
        places = [self.folder] if self.fallback is None or not fall_back else [self.folder, self.fallback]
        self._part = None
        full = self._full
        refused = False
        for place in places if home_first else reversed(places):
            try:
                if place != self.folder:
                    self._tidy()
                    place.mkdir(parents=True, exist_ok=True)
                self._part = self._open(place)
                break
            except OSError as error:
                refused = True
                if error.errno in _FULL and place == self.folder and self._release_reserve():
                    why += f"; {_FREED}"
                    with suppress(OSError):
                        self._part = self._open(place)
                        break
                if place == self.folder:
                    full = error.errno in _FULL
                why += f"; {place} does not take it: {words(error)}"
        if self._part is None:
            self._note_trouble(full=full)
        elif self._waits and full:
            self._full, self._look_at = True, self._steady() + self._limits.look
        elif not self._waits:
            self._full = False
        self._home_takes_writes = False
        # A part that failed is left as it is: whatever it still holds is safe, and more writes could only harm it.
        if old is not None:
            self._finish(old, summary=whole)
        says = f"{why}. {self._where()}"
        # A part that has grown large is no trouble.
        if refused or old is None or not (whole and old.durable and not self._waits):
            self.last_error = says
        self._tell("next part", says)
        if self._part is not None and self.never_written > self._told_never_written:
            lost = self.never_written - self._told_never_written
            self._told_never_written = self.never_written
            self._tell("frames lost", f"{lost} frames were lost while nothing took the recording.")
        if not self._waits and self._reserve is None and not self._closing and not self._is_under_way("reserve"):
            self._aside(self._take_reserve, "reserve")

    def _finish(self, part: Part, *, summary: bool = True) -> None:
        if summary:
            try:
                part.finish()
            except OSError as error:
                self.last_error = f"{part.path}: {words(error)}"
        part.close()
        if not part.durable:
            self._left_behind.append((part.path, part.last_seq))
        self._note_failures()
        self._old = [old for old in self._old if not old.over or (old.durable and old.synced > self._synced)]
        self._old.append(part)

    def _where(self) -> str:
        if self._part is None:
            return f"Nothing takes the recording; {self._limits.retained >> 20} MiB of it are kept in memory meanwhile."
        if self._part.durable:
            return f"Recording goes on in {self._part.path.name}."
        return f"Recording goes on in memory, at {self._part.path}: a power cut would lose it."

    def _tell(self, event: str, says: str) -> None:
        path = str(self._part.path) if self._part is not None else None
        self.news.append({"event": event, "says": says, "part": path, "in_memory": self.in_memory})

    # ---- what is kept in memory --------------------------------------------------------------------------------------

    def _forget(self) -> None:
        """Forget what the next part need not begin with: what stands before the newest checkpoint on disk."""
        synced = self.synced[0]
        checkpoints = self._checkpoints
        while len(checkpoints) > 1 and checkpoints[1] <= synced:
            checkpoints.popleft()
        if checkpoints and checkpoints[0] <= synced:
            first = checkpoints[0]
        else:  # the beginning of the session is as good as a checkpoint, as long as it is not long ago
            first = 0 if self._retained_bytes < self._limits.retained // 8 else synced + 1
        retained = self._retained
        while retained and retained[0].seq < first:
            self._let_go(retained.popleft())
        if self._retained_bytes > self._limits.retained:
            self._forget_readings()

    def _let_go(self, gone: Framed) -> None:
        self._retained_bytes -= len(gone.data) + _FRAME_COST
        if self._checkpoints and self._checkpoints[0] <= gone.seq:
            self._checkpoints.popleft()
        if gone.seq > self._landed:
            self.never_written += 1
        elif gone.seq > self.synced[0] and (self._part is None or not self._part.durable):
            self._only_there = True

    def _forget_readings(self) -> None:
        """Forget the oldest frames beyond the limit (and an eighth of it, so that this is seldom): readings first."""
        enough = self._limits.retained - self._limits.retained // 8
        kept: list[Framed] = []
        retained = self._retained
        while retained and self._retained_bytes > enough:
            frame = retained.popleft()
            if frame.channel in _LASTING:
                kept.append(frame)
            else:
                self._let_go(frame)
        retained.extendleft(reversed(kept))
        while retained and self._retained_bytes > self._limits.retained:
            self._let_go(retained.popleft())

    def _weigh(self) -> None:
        """Find out how scarce room is; until the disk takes the recording again it is never called less scarce."""
        scarce = max(self.scarce, scarcity(self._retained_bytes, self._limits.retained)) if self._waits else 0
        if scarce != self.scarce:
            self.scarce = scarce
            self.news.append({"event": "thinning", "step": scarce, "says": SAYS[scarce]})
            self.last_error = SAYS[scarce]

    @property
    def _waits(self) -> bool:
        """Whether what is recorded waits in memory for the disk."""
        return self._part is None or not self._part.durable

    def _tidy(self) -> None:
        """Remove parts in memory whose frames are all on the disk by now.

        Not at once, but at the end and before the next is begun: somebody may be reading them.
        """
        synced = self.synced[0]
        while self._left_behind and self._left_behind[0][1] <= synced and not self._only_there:
            path, _ = self._left_behind.pop(0)
            with suppress(OSError):
                self._files.remove(path)
            with suppress(OSError):
                path.parent.rmdir()

    # ---- beside the writer -------------------------------------------------------------------------------------------

    def _aside(self, work: Callable[[], None], name: str) -> None:
        self._helpers = [helper for helper in self._helpers if helper.is_alive()]
        helper = threading.Thread(target=work, name=f"recording {name}", daemon=True)
        self._helpers.append(helper)
        helper.start()

    def _is_under_way(self, name: str) -> bool:
        """Whether a thread of `_aside` with this name still works."""
        return any(helper.name == f"recording {name}" and helper.is_alive() for helper in self._helpers)

    def _release_reserve(self) -> bool:
        fd, self._reserve = self._reserve, None
        if fd is not None:
            with suppress(OSError):
                self._files.close(fd)
        return fd is not None

    def _take_reserve(self) -> None:
        size = self._limits.reserve
        try:
            if self._again and self._files.free(self.folder) < size + self._limits.room:
                return
            fd = self._files.reserve(self.folder / "reserve", size)
        except OSError as error:
            if not self._again:
                what = f"{size >> 20} MiB could not be held free on the disk: {words(error)}."
                says = f"{what} Make room before the next run."
                self.news.append({"event": "no reserve", "says": says})
            return
        finally:
            self._again = True
        if fd is not None and (self._closing or self._reserve is not None):
            self._files.close(fd)  # nobody needs it any more, or one is held already
        else:
            self._reserve = fd

    def _home_is_back(self) -> bool:
        """Whether the disk takes writes again, as far as is known; has it tried when it is time."""
        if not self._probing and not self._home_takes_writes and self._steady() >= self._look_at:
            self._probing = True
            self._aside(self._probe, "probe")
        return self._home_takes_writes

    def _probe(self) -> None:
        """Find out whether the disk takes and syncs a little file, on a thread that may hang with it."""
        path = self.folder / "probe"
        try:
            wanted = self._limits.room + self._retained_bytes
            if self._full and self._files.free(self.folder) < wanted:
                self._look_at = self._steady() + self._limits.look
                return
            with suppress(FileNotFoundError):
                self._files.remove(path)
            fd = self._files.create(path)
            try:
                self._files.write(fd, bytes(65_536))
                self._files.sync(fd)
            finally:
                self._files.close(fd)
                self._files.remove(path)
        except OSError as error:
            self._note_trouble(full=error.errno in _FULL)
        else:
            self._home_takes_writes = True
        finally:
            self._probing = False
