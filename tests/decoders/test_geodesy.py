"""Distances on the ellipsoid against published ones, and a track that knows what it has not seen."""

from __future__ import annotations

import json
import math

import pytest
from geographiclib.geodesic import Geodesic
from hypothesis import given
from hypothesis import strategies as st

from pullwatch.decoders.geodesy import Track, distance_m

SECOND = 1_000_000_000


@pytest.mark.parametrize(
    ("one", "other", "metres", "tolerance"),
    [
        # Documentation examples of GeographicLib (JFK to LHR, Wellington to Salamanca), from memory; they agree with
        # geographiclib 2.1 and pyproj 3.7.2.
        ((40.6, -73.8), (51.6, -0.5), 5_551_759.4, 0.01),
        ((-41.32, 174.81), (40.96, -5.5), 19_959_679.267, 0.01),
        # The meridian arc of WGS84 from 0 to 1 degree, and one fix at 10 Hz; computed, same libraries.
        ((0.0, 0.0), (1.0, 0.0), 110_574.388558, 0.001),
        ((51.0, 7.0), (51.00004, 7.00005), 5.6676, 0.001),
        # A quarter mile (402.336 m) due east of 35 N 80 W; computed, same libraries. The end is given to 1e-8 degrees.
        ((35.0, -80.0), (34.99999992, -79.99559268), 402.336, 0.002),
        # The Vincenty test line Flinders Peak to Buninyon of the ICSM GDA Technical Manual, from memory; it is on
        # GRS80, whose flattening differs from that of WGS84 in the tenth digit.
        ((-37.9510334167, 144.4248678889), (-37.6528211389, 143.9264955278), 54_972.271, 0.002),
    ],
)
def test_published_distances(
    one: tuple[float, float], other: tuple[float, float], metres: float, tolerance: float
) -> None:
    """Each way round, the distance is the published one."""
    assert distance_m(*one, *other) == pytest.approx(metres, abs=tolerance)
    assert distance_m(*other, *one) == pytest.approx(metres, abs=tolerance)


@pytest.mark.parametrize(
    "bad", [(95.0, 0.0), (-90.1, 0.0), (0.0, 180.1), (0.0, -200.0), (math.nan, 0.0), (0.0, math.inf)]
)
def test_what_is_no_position_has_no_distance(bad: tuple[float, float]) -> None:
    """From a latitude beyond 90, a longitude beyond 180 or no number at all there is no distance."""
    assert math.isnan(distance_m(*bad, 1.0, 1.0))
    assert math.isnan(distance_m(1.0, 1.0, *bad))


LATITUDES = st.floats(-89.9, 89.9)
LONGITUDES = st.floats(-180.0, 180.0)


@given(LATITUDES, LONGITUDES, st.floats(-180.0, 180.0), st.floats(0.0, 5_000.0))
def test_going_there_and_measuring_agree(latitude: float, longitude: float, azimuth: float, metres: float) -> None:
    """Where one comes out after so many metres in a direction is that far away (geographiclib 2.1, direct problem)."""
    there = Geodesic.WGS84.Direct(latitude, longitude, azimuth, metres)
    assert distance_m(latitude, longitude, there["lat2"], there["lon2"]) == pytest.approx(metres, abs=1e-6)


@given(LATITUDES, LONGITUDES, st.floats(-0.01, 0.01), st.floats(-0.01, 0.01))
def test_a_sphere_is_near(latitude: float, longitude: float, north: float, east: float) -> None:
    """Over a kilometre the haversine on a sphere of 6,371,008.8 m is within 0.6 % (an independent formula)."""
    lat2, lon2 = min(latitude + north, 89.9), min(longitude + east, 180.0)
    a, b = math.radians(latitude), math.radians(lat2)
    h = math.sin((b - a) / 2) ** 2 + math.cos(a) * math.cos(b) * math.sin(math.radians(lon2 - longitude) / 2) ** 2
    assert distance_m(latitude, longitude, lat2, lon2) == pytest.approx(
        2 * 6_371_008.8 * math.asin(math.sqrt(h)), rel=6e-3, abs=1e-3
    )


def east(metres: float) -> tuple[float, float]:
    """Return the position so many metres east of 0 N 25 W, along the equator."""
    return 0.0, -25.0 + math.degrees(metres / 6_378_137.0)


def drive(track: Track, fixes: list[tuple[float, float] | None]) -> list[float]:
    """Take fixes a tenth of a second apart (None: lost); return what is said after each."""
    said = []
    for number, fix in enumerate(fixes):
        said.append(track.lost() if fix is None else track.fix(number * SECOND // 10, *fix))
    return said


def test_a_track_adds_up_its_steps() -> None:
    """From the first fix on, metres are the sum of the steps; before it nothing is known."""
    track = Track(SECOND)
    assert math.isnan(track.metres)
    assert math.isnan(track.lost()), "before the first fix nothing is lost"
    said = drive(track, [east(0), east(3), east(6), east(4)])
    assert said == pytest.approx([0.0, 3.0, 6.0, 8.0], abs=1e-6)
    assert track.gaps == 0


def test_a_lost_fix_is_not_bridged_unsaid() -> None:
    """While the fix is lost and after, the distance is not known; what it is at least goes on, by the straight line."""
    track = Track(SECOND)
    said = drive(track, [east(0), east(3), None, None, east(9), east(12)])
    assert said[:2] == pytest.approx([0.0, 3.0], abs=1e-6)
    assert all(math.isnan(metres) for metres in said[2:])
    assert track.gaps == 1
    assert track.at_least == pytest.approx(12.0, abs=1e-6)
    track.begin()
    assert drive(track, [east(12), east(13)]) == pytest.approx([0.0, 1.0], abs=1e-6)


def test_silence_is_a_gap() -> None:
    """A step of more than the longest believed time is a gap; one of just that time is none."""
    track = Track(SECOND)
    track.fix(0, *east(0))
    assert track.fix(SECOND, *east(30)) == pytest.approx(30.0, abs=1e-6)
    assert math.isnan(track.fix(2 * SECOND + 1, *east(60)))
    assert track.gaps == 1
    assert track.at_least == pytest.approx(60.0, abs=1e-6)


def test_a_gap_told_and_silent_counts_once() -> None:
    """A fix that is said to be lost, and then is away for long, is one gap; a second loss is another."""
    track = Track(SECOND)
    track.fix(0, *east(0))
    track.lost()
    track.fix(5 * SECOND, *east(30))
    assert track.gaps == 1
    track.lost()
    assert track.gaps == 2


def test_an_impossible_position_is_a_lost_fix() -> None:
    """A latitude of 95 degrees adds no distance: it is a gap."""
    track = Track(SECOND)
    said = drive(track, [east(0), (95.0, 0.0), east(1)])
    assert math.isnan(said[1])
    assert math.isnan(said[2])
    assert track.at_least == pytest.approx(1.0, abs=1e-6)


@given(st.lists(st.one_of(st.none(), st.tuples(LATITUDES, LONGITUDES)), max_size=12), st.integers(0, 12))
def test_a_checkpoint_changes_nothing(fixes: list[tuple[float, float] | None], cut: int) -> None:
    """A track that takes up what another carried, as JSON, goes on exactly as that one does."""
    whole, second = Track(SECOND), Track(SECOND)
    for number, fix in enumerate(fixes):
        if number == cut:
            second.carry(json.loads(json.dumps(whole.carried())))
        for track in (whole, second):
            _ = track.lost() if fix is None else track.fix(number * SECOND, *fix)
    if cut < len(fixes):
        assert second.carried() == whole.carried()
