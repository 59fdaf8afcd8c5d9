"""The player: which signal sounds, from which frame on. Time here is frames asked for; nothing waits."""

from __future__ import annotations

import numpy as np
import pytest

from pullwatch.sentinel.patterns import RATE, Signal, render_all
from pullwatch.sentinel.player import FADE, Player

PATTERNS = render_all()
PIECE = 480


def pull(player: Player, ms: int) -> bytes:
    """Take `ms` of sound in the pieces a device takes."""
    return b"".join(player.frames(PIECE) for _ in range(ms * RATE // 1000 // PIECE))


def is_quiet(pcm: bytes) -> bool:
    return not any(pcm)


def test_it_is_quiet_until_told() -> None:
    """Without an order every frame is silence, and exactly as many come as were asked for."""
    player = Player(PATTERNS)
    assert player.frames(481) == bytes(481 * 2)
    assert not player.heard


@pytest.mark.parametrize("signal", list(Signal))
def test_a_signal_repeats_until_told_otherwise(signal: Signal) -> None:
    """Burst and pause follow each other for as long as nothing else is asked for."""
    player, pattern = Player(PATTERNS), PATTERNS[signal]
    player.choose(signal)
    cycle = pattern.pcm + bytes((pattern.cycle - pattern.burst) * 2)
    whole = b"".join(player.frames(997) for _ in range(2 * pattern.cycle // 997))
    assert whole == (cycle * 2)[: len(whole)]


def test_the_first_frame_is_stamped_once() -> None:
    """Each message that asks for a signal is told once when its first frame was handed over; the watch is woken."""
    woken: list[str] = []
    player = Player(PATTERNS, lambda: woken.append("woken"))
    player.choose(Signal.CAUTION, 7)
    pull(player, 50)
    assert [(heard.seq, heard.signal) for heard in player.heard] == [(7, Signal.CAUTION)]
    assert woken == ["woken"]


def test_critical_takes_the_place_of_a_lower_signal_in_the_next_piece() -> None:
    """Critical pre-empts: its first pulse begins in the very piece the device takes next, after a fade of 2 ms."""
    player = Player(PATTERNS)
    player.choose(Signal.CAUTION, 1)
    pull(player, 100)
    player.choose(Signal.CRITICAL, 2)
    piece = player.frames(PIECE)
    assert [heard.seq for heard in player.heard] == [1, 2]
    assert piece[FADE * 2 :] == PATTERNS[Signal.CRITICAL].pcm[: len(piece) - FADE * 2]
    assert (PIECE / RATE) <= 0.050


def test_a_signal_cut_short_fades_without_a_click() -> None:
    """Steps between frames at the cut are no larger than steps within the tone itself."""
    player = Player(PATTERNS)
    player.choose(Signal.CRITICAL)
    before = pull(player, 50)
    player.choose(None)
    samples = np.frombuffer(before + pull(player, 20), dtype=np.int16).astype(int)
    inside = np.abs(np.diff(samples[: len(before) // 2])).max()
    assert np.abs(np.diff(samples[len(before) // 2 - 1 :])).max() <= inside
    assert not np.any(samples[-480:])


def test_silence_is_at_once_unless_the_burst_may_finish() -> None:
    """An acknowledgement cuts; an alarm that ends by itself lets its burst end, and no other begins."""
    player, pattern = Player(PATTERNS), PATTERNS[Signal.CRITICAL]
    player.choose(Signal.CRITICAL)
    head = pull(player, 100)
    player.choose(None, finish=True)
    rest = pull(player, 1500)
    assert (head + rest)[: len(pattern.pcm)] == pattern.pcm
    assert is_quiet((head + rest)[len(pattern.pcm) :])
    player.choose(Signal.CRITICAL)
    pull(player, 100)
    player.choose(None)
    assert is_quiet(pull(player, 100)[FADE * 2 :])


def test_an_alarm_over_before_the_device_asked_is_still_heard() -> None:
    """Raised and ended between two pieces: its burst is played, not skipped."""
    player = Player(PATTERNS)
    player.choose(Signal.CRITICAL, 1)
    player.choose(None, finish=True)
    assert pull(player, 850) == PATTERNS[Signal.CRITICAL].pcm
    assert is_quiet(pull(player, 1000))
    assert [heard.seq for heard in player.heard] == [1]


def test_the_same_signal_again_in_the_pause_begins_a_burst_at_once() -> None:
    """A second caution does not wait out the four seconds of the first one's pause."""
    player, pattern = Player(PATTERNS), PATTERNS[Signal.CAUTION]
    player.choose(Signal.CAUTION, 1)
    pull(player, 1000)
    player.choose(Signal.CAUTION, 2)
    assert player.frames(PIECE) == pattern.pcm[: PIECE * 2]
    assert [heard.seq for heard in player.heard] == [1, 2]


def test_the_same_signal_again_in_its_burst_goes_on() -> None:
    """A second critical alarm does not chop up the burst that says the same."""
    player, pattern = Player(PATTERNS), PATTERNS[Signal.CRITICAL]
    player.choose(Signal.CRITICAL, 1)
    head = pull(player, 100)
    player.choose(Signal.CRITICAL, 2)
    assert head + pull(player, 100) == pattern.pcm[: 2 * 200 * RATE // 1000]
    assert [heard.seq for heard in player.heard] == [1, 2]


def test_a_new_order_takes_back_one_that_waits_for_the_burst() -> None:
    """An alarm raised while the burst of the last one finishes goes on sounding."""
    player = Player(PATTERNS)
    player.choose(Signal.CRITICAL, 1)
    pull(player, 100)
    player.choose(None, finish=True)
    player.choose(Signal.CRITICAL, 2)
    assert not is_quiet(pull(player, 2400)[-RATE // 2 * 2 :])


def test_gone_waits_for_the_burst_if_asked_to() -> None:
    """A signal ordered with `finish` begins right where the burst ends."""
    player, critical, gone = Player(PATTERNS), PATTERNS[Signal.CRITICAL], PATTERNS[Signal.GONE]
    player.choose(Signal.CRITICAL)
    head = pull(player, 100)
    player.choose(Signal.GONE, finish=True)
    assert head + pull(player, 800) == (critical.pcm + gone.pcm)[: 2 * 900 * RATE // 1000]


def test_orders_nobody_takes_do_not_pile_up() -> None:
    """With a dead device orders are bounded, and the last one counts when it comes back."""
    player = Player(PATTERNS)
    for i in range(1000):
        player.choose(Signal.NOTE if i % 2 else Signal.CAUTION, i)
    player.choose(Signal.CRITICAL, 5000)
    piece = player.frames(PIECE * 100)
    assert player.heard[-1].seq == 5000
    assert PATTERNS[Signal.CRITICAL].pcm[:9600] in piece
