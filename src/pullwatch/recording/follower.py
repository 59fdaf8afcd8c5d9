"""Following a session while it grows, from this or another process."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Final

from pullwatch.clock import steady_ns
from pullwatch.recording import layout
from pullwatch.recording.blocks import Block, Ending, Piece, assemble
from pullwatch.recording.layout import HEADER, Stream
from pullwatch.recording.session import boot_id, fallback_of, held, parts_in, read_start

if TYPE_CHECKING:
    from pathlib import Path

MOST_AT_ONCE: Final = 8 * 1024 * 1024


class Follower:
    """Reads what a session has new, block by block, across its parts.

    Begins at the session's beginning, or at the first block with a commit later than seq `after` (a cursor that was
    kept), or about `back` bytes before the end. Blocks after anything missing have `gap_before` set; they are never
    held back. `start` is the start record (None until it is there), `now` the last commit's (session ns, -1: none yet),
    `ended` how the session ended, once it has.
    """

    def __init__(self, folder: Path, *, after: int = -1, back: int | None = None) -> None:
        self.folder = folder
        self.start: dict[str, Any] | None = None
        self.ended: Ending | None = None
        self.now = -1
        self.seq = -1
        """The last commit's seq: give it as `after` to go on from here another time."""
        self._after = after
        self._back = back
        self.from_begin = True
        """Whether reading began with the session's first block."""
        self._tag: int | None = None
        self._number = -1
        self._path: Path | None = None
        self._offset = 0
        self._buffer = b""
        self._next: int | None = 0
        self._pieces: list[Piece] = []
        self._gap = False

    def poll(self, most: int = MOST_AT_ONCE) -> list[Block]:
        """Return the blocks that are new, at most those in `most` bytes; an empty list if there are none.

        Never waits for the session to grow. Raises SessionError for frames that this version cannot read.
        """
        if self.ended is not None:
            return []
        alive = held(self.folder)  # asked first: a recorder holds the folder before it begins a part
        if not self._began():
            if not alive and parts_in(self.folder):
                reason = "The start record cannot be read, and nobody records here."
                self.ended = Ending("damaged", 0, -1, reason)
            return []
        while True:
            alive = held(self.folder)  # asked first: what a dead recorder wrote before is then surely read below
            if not self._read(most):
                following = self._following()
                if following is not None and not self._read(most):
                    self._move(*following)
                    continue
                if following is None:
                    if not alive:
                        self._cut()
                    return []
            blocks = self._take()
            if blocks or self.ended is not None:
                return blocks

    def age_ns(self) -> int | None:
        """Return how long ago the path judged last, in ns; None where that cannot be known (after a new start).

        More than some hundred ms while the session has not ended: the monitor is gone or stuck.
        """
        ours = (self.start or {}).get("recording", {})
        if self.now < 0 or not ours or ours.get("boot_id", "") != boot_id():
            return None
        return steady_ns() - int(ours["zero"]) - self.now

    # ---- where to read -----------------------------------------------------------------------------------------------

    def _began(self) -> bool:
        """Find the first part to read, and the start record; whether they are there."""
        if self._path is not None:
            return True
        parts = parts_in(self.folder)
        found = next((start for _, path in parts if (start := read_start(path)) is not None), None)
        if found is None:
            return False
        self._tag, self.start = found
        if self._back is None:
            self._move(*parts[0])
            return True
        self._move(*self._all_parts()[-1])
        assert self._path is not None
        self._offset = max(0, self._path.stat().st_size - self._back)
        if self._offset or self._number != parts[0][0]:
            self._next = None
            self.from_begin = False
        return True

    def _all_parts(self) -> list[tuple[int, Path]]:
        memory = fallback_of(self.start or {})
        return sorted(parts_in(self.folder) + (parts_in(memory) if memory is not None else []))

    def _following(self) -> tuple[int, Path] | None:
        for number, path in self._all_parts():
            if number > self._number:
                try:
                    start = read_start(path)
                except FileNotFoundError:  # a part that could not be begun, gone again
                    continue
                if start is None and path.parent == self.folder:
                    # Just being begun, or its start is damaged; frames say themselves whose they are.
                    return None if held(self.folder) else (number, path)
                if start is not None and start[0] == self._tag:
                    return number, path
        return None

    def _again(self, seq: int) -> tuple[int, Path] | None:
        """Return the following part if it holds frame `seq` again, which is damaged or missing in this one.

        A power cut may leave the end of a part that was given up with holes; what stood there stands in the next part.
        """
        following = self._following()
        if following is None:
            return None
        with following[1].open("rb") as file:
            buffer = file.read(MOST_AT_ONCE)
        first = next((frame for frame in layout.walk(buffer, 0, self._tag) if frame.channel != Stream.START), None)
        return following if first is not None and first.seq <= seq else None

    def _move(self, number: int, path: Path) -> None:
        self._number, self._path, self._offset, self._buffer = number, path, 0, b""

    def _read(self, most: int) -> bool:
        """Read on in the present part; whether there was anything."""
        assert self._path is not None
        try:
            with self._path.open("rb") as file:
                file.seek(self._offset)
                data = file.read(most)
        except FileNotFoundError:  # brought home from memory, or a part that could not be begun
            found = [path for number, path in self._all_parts() if number == self._number]
            if found:
                self._path = found[0]
            return False
        self._offset += len(data)
        self._buffer += data
        return bool(data)

    # ---- what was read -----------------------------------------------------------------------------------------------

    def _take(self) -> list[Block]:
        blocks: list[Block] = []
        buffer = self._buffer
        done = max(0, len(buffer) - layout.MOST_PAYLOAD - HEADER.size)
        for frame in layout.walk(buffer, 0, self._tag):
            done = frame.end
            if self._next is None:
                # In the middle of a session: what stands before the first commit is half a block.
                if frame.channel == Stream.COMMIT:
                    self._next, self._gap = frame.seq + 1, True
                continue
            if frame.seq < self._next:
                continue
            if frame.seq > self._next:
                again = self._again(self._next)
                if again is not None:
                    self._move(*again)
                    return blocks
                self._gap = True
            self._next = frame.seq + 1
            if frame.channel == Stream.COMMIT:
                self.now, self.seq = frame.now, frame.seq
                if frame.seq > self._after:
                    blocks.append(self._block(frame.now, frame.seq))
                self._pieces = []
                self._gap = False
            elif frame.channel == Stream.STOP:
                stop = layout.decode_json(frame.payload(buffer))
                reason = f"{stop.get('status', 'stopped')}{': ' if stop.get('reason') else ''}{stop.get('reason', '')}"
                self.ended = Ending("stopped", max(0, frame.now), frame.seq, reason, stop)
            else:
                self._pieces.append((frame.channel, frame.seq, frame.now, frame.payload(buffer)))
        self._buffer = buffer[done:]
        return blocks

    def _block(self, now: int, seq: int) -> Block:
        block = assemble(now, seq, self._pieces)
        block.gap_before = self._gap or block.lost
        if block.lost:
            block.checkpoint = None  # what was lost may stand behind it: judging goes on from the next
        return block

    def _cut(self) -> None:
        assert self._path is not None
        end = self._offset - len(self._buffer)
        reason = f"{self._path.name}, byte {end}: cut here, with no stop record (killed, or the power went)."
        self.ended = Ending("cut", max(0, self.now), self.seq, reason)
