"""The page on satellite receivers holds: its sums, its sentence, its table of what is not known."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING

import pynmea2
import pytest

from pullwatch.columns import Why
from pullwatch.decoders.nmea import COURSE_FROM_KMH, LONGEST, QUANTITIES, SENTENCES
from pullwatch.feeds.options import NmeaOptions
from pullwatch.setup.feed_kinds.nmea import BAUDS, FULL, LAG_MS, needed

from .test_hardware_notes import NOTES, blocks, loaded, read_as, rows

if TYPE_CHECKING:
    from pathlib import Path

PAGE = NOTES / "gps.md"
MOST_BYTES = 82
"""Longest sentence of NMEA 0183 / IEC 61162-1 (from memory)."""


def said() -> str:
    return " ".join(PAGE.read_text(encoding="utf-8").split())


@pytest.mark.parametrize("row", rows(PAGE, "sentences"), ids=" ".join)
def test_the_sums_of_the_page(row: list[str]) -> None:
    """Every row is fixes × sentences × 82 and the least usual baud of which that is at most 80 %; `check` agrees."""
    names, rate, most, baud = row
    sentences = names.split(", ")
    hertz = float(rate.removesuffix(" Hz"))
    assert float(most) == hertz * len(sentences) * MOST_BYTES
    assert int(baud) == next(
        usual for usual in (9_600, 19_200, 38_400, 57_600, 115_200) if float(most) <= 0.8 * usual / 10
    )
    assert (int(baud) in BAUDS, FULL) == (True, 0.8)
    options = NmeaOptions(
        name="gps", kind="nmea", port="serial:A", baud=int(baud), rate_hz=hertz, sentences=sentences, channels={}
    )
    assert needed(options)[1] == float(most)


def test_the_worked_example() -> None:
    """The sum in words is the sum: 10 × 3 × 82, against 9,600 and 38,400 Bd, and 150 bytes at 38,400 Bd."""
    text = said()
    assert "10 × 3 × 82 = 2,460 bytes a second at most" in text
    assert 10 * 3 * MOST_BYTES == 2_460
    assert "38,400 Bd carry 3,840, of which 2,460 are 64 %" in text
    assert round(100 * 2_460 / 3_840) == 64
    options = NmeaOptions(name="gps", kind="nmea", port="serial:A", rate_hz=10, channels={})
    assert f"forms that are usual need {needed(options)[0]:,.0f}" in text
    assert "150 bytes at 38,400 Bd are 39 ms" in text
    assert pytest.approx(39, abs=0.5) == 150 * 10 / 38_400 * 1e3
    assert "At 10 Hz and 100 km/h two fixes are 2.8 m apart" in text
    assert pytest.approx(2.8, abs=0.03) == 100 / 3.6 / 10


def test_the_figures_are_those_of_the_program() -> None:
    """Lag, bound of a sentence, and the speed below which there is no course stand on the page as they are taken."""
    text = said()
    assert f"{LAG_MS[0]:g} to {LAG_MS[1]:g} ms (common practice, no source)" in text
    assert f"more than {LONGEST} bytes" in text
    assert f"course below {COURSE_FROM_KMH:g} km/h" in text


def test_the_table_names_every_quantity_and_its_sentences() -> None:
    """Nothing a receiver tells is missing, and each stands beside the sentences it comes in."""
    table = {name: row[1] for row in rows(PAGE, "what you write") for name in re.findall(r"`(\w+)`", row[0])}
    assert table.keys() == QUANTITIES.keys()
    for name, sentences in table.items():
        assert set(sentences.split(", ")) == {kind for kind, told in SENTENCES.items() if name in told}


def test_the_sentence_of_the_page_reads_as_it_says(tmp_path: Path) -> None:
    """The sentence gives the page's speed and course under the page's setup, and its checksum is right (pynmea2)."""
    (line,) = re.findall(r"`(\$GNRMC[^`]+)`", PAGE.read_text(encoding="utf-8"))
    theirs = pynmea2.parse(line, check=True)
    assert theirs.spd_over_grnd * 1.852 == pytest.approx(111.12)
    plan = loaded(tmp_path, blocks(PAGE, "toml")[0])
    assert read_as(plan, "gps", line) == {"vehicle_speed": (111.12, Why.GOOD), "course": (90.0, Why.GOOD)}
