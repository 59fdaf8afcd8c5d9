"""The logbook as the rest of pullwatch uses it: add, strike, and read back what the owner wrote down."""

from __future__ import annotations

import json
import math
import time
import uuid
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final, Self

import platformdirs

from pullwatch.errors import LogbookError, nearest
from pullwatch.logbook.items import ITEMS, Pick, number, pick, wrong
from pullwatch.logbook.store import Row, Store
from pullwatch.review.given import Changed, Given, Noted, OilReport, Slip, Weather
from pullwatch.review.runs import Correction, check_correction
from pullwatch.review.strip import slip_problems

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping
    from contextlib import AbstractContextManager
    from types import TracebackType

SLIP_TIMES: Final = {
    "60 ft": "s_60ft", "330 ft": "s_330ft", "660 ft": "s_660ft", "1000 ft": "s_1000ft", "1320 ft": "s_1320ft",
}  # fmt: skip
SLIP_SPEEDS: Final = {"660 ft": "kmh_660ft", "1320 ft": "kmh_1320ft"}
KINDS_OF_PRESSURE: Final = ("station", "sea level")
FEWEST_ON_A_SLIP: Final = 2
"""Numbers beside the reaction; a slip of an aborted pass has no more."""


def default_file() -> Path:
    """Return where the logbook is kept when nobody says otherwise."""
    return platformdirs.user_data_path("pullwatch") / "logbook.sqlite"


@dataclass(frozen=True, slots=True)
class Car:
    """A car of the logbook."""

    name: str
    fuel: str = ""
    mass_kg: float | None = None
    note: str = ""


