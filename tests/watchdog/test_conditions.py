"""The rule language: what is read, and what is refused with column, reason and the nearest name."""

from __future__ import annotations

import contextlib
import time
from itertools import permutations, product
from typing import TYPE_CHECKING

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from pullwatch.channels import QUANTITIES, Channel, Dimension
from pullwatch.errors import ExpressionError, UnitError
from pullwatch.watchdog.conditions import (
    MOST_PARTS,
    SWAPPED,
    AllOf,
    AnyOf,
    Comparison,
    Condition,
    Lost,
    Names,
    Not,
    Term,
    Verdict,
    any_of,
    leaves,
    parse,
    parse_trip,
    quantity,
)
from pullwatch.watchdog.limits import Curve

from .oracle import either, opposite

if TYPE_CHECKING:
    from collections.abc import Callable

NUMBERS = {name: number for number, name in enumerate(QUANTITIES)}
CHANNELS = {
    name: Channel(NUMBERS[name], name, found.unit, found.dimension, digits=found.digits, says=found.says)
    for name, found in QUANTITIES.items()
}
LIMITS = {
    "leanest": Curve("leanest", NUMBERS["manifold_pressure"], (120.0, 240.0), (0.90, 0.83)),
    "oil_curve": Curve("oil_curve", NUMBERS["engine_speed"], (1000.0, 6000.0), (70.0, 400.0)),
}
NAMES = Names(CHANNELS, LIMITS, {"leanest": Dimension.LAMBDA, "oil_curve": Dimension.GAUGE_PRESSURE})


def read(text: str) -> Condition:
    """Read a condition over the whole catalogue."""
    return parse(text, NAMES)


def number_of(text: str) -> float:
    """Return the one number on the right of a comparison."""
    found = read(text)
    assert isinstance(found, Comparison)
    (term,) = found.right
    assert term.channel is None
    assert term.curve is None
    return term.factor


def refused(text: str) -> ExpressionError:
    """Return the error a text is refused with."""
    with pytest.raises(ExpressionError) as caught:
        read(text)
    return caught.value


RPM, MAP, BARO = NUMBERS["engine_speed"], NUMBERS["manifold_pressure"], NUMBERS["barometric_pressure"]
LAMBDA = NUMBERS["lambda"]
A, B, C = (Comparison(RPM, ">", (Term(float(n)),)) for n in (1, 2, 3))
TEXT_A, TEXT_B, TEXT_C = (f"engine_speed > {n} rpm" for n in (1, 2, 3))


# Verdicts


def test_the_order_of_verdicts() -> None:
    """No < fault < stale < blind < yes: `and` is the least of its parts."""
    assert sorted(Verdict) == [Verdict.NO, Verdict.FAULT, Verdict.STALE, Verdict.BLIND, Verdict.YES]


def test_or_is_not_and_not_for_every_three_verdicts() -> None:
    """Yes if one is yes, no if all are no, else the least not-knowing; held against the oracle's words."""
    assert [SWAPPED[verdict] for verdict in Verdict] == [opposite(verdict) for verdict in Verdict]
    for verdicts in product(Verdict, repeat=3):
        assert any_of(list(verdicts)) is either(list(verdicts)), verdicts
        for turned in permutations(verdicts):
            assert any_of(iter(turned)) is any_of(list(verdicts))


def test_not_knowing_is_never_the_same_as_yes_or_no() -> None:
    """With any unknown part, `and` is yes never, `or` is no never, and `not` of unknown is unknown."""
    unknown = (Verdict.FAULT, Verdict.STALE, Verdict.BLIND)
    for one, other in product(unknown, Verdict):
        assert min(one, other) is not Verdict.YES
        assert any_of([one, other]) is not Verdict.NO
        assert SWAPPED[one] in unknown


# Reading


def test_and_binds_closer_than_or_and_not_closer_than_both() -> None:
    """As in every language with the three words."""
    assert read(f"{TEXT_A} or {TEXT_B} and {TEXT_C}") == AnyOf((A, AllOf((B, C))))
    assert read(f"{TEXT_A} and {TEXT_B} or {TEXT_C}") == AnyOf((AllOf((A, B)), C))
    assert read(f"not {TEXT_A} and {TEXT_B}") == AllOf((Not(A), B))
    assert read(f"not ({TEXT_A} and {TEXT_B})") == Not(AllOf((A, B)))
    assert read(f"({TEXT_A} or {TEXT_B}) and {TEXT_C}") == AllOf((AnyOf((A, B)), C))
    assert read(f"not not {TEXT_A}") == A


