"""Control units for the diagnostics feed to talk to, and a talk driven through time without waiting."""

from __future__ import annotations

import heapq
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from pullwatch.decoders.frames import EXTENDED
from pullwatch.decoders.pids import FUNCTIONAL, request_word

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping

    from pullwatch.feeds.diagnostics_talk import Talk

MS = 1_000_000
S = 1_000_000_000
ENGINE, GEARBOX = 0x7E8, 0x7E9
ENGINE_29 = EXTENDED | 0x18DAF110


def to_all(word: int) -> int:
    """Return the identifier under which everybody hears us who has identifiers as long as this one."""
    return FUNCTIONAL[bool(word & EXTENDED)]


@dataclass
class ControlUnit:
    """One control unit, written from ISO 15765-2 and 15031-5, not from what asks it.

    `has` gives each PID's data, None for no answer;
    `denies` are the PIDs it says no to; `first_only`: of several PIDs it answers the first; `singly`: it says no to
    several; `pending` ns pass between "pending" and the answer; `mute`: it hears nothing.
    """

    answers: int
    has: Mapping[int, bytes | Callable[[int], bytes | None]]
    delay: int = 8 * MS
    pending: int = 0
    denies: frozenset[int] = frozenset()
    singly: bool = False
    first_only: bool = False
    mute: bool = False
    asked: list[tuple[int, bytes]] = field(default_factory=list)
    """When, and the PIDs of each request it heard."""
    controls: list[bytes] = field(default_factory=list)
    """The flow controls it heard."""
    _left: bytes = b""
    _number: int = 1

    def hear(self, now: int, word: int, data: bytes) -> list[tuple[int, bytes]]:
        """Take a frame from the bus; return the frames it sends, each with how many ns later."""
        if self.mute or word not in (to_all(self.answers), request_word(self.answers)):
            return []
        if data[0] >> 4 == 3:
            return self._go_on(data)
        assert 2 <= data[0] <= 7
        assert data[1] == 1
        assert len(data) == 8
        pids = data[2 : 1 + data[0]]
        self.asked.append((now, pids))
        denied = [pid for pid in pids if pid in self.denies]
        if denied or (self.singly and len(pids) > 1):
            return [(self.delay, b"\x03\x7f\x01\x12".ljust(8, b"\0"))]
        parts = [bytes([pid]) + found for pid in pids if (found := self._data(pid, now)) is not None]
        if not parts:
            return []
        payload = b"\x41" + b"".join(parts[:1] if self.first_only else parts)
        first = [(self.delay, b"\x03\x7f\x01\x78".ljust(8, b"\0"))] if self.pending else []
        when = self.delay + self.pending
        if len(payload) <= 7:
            return [*first, (when, (bytes([len(payload)]) + payload).ljust(8, b"\x55"))]
        self._left, self._number = payload[6:], 1
        return [*first, (when, bytes([0x10, len(payload)]) + payload[:6])]

    def _data(self, pid: int, now: int) -> bytes | None:
        if pid % 32 == 0:
            bits = sum(1 << (pid + 32 - has) for has in self.has if pid < has <= pid + 32)
            bits |= any(has > pid + 32 for has in self.has)
            return bits.to_bytes(4, "big") if bits or not pid else None
        found = self.has.get(pid)
        return found(now) if callable(found) else found

    def _go_on(self, control: bytes) -> list[tuple[int, bytes]]:
        """Send on as the flow control says: so many frames, so far apart."""
        self.controls.append(control)
        frames: list[tuple[int, bytes]] = []
        while self._left and (not control[1] or len(frames) < control[1]):
            data, self._left = self._left[:7], self._left[7:]
            frames.append((len(frames) * control[2] * MS, bytes([0x20 | self._number & 15]) + data))
            self._number += 1
        return frames

    @property
    def pids(self) -> list[bytes]:
        """The PIDs of each request it heard."""
        return [pids for _, pids in self.asked]


@dataclass
class Bus:
    """A bus on which a talk and control units are, and its time."""

    talk: Talk
    units: list[ControlUnit]
    now: int = 0
    sent: list[tuple[int, int, bytes]] = field(default_factory=list)
    """(t, id word, data) of every frame of ours."""
    _coming: list[tuple[int, int, int, bytes]] = field(default_factory=list)

    def __post_init__(self) -> None:
        """Open the adapter."""
        self.talk.opened(self.now)
        self._speak()

    def until(self, end: int) -> None:
        """Go on to `end`: whatever is due, or comes, at its time."""
        steps = 0
        due = self.talk.next_due(self.now)
        while True:
            steps += 1
            assert steps < 200_000, "the talk turns without time going on"
            coming = self._coming[0][0] if self._coming else end + 1
            when = min(due, coming)
            if when > end:
                self.now = end
                return
            self.now = max(when, self.now)
            if coming <= self.now:
                _, _, word, data = heapq.heappop(self._coming)
                self.talk.heard(self.now, word, data)
            self._speak()
            due = self.talk.next_due(self.now)

    def _speak(self) -> None:
        for word, data in self.talk.due(self.now):
            self.sent.append((self.now, word, data))
            for unit in self.units:
                for after, frame in unit.hear(self.now, word, data):
                    heapq.heappush(self._coming, (self.now + after, len(self.sent), unit.answers, frame))

    def requests(self, since: int = -1) -> list[tuple[int, int, bytes]]:
        """Return (t, id word, PIDs) of every request after `since`."""
        return [(t, word, data[2 : 1 + data[0]]) for t, word, data in self.sent if data[0] >> 4 == 0 and t > since]
