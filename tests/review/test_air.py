"""The air: held against published figures and sheets, and refused where the kind of pressure is not known."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest
from tests.review.tables import pull, table

from pullwatch.review.air import (
    CORRECTIONS,
    density,
    density_altitude,
    dew_point,
    saturation_pressure,
    sea_level_pressure,
    station_pressure,
    vapour_pressure,
)
from pullwatch.review.air_answer import answer
from pullwatch.review.given import Given, Slip, Weather
from pullwatch.reviewing.reading import reviewed

FOOT = 0.3048
WALL = 1_750_000_000_000_000_000


@pytest.mark.parametrize(("celsius", "pascal"), [(0, 611.2), (10, 1228), (20, 2339), (25, 3170)])
def test_saturation(celsius: float, pascal: float) -> None:
    """Reference libraries (psychrolib 2.5.0, CoolProp 8.0.0) within 12 Pa of the Magnus form (1996)."""
    assert saturation_pressure(celsius) * 100 == pytest.approx(pascal, abs=12.7)


@pytest.mark.parametrize(
    ("celsius", "hpa", "humidity", "rho"),
    [(15, 1013.25, 0, 1.22498), (25, 990, 0, 1.15673), (30, 980, 50, 1.11696)],
)
def test_density(celsius: float, hpa: float, humidity: float, rho: float) -> None:
    """Ideal mixture (computed; psychrolib 2.5.0 GetMoistAirDensity, CoolProp HAPropsSI): within 0.1 %."""
    assert density(celsius, hpa, humidity) == pytest.approx(rho, rel=1e-3)


@pytest.mark.parametrize(
    ("metres", "kelvin", "pascal", "rho"),
    [
        (0, 288.15, 101325, 1.225), (1000, 281.65, 89874.6, 1.11164),
        (2000, 275.15, 79495.2, 1.00649), (3000, 268.65, 70108.5, 0.909122),
    ],
)  # fmt: skip
def test_density_altitude_of_the_standard_atmosphere_is_its_height(
    metres: float, kelvin: float, pascal: float, rho: float
) -> None:
    """ISO 2533:1975 (ICAO Doc 7488/3): its dry air has the density altitude of its height, within the sheet's 10 m."""
    assert density(kelvin - 273.15, pascal / 100, 0) == pytest.approx(rho, rel=2e-4)
    assert density_altitude(kelvin - 273.15, pascal / 100, 0) == pytest.approx(metres, abs=12)


@pytest.mark.parametrize(("celsius", "dew", "hpa", "feet"), [(35, 20, 900.0, 6543.9), (10, 5, 1000.0, -17.4)])
def test_density_altitude_of_the_weather_service(celsius: float, dew: float, hpa: float, feet: float) -> None:
    """US National Weather Service density altitude sheet (text seen): within 10 ft; our vapour formula is another."""
    humidity = 100 * saturation_pressure(dew) / saturation_pressure(celsius)
    assert dew_point(celsius, humidity) == pytest.approx(dew)
    assert density_altitude(celsius, hpa, humidity) / FOOT == pytest.approx(feet, abs=10)


@pytest.mark.parametrize(
    ("celsius", "hpa", "humidity", "dry", "factors"),
    [
        (35, 960, 50, 931.91, {"SAE J1349": 1.0944, "ISO 1585": 1.0968, "DIN 70020": 1.0821}),
        (15, 1005, 40, 998.19, {"SAE J1349": 0.9705, "ISO 1585": 0.9701, "DIN 70020": 0.9996}),
    ],
)
def test_corrections(celsius: float, hpa: float, humidity: float, dry: float, factors: dict[str, float]) -> None:
    """SAE J1349 (June 1990), ISO 1585 / UN R85, DIN 70020 (text seen in part, rest from memory): within 0.0003."""
    assert hpa - vapour_pressure(celsius, humidity) == pytest.approx(dry, abs=0.1)
    assert {one.name: one.factor(celsius, hpa, humidity) for one in CORRECTIONS} == pytest.approx(factors, abs=3e-4)


