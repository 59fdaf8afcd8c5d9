"""The four signals as samples: bursts of pulses in the manner of IEC 60601-1-8, made here and nowhere else.

What is taken from IEC 60601-1-8: a fundamental with at least four harmonics of like level between 300 and 4,000 Hz
(checked against figures in tests/sentinel/test_patterns.py), pulses in bursts, more and faster pulses for what is more
urgent, soft edges (pulse and burst times from memory of the standard). What is not: its pause of seconds between
bursts of high priority. An engine does not have those seconds, so "critical" goes on as long as it stands.

There are four signals and no fifth: more cannot be told apart without comparing (MIL-STD-1472E, 5.3.4.3).

* critical: five quick pulses (three, two), again every 1.2 s. Three of them fit into the first 0.4 s.
* caution: three slower, lower pulses, again after 4 s.
* note: two long low pulses, again after 19 s.
* monitor gone: one long falling pair of tones, no gap, half the level of critical, again every 3 s. It must neither
  resemble nor out-shout critical: one means lift, the other means that nobody is watching.
"""

from __future__ import annotations

import math
from array import array
from enum import Enum
from typing import TYPE_CHECKING, Final, NamedTuple

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

RATE: Final = 48_000
"""Frames a second. One channel; the device spreads it over its own."""

FRAME_BYTES: Final = 2
"""One frame is one signed 16-bit sample in the machine's byte order."""


class Signal(Enum):
    """What can be heard."""

    CRITICAL = "critical"
    CAUTION = "caution"
    NOTE = "note"
    GONE = "monitor gone"


class Pattern(NamedTuple):
    """One signal: `pcm` is its burst, `burst` frames long; it begins again every `cycle` frames."""

    signal: Signal
    pcm: bytes
    burst: int
    cycle: int


HARMONICS: Final = (1.0, 0.85, 0.75, 0.65, 0.55)
"""Levels of the fundamental and its harmonics: all within 5.2 dB of each other, so that some get through any noise."""

FULL_SCALE: Final = 30_000
"""Peak of the loudest signal, in steps of a signed 16-bit sample (32,767 would leave a converter no room)."""

EDGE: Final = 0.15
"""Part of a pulse over which it rises, and over which it falls (10 to 20 % in IEC 60601-1-8, from memory)."""


class Tone(NamedTuple):
    """One pulse or pause: `frequency` in Hz (0: pause; else it must divide RATE), `ms` long."""

    frequency: int
    ms: int


_PAUSE = 0
_FAST = (Tone(750, 100), Tone(_PAUSE, 50), Tone(750, 100), Tone(_PAUSE, 50), Tone(750, 100))
_SLOW = (Tone(600, 150), Tone(_PAUSE, 150))
SCORES: Final[Mapping[Signal, tuple[tuple[Tone, ...], int, float]]] = {
    # signal: (burst, pause after it in ms, level)
    Signal.CRITICAL: ((*_FAST, Tone(_PAUSE, 200), *_FAST[:3]), 350, 1.0),
    Signal.CAUTION: ((*_SLOW, *_SLOW, Tone(600, 150)), 4_000, 0.8),
    Signal.NOTE: ((Tone(500, 250), Tone(_PAUSE, 250), Tone(500, 250)), 19_000, 0.6),
    Signal.GONE: ((Tone(640, 450), Tone(500, 450)), 2_100, 0.5),
}


WORDS: Final[Mapping[Signal, str]] = {
    Signal.CRITICAL: "five quick pulses, three and two, again and again: lift, smoothly and straight",
    Signal.CAUTION: "three slower, lower pulses: something to look at",
    Signal.NOTE: "two long low pulses: something to know",
    Signal.GONE: "one long falling pair of tones, half as strong: nobody is watching any more",
}
"""What each signal sounds like, and what it means."""


def one_period(frequency: int, level: float) -> array[int]:
    """Return one period of the tone: shape (RATE / frequency,), peak `level` times FULL_SCALE.

    Raises ValueError for a frequency that does not divide RATE: its periods could not be laid end to end.
    """
    if frequency <= 0 or RATE % frequency:
        raise ValueError(f"a tone of {frequency} Hz has no whole number of frames at {RATE} frames a second")
    length = RATE // frequency
    wave = [
        sum(part * math.sin(2 * math.pi * (k + 1) * i / length) for k, part in enumerate(HARMONICS))
        for i in range(length)
    ]
    scale = level * FULL_SCALE / max(abs(x) for x in wave)
    return array("h", (round(x * scale) for x in wave))


def pulse(frequency: int, ms: int, level: float) -> array[int]:
    """Return one pulse of shape (ms * RATE / 1000,): whole periods between a raised-cosine rise and fall."""
    frames = ms * RATE // 1000
    period = one_period(frequency, level)
    out = period * (frames // len(period) + 1)
    del out[frames:]
    edge = int(frames * EDGE)
    for i in range(edge):
        gain = 0.5 - 0.5 * math.cos(math.pi * i / edge)
        out[i] = round(out[i] * gain)
        out[frames - 1 - i] = round(out[frames - 1 - i] * gain)
    return out


def quiet(ms: int) -> array[int]:
    """Return silence of shape (ms * RATE / 1000,)."""
    return array("h", bytes(ms * RATE // 1000 * FRAME_BYTES))


def _burst(tones: Sequence[Tone], level: float) -> array[int]:
    out = array("h")
    for tone in tones:
        out += pulse(tone.frequency, tone.ms, level) if tone.frequency else quiet(tone.ms)
    return out


def render(signal: Signal, volume: float = 1.0) -> Pattern:
    """Return `signal` as samples. `volume` (0 to 1) scales all signals alike, so that their order stays."""
    if not 0.0 <= volume <= 1.0:
        raise ValueError(f"volume {volume:g} is not between 0 and 1")
    tones, pause, level = SCORES[signal]
    burst = _burst(tones, level * volume)
    return Pattern(signal, burst.tobytes(), len(burst), len(burst) + pause * RATE // 1000)


def render_all(volume: float = 1.0) -> dict[Signal, Pattern]:
    """Return every signal, rendered."""
    return {signal: render(signal, volume) for signal in Signal}
