"""Every signal once, on the device and through the code that the sentinel uses: so that ears know them beforehand."""

from __future__ import annotations

import os
import queue
import sys
import time
from contextlib import contextmanager
from typing import TYPE_CHECKING, Final

from pullwatch.clock import NS_PER_MS, steady_ns
from pullwatch.sentinel.devices import Output
from pullwatch.sentinel.patterns import RATE, WORDS, Signal, render_all
from pullwatch.sentinel.player import Player
from pullwatch.sentinel.wire import What

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

ANSWERS_WITHIN: Final = 5.0
"""Seconds that a device gets to open, and then to take the first frame of a signal."""
GAP: Final = 0.4
"""Seconds of quiet between two signals."""
CLOSE_S: Final = 0.5
NOBODY: Final = "Nobody would hear an alarm."


def play_all(device: str, volume: float, say: Callable[[str], None]) -> bool:
    """Play every signal once, each named through `say` before it sounds; return whether a device took them all.

    The null device takes them as any other does, and the words say that nobody hears it. `volume` is 0 to 1.
    """
    with _libraries_quiet():
        return _play_all(device, volume, say)


@contextmanager
def _libraries_quiet() -> Iterator[None]:
    """Let sound libraries write nowhere: they put pages about a missing card straight to descriptor 2."""
    sys.stderr.flush()
    kept, nowhere = os.dup(2), os.open(os.devnull, os.O_WRONLY)
    try:
        os.dup2(nowhere, 2)
        yield
    finally:
        os.dup2(kept, 2)
        os.close(kept)
        os.close(nowhere)


def _play_all(device: str, volume: float, say: Callable[[str], None]) -> bool:
    events: queue.SimpleQueue[tuple[What, str] | None] = queue.SimpleQueue()
    patterns = render_all(volume)
    player = Player(patterns, lambda: events.put(None))
    output = Output(player, device, lambda what, words: events.put((what, words)))
    output.start()
    try:
        if not _opened(events, say):
            return False
        for seq, signal in enumerate(Signal, start=1):
            say(f"{signal.value}: {WORDS[signal]}.")
            asked = steady_ns()
            player.choose(signal, seq)
            if not _taken(events, say):
                return False
            took = (player.heard.pop().t - asked) / NS_PER_MS
            say(f"    first frame handed over {took:.0f} ms after it was asked for")
            player.choose(None, finish=True)
            time.sleep(patterns[signal].burst / RATE + GAP)
        return True
    finally:
        output.close(CLOSE_S)


def _opened(events: queue.SimpleQueue[tuple[What, str] | None], say: Callable[[str], None]) -> bool:
    """Wait until the device says what it is."""
    try:
        told = events.get(timeout=ANSWERS_WITHIN)
    except queue.Empty:
        say(f"the sound device has not answered for {ANSWERS_WITHIN:g} s. {NOBODY}")
        return False
    assert told is not None  # no signal was asked for yet
    what, words = told
    say(words)
    if what is What.DEVICE_MISSING:
        say(NOBODY)
        return False
    return True


def _taken(events: queue.SimpleQueue[tuple[What, str] | None], say: Callable[[str], None]) -> bool:
    """Wait until the first frame of a signal was taken."""
    try:
        told = events.get(timeout=ANSWERS_WITHIN)
    except queue.Empty:
        say(f"the sound device has taken no sound for {ANSWERS_WITHIN:g} s. {NOBODY}")
        return False
    if told is not None:
        say(f"{told[1]} {NOBODY}")
        return False
    return True
