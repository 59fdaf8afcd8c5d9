"""Oil pressure for temperature and speed: p = min(p_relief, c·viscosity(T)·Nⁿ), and c session against session.

c is what pump and bearings make of the oil. It is looked at only well below the relief valve, in steady stretches, and
counted by stretches: samples of one stretch share their errors.
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final, NamedTuple

import numpy as np

from pullwatch.review.intervals import Interval, difference, mean
from pullwatch.review.table import S

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from pullwatch.review.given import Given
    from pullwatch.review.runs import Runs
    from pullwatch.review.table import Table

    Floats = NDArray[np.float64]

ZERO_C: Final = 273.15
USUAL_40, USUAL_100 = 85.0, 14.0
"""mm²/s of a usual multigrade oil at 40 and 100 °C; only how it falls in between is taken from it."""
GRADES: Final[dict[int, tuple[float, float]]] = {
    8: (4.0, 6.1), 12: (5.0, 7.1), 16: (6.1, 8.2), 20: (6.9, 9.3), 30: (9.3, 12.5), 40: (12.5, 16.3),
    50: (16.3, 21.9), 60: (21.9, 26.1),
}  # fmt: skip
"""Grade to least and most mm²/s at 100 °C (SAE J300, from memory)."""
STEP_C: Final = 10.0
"""°C of oil that are about one step of grade (trade knowledge)."""
BELOW: Final = 0.85
"""Share of the relief pressure below which c is looked at."""
FAST: Final = 3_000.0
"""rpm above which the relief valve can be seen at all."""
WARM: Final = 60.0
"""°C below which oil is not compared: cold oil holds the relief valve open at idle (common practice)."""
CLOSE: Final = 3.0
"""± °C that the oil temperature must be known to."""
BLOCK: Final = S
STEADY: Final = 0.06
"""Share of the speed, and 100 rpm at least, within which a block of one second is steady."""
RUNS_AT: Final = 500.0
LONGEST: Final = 60 * S
"""A stretch is no longer than this."""
FEWEST: Final = 3
"""Stretches from which on there is an interval."""
SPREAD: Final = 0.3
"""Of ln N, from which on the exponent of speed is taken from the data ..."""
EXPONENT: Final = (0.9, 0.3)
"""... else this, ± (common practice); so much the second for the first where it is from the data: a tenth."""
FITTED: Final = 0.1
SLOPE: Final = 0.1
"""± share by which oils differ in how fast they thin with temperature."""
_GRADE: Final = re.compile(r"(?:\d+\s*w\s*[-/ ]?\s*|sae\s*)(\d{1,2})\b", re.IGNORECASE)


def _walther(viscosity: float) -> float:
    return math.log10(math.log10(viscosity + 0.7))


def _at(celsius: float) -> float:
    return math.log10(celsius + ZERO_C)


_FALL: Final = (_walther(USUAL_100) - _walther(USUAL_40)) / (_at(100.0) - _at(40.0))


def viscosity(celsius: float, at_100: float = USUAL_100, fall: float = _FALL) -> float:
    """Return the kinematic viscosity, mm²/s: log10 log10(viscosity + 0.7) = A - B·log10 T (ASTM D341, from memory).

    `at_100` mm²/s at 100 °C; `fall` is -B, by default that of a usual multigrade.
    """
    return float(10.0 ** (10.0 ** (_walther(at_100) + fall * (_at(celsius) - _at(100.0)))) - 0.7)


def thinning(celsius: float, at_100: float = USUAL_100) -> float:
    """Return by which share the viscosity falls with one °C more."""
    return math.log(viscosity(celsius - 0.5, at_100) / viscosity(celsius + 0.5, at_100))


class Oil(NamedTuple):
    """What is in the engine: `text` as written down (empty: nothing), mm²/s at 100 °C and ± share of it.

    `since` is when it was filled in, wall ns; None: not written down.
    """

    text: str
    at_100: float
    doubt: float
    since: int | None

    @property
    def known(self) -> bool:
        """Whether the grade is."""
        return self.doubt < 1.0


def oil_of(given: Given, wall: int | None) -> Oil:
    """Return the oil that was in the engine at a wall time, as it was filled in, by what the owner wrote down."""
    filled = [one for one in given.changes if one.item == "oil" and wall is not None and one.at <= wall]
    last = filled[-1] if filled else None
    since = None if last is None else last.at
    text = "" if last is None else last.now
    found = _GRADE.search(text)
    if found is None or int(found.group(1)) not in GRADES:
        return Oil(text, USUAL_100, 1.0, since)
    least, most = GRADES[int(found.group(1))]
    return Oil(text, math.sqrt(least * most), math.log(most / least) / 2.0, since)


class Blocks(NamedTuple):
    """Steady seconds of a session, arrays of shape (n,): stretch number, rpm, °C, kPa gauge."""

    stretch: NDArray[np.int64]
    rpm: Floats
    celsius: Floats
    pressure: Floats


@dataclass(frozen=True, slots=True)
class Session:
    """One session's oil: its steady blocks, the relief pressure seen (NaN: not), ± °C, what oil, wall time."""

    name: str
    wall: int | None
    blocks: Blocks
    relief: float
    accuracy: float
    oil: Oil