def test_the_lean_gate_of_the_starting_rules() -> None:
    """A channel against a channel and a difference of pressures, with its deadband."""
    found = read("manifold_pressure > barometric_pressure + 20 kPa deadband 10 kPa")
    assert found == Comparison(MAP, ">", (Term(1.0, channel=BARO), Term(20.0)), 10.0)


def test_a_limit_is_named_and_may_be_scaled() -> None:
    """`0.8 * oil_curve` is a term with a factor."""
    assert read("lambda > leanest") == Comparison(LAMBDA, ">", (Term(1.0, curve="leanest"),))
    found = read("oil_pressure < 0.8 * oil_curve - 10 kPa")
    assert found == Comparison(NUMBERS["oil_pressure"], "<", (Term(0.8, curve="oil_curve"), Term(-10.0)))


def test_lost_is_read() -> None:
    """`lambda is lost`, alone or among others."""
    assert read("lambda is lost") == Lost(LAMBDA)
    assert read(f"not lambda is lost and {TEXT_A}") == AllOf((Not(Lost(LAMBDA)), A))


def test_leaves_are_found_from_left_to_right() -> None:
    """However deep they stand."""
    found = read(f"({TEXT_A} or not ({TEXT_B} and lambda is lost)) and {TEXT_C}")
    assert list(leaves(found)) == [A, B, Lost(LAMBDA), C]


@pytest.mark.parametrize("op", [">", ">=", "<", "<=", "==", "!="])
def test_every_comparison_is_read(op: str) -> None:
    """With or without spaces."""
    for text in (f"engine_speed {op} 1 rpm", f"engine_speed{op}1rpm"):
        found = read(text)
        assert isinstance(found, Comparison)
        assert (found.op, found.right, found.upward) == (op, (Term(1.0),), op in (">", ">="))


@pytest.mark.parametrize(
    ("text", "number"),
    [
        ("engine_speed > 6_500 rpm", 6500.0),
        ("boost > 1.2 bar", 120.0),
        ("boost > 20 psi", 137.89514586336722),  # 20 × 6.894757293168361 kPa (NIST SP 811, exact pound and inch)
        ("manifold_pressure > 250 kPa", 250.0),
        ("manifold_pressure > 36 psia", 248.211262554061),
        ("lambda > 0.9 lambda", 0.9),
        ("lambda > 12.5 AFR@14.7", 12.5 / 14.7),
        ("coolant_temperature > 221 °F", 105.0),
        ("ambient_temperature < 14 °F", -10.0),
        ("ambient_temperature < -40 °F", -40.0),
        ("ambient_temperature < -40°C", -40.0),
        ("ignition_advance < -5 deg", -5.0),
        ("ignition_advance < -5°", -5.0),
        ("vehicle_speed > 60 mph", 96.56064),
        ("acceleration > 4.903325 m/s2", 0.5),
        ("battery_voltage < 12_800 mV", 12.8),
        ("throttle > 80%", 80.0),
        ("cut_active > 0", 0.0),
        ("gear == 3", 3.0),
    ],
)
def test_numbers_are_brought_to_the_channels_unit(text: str, number: float) -> None:
    """Below zero and with an offset too."""
    assert number_of(text) == pytest.approx(number, abs=1e-9)


def test_a_deadband_of_temperatures_is_a_difference() -> None:
    """5 °C of deadband are 5 kelvin, not a place on the scale."""
    for unit in ("°C", "K"):
        found = read(f"coolant_temperature > 105 °C deadband 5 {unit}")
        assert isinstance(found, Comparison)
        assert found.deadband == 5.0


def test_a_sum_of_temperatures_adds_a_difference() -> None:
    """`ambient + 25 K`."""
    found = read("intake_air_temperature > ambient_temperature + 25 K")
    assert isinstance(found, Comparison)
    assert found.right == (Term(1.0, channel=NUMBERS["ambient_temperature"]), Term(25.0))


