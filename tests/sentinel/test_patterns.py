"""The signals against the published figures for audible signals.

Figures: IEC 60601-1-8 (fundamental 150-1,000 Hz, at least 4 harmonics in 300-4,000 Hz, within 15 dB); MIL-STD-1472E
5.3.3.1.1, 5.3.4.1, 5.3.4.3.1, 5.3.4.3.3 (200-5,000 Hz, preferred 500-3,000 Hz, at least 0.5 s, told apart within 0.5 s,
at most 4 signals). A-weighting: IEC 61672-1 (the analytic formula; from memory, checked here at 1 kHz and 100 Hz).
Pulse and pause times of IEC 60601-1-8 are from memory and marked so.
"""

from __future__ import annotations

import itertools
from typing import TYPE_CHECKING

import numpy as np
import pytest

from pullwatch.sentinel.patterns import RATE, SCORES, Pattern, Signal, Tone, one_period, pulse, render, render_all

if TYPE_CHECKING:
    from numpy.typing import NDArray

TONES = sorted({(s, t.frequency, t.ms) for s, (burst, _, _) in SCORES.items() for t in burst if t.frequency}, key=str)


def spectrum(samples: NDArray[np.float64]) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Frequencies (Hz) and amplitudes of `samples`."""
    return np.asarray(np.fft.rfftfreq(len(samples), 1 / RATE), dtype=np.float64), np.abs(
        np.fft.rfft(samples)
    ) * 2 / len(samples)


def steady_part(frequency: int, ms: int, level: float) -> NDArray[np.float64]:
    """Return the middle of a pulse, cut to whole periods, so that each harmonic falls on one line of the spectrum."""
    samples = np.asarray(pulse(frequency, ms, level), dtype=np.float64)
    period = RATE // frequency
    first = len(samples) * 2 // 10
    count = (len(samples) * 6 // 10) // period * period
    return samples[first : first + count]


def burst_of(pattern: Pattern) -> NDArray[np.float64]:
    return np.frombuffer(pattern.pcm, dtype=np.int16).astype(np.float64)


def a_weight(f: NDArray[np.float64]) -> NDArray[np.float64]:
    """A-weighting as a factor of amplitude (IEC 61672-1, annex E)."""
    f2 = np.maximum(f, 1e-9) ** 2
    r = 12194.0**2 * f2**2
    r /= (f2 + 20.6**2) * np.sqrt((f2 + 107.7**2) * (f2 + 737.9**2)) * (f2 + 12194.0**2)
    return np.asarray(r * 10 ** (2.0 / 20))


def loudness(pattern: Pattern) -> float:
    """A-weighted level of the burst, in dB with an arbitrary zero: of the mean while a tone sounds."""
    samples = burst_of(pattern)
    f, amplitude = spectrum(samples)
    sounding = np.count_nonzero(np.abs(samples) > 0) / len(samples)
    return float(10 * np.log10(np.sum((amplitude * a_weight(f)) ** 2) / sounding))


def test_a_weighting_used_here_is_the_standards() -> None:
    """The weighting is 0 dB at 1 kHz and -19.1 dB at 100 Hz, as IEC 61672-1 tabulates."""
    decibels = 20 * np.log10(a_weight(np.array([1000.0, 100.0])))
    assert decibels == pytest.approx([0.0, -19.1], abs=0.1)


@pytest.mark.parametrize(("signal", "frequency", "ms"), TONES)
def test_each_tone_has_a_fundamental_and_four_harmonics(signal: Signal, frequency: int, ms: int) -> None:
    """IEC 60601-1-8: fundamental 150-1,000 Hz, at least 4 harmonics in 300-4,000 Hz, each within 15 dB of it."""
    f, amplitude = spectrum(steady_part(frequency, ms, SCORES[signal][2]))
    fundamental = amplitude[np.argmin(np.abs(f - frequency))]
    assert 150 <= frequency <= 1000
    assert 500 <= frequency <= 1000, "inside MIL-STD-1472's preferred 500-3,000 Hz too"
    strong = f[amplitude > fundamental * 10 ** (-15 / 20)]
    harmonics = [x for x in strong if 300 <= x <= 4000 and round(x) != frequency]
    assert len(harmonics) >= 4
    assert all(round(x) % frequency == 0 for x in strong), "nothing but harmonics"


@pytest.mark.parametrize("signal", list(Signal))
def test_signals_lie_where_the_ear_is_good(signal: Signal) -> None:
    """MIL-STD-1472E: all of it within 200-5,000 Hz, most of it within the preferred 500-3,000 Hz."""
    f, amplitude = spectrum(burst_of(render(signal)))
    power = amplitude**2
    assert power[(f >= 200) & (f <= 5000)].sum() / power.sum() > 0.99
    assert power[(f >= 480) & (f <= 3020)].sum() / power.sum() > 0.8


@pytest.mark.parametrize("signal", list(Signal))
def test_signals_last_half_a_second(signal: Signal) -> None:
    """MIL-STD-1472E: an audible signal lasts at least 0.5 s."""
    pattern = render(signal)
    assert pattern.burst / RATE >= 0.5
    assert len(pattern.pcm) == 2 * pattern.burst < 2 * pattern.cycle


def test_there_are_four_signals_and_no_fifth() -> None:
    """MIL-STD-1472E: at most 4 signals if each must be known by itself."""
    assert len(render_all()) == len(Signal) == 4


def first_half_second(signal: Signal) -> tuple[tuple[int, ...], tuple[int, ...]]:
    """Onsets of pulses in the first 0.5 s (in units of 25 ms) and the pitches heard there, from the samples."""
    samples = burst_of(render(signal))[: RATE // 2]
    window = RATE // 40
    loud = np.abs(samples[: len(samples) // window * window]).reshape(-1, window).max(axis=1) > 1000
    onsets = tuple(int(i) for i in np.flatnonzero(loud & ~np.concatenate(([False], loud[:-1]))))
    f, amplitude = spectrum(samples)
    low = (f > 400) & (f < 900)
    peaks = {int(round(x, -1)) for x in f[low][amplitude[low] > amplitude[low].max() * 0.3]}
    return onsets, tuple(sorted(peaks))


def test_signals_are_told_apart_within_half_a_second() -> None:
    """MIL-STD-1472E: what it is can be heard within 0.5 s; here the rhythm and the pitch differ for every pair."""
    heard = {signal: first_half_second(signal) for signal in Signal}
    for one, other in itertools.combinations(Signal, 2):
        assert heard[one][1] != heard[other][1], f"pitch of {one} and {other}"
    rhythms = [heard[signal][0] for signal in (Signal.CRITICAL, Signal.CAUTION, Signal.NOTE)]
    assert rhythms == [(0, 6, 12), (0, 12), (0,)]


def test_more_urgent_is_louder_and_quicker() -> None:
    """Level and pulse rate fall from critical to note."""
    order = [render(s) for s in (Signal.CRITICAL, Signal.CAUTION, Signal.NOTE)]
    levels = [loudness(pattern) for pattern in order]
    assert levels == sorted(levels, reverse=True)
    cycles = [pattern.cycle for pattern in order]
    assert cycles == sorted(cycles)


def test_monitor_gone_does_not_out_shout_lift() -> None:
    """The "monitor gone" signal is at least 3 dB below critical, A-weighted and as RMS, in peak at least 6 dB."""
    gone, critical = render(Signal.GONE), render(Signal.CRITICAL)
    assert loudness(gone) <= loudness(critical) - 3.0
    rms = [float(np.sqrt(np.mean(burst_of(pattern)[burst_of(pattern) != 0] ** 2))) for pattern in (gone, critical)]
    assert 20 * np.log10(rms[0] / rms[1]) <= -3.0
    assert np.abs(burst_of(gone)).max() <= np.abs(burst_of(critical)).max() * 10 ** (-5.9 / 20)


def test_monitor_gone_does_not_resemble_lift() -> None:
    """Critical is a run of short pulses of one pitch with pauses; gone has no pause and falls in pitch."""
    critical = {tone.frequency for tone in SCORES[Signal.CRITICAL][0]}
    gone = [tone.frequency for tone in SCORES[Signal.GONE][0]]
    assert 0 in critical
    assert 0 not in gone
    assert gone == sorted(gone, reverse=True)
    assert len(set(gone)) > 1
    assert not critical & set(gone)


@pytest.mark.parametrize(
    ("signal", "count", "pulse_ms", "pause_ms"),
    [
        (Signal.CRITICAL, 5, (75, 200), (50, 250)),
        (Signal.CAUTION, 3, (125, 250), (125, 250)),
        (Signal.NOTE, 2, (125, 250), (125, 250)),
    ],
)
def test_bursts_have_the_standards_form(
    signal: Signal, count: int, pulse_ms: tuple[int, int], pause_ms: tuple[int, int]
) -> None:
    """IEC 60601-1-8 (from memory): 5 (half of 10), 3 and 2 pulses, their length, the pause between them."""
    burst = SCORES[signal][0]
    pulses = [tone.ms for tone in burst if tone.frequency]
    pauses = [tone.ms for tone in burst if not tone.frequency]
    assert len(pulses) == count
    assert all(pulse_ms[0] <= ms <= pulse_ms[1] for ms in pulses)
    assert all(pause_ms[0] <= ms <= pause_ms[1] for ms in pauses)


def test_pulses_begin_and_end_softly() -> None:
    """A pulse rises and falls over 15 % of its length: no click at either end."""
    samples = np.abs(np.asarray(pulse(750, 100, 1.0), dtype=np.float64))
    peak = samples.max()
    assert samples[:48].max() < 0.05 * peak
    assert samples[-48:].max() < 0.05 * peak
    first_full = int(np.argmax(samples > 0.99 * peak))
    assert 0.10 <= first_full / len(samples) <= 0.20


def test_nothing_clips_and_volume_scales_all_alike() -> None:
    """The loudest sample stays below full scale; half the volume is half of every sample."""
    for signal in Signal:
        loud, soft = burst_of(render(signal)), burst_of(render(signal, 0.5))
        assert np.abs(loud).max() <= 30_000
        assert np.abs(soft * 2 - loud).max() <= 2
    assert not np.any(burst_of(render(Signal.CRITICAL, 0.0)))


@pytest.mark.parametrize("frequency", [0, -750, 700])
def test_a_tone_of_no_whole_number_of_frames_is_refused(frequency: int) -> None:
    """A frequency that does not divide the rate would click at every period, and is refused."""
    with pytest.raises(ValueError, match="no whole number of frames"):
        one_period(frequency, 1.0)


@pytest.mark.parametrize("volume", [-0.1, 1.1, float("nan")])
def test_a_volume_beyond_full_is_refused(volume: float) -> None:
    """A volume outside 0 to 1 would clip or mean nothing, and is refused."""
    with pytest.raises(ValueError, match="not between 0 and 1"):
        render(Signal.CRITICAL, volume)


def test_rendering_is_a_function_of_its_arguments() -> None:
    """The same signal is the same samples, whenever and in whichever process it is made."""
    assert render(Signal.GONE) == render(Signal.GONE)
    assert Tone(750, 100) in SCORES[Signal.CRITICAL][0]
