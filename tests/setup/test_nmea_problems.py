"""A satellite receiver in the setup: what is taken from where, whether it fits the wire, and what is refused."""

from __future__ import annotations

from functools import reduce
from operator import xor
from typing import TYPE_CHECKING

import pynmea2
import pytest

from pullwatch.channels import NO_DELAY, Delay, Dimension, unit_named
from pullwatch.checks import check, report
from pullwatch.clock import NS_PER_MS
from pullwatch.errors import SetupError
from pullwatch.setup import Plan, decoders_for, load
from pullwatch.setup.feed_kinds import KINDS
from pullwatch.setup.feed_kinds.nmea import BYTES, MOST_BYTES

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

    from pullwatch.columns import Sample

    Write = Callable[[str], Path]

CAR = '[car]\nname = "copper hatch"\n'
FEED = """
[[feed]]
name = "gps"
kind = "nmea"
port = "serial:GH7788"
baud = 38_400
rate_hz = 10
sentences = ["RMC", "GGA"]
channels = { vehicle_speed = "speed", latitude = "latitude", altitude = "altitude", satellites = "satellites" }
"""
RIGHT = CAR + FEED


def problem(path: Path) -> str:
    """Return the one problem of a setup, as it is told."""
    with pytest.raises(SetupError) as found:
        load(path)
    (only,) = found.value.problems
    return str(only)


@pytest.mark.parametrize(
    ("old", "new", "says"),
    [
        ('= "speed"', '= "sped"', '"sped" is nothing a receiver tells (did you mean "speed"?)'),
        ('= "speed"', '= "course"', "course is in deg; vehicle_speed is road speed"),
        ('altitude = "altitude"', 'engine_speed = "altitude"', "engine_speed is rotational speed"),
        ('altitude = "altitude"', 'altitude = "hdop"', "hdop is a plain number; altitude is length"),
        ('altitude = "altitude"', 'wheel_speed_fl = "speed"', "speed goes to vehicle_speed already"),
        ('["RMC", "GGA"]', '["GGA"]', "speed comes in RMC or VTG, which is not among the sentences"),
        ('["RMC", "GGA"]', '["RMC", "GGA", "GGB"]', '"GGB" is no sentence known here (did you mean "GGA"?)'),
        ('["RMC", "GGA"]', '["RMC", "GGA", "RMC"]', "RMC is named twice"),
        ('"serial:GH7788"', '"serial:"', 'feed "gps" port'),
        ("rate_hz = 10", "rate_hz = 0", 'feed "gps" rate_hz'),
        ("rate_hz = 10", "rate_hz = 101", 'feed "gps" rate_hz'),
        ("baud = 38_400", "boud = 38_400", 'did you mean "baud"?'),
        ("baud = 38_400", "checksum = false", "this key is not known"),
    ],
)
def test_what_is_refused(write: Write, old: str, new: str, says: str) -> None:
    """What a receiver cannot tell, a channel cannot hold or a sentence does not have is refused in words, once."""
    assert old in RIGHT
    assert says in problem(write(RIGHT.replace(old, new)))


def test_channels_must_be_named(write: Write) -> None:
    """A receiver without channels is refused, with how they are written."""
    line = next(line for line in FEED.splitlines() if line.startswith("channels"))
    assert 'vehicle_speed = "speed"' in problem(write(RIGHT.replace(line, "channels = {}")))
    assert "is missing" in problem(write(RIGHT.replace(line, "")))


def test_three_sentences_ten_times_a_second_do_not_fit_9600_baud(write: Write) -> None:
    """What cannot fit is refused with the sum, and with a baud that carries it.

    RMC, GGA and VTG of 61, 67 and 31 bytes at least are 159 × 10 = 1,590 bytes a second, and 3 × 82 × 10 = 2,460 at
    most; 9,600 Bd carry 960 (8N1, ten bits a byte). 38,400 Bd carry 3,840, of which 2,460 is less than 80 %.
    """
    text = RIGHT.replace("38_400", "9_600").replace('"GGA"]', '"GGA", "VTG"]')
    told = problem(write(text))
    assert 'feed "gps" rate_hz: RMC, GGA, VTG at 10 Hz need 1,590 to 2,460 bytes a second; 9,600 Bd carry 960.' in told
    assert "Set receiver and setup to 38,400 Bd" in told