@pytest.mark.parametrize(
    "text",
    [
        "fuel_differential_pressure < manifold_pressure - barometric_pressure",
        "fuel_differential_pressure < 200 kPa",
        "boost > 0.5 * oil_pressure",
        "boost > manifold_pressure - barometric_pressure",
        "manifold_pressure > 0.5 * boost_target + 0.5 * manifold_pressure",
        "manifold_pressure > barometric_pressure + 0.5 * barometric_pressure - 0.5 * manifold_pressure",
    ],
)
def test_pressures_that_mean_something_together_are_taken(text: str) -> None:
    """A difference may be held against a difference of absolutes; an absolute against what adds up to one absolute."""
    read(text)


@pytest.mark.parametrize(
    "text",
    [
        "fuel_differential_pressure < manifold_pressure",
        "manifold_pressure > 0.5 * barometric_pressure",
        "manifold_pressure > barometric_pressure + boost",
        "boost > barometric_pressure",
        "boost > 1.5 * manifold_pressure - barometric_pressure",
    ],
)
def test_pressures_that_mean_nothing_together_are_refused(text: str) -> None:
    """Half an absolute pressure, gauge against absolute, a difference against an absolute: each is a mistake."""
    assert "cannot be compared directly" in refused(text).what


# Refusing


@pytest.mark.parametrize(
    ("text", "column", "words"),
    [
        ("", 0, "nothing is asked for"),
        ("   ", 0, "nothing is asked for"),
        ("engine_sped > 1 rpm", 1, '"engine_sped" is no channel (did you mean "engine_speed"?)'),
        ("lambda > leanst", 10, '"leanst" is neither a channel nor a limit (did you mean "leanest"?)'),
        ("leanest < lambda", 1, '"leanest" is a limit; the channel it limits comes first'),
        ("engine_speed", 13, "a comparison (> >= < <= == !=)"),
        ("engine_speed >", 15, "a number, a channel or a limit was expected, not the end"),
        ("engine_speed > 1 rpm and", 25, "a channel was expected, not the end"),
        ("(engine_speed > 1 rpm", 22, '")" was expected, not the end'),
        ("engine_speed > 1 rpm)", 21, '")" was not expected here'),
        ("engine_speed > 1 rpm lambda", 22, '"lambda" was not expected here'),
        ("engine_speed is gone", 17, '"lost" was expected after "is", not gone'),
        ("engine_speed ? 1 rpm", 14, '"?" has no meaning here'),
        ("gear == 3 deadband 1", 11, "a deadband has no meaning with =="),
        ("gear > 3 deadband gear", 19, "a number was expected after deadband, not gear"),
        ("1 > gear", 1, "a channel was expected, not 1"),
        ("and > 1", 1, "a channel was expected, not and"),
        ("+ engine_speed > 1 rpm )", 1, "a channel was expected, not +"),
        ("(engine_speed is lost -", 23, '")" was expected, not -'),
        ("gear > not", 8, "a number, a channel or a limit was expected, not not"),
    ],
)
def test_what_cannot_be_understood_is_refused_with_its_column(text: str, column: int, words: str) -> None:
    """Columns count from 1; the nearest valid name is offered."""
    error = refused(text)
    assert words in error.what
    assert error.column == column
    assert error.text == text
    assert str(error).startswith(f'in "{text}"')


