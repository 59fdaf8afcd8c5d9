"""Lines of text: what stands between the fields, whether they carry names, and what they held."""

from __future__ import annotations

import math
import random

import pytest

from pullwatch.channels import QUANTITIES, Channel
from pullwatch.decoders.text import Field, LineDecoder
from pullwatch.finding.lines import Lines, read_lines

from .hearings import LAMBDA_LINES, heard, heard_lines


def found_in(lines: list[str], hz: float = 50.0) -> Lines:
    """Return what the lines are like; they must be lines."""
    found = read_lines(heard_lines(lines, hz))
    assert found is not None
    return found


def test_names_words_ranges_and_rates_are_told() -> None:
    """A line of named fields gives each field's range and rate, and the words of one that holds words."""
    found = found_in(LAMBDA_LINES)
    assert (found.keyed, found.assign, found.separator, found.count, found.share) == (True, "=", ";", 100, 1.0)
    assert found.rate == pytest.approx(50, rel=0.02)
    mixture, state = found.columns
    assert (mixture.key, mixture.least, mixture.most, mixture.numbers) == ("lambda", 0.85, 0.879, 100)
    assert (state.key, state.words, state.is_state) == ("state", ("ready", "heating"), True)
    assert math.isnan(state.least)


@pytest.mark.parametrize(
    ("line", "separator", "width", "comma"),
    [
        ("12.54,4,13.9", ",", 3, False),
        ("12.54, 4, 13.9", ",", 3, False),
        ("0,853;13,9;850", ";", 3, True),
        ("1.5 2.5  3", " ", 3, False),
        ("1\t0.85\t98.6", "\t", 3, False),
        ("10:22:07,0.85,98.6", ",", 3, False),
        ("1,5 2,5 3,5", " ", 3, True),
        ("0.853", ";", 1, False),
    ],
)
def test_separator_and_decimal_comma_are_found(line: str, separator: str, width: int, comma: bool) -> None:
    """The layout with the most numbers is taken; a time of day does not make a colon a separator."""
    found = found_in([line] * 20)
    assert (found.separator, len(found.columns), found.decimal_comma) == (separator, width, comma)
    assert not found.keyed


def test_a_lone_comma_is_a_question() -> None:
    """0,853 may be one number or two: it is taken as one, and asked about; 900,35 with a moving width is two."""
    assert found_in([f"0,8{i:02}" for i in range(50)]).doubtful_comma
    two = found_in([f"{900 + i},{i}" for i in range(50)])
    assert not two.doubtful_comma
    assert len(two.columns) == 2


def test_colons_and_units_behind_numbers_are_read() -> None:
    """`boost: 12.0psi` is a name, a number and the unit behind it."""
    boost, rpm = found_in([f"boost: {12 + i % 3}.0psi, rpm: {3000 + i}" for i in range(30)]).columns
    assert (boost.key, boost.suffix, boost.unit, boost.least, boost.most) == ("boost", "psi", "psi", 12.0, 14.0)
    assert (rpm.key, rpm.suffix) == ("rpm", "")


def test_a_heading_names_the_columns_and_a_comment_mark_is_found() -> None:
    """The line without numbers that has a word for each column names them, behind a comment mark too."""
    lines = ["# RPM;MAP (kPa);AFR", *[f"{900 + i};{35 + i % 5};14.7" for i in range(40)], "# tick"]
    found = found_in(lines)
    assert (found.comment, found.heading) == ("#", ("RPM", "MAP (kPa)", "AFR"))
    assert [(column.name, column.unit, column.number) for column in found.columns] == [
        ("RPM", "", 1),
        ("MAP", "kPa", 2),
        ("AFR", "", 3),
    ]


def test_damage_lowers_the_share_and_is_not_read() -> None:
    """Every fifth line damaged: four fifths are laid out alike, and no range is taken from the damage."""
    lines = [f"oil={3 + i % 2}.5" if i % 5 else "o\x7fl=99" for i in range(100)]
    found = found_in(lines)
    assert found.share == pytest.approx(0.8)
    assert (found.columns[0].least, found.columns[0].most) == (3.5, 4.5)


def test_noise_and_two_lines_are_no_lines() -> None:
    """Random bytes are not lines of text, and of two lines nothing is said."""
    noise = random.Random(5)
    assert read_lines(heard([noise.randbytes(40) for _ in range(200)])) is None
    assert read_lines(heard_lines(["a=1", "a=2"])) is None


def test_the_line_decoder_reads_what_was_found() -> None:
    """Set up as found, the decoder of the watching reads every line to the range that was told."""
    found = found_in(LAMBDA_LINES)
    quantity = QUANTITIES["lambda"]
    channel = Channel(0, "lambda", quantity.unit, quantity.dimension, quantity.low, quantity.high)
    decoder = LineDecoder([Field("lambda", key="lambda")], {"lambda": channel}, separator=found.separator)
    samples: list[tuple[int, int, float, int]] = []
    decoder.few(0, "\n".join([*LAMBDA_LINES, ""]).encode(), samples)
    values = [value for _, _, value, _ in samples]
    assert (len(values), min(values), max(values)) == (100, found.columns[0].least, found.columns[0].most)
