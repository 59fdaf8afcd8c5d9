"""The page about sound says what the sources say and what the program does.

Figures: aud_* of the project's check values: MIL-STD-1472E 5.3.3.1.1, 5.3.4.1, 5.3.4.3.1, 5.3.4.3.3, 5.3.6.3, 5.3.6.5
(text seen); US NRC NUREG-0700 rev 2, 1.3.11-17 (text seen); IEC 60601-1-8 (text seen); ISO 7731 (from memory: 15 dB as
a whole, 10 dB in an octave band); sums of levels (computed); reaction times 160 and 190 ms (review of published means,
text seen).
"""

from __future__ import annotations

import math
import re
from pathlib import Path

from pullwatch.annunciators.driving import ARMING, FOOT_DOWN, LIFTED_AFTER, OVER_AFTER, STANDING_AFTER
from pullwatch.annunciators.sound import CALLS_FOR
from pullwatch.clock import NS_PER_S
from pullwatch.sentinel.patterns import RATE, SCORES, Signal, render
from pullwatch.setup.equipment.sound import LEAST_VOLUME

PAGE = Path(__file__).parents[2] / "hardware_notes" / "sound.md"
TEXT = " ".join(PAGE.read_text(encoding="utf-8").split())


def row(first: str) -> list[str]:
    """Return the cells of the first row that begins so."""
    line = next(text for text in PAGE.read_text(encoding="utf-8").splitlines() if text.startswith(f"| {first} |"))
    return [cell.strip() for cell in line.strip("|").split("|")][1:]


def test_the_figures_are_those_of_the_sources() -> None:
    """Every figure stands beside where it is from."""
    mil, nureg, iso = "MIL-STD-1472E", "NUREG-0700 rev 2, 1.3.11-17", "ISO 7731 (from memory)"
    assert row("above the noise, in at least one octave band") == ["20 dB", f"{mil} 5.3.4.1; US NRC {nureg}"]
    assert row("most at the ear") == ["90 dBA", nureg]
    assert row("frequencies") == ["200-5,000 Hz, best 500-3,000 Hz", f"{mil} 5.3.3.1.1"]
    assert row("how long a signal lasts at least") == ["0.5 s", f"{mil} 5.3.4.3.1"]
    assert row("told apart within") == ["0.5 s", f"{mil} 5.3.4.3.3"]
    assert row("most signals known by themselves, without comparing") == ["4", f"{mil} 5.3.6.3"]
    assert row("what is heard must be seen too") == ["yes", f"{mil} 5.3.6.5"]
    assert row("fundamental of a pulse; harmonics")[0] == "150-1,000 Hz; at least 4 in 300-4,000 Hz, within 15 dB"
    assert row("above the noise as a whole, A-weighted") == ["15 dB", iso]
    assert row("above the noise in one octave band") == ["10 dB", iso]
    assert row("simple reaction to sound / to light")[0] == "about 160 / 190 ms"


def test_the_arithmetic_can_be_repeated() -> None:
    """20 dB are ten times; 95 and 20 are 115, which is 25 above 90; three levels add up to 93.5."""
    assert math.isclose(10 ** (20 / 20), 10.0)
    assert row("with 95 dBA in the cabin, 20 dB more are")[0] == f"{95 + 20} dBA"
    assert f"is {95 + 20 - 90} dB above what an ear may be given" in TEXT
    total = 10 * math.log10(sum(10 ** (level / 10) for level in (90, 90, 84)))
    assert abs(total - 93.524) < 0.01
    assert f"together are {total:.1f} dB (computed)" in TEXT


def test_the_signals_are_described_as_they_are() -> None:
    """Pitch, level and how often of each of the four."""
    for signal, (burst, pause, level) in SCORES.items():
        sounds, shown, _ = row(signal.value)
        assert shown == ("full" if level == 1.0 else f"{level:.0%}".replace("%", " %"))
        pitches = dict.fromkeys(str(tone.frequency) for tone in burst if tone.frequency)
        assert re.findall(r"\d{3}", sounds) == list(pitches)
        cycle = render(signal).cycle / RATE
        if signal in (Signal.CRITICAL, Signal.GONE):
            assert f"every {cycle:.1f}".removesuffix(".0") in sounds
        else:
            assert f"again after {pause / 1000:g} s" in sounds


def test_the_times_are_those_of_the_program() -> None:
    """What a driver is promised is what is done."""
    assert f"below arming for {LIFTED_AFTER / NS_PER_S:g} s" in TEXT
    assert f"for {CALLS_FOR / NS_PER_S:g} s, then silent by itself" in TEXT
    assert f"engine off for {STANDING_AFTER / NS_PER_S:g} s" in TEXT
    assert f"boost above {ARMING:g} kPa" in TEXT
    assert f"a foot beyond {FOOT_DOWN:g} %" in TEXT
    assert f"below arming for {OVER_AFTER / NS_PER_S:g} s. What is not known counts as a pass" in TEXT
    assert f"at least {LEAST_VOLUME:g}" in TEXT