@pytest.mark.parametrize(
    ("text", "column", "words"),
    [
        ("engine_speed > 6500", 16, "6500 needs a unit; engine_speed is in rpm"),
        ("engine_speed > 6500 and gear > 1", 16, "6500 needs a unit"),
        ("engine_speed > 6500 kPa", 21, "kPa is not a unit of rotational speed"),
        ("engine_speed > 6500 rmp", 21, 'unit "rmp" is not known (did you mean "rpm"?)'),
        ("boost > 250 psia", 13, "boost is gauge"),
        ("manifold_pressure > 20 psi", 24, "manifold_pressure is absolute, and psi does not say so: write psia"),
        ("manifold_pressure > 2.5 bar", 25, "write bara if absolute is meant"),
        ("manifold_pressure > 20 psig", 24, "manifold_pressure is absolute"),
        ("fuel_differential_pressure < 40 psig", 33, "a difference of pressures"),
        ("lambda > 12.0 AFR", 15, "12 could mean lambda 0.816 on 14.7, 0.852"),
        ("lambda > 12.0 afr", 15, "12 AFR@14.7"),
        ("lambda > 12.0", 10, "12 needs a unit; lambda is in lambda"),
        ("lambda > 12 AFR@2", 13, "is not between 5 and 20"),
        ("gear > 3 rpm", 10, "rpm is not a unit of plain number"),
        ("manifold_pressure > barometric_pressure + 20", 43, "20 needs a unit"),
        ("manifold_pressure > barometric_pressure + 20 kPaa", 46, "kPaa"),
        ("manifold_pressure > boost", 21, "manifold_pressure is absolute, the other side is not"),
        ("boost > manifold_pressure", 9, "boost is gauge, the other side is not"),
        ("manifold_pressure > barometric_pressure + barometric_pressure", 21, "the other side is not"),
        ("engine_speed > vehicle_speed", 16, "rotational speed, the other side is road speed"),
        ("manifold_pressure > engine_speed", 21, "is a pressure and cannot be held against"),
        ("coolant_temperature > 105 °C deadband 5 kPa", 41, "kPa is not a unit"),
    ],
)
def test_units_and_kinds_that_do_not_fit_are_refused(text: str, column: int, words: str) -> None:
    """Gauge against absolute, a bare air-fuel number, a missing unit: refused, with what to write instead."""
    error = refused(text)
    assert isinstance(error, UnitError)
    assert words in error.what
    assert error.column == column


def test_gauge_and_absolute_meet_only_through_the_barometer() -> None:
    """`boost > manifold − barometric` means something; the same without the barometer does not."""
    found = read("boost > manifold_pressure - barometric_pressure")
    assert isinstance(found, Comparison)
    assert found.right == (Term(1.0, channel=MAP), Term(-1.0, channel=BARO))
    assert isinstance(refused("boost > manifold_pressure - boost"), UnitError)


def test_a_trip_is_one_comparison_with_a_side() -> None:
    """So that it has a margin, a unit and one number; everything else belongs in `while`."""
    assert parse_trip("lambda > leanest", NAMES) == read("lambda > leanest")
    assert parse_trip("lambda is lost", NAMES) == Lost(LAMBDA)
    for text, words in (
        (f"{TEXT_A} and {TEXT_B}", "a trip is one comparison"),
        (f"not {TEXT_A}", "a trip is one comparison"),
        ("gear == 3", "a trip needs a side to be on"),
        ("gear != 3", "a trip needs a side to be on"),
    ):
        with pytest.raises(ExpressionError, match=words):
            parse_trip(text, NAMES)


@pytest.mark.parametrize(
    ("text", "dimension", "unit", "value"),
    [
        ("2.5 bar", Dimension.GAUGE_PRESSURE, "kPa", 250.0),
        ("-10 °C", Dimension.TEMPERATURE, "°C", -10.0),
        ("-40 °F", Dimension.TEMPERATURE, "°C", -40.0),
        ("0.5 s", Dimension.TIME, "ms", 500.0),
        ("12.5 AFR@14.7", Dimension.LAMBDA, "lambda", 12.5 / 14.7),
        ("3", Dimension.NUMBER, "", 3.0),
    ],
)
def test_a_quantity_is_one_number_with_its_unit(text: str, dimension: Dimension, unit: str, value: float) -> None:
    """In the stored unit."""
    assert quantity(text, dimension, unit) == pytest.approx(value, abs=1e-9)


@pytest.mark.parametrize("text", ["", "bar", "2.5", "2.5 bar bar", "2.5 psia", "- bar", "2.5 bar + 1 bar", "--1 bar"])
def test_what_is_no_quantity_is_refused(text: str) -> None:
    """A quantity in gauge pressure, here."""
    with pytest.raises(ExpressionError):
        quantity(text, Dimension.GAUGE_PRESSURE, "kPa")


# Bounds


def test_a_condition_has_a_bounded_number_of_comparisons() -> None:
    """`MOST_PARTS` are read, one more is refused."""
    assert len(list(leaves(read(" or ".join([TEXT_A] * MOST_PARTS))))) == MOST_PARTS
    assert f"more than {MOST_PARTS} comparisons" in refused(" or ".join([TEXT_A] * (MOST_PARTS + 1))).what