class Logbook:
    """An open logbook. `now` gives the wall time (ns since the Unix epoch).

    Every `add_…` returns the uid of the row it added. `at` is the wall time it speaks of (ns; None: now). All of them
    raise LogbookError for what cannot be, and then nothing was added.
    """

    def __init__(self, path: Path | None = None, *, now: Callable[[], int] = time.time_ns) -> None:
        self.path = path if path is not None else default_file()
        self._now = now
        self._store = Store(self.path)

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def close(self) -> None:
        """Let go of the file."""
        self._store.close()

    def together(self) -> AbstractContextManager[None]:
        """Do all that is done within, or nothing of it."""
        return self._store.together()

    # ---- cars ----------------------------------------------------------------------------------------------------

    def cars(self) -> list[Car]:
        """Return the cars, the first one first."""
        return [
            Car(row["car"], row["fuel"] or "", row["mass_kg"], row["note"] or "") for row in self._store.rows("car")
        ]

    def add_car(self, name: str, *, fuel: str = "", mass_kg: float | None = None, note: str = "") -> str:
        """Add a car. Raises LogbookError if there is one of that name."""
        if not name.strip():
            raise self._refuse("a car needs a name.")
        if any(car.name == name for car in self.cars()):
            raise self._refuse(f'there is a car "{name}" already.')
        if mass_kg is not None and not 100.0 <= mass_kg <= 10_000.0:
            raise self._refuse(f"{mass_kg:g} kg cannot be: 100 to 10000 kg is expected.")
        return self._add("car", name, None, {"fuel": fuel, "mass_kg": mass_kg, "note": note}, known=False)

    def car(self, name: str | None = None) -> str:
        """Return the car that is meant: the one named, or the only one. Raises LogbookError if it cannot be told."""
        names = [car.name for car in self.cars()]
        if name is None:
            if len(names) == 1:
                return names[0]
            if not names:
                raise self._refuse("holds no car yet.", "Add one with: pullwatch logbook add car NAME")
            raise self._refuse(f"holds several cars: {', '.join(names)}.", "Say which with --car.")
        if name not in names:
            raise self._refuse(
                f'holds no car "{name}"{nearest(name, names)}.', "Add it with: pullwatch logbook add car NAME"
            )
        return name

    # ---- what is written down --------------------------------------------------------------------------------------

    def add_change(
        self,
        car: str | None,
        item: str,
        value: str,
        *,
        at: int | None = None,
        was: str | None = None,
        speed: tuple[float, float] | None = None,
        pressure: tuple[float, float] | None = None,
        note: str = "",
    ) -> str:
        """Add a change: `item` of the pick list is `value` now. `was` is the last value noted, if nothing is said.

        `speed` (rpm) and `pressure` (kPa absolute): where in the map, [from, to]; None: everywhere.
        """
        if item not in ITEMS:
            raise self._refuse(f'"{item}" is not on the pick list{nearest(item, ITEMS)}.', f"Pick: {', '.join(ITEMS)}")
        facts = ITEMS[item]
        for text in (value, *([was] if was else [])):
            problem = wrong(facts, text)
            if problem:
                raise self._refuse(problem)
        if item == "other" and not note:
            raise self._refuse("other: say in the note what was changed.")
        if (speed or pressure) and not facts.mapped:
            raise self._refuse(f"{item} has no range of engine speed or pressure.")
        for name, span, most in (("engine speed", speed, 15_000.0), ("pressure", pressure, 600.0)):
            if span is not None and not 0.0 <= span[0] < span[1] <= most:
                raise self._refuse(f"{name} from {span[0]:g} to {span[1]:g}: the lower one first, up to {most:g}.")
        name = self.car(car)
        if was is None:
            before = self.state(name).get((item, speed, pressure))
            was = before.now if before is not None else ""
        row = {
            "item": item, "value": number(float(value)) if facts.numeric else value.strip(), "unit": facts.unit,
            "was": number(float(was)) if facts.numeric and was else was, "note": note,
            "rpm_from": speed[0] if speed else None, "rpm_to": speed[1] if speed else None,
            "kpa_from": pressure[0] if pressure else None, "kpa_to": pressure[1] if pressure else None,
        }  # fmt: skip
        return self._add("change", name, at, row)

    def add_slip(
        self,
        car: str | None,
        times: Mapping[str, float],
        speeds: Mapping[str, float] | None = None,
        *,
        reaction: float | None = None,
        at: int | None = None,
        note: str = "",
        anyway: bool = False,
    ) -> str:
        """Add a time slip: `times` (s) and `speeds` (km/h) by point ("60 ft" … "1320 ft"); two numbers at least.

        Order and speeds are checked (`review.strip.slip_problems`); with `anyway` speeds that do not fit are kept as
        they are, and the note says so. Times that cannot be are never taken.
        """
        speeds = speeds or {}
        if len(times) + len(speeds) < FEWEST_ON_A_SLIP:
            raise self._refuse(f"a slip has at least {FEWEST_ON_A_SLIP} numbers beside the reaction.")
        for point in speeds:
            if point not in SLIP_SPEEDS:
                raise self._refuse(f'a slip shows no speed at "{point}": expected {" or ".join(SLIP_SPEEDS)}.')
        never = slip_problems(times, {}, reaction)
        doubtful = [] if never else slip_problems(times, speeds, reaction)
        if never or (doubtful and not anyway):
            todo = "Read the slip again." if never else "Read the slip again, or keep it with --anyway."
            raise self._refuse(f"the slip cannot be: {'; '.join(never or doubtful)}.", todo)
        if doubtful:
            note = f"{note}{'; ' if note else ''}kept though {'; '.join(doubtful)}"
        row: dict[str, Any] = {"reaction_s": reaction, "note": note}
        row |= {SLIP_TIMES[point]: float(value) for point, value in times.items()}
        row |= {SLIP_SPEEDS[point]: float(value) for point, value in speeds.items()}
        return self._add("slip", self.car(car), at, row)

    def pair_slip(self, slip: str, session: str, run: int) -> str:
        """Note which run a slip belongs to; the last word counts."""
        kind, row = self._find(slip)
        if kind != "slip":
            raise self._refuse(f"{slip} is a {kind}, not a slip.")
        return self._add("pairing", row["car"], None, {"slip": row["uid"], "session": session, "run": run})

    def add_weather(
        self,
        car: str | None,
        *,
        temperature: float | None = None,
        humidity: float | None = None,
        pressure: float | None = None,
        kind: str = "",
        altitude: float | None = None,
        wind: str = "",
        note: str = "",
        at: int | None = None,
    ) -> str:
        """Add the air: °C, %, hPa, m. A pressure must say its `kind`: "station" or "sea level"."""
        for word, value, least, most, unit in (
            ("temperature", temperature, -50.0, 60.0, "°C"),
            ("humidity", humidity, 0.0, 100.0, "%"),
            ("pressure", pressure, 500.0, 1_100.0, "hPa"),
            ("altitude", altitude, -500.0, 6_000.0, "m"),
        ):
            if value is not None and not least <= value <= most:
                raise self._refuse(f"{word} {value:g} {unit} cannot be: {least:g} to {most:g} {unit} is expected.")
        if pressure is not None and kind not in KINDS_OF_PRESSURE:
            raise self._refuse(
                f"{pressure:g} hPa is of which kind?",
                'Say "station" (a barometer where the car stands) or "sea level" (forecasts, airports): at 1600 m they '
                "differ by a fifth.",
            )
        if temperature is None and humidity is None and pressure is None and not wind and not note:
            raise self._refuse("weather needs at least one figure.")
        row = {
            "temperature_c": temperature, "humidity_pct": humidity, "pressure_hpa": pressure,
            "pressure_kind": kind if pressure is not None else None, "altitude_m": altitude, "wind": wind, "note": note,
        }  # fmt: skip
        return self._add("weather", self.car(car), at, row)

    def add_oil(
        self,
        car: str | None,
        figures: Mapping[str, tuple[float, str]],
        *,
        oil: str = "",
        distance_km: float | None = None,
        note: str = "",
        at: int | None = None,
    ) -> str:
        """Add a laboratory's figures of an oil sample: (value, unit) by name, as the sheet has them."""
        if not figures:
            raise self._refuse("an oil report needs at least one figure, such as iron=18ppm.")
        for name, (value, _) in figures.items():
            if not math.isfinite(value):
                raise self._refuse(f"{name}: {value} is no number.")
        row = {
            "oil": oil, "distance_km": distance_km, "note": note,
            "figures": json.dumps({name: list(figure) for name, figure in figures.items()}, sort_keys=True),
        }  # fmt: skip
        return self._add("oil", self.car(car), at, row)

    def add_note(
        self, car: str | None, text: str, *, session: str = "", run: int = 0, at: int | None = None, photo: str = ""
    ) -> str:
        """Add a note, or a photo by its path (kept absolute; the file itself stays where it is)."""
        if photo:
            path = Path(photo).expanduser().absolute()
            if not path.is_file():
                raise self._refuse(f"{path} is no file.", "Give the path of the photo.")
            photo = str(path)
            text = text or path.name
        if not text.strip():
            raise self._refuse("a note needs words.")
        row = {"text": text.strip(), "photo": photo, "session": session, "run": run or None}
        return self._add("note", self.car(car), at, row)

    def add_correction(
        self, car: str | None, session: str, t: int, what: str, value: str = "", *, note: str = ""
    ) -> str:
        """Add what the owner says of the run that session ns `t` lies in (`review.runs.Correction`)."""
        problem = check_correction(what, value)
        if problem:
            raise self._refuse(f"{problem}.")
        row = {"session": session, "at_ns": t, "what": what, "value": value, "note": note}
        return self._add("correction", self.car(car), None, row)

    def strike(self, uid: str, why: str) -> str:
        """Strike a row out, with the reason; it stays in the file. Returns what was struck, in words."""
        kind, row = self._find(uid)
        if row["struck"] is not None:
            raise self._refuse(f'{uid} is struck out already: "{row["struck_why"]}".')
        if not why.strip():
            raise self._refuse("say why it is struck out.")
        self._store.strike(kind, row["uid"], self._now(), why.strip())
        return f"{kind} {row['uid'][:8]}"

    # ---- what was written down -------------------------------------------------------------------------------------

    def rows(self, kind: str, car: str | None = None, *, struck: bool = False) -> list[Row]:
        """Return the rows of a kind (`tables.KINDS`) in order of time, all columns by name."""
        return self._store.rows(kind, car, struck=struck)

    def find(self, uid: str) -> tuple[str, Row] | None:
        """Return the kind and the row of a uid (or of its first four characters or more, if no other begins so)."""
        return self._store.find(uid)

    def put(self, kind: str, row: Mapping[str, Any]) -> None:
        """Add a row that has its uid and its times already: for import only."""
        self._store.add(kind, row)

    def put_struck(self, kind: str, uid: str, when: int, why: str) -> None:
        """Strike a row out as another copy of the logbook did: for import only."""
        self._store.strike(kind, uid, when, why)

    def changes(self, car: str) -> tuple[Changed, ...]:
        """Return the changes of a car in order of time."""
        return tuple(_changed(row) for row in self.rows("change", car))

    def state(
        self, car: str, at: int | None = None
    ) -> dict[tuple[str, tuple[float, float] | None, tuple[float, float] | None], Changed]:
        """Return how a car stands (at wall ns `at`; None: now): its last change by (item, speed range, pressure)."""
        out = {}
        for one in self.changes(car):
            if at is None or one.at <= at:
                out[one.item, one.speed, one.pressure] = one
        return out

    def pick_list(self, car: str | None = None) -> list[Pick]:
        """Return the pick list with the car's last value of each item and the values a step away."""
        last: dict[str, str] = {}
        for one in self.changes(self.car(car)):
            last[one.item] = one.now
        return [pick(item, last.get(name, "")) for name, item in ITEMS.items()]

    def given(self, car: str) -> Given:
        """Return all that was written down of a car, as the answers take it."""
        pairings = {row["slip"]: row for row in self.rows("pairing", car)}
        return Given(
            changes=self.changes(car),
            slips=tuple(_slip(row, pairings.get(row["uid"])) for row in self.rows("slip", car)),
            weather=tuple(
                Weather(
                    row["uid"], row["at"], row["temperature_c"], row["humidity_pct"], row["pressure_hpa"],
                    row["pressure_kind"] or "", row["altitude_m"], row["wind"] or "", row["note"] or "",
                )
                for row in self.rows("weather", car)
            ),
            oil=tuple(_oil(row) for row in self.rows("oil", car)),
            notes=tuple(
                Noted(
                    row["uid"], row["at"], row["text"], row["photo"] or "", row["session"] or "", row["run"] or 0
                )
                for row in self.rows("note", car)
            ),
            corrections=tuple(
                Correction(row["session"], row["at_ns"], row["what"], row["value"] or "")
                for row in sorted(self.rows("correction", car), key=lambda row: int(row["written"]))
            ),
        )  # fmt: skip

    # ---- how -------------------------------------------------------------------------------------------------------

    def _refuse(self, what: str, todo: str = "") -> LogbookError:
        return LogbookError(self.path, what, todo)

    def _find(self, uid: str) -> tuple[str, Row]:
        found = self._store.find(uid)
        if found is None:
            raise self._refuse(f'no row, or more than one, is named "{uid}".', "See: pullwatch logbook list")
        return found

    def _add(self, kind: str, car: str, at: int | None, row: Mapping[str, Any], *, known: bool = True) -> str:
        if known:
            self.car(car)
        now = self._now()
        when = now if at is None else at
        if when < 0 or when > now + 86_400_000_000_000:
            raise self._refuse("the time lies more than a day ahead.")
        uid = uuid.uuid4().hex
        filled = {name: value for name, value in row.items() if value not in ("", None)}
        self._store.add(kind, {"uid": uid, "car": car, "at": when, "written": now, **filled})
        return uid


