"""Which signal sounds now. Whatever takes sound (a device's own thread) asks `frames` for more."""

from __future__ import annotations

from array import array
from collections import deque
from typing import TYPE_CHECKING, Final, NamedTuple

from pullwatch.clock import steady_ns
from pullwatch.sentinel.patterns import FRAME_BYTES, RATE, Pattern, Signal

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping

FADE: Final = RATE // 500
"""A sound that is cut short fades over 2 ms: a hard edge is a click, and a click sounds like a fault."""


class Heard(NamedTuple):
    """The first frame of `signal`, asked for by message `seq`, was handed over at `t` (steady ns)."""

    seq: int
    signal: Signal
    t: int


class _Order(NamedTuple):
    pattern: Pattern | None
    seq: int
    finish: bool


class Player:
    """Plays one signal at a time, over and over, until told otherwise.

    Two threads meet here and nowhere else: `choose` is called by the watch, `frames` by whoever takes the sound. They
    share a deque of orders (append and popleft are atomic), so neither ever waits for the other.
    """

    def __init__(self, patterns: Mapping[Signal, Pattern], wake: Callable[[], None] = lambda: None) -> None:
        """Play `patterns`; `wake` is called from the sound's thread when there is something new in `heard`."""
        self.heard: deque[Heard] = deque(maxlen=256)
        self.asked = 0
        """How often frames were asked for: when this stands still, the device has stopped taking them."""
        self.most = 0
        """Most frames asked for at once: the device's own contribution to how late a signal is heard."""
        self._patterns = patterns
        self._wake = wake
        self._orders: deque[_Order] = deque(maxlen=64)
        self._now: Pattern | None = None
        self._at = 0
        self._then: _Order | None = None
        self._unheard: deque[int] = deque(maxlen=64)

    def choose(self, signal: Signal | None, seq: int = 0, *, finish: bool = False) -> None:
        """Play `signal` from now on (None: nothing); with `finish`, only after the burst that is sounding.

        A signal that sounds already goes on; if it is in the pause between two bursts, a burst begins at once.
        `seq` comes back in `heard` with the first frame (0: does not).
        """
        pattern = None if signal is None else self._patterns[signal]
        self._orders.append(_Order(pattern, seq, finish))

    def frames(self, count: int) -> bytes:
        """Return the next `count` frames. Called by the thread that takes the sound."""
        self.asked += 1
        self.most = max(self.most, count)
        parts: list[bytes] = []
        left = count
        while self._orders:
            left -= self._obey(self._orders.popleft(), parts, left)
        while left > 0:
            left -= self._play(parts, left)
        return b"".join(parts)

    def _obey(self, order: _Order, parts: list[bytes], room: int) -> int:
        """Carry out an order; return how many frames of fading were added to `parts`."""
        sounding = self._now is not None and self._at < self._now.burst
        if order.finish and sounding:
            self._then = order
            return 0
        self._then = None
        faded = 0
        if order.pattern is not self._now:
            if sounding:
                faded = self._fade(parts, room)
            self._now, self._at = order.pattern, 0
            self._unheard.clear()
        elif not sounding:
            self._at = 0
        if order.pattern is not None and order.seq:
            self._unheard.append(order.seq)
        return faded

    def _fade(self, parts: list[bytes], room: int) -> int:
        assert self._now is not None
        tail = array("h", self._now.pcm[self._at * FRAME_BYTES : (self._at + min(FADE, room)) * FRAME_BYTES])
        length = len(tail)
        for i in range(length):
            tail[i] = tail[i] * (length - i) // (length + 1)
        parts.append(tail.tobytes())
        return length

    def _play(self, parts: list[bytes], left: int) -> int:
        """Add up to `left` frames of what is playing to `parts`; return how many."""
        now = self._now
        if now is None:
            parts.append(bytes(left * FRAME_BYTES))
            return left
        if self._then is not None and self._at >= now.burst:
            then, self._then = self._then, None
            self._obey(then, parts, 0)
            return 0
        if self._unheard:
            self._stamp(now.signal)
        if self._at < now.burst:
            count = min(left, now.burst - self._at)
            parts.append(now.pcm[self._at * FRAME_BYTES : (self._at + count) * FRAME_BYTES])
        else:
            count = min(left, now.cycle - self._at)
            parts.append(bytes(count * FRAME_BYTES))
        self._at += count
        if self._at == now.cycle:
            self._at = 0
        return count

    def _stamp(self, signal: Signal) -> None:
        t = steady_ns()
        while self._unheard:
            self.heard.append(Heard(self._unheard.popleft(), signal, t))
        self._wake()