def session_of(table: Table, runs: Runs, given: Given) -> Session | str:
    """Return what a session says of the oil, or why it cannot."""
    pressure, temperature = table.get("oil_pressure"), table.get("oil_temperature")
    if pressure is None:
        return "oil pressure is not recorded"
    if temperature is None:
        return "oil temperature is not recorded; that of the coolant is no substitute"
    stated = table.accuracy.get("oil_temperature")
    if stated is None:
        how = '[review] accuracy = { oil_temperature = "2 °C" }'
        return f"how close the oil temperature is, is not stated ({how}): ± {CLOSE:g} °C is needed"
    close = stated.at(100.0)
    if close > CLOSE:
        return f"the oil temperature is known to ± {close:g} °C only: ± {CLOSE:g} °C is needed"
    if table.get("engine_speed") is None:
        return "engine speed is not recorded"
    fast = pressure.good(table.begin, table.end)
    high = fast.v[table.on("engine_speed", fast.t) > FAST]
    relief = float(np.percentile(high, 99.0)) if len(high) >= 20 else math.nan
    return Session(
        table.session, table.wall, _blocks(table, runs), relief, close, oil_of(given, table.wall_at(table.begin))
    )


def _blocks(table: Table, runs: Runs) -> Blocks:
    """Return the steady seconds of a table with warm oil."""
    borders = sorted({at for run in runs.runs for at in (run.begin, run.end)})
    rows: list[tuple[int, float, float, float]] = []
    for at in range(table.begin, table.end - BLOCK + 1, BLOCK):
        speed = table.series["engine_speed"].good(at, at + BLOCK).v
        pressure = table.series["oil_pressure"].good(at, at + BLOCK).v
        celsius = table.at("oil_temperature", at + BLOCK // 2)
        if len(speed) < 3 or len(pressure) < 3 or not celsius >= WARM:
            continue
        rpm = float(speed.mean())
        if rpm < RUNS_AT or float(np.ptp(speed)) > max(100.0, STEADY * rpm) or float(pressure.mean()) <= 0.0:
            continue
        stretch = int(np.searchsorted(borders, at, side="right")) * 10_000 + at // LONGEST
        rows.append((stretch, rpm, celsius, float(pressure.mean())))
    if not rows:
        none = np.empty(0)
        return Blocks(np.empty(0, np.int64), none, none, none)
    number, rpm_, celsius_, pressure_ = (np.array(column) for column in zip(*rows, strict=True))
    return Blocks(number.astype(np.int64), rpm_, celsius_, pressure_)


class Level(NamedTuple):
    """A session's pressure brought to one speed and temperature: ln of it per stretch, and what bounds it besides.

    `celsius`, `speed` (ln rpm): the means it was measured at.
    """

    session: Session
    stretches: tuple[float, ...]
    celsius: float
    speed: float


@dataclass(frozen=True, slots=True)
class Compared:
    """Sessions brought to one speed (rpm) and temperature (°C), in order; `exponent` of speed and ± its doubt."""

    rpm: float
    celsius: float
    exponent: float
    doubt: float
    levels: tuple[Level, ...]

    def pressure(self, level: Level) -> Interval:
        """Return the pressure, kPa gauge, of a session at that speed and temperature."""
        log = mean(level.stretches).widened(self._besides(level))
        return Interval(*(math.exp(min(max(one, -50.0), 50.0)) for one in log))

    def _besides(self, level: Level) -> float:
        return math.hypot(
            level.session.accuracy * thinning(level.celsius, level.session.oil.at_100),
            self.doubt * (level.speed - math.log(self.rpm)),
            SLOPE * math.log(viscosity(level.celsius) / viscosity(self.celsius)),
        )

    def change(self, new: Level, old: Level) -> Interval:
        """Return by how many % c of one session is above that of another: below 0, less than it was.

        What grades differ by is taken out where both are known; how little a grade says stays in the interval.
        """
        log = difference(new.stretches, old.stretches)
        besides = [
            new.session.accuracy * thinning(new.celsius, new.session.oil.at_100),
            old.session.accuracy * thinning(old.celsius, old.session.oil.at_100),
            self.doubt * (new.speed - old.speed),
            SLOPE * math.log(viscosity(new.celsius) / viscosity(old.celsius)),
        ]
        if changed(new.session, old.session) and new.session.oil.text != old.session.oil.text:
            besides += [new.session.oil.doubt, old.session.oil.doubt]
        log = log.widened(math.hypot(*besides))
        return Interval(*(100.0 * math.expm1(min(max(one, -50.0), 50.0)) for one in log))


def changed(new: Session, old: Session) -> bool:
    """Whether the oil was changed between two sessions, as far as it was written down."""
    return new.oil.since != old.oil.since


def compare(sessions: Sequence[Session]) -> Compared | str:
    """Bring sessions to one speed and temperature, or say why not. The last must have enough; others may drop out."""
    known = [one.relief for one in sessions if math.isfinite(one.relief)]
    ceiling = BELOW * min(known) if known else math.inf
    used = [(one, _below(one.blocks, ceiling)) for one in sessions]
    used = [(one, blocks) for one, blocks in used if len(np.unique(blocks.stretch)) >= FEWEST]
    if not used or used[-1][0] is not sessions[-1]:
        count = len(np.unique(_below(sessions[-1].blocks, ceiling).stretch))
        limit = f" below {ceiling:.0f} kPa gauge" if math.isfinite(ceiling) else ""
        return f"{count} steady stretches with oil above {WARM:.0f} °C{limit}: {FEWEST} are needed"
    log_n = [np.log(blocks.rpm) for _, blocks in used]
    log_c = [
        np.log(blocks.pressure) - np.log([viscosity(one, session.oil.at_100) for one in blocks.celsius.tolist()])
        for session, blocks in used
    ]
    exponent, doubt = _exponent(log_n, log_c)
    rpm = math.exp(float(np.median(log_n[-1])))
    celsius = float(np.median(used[-1][1].celsius))
    levels = []
    for (session, blocks), n, c in zip(used, log_n, log_c, strict=True):
        brought = c - exponent * (n - math.log(rpm)) + math.log(viscosity(celsius, sessions[-1].oil.at_100))
        each = tuple(float(brought[blocks.stretch == number].mean()) for number in np.unique(blocks.stretch))
        levels.append(Level(session, each, float(blocks.celsius.mean()), float(n.mean())))
    return Compared(rpm, celsius, exponent, doubt, tuple(levels))


def _below(blocks: Blocks, ceiling: float) -> Blocks:
    keep = blocks.pressure < ceiling
    return Blocks(blocks.stretch[keep], blocks.rpm[keep], blocks.celsius[keep], blocks.pressure[keep])


def _exponent(log_n: Sequence[Floats], log_c: Sequence[Floats]) -> tuple[float, float]:
    """Return the exponent of speed and ± its doubt: from all sessions, each about its own mean, where speeds differ."""
    n = np.concatenate([one - one.mean() for one in log_n])
    c = np.concatenate([one - one.mean() for one in log_c])
    if float(np.ptp(n)) < SPREAD:
        return EXPONENT
    fitted = float((n * c).sum() / (n * n).sum())
    return (fitted, FITTED) if 0.3 <= fitted <= 1.5 else EXPONENT