def test_a_sea_level_pressure_is_a_fifth_off_in_the_mountains() -> None:
    """US National Weather Service station pressure formula (from memory): 1013.25 hPa at 1,600 m is 835.2 hPa."""
    assert station_pressure(1013.25, 1600) == pytest.approx(835.2, abs=0.1)
    assert sea_level_pressure(station_pressure(1003.0, 1234.0), 1234.0) == pytest.approx(1003.0)
    assert 1013.25 / station_pressure(1013.25, 1600) - 1 == pytest.approx(0.21, abs=0.005)


# ---- the answer ------------------------------------------------------------------------------------------------------


def asked(*weather: Weather, slips: tuple[Slip, ...] = (), mass: float | None = None, **curves: Any) -> Any:
    one = table(12.0, pull(**curves), wall=WALL, session="s")
    one = replace(one, car=replace(one.car, mass_kg=mass))
    return answer(reviewed(one, Given(weather=weather, slips=slips)))


def weather(**said: Any) -> Weather:
    return Weather("w", WALL + 60_000_000_000, **{"temperature": 20.0, "humidity": 50.0, "pressure": 1000.0, **said})


def bare() -> dict[str, Any]:
    """Return a pull of a car that measures neither the air's pressure nor its temperature."""
    return {
        name: points for name, points in pull().items() if name not in ("barometric_pressure", "ambient_temperature")
    }


def asked_bare(*said: Weather) -> Any:
    return answer(reviewed(table(12.0, bare(), wall=WALL, session="s"), Given(weather=said)))


def test_the_kind_of_pressure_is_asked_for() -> None:
    """Station: used. Sea level with a height: brought there. Sea level without, or nothing said: refused, with why."""
    assert "at the place" in asked_bare(weather(kind="station")).lines[0]
    assert "835 hPa at 1600 m" in asked_bare(weather(kind="sea level", pressure=1013.25, altitude=1600.0)).lines[0]
    assert "height of the place" in asked_bare(weather(kind="sea level")).refused
    assert "was not written down: ask" in asked_bare(weather()).refused
    assert "no pressure is known" in asked_bare().refused


def test_old_weather_does_not_count() -> None:
    """What was written down half a day from the run says nothing of its air."""
    assert "no pressure" in asked_bare(replace(weather(kind="station"), at=WALL + 12 * 3600 * 10**9)).refused


def test_intake_air_is_no_outside_temperature() -> None:
    """The air in the tube is warmer than the air outside: without a thermometer outside nothing is told."""
    assert "no substitute" in asked_bare(weather(kind="station", temperature=None)).refused


def test_what_is_not_known_of_humidity_widens_the_interval() -> None:
    """From dry to saturated at 20 °C is some 80 m of density altitude, and the interval says so."""
    known = asked_bare(weather(kind="station")).data["runs"][0]["density_altitude_m"]
    open_ = asked_bare(weather(kind="station", humidity=None)).data["runs"][0]["density_altitude_m"]
    assert open_[0] < known[0] < known[1] < open_[1]
    assert open_[1] - open_[0] > 60 + known[1] - known[0] - 20


def test_no_correction_is_applied_to_an_engine_that_holds_its_boost() -> None:
    """It is named with its factor, and not used."""
    said = asked_bare(weather(kind="station"))
    assert "NOT applied" in said.lines[-1]
    assert said.data["correction_used"] is None


def test_power_from_the_slip_names_every_formula() -> None:
    """3,000 lb at 130 mph: 514.4 hp by the common formula (common practice, no source); the others beside it."""
    slip = Slip("a", WALL, {"1320 ft": 11.0}, {"1320 ft": 130 * 1.609344}, session="s", run=1)
    said = asked(weather(kind="station"), slips=(slip,), mass=3000 * 0.45359237)
    power = said.data["runs"][0]["power_kw"]["speed"]
    assert power["common practice"] / 0.745699872 == pytest.approx(514.403, abs=0.01)
    assert set(power) == {"common practice", "Huntington", "Fox"}
    assert any("not measurements" in line for line in said.lines)
    assert any("mass with driver" in line for line in asked(weather(kind="station"), slips=(slip,)).lines)
