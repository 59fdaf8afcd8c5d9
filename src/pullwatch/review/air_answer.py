"""What is the air doing: density altitude with its interval, what a correction would say, power from weight and slip.

Pressure comes from the car's own barometer, else from what the owner wrote down. A typed pressure whose kind is not
stated is refused: reduced to sea level or not, at 1,600 m the two are 21 % apart.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final

from pullwatch.review.air import CORRECTIONS, density, density_altitude, station_pressure
from pullwatch.review.answer import Answer
from pullwatch.review.run import Class
from pullwatch.review.strip import FORMULAS, power_from_speed, power_from_time

if TYPE_CHECKING:
    from collections.abc import Sequence

    from pullwatch.review.answer import Reviewed
    from pullwatch.review.given import Weather
    from pullwatch.review.run import Run

QUESTION: Final = "What is the air doing?"
LONGEST: Final = 6 * 3600 * 1_000_000_000
"""ns before and after a run within which weather that was written down counts for it (common practice, no source)."""
BAROMETER: Final = 0.5
"""± kPa of a car's barometric sensor, and ..."""
THERMOMETER: Final = 2.0
"""... ± °C of an outside temperature sensor, where the owner states no accuracy (common practice, no source)."""
WRITTEN: Final = 1.0
"""± hPa, and ± °C, of weather that was written down (common practice, no source)."""
STREET: Final = Class.STREET_PULL


@dataclass(frozen=True, slots=True)
class Air:
    """The air of a run: [least, most] of temperature °C, station pressure hPa, humidity %; and where each is from."""

    temperature: tuple[float, float]
    station: tuple[float, float]
    humidity: tuple[float, float]
    sources: tuple[str, ...]

    def interval(self, function: Any) -> tuple[float, float]:
        """Return least and most of a function of (temperature, station, humidity) over all corners."""
        values = [function(t, p, rh) for t in self.temperature for p in self.station for rh in self.humidity]
        return min(values), max(values)


def answer(reviewed: Reviewed) -> Answer:
    """Return what the air was in each run, and what it does to what is compared."""
    if reviewed.runs.why_not:
        return Answer(QUESTION, (), refused=reviewed.runs.why_not)
    lines: list[str] = []
    data: list[dict[str, Any]] = []
    refusals: list[str] = []
    altitudes: list[tuple[float, float]] = []
    for run in reviewed.runs.runs:
        air = air_of(reviewed, run)
        if isinstance(air, str):
            refusals.append(f"run {run.number}: {air}")
            continue
        thin = air.interval(density_altitude)
        thick = air.interval(density)
        altitudes.append(thin)
        lines.append(
            f"run {run.number}: density altitude {_span(thin, 0)} m, air {_span(thick, 3)} kg/m³ "
            f"({'; '.join(air.sources)})"
        )
        row: dict[str, Any] = {"run": run.number, "density_altitude_m": list(thin), "density_kg_m3": list(thick)}
        row["corrections"] = {one.name: list(air.interval(one.factor)) for one in CORRECTIONS}
        power, said = _power(reviewed, run)
        if said:
            lines += [f"  {line}" for line in said]
            row["power_kw"] = power
        data.append(row)
    if not data:
        return Answer(QUESTION, tuple(refusals[1:]), {}, refused=refusals[0] if refusals else "there is no run.")
    lines += _between(altitudes)
    lines += _corrections(data[-1], reviewed)
    lines += [f"cannot tell for {why}" for why in refusals]
    return Answer(QUESTION, tuple(lines), {"runs": data, "correction_used": None})


def air_of(reviewed: Reviewed, run: Run) -> Air | str:
    """Return the air of a run, or why it is not known."""
    weather = _weather(reviewed, run)
    pressure = _pressure(reviewed, run, weather)
    if isinstance(pressure, str):
        return pressure
    temperature = _temperature(reviewed, run, weather)
    if isinstance(temperature, str):
        return temperature
    humidity, said = _humidity(reviewed, run, weather)
    return Air(temperature[0], pressure[0], humidity, (pressure[1], temperature[1], said))


def _weather(reviewed: Reviewed, run: Run) -> Weather | None:
    """Return what was written down closest to a run, if it was close enough in time."""
    begin = reviewed.table.wall_at(run.begin)
    if begin is None:
        return None
    near = [one for one in reviewed.given.weather if abs(one.at - begin) <= LONGEST]
    return min(near, key=lambda one: abs(one.at - begin), default=None)


def _stated(reviewed: Reviewed, name: str, value: float, usual: float) -> float:
    accuracy = reviewed.table.accuracy.get(name)
    return usual if accuracy is None else accuracy.at(value)