def _pair(row: Mapping[str, Any], first: str, last: str) -> tuple[float, float] | None:
    return None if row[first] is None or row[last] is None else (row[first], row[last])


def _changed(row: Mapping[str, Any]) -> Changed:
    return Changed(
        row["uid"], row["at"], row["item"], row["value"], row["was"] or "", row["unit"] or "",
        _pair(row, "rpm_from", "rpm_to"), _pair(row, "kpa_from", "kpa_to"), row["note"] or "",
    )  # fmt: skip


def _slip(row: Mapping[str, Any], pairing: Mapping[str, Any] | None) -> Slip:
    return Slip(
        row["uid"], row["at"],
        {point: row[name] for point, name in SLIP_TIMES.items() if row[name] is not None},
        {point: row[name] for point, name in SLIP_SPEEDS.items() if row[name] is not None},
        row["reaction_s"],
        "" if pairing is None else pairing["session"],
        0 if pairing is None else pairing["run"] or 0,
        row["note"] or "",
    )  # fmt: skip


def _oil(row: Mapping[str, Any]) -> OilReport:
    figures = {name: (float(value), str(unit)) for name, (value, unit) in json.loads(row["figures"]).items()}
    return OilReport(row["uid"], row["at"], figures, row["oil"] or "", row["distance_km"], row["note"] or "")