def test_a_wire_over_four_fifths_full_is_a_caution(write: Write) -> None:
    """RMC alone at 10 Hz may take 820 of the 960 bytes that 9,600 Bd carry: it is used, and one is told."""
    text = RIGHT.replace("38_400", "9_600").replace('"RMC", "GGA"', '"RMC"')
    text = text.replace(', altitude = "altitude", satellites = "satellites"', "")
    found = check(write(text))
    assert "610 to 820 bytes a second of the 960 that 9,600 Bd carry (64% to 85%)" in found.text()
    assert [c for c in found.cautions if "may take 85% of what 9,600 Bd carry" in c]
    calm = check(write(text.replace("9_600", "19_200")))
    assert not [c for c in calm.cautions if "may take" in c]


def test_over_a_network_there_is_no_baud(write: Write) -> None:
    """A receiver behind TCP is not held against a baud that nobody uses."""
    text = RIGHT.replace("serial:GH7788", "socket://127.0.0.1:9000").replace("38_400", "4_800")
    found = check(write(text))
    assert "over a network there is no baud" in found.text()
    assert not [c for c in found.cautions if "may take" in c]


SHORTEST = {
    "RMC": "GPRMC,123519,A,4807.0380,N,01131.0000,E,0.0,,230326,,,A",
    "GGA": "GPGGA,123519,4807.0380,N,01131.0000,E,1,08,0.9,5.4,M,46.9,M,,",
    "VTG": "GPVTG,,T,,M,0.0,N,0.0,K,A",
    "GLL": "GPGLL,4807.0380,N,01131.0000,E,123519,A,A",
    "GSA": "GPGSA,A,3,04,05,09,,,,,,,,,,2.5,1.3,2.1",
    "GSV": "GPGSV,1,1,01,04,30,120,42",
    "ZDA": "GPZDA,123519,23,03,2026,00,00",
    "GNS": "GNGNS,123519,4807.0380,N,01131.0000,E,AA,08,0.9,5.4,46.9,,",
    "GST": "GPGST,123519,1.2,1.5,1.1,12.1,1.0,1.1,1.9",
}


@pytest.mark.parametrize("sentence", BYTES)
def test_the_sum_rests_on_sentences_as_they_are(sentence: str) -> None:
    """The least bytes are those of a short sentence that is whole (pynmea2 1.19.0); the most, the standard's 82."""
    body = SHORTEST[sentence]
    line = f"${body}*{reduce(xor, body.encode(), 0):02X}\r\n"
    assert type(pynmea2.parse(line, check=True)).__name__ == sentence
    assert BYTES[sentence] == (len(line), MOST_BYTES * (4 if sentence == "GSV" else 1))


def test_the_usual_lag_and_rate(write: Write) -> None:
    """Where the setup says nothing, a receiver's channels are 100 to 500 ms late and as frequent as its fixes."""
    plan = load(write(RIGHT))
    assert {channel.delay for channel in plan.channels} == {Delay(100 * NS_PER_MS, 500 * NS_PER_MS)}
    assert set(plan.rates) == {10.0}
    assert {channel.stale_after for channel in plan.channels} == {300 * NS_PER_MS}
    assert "lags 100 to 500 ms (common practice, no source)" in report(plan).text()


def test_the_setup_has_the_last_word_on_lag_and_rate(write: Write) -> None:
    """A channel's own delay_ms, rate_hz and time_constant_ms are taken; no delay can be said too."""
    own = "[channel.vehicle_speed]\ndelay_ms = [50, 120]\nrate_hz = 5\n[channel.altitude]\ntime_constant_ms = 400\n"
    own += "[channel.satellites]\nrate_hz = 2\n"
    plan = load(write(RIGHT + own + "[channel.latitude]\ndelay_ms = [0, 0]\n"))
    speed, altitude = plan.channel("vehicle_speed"), plan.channel("altitude")
    assert speed.delay == Delay(50 * NS_PER_MS, 120 * NS_PER_MS)
    assert plan.rates[speed.number] == 5.0
    assert altitude.delay == Delay(100 * NS_PER_MS, 500 * NS_PER_MS, time_constant=400 * NS_PER_MS)
    assert plan.channel("latitude").delay == NO_DELAY
    assert plan.channel("satellites").delay == Delay(100 * NS_PER_MS, 500 * NS_PER_MS), "of its lag nothing is said"