def _pressure(reviewed: Reviewed, run: Run, weather: Weather | None) -> tuple[tuple[float, float], str] | str:
    kpa = run.start.get("barometric_pressure", math.nan)
    if math.isfinite(kpa):
        off = 10.0 * _stated(reviewed, "barometric_pressure", kpa, BAROMETER)
        return (10.0 * kpa - off, 10.0 * kpa + off), f"pressure {10.0 * kpa:.0f} hPa by the car's own barometer"
    if weather is None or weather.pressure is None:
        return "no pressure is known: the car measures none, and none was written down within six hours."
    if weather.kind == "station":
        station = weather.pressure
        return (station - WRITTEN, station + WRITTEN), f"pressure {station:.0f} hPa at the place, as written down"
    if weather.kind == "sea level" and weather.altitude is not None:
        station = station_pressure(weather.pressure, weather.altitude)
        words = f"pressure {station:.0f} hPa at {weather.altitude:.0f} m, from {weather.pressure:.0f} hPa at sea level"
        return (station - WRITTEN, station + WRITTEN), words
    if weather.kind == "sea level":
        return f"{weather.pressure:.0f} hPa is at sea level, and the height of the place was not written down."
    return (
        f"whether {weather.pressure:.0f} hPa is at the place or at sea level was not written down: ask, or look it up."
    )


def _temperature(reviewed: Reviewed, run: Run, weather: Weather | None) -> tuple[tuple[float, float], str] | str:
    celsius = run.start.get("ambient_temperature", math.nan)
    if math.isfinite(celsius):
        off = _stated(reviewed, "ambient_temperature", celsius, THERMOMETER)
        return (celsius - off, celsius + off), f"{celsius:.0f} °C by the car's own sensor"
    if weather is not None and weather.temperature is not None:
        celsius = weather.temperature
        return (celsius - WRITTEN, celsius + WRITTEN), f"{celsius:.0f} °C as written down"
    return "no outside temperature is known. What the engine takes in is warmer: intake air is no substitute."


def _humidity(reviewed: Reviewed, run: Run, weather: Weather | None) -> tuple[tuple[float, float], str]:
    percent = reviewed.table.at("relative_humidity", run.begin)
    if math.isfinite(percent):
        off = _stated(reviewed, "relative_humidity", percent, 5.0)
        return (max(0.0, percent - off), min(100.0, percent + off)), f"humidity {percent:.0f} %"
    if weather is not None and weather.humidity is not None:
        percent = weather.humidity
        return (max(0.0, percent - 5.0), min(100.0, percent + 5.0)), f"humidity {percent:.0f} % as written down"
    return (0.0, 100.0), "humidity not known: from dry to saturated"


def _span(span: tuple[float, float], digits: int) -> str:
    return f"{span[0]:,.{digits}f} to {span[1]:,.{digits}f}"


def _between(altitudes: Sequence[tuple[float, float]]) -> list[str]:
    """Say whether the air changed over the runs, by the intervals."""
    if len(altitudes) < 2:
        return []
    first, last = altitudes[0], altitudes[-1]
    if first[1] < last[0]:
        return [f"the air grew thinner over the runs, by {last[0] - first[1]:,.0f} m of density altitude at least"]
    if last[1] < first[0]:
        return [f"the air grew thicker over the runs, by {first[0] - last[1]:,.0f} m of density altitude at least"]
    return ["over the runs the air did not change by more than can be told"]


def _corrections(row: dict[str, Any], reviewed: Reviewed) -> list[str]:
    parts = [f"{name} × {low:.3f} to {high:.3f}" for name, (low, high) in row["corrections"].items()]
    boosted = reviewed.table.get("manifold_pressure") is not None or reviewed.table.get("boost") is not None
    why = " An engine that holds its boost would get what it never lacked." if boosted else ""
    return [f"a correction of power to standard air is NOT applied.{why} It would be: {', '.join(parts)}"]


def _power(reviewed: Reviewed, run: Run) -> tuple[dict[str, Any], list[str]]:
    """Return power from weight and time slip by every published formula, each named: they differ, and none measures."""
    slip = reviewed.given.slip_of(reviewed.table.session, run.number)
    mass = reviewed.table.car.mass_kg
    if slip is None or run.kind is STREET:
        return {}, []
    seconds, speed = slip.times.get("1320 ft"), slip.speeds.get("1320 ft")
    if mass is None:
        return {}, ["power from the slip: cannot tell, the car's mass with driver is not stated ([car] mass_kg)"]
    found: dict[str, Any] = {}
    lines: list[str] = []
    for what, value, power in (("time", seconds, power_from_time), ("speed", speed, power_from_speed)):
        if value is None:
            continue
        by = {formula.name: power(formula, mass, value) for formula in FORMULAS}
        found[what] = by
        each = ", ".join(f"{name} {kw:.0f}" for name, kw in by.items())
        lines.append(f"power by weight and {what} of the quarter mile, kW: {each} (formulas, not measurements)")
    return found, lines