def test_brackets_are_bounded() -> None:
    """No text makes the reader run out of stack."""
    assert f"more than {MOST_PARTS} levels" in refused("(" * 100_000).what
    assert read("(" * (MOST_PARTS - 1) + TEXT_A + ")" * (MOST_PARTS - 1)) == A


@pytest.mark.parametrize(
    "text",
    [
        "not " * 10_000 + TEXT_A,
        "gear > " + " + ".join(["1"] * 5_000),
        "gear > " + "1" * 20_000,
        " " * 20_000 + TEXT_A,
        "gear > 1" + " " * 20_000 + "?",
        "x" * 20_000 + " > 1",
    ],
    ids=["not", "sum", "digits", "spaces", "spaces before an error", "long name"],
)
def test_reading_costs_little_whatever_is_typed(text: str) -> None:
    """Read or refused within a second of processor time, for texts far beyond anything a person types."""
    begin = time.process_time()
    with contextlib.suppress(ExpressionError):
        read(text)
    assert time.process_time() - begin < 1.0


LANGUAGE = """
and or not is lost deadband ( ) + - * > >= < <= == != 0.9 1 20 6_500 1e9 nan ٣ ² é . @ ° °F °C kPa psi psia psig bar rpm
% m/s2 km/h AFR AFR@ AFR@14.7
"""
WORDS = st.sampled_from([*CHANNELS, *LIMITS, *LANGUAGE.split(), "\x00", "\n", '"'])


def only_reads_or_refuses(text: str) -> None:
    """Whatever the text: a condition, or an ExpressionError that says where."""
    readers: tuple[Callable[[str], object], ...] = (
        read,
        lambda words: parse_trip(words, NAMES),
        lambda words: quantity(words, Dimension.LAMBDA, "lambda"),
    )
    for reader in readers:
        refusal: ExpressionError | None = None
        try:
            reader(text)
        except ExpressionError as error:
            refusal = error
        assert refusal is None or (refusal.what and 0 <= refusal.column <= len(text) + 1)


@given(text=st.text(max_size=60))
@example(text="gear > ²")
@example(text="gear > ٣")
@example(text="lambda > 12 AFR@٣.٣")
@example(text="lambda > 1 AFR@" + "9" * 400)
@example(text="gear > " + "9" * 400)
@example(text="coolant_temperature > " + "9" * 400 + " °F")
@example(text="gear > \ud800")
def test_any_text_is_read_or_refused(text: str) -> None:
    """Nothing but an ExpressionError ever comes out of reading."""
    only_reads_or_refuses(text)


@settings(max_examples=400)
@given(words=st.lists(WORDS, max_size=14), glue=st.sampled_from([" ", ""]))
def test_any_heap_of_the_languages_own_words_is_read_or_refused(words: list[str], glue: str) -> None:
    """The same, nearer to the language."""
    only_reads_or_refuses(glue.join(words))


@st.composite
def conditions(draw: st.DrawFn, depth: int = 3) -> tuple[str, Condition]:
    """Any condition with the text it is written as."""
    shape = draw(st.integers(0, 3 if depth else 0))
    if shape == 0:
        number, op = draw(st.integers(0, 9_999)), draw(st.sampled_from([">", ">=", "<", "<="]))
        text, right = f"engine_speed {op} {number} rpm", (Term(float(number)),)
        if draw(st.booleans()):
            return f"{text} deadband {number} rpm", Comparison(RPM, op, right, float(number))
        return text, Comparison(RPM, op, right)
    if shape == 1:
        text, inner = draw(conditions(depth - 1))
        return f"not ({text})", Not(inner)
    parts = draw(st.lists(conditions(depth - 1), min_size=2, max_size=3))
    word = " and " if shape == 2 else " or "
    inside = tuple(part for _, part in parts)
    return word.join(f"({text})" for text, _ in parts), AllOf(inside) if shape == 2 else AnyOf(inside)


@given(pair=conditions())
def test_what_is_written_is_what_is_read(pair: tuple[str, Condition]) -> None:
    """Every shape of condition comes back from its text."""
    text, expected = pair
    assert read(text) == expected