def test_no_other_kind_has_a_usual_lag(write: Write, right: str) -> None:
    """Of a line of text nothing is known that its setup does not say."""
    plan = load(write(right))
    assert {channel.delay for channel in plan.channels} == {NO_DELAY}
    assert set(plan.rates) == {None}


def test_a_slow_receiver_is_not_always_stale(write: Write) -> None:
    """At one fix a second a value is good for three of them."""
    plan = load(write(RIGHT.replace("rate_hz = 10\n", "")))
    assert {channel.stale_after for channel in plan.channels} == {3_000 * NS_PER_MS}
    text = RIGHT.replace("rate_hz = 10\n", "") + "[channel.altitude]\nstale_after_ms = 300\n"
    assert "less than one period at 1 Hz" in problem(write(text))


def test_a_critical_rule_on_speed_is_told_for_the_record(write: Write) -> None:
    """The lag is part of the chain: what comes half a second late is no reason to shout."""
    rule = '[[rule]]\nname = "fast"\ntrip = "vehicle_speed > 200 km/h"\npriority = "critical"\nsays = "Fast. Lift."\n'
    plan = load(write(RIGHT + rule))
    assert plan.facts[0].note
    found = report(plan)
    ((_, links),) = found.chains
    (sensor,) = [part for part in links.parts if part.name == "sensor and filter"]
    assert (sensor.least, sensor.most) == (100.0, 500.0)


def test_what_is_told_of_the_feed(write: Write) -> None:
    """`check` says which sentence gives what, and that positions are kept."""
    found = check(write(RIGHT.replace('altitude = "altitude"', 'course = "course"')))
    text = found.text()
    assert "satellite receiver, NMEA 0183, 38,400 Bd, 10 Hz: RMC, GGA" in text
    assert "speed, latitude, course from RMC; satellites from GGA" in text
    assert "no course below 5 km/h" in text
    assert [c for c in found.cautions if "whoever is given it sees where the car was" in c]


def test_the_order_of_sentences_decides_the_source(write: Write) -> None:
    """What two sentences tell is taken from the one named first, live and in a replay of the recorded plan alike."""
    text = RIGHT.replace('["RMC", "GGA"]', '["VTG", "GGA", "RMC"]')
    plan = load(write(text))
    again = Plan.from_dict(plan.to_dict())
    assert again == plan
    body = "GNVTG,,T,,M,20.00,N,37.04,K,A"
    line = f"${body}*{reduce(xor, body.encode(), 0):02X}\r\n".encode()
    for some in (plan, again):
        samples: list[Sample] = []
        decoders_for(some)[1].few(0, line, samples)
        assert [(channel, value) for _, channel, value, _ in samples] == [(plan.channel("vehicle_speed").number, 37.04)]


def test_a_channel_of_ones_own(write: Write) -> None:
    """A second speed has its own name and unit."""
    text = RIGHT.replace("vehicle_speed =", "ground_speed =") + '[channel.ground_speed]\nunit = "km/h"\n'
    assert load(write(text)).channel("ground_speed").dimension is Dimension.SPEED


@pytest.mark.parametrize(("word", "metres"), [("m", 1.0), ("km", 1_000.0), ("ft", 0.3048), ("mi", 1_609.344)])
def test_units_of_length(word: str, metres: float) -> None:
    """International foot and mile (NIST SP 811, appendix B.8, from memory), metre and kilometre."""
    unit = unit_named(word)
    assert (unit.factor, unit.stored, unit.dimensions) == (metres, "m", frozenset({Dimension.LENGTH}))


def test_rules_may_be_about_altitude_and_position(write: Write) -> None:
    """Limits of what a receiver tells are written with their units."""
    rules = "".join(
        f'[[rule]]\nname = "{number}"\ntrip = "{trip}"\n'
        for number, trip in enumerate(
            ("altitude > 3000 ft", "latitude > 51.5 deg", "satellites < 5", "satellites is lost")
        )
    )
    plan = load(write(RIGHT + rules))
    assert [rule.name for rule in plan.rules.rules][:4] == ["0", "1", "2", "3"]


def test_the_kind_stands_in_the_table() -> None:
    """The receiver is one of the kinds, whose link is told apart from its lag."""
    assert KINDS["nmea"].link_ms[:2] == (1.0, 20.0)
