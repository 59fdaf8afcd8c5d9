"""Launches: what each run took for 60 ft, by the slip and by the car, how it left, and whether two of them differ.

The slip measures: it comes first. What a car says of itself starts when it moves, and the strip's clock when the tyre
has rolled out of the beam, so a car-side time is an interval over that rollout and stands for what a strip would show.
Two runs differ by chance too: 0.02 s from run to run is taken until five repeats tell the car's own scatter.

All figures here are common practice with no published source.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Final

import numpy as np

from pullwatch.review.intervals import KNOWN, Interval, chi_square, contradicts, student
from pullwatch.review.run import RATIO, Class
from pullwatch.review.strip import CarSide, car_side
from pullwatch.review.table import STEP, S

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from numpy.typing import NDArray

    from pullwatch.review.given import Changed, Given, Slip
    from pullwatch.review.run import Launch, Run
    from pullwatch.review.table import Table

POINT: Final = "60 ft"
USUAL: Final = 0.02
"""s, standard deviation of 60 ft times from run to run ..."""
OWN_FROM: Final = 4
"""... until repeats have so many degrees of freedom (five runs in one state), or fewer contradict it."""
TWO_UNIFORM: Final = 2.0 * (1.0 - math.sqrt(0.05))
"""Half of the 95 % interval of the difference of two that lie anywhere within ±1 (a triangle's, computed: 1.553)."""
SLIP_DIGIT: Final = 0.0005
"""s: half of a slip's last digit."""
STOOD: Final = S // 5
"""How long before the car is seen to move its way is summed from: the first centimetres count."""
FOOT_UP: Final = 60.0
"""% of the foot below which it was lifted."""
LOOKED_BEFORE: Final = 5 * S
ROLLING: Final = 10.0
"""km/h below which no slip of wheels is reckoned."""
DIP_WITHIN: Final = S


@dataclass(frozen=True, slots=True)
class Fact:
    """One thing that tells how a run left: what it is, its unit, its digits, and from which difference on it counts."""

    name: str
    says: str
    unit: str
    digits: int
    counts: float


FACTS: Final = (
    Fact("release_rpm", "speed at release", "rpm", 0, 100.0),
    Fact("release_boost", "boost at release", "kPa gauge", 0, 3.0),
    Fact("held", "held before it", "s", 1, 0.5),
    Fact("limiter", "time on the limiter", "s", 1, 0.5),
    Fact("advance", "ignition advance while held", "deg", 1, 1.0),
    Fact("knock_retard", "most knock retard to 60 ft", "deg", 1, 1.0),
    Fact("slip", "wheels apart by up to", "%", 0, 5.0),
    Fact("slipping", "clutch or tyres slipped for", "s", 2, 0.15),
    Fact("dip", "engine speed fell by", "rpm", 0, 150.0),
    Fact("least_foot", "least foot to 60 ft", "%", 0, 5.0),
)


@dataclass(frozen=True, slots=True)
class Hit:
    """One launch. `begin`, `end` are wall ns, None where the time of day is not known.

    `slip` s by the strip, NaN without; `car` s [least, most] over the rollout and the sampling, None without. `lifted`
    says when the foot was lifted before 60 ft; empty if it was not. `facts` by `Fact.name`, NaN where not known.
    """

    session: str
    run: int
    kind: Class
    begin: int | None
    end: int | None
    slip: float
    car: tuple[float, float] | None
    times: Mapping[str, tuple[float, float]]
    lifted: str
    facts: Mapping[str, float] = field(default_factory=dict)

    @property
    def name(self) -> str:
        """How it is called."""
        return f"run {self.run} of {self.session}"

    def seconds(self, by: str) -> float:
        """Return its 60 ft time by "slip" or by "car" (the middle), NaN where there is none."""
        if by == "slip":
            return self.slip
        return math.nan if self.car is None else sum(self.car) / 2.0


def hits(table: Table, runs: Sequence[Run], given: Given) -> list[Hit]:
    """Return the launches among runs, in order: passes, and practice at a strip that went 60 ft."""
    found = []
    for run in runs:
        if run.launch is None or run.kind not in (Class.PASS, Class.PEDALLED_PASS, Class.LAUNCH_PRACTICE):
            continue
        made = _hit(table, run, run.launch, given.slip_of(table.session, run.number))
        if run.kind is Class.LAUNCH_PRACTICE and (table.profile == "dyno" or made.car is None):
            continue
        found.append(made)
    return found


def _hit(table: Table, run: Run, launch: Launch, slip: Slip | None) -> Hit:
    side, period = _by_car(table, run, launch)
    times = {point: (least - period, most + period) for point, (least, most) in side.times.items()}
    car = times.get(POINT)
    by_slip = slip.times.get(POINT, math.nan) if slip is not None else math.nan
    reached = car[1] if car is not None else by_slip + 0.3 if math.isfinite(by_slip) else 3.0
    until = min(launch.release + int(reached * S), run.end)
    lifts = [lift for lift in run.lifts if launch.release <= lift.begin < until]
    lifted = f"the foot was lifted {(lifts[0].begin - launch.release) / S:.1f} s after the release" if lifts else ""
    if not lifts and run.kind is Class.PEDALLED_PASS and "class" in run.corrected:
        lifted = "the owner says that it was pedalled"
    return Hit(
        table.session, run.number, run.kind, table.wall_at(run.begin), table.wall_at(run.end), by_slip, car, times,
        lifted, _facts(table, run, launch, until),
    )  # fmt: skip


def _by_car(table: Table, run: Run, launch: Launch) -> tuple[CarSide, float]:
    """Return what the road speed says, and half of what lies between two of its samples (s)."""
    series = table.get("vehicle_speed")
    if series is None or table.profile == "dyno":
        return CarSide({}, {}, 0.0), 0.0
    good = series.good(launch.release - STOOD, run.end)
    stood = np.flatnonzero((good.v <= 0.0) & (good.t < launch.release))
    first = int(stood[-1]) if len(stood) else 0
    t, speed = good.t[first:], good.v[first:]
    apart = np.diff(t)
    if not len(apart):
        return CarSide({}, {}, 0.0), 0.0
    silent = np.flatnonzero(apart >= series.channel.stale_after)
    n = int(silent[0]) + 1 if len(silent) else len(t)
    return car_side(t[:n], speed[:n], table.rollout), float(np.median(apart)) / S / 2.0


def _facts(table: Table, run: Run, launch: Launch, until: int) -> dict[str, float]:
    before = table.grid(run.begin - LOOKED_BEFORE, launch.release)
    rolling = table.grid(launch.release, until)
    cut = (table.on("cut_active", before) > 0) | (table.on("launch_active", before) > 0)
    told = table.get("cut_active") is not None or table.get("launch_active") is not None
    held = before[before >= max(run.begin, launch.release - S)]
    pedal = table.on("pedal", rolling)
    foot = np.where(np.isnan(pedal), table.on("throttle", rolling), pedal)
    rpm = table.on("engine_speed", rolling)
    dip = rpm[rolling < launch.release + DIP_WITHIN]
    return {
        "release_rpm": launch.rpm,
        "release_boost": launch.boost,
        "held": launch.held,
        "limiter": float(cut.sum()) * STEP / S if told else math.nan,
        "advance": _middle(table.on("ignition_advance", held)),
        "knock_retard": _most(table.on("knock_retard", rolling)),
        "slip": _wheels(table, rolling),
        "slipping": _slipping(run, rpm, table.on("vehicle_speed", rolling)),
        "dip": max(0.0, launch.rpm + _most(-dip)),
        "least_foot": -_most(-foot),
    }


def _middle(values: NDArray[np.float64]) -> float:
    known = values[np.isfinite(values)]
    return float(np.median(known)) if len(known) else math.nan


def _most(values: NDArray[np.float64]) -> float:
    known = values[np.isfinite(values)]
    return float(known.max()) if len(known) else math.nan


def _wheels(table: Table, times: NDArray[np.int64]) -> float:
    """Return by how much of the fastest wheel's speed the slowest fell behind at most, %."""
    wheels = np.stack([table.on(f"wheel_speed_{one}", times) for one in ("fl", "fr", "rl", "rr")])
    known = np.isfinite(wheels)
    fastest = np.where(known, wheels, -math.inf).max(axis=0, initial=-math.inf)
    slowest = np.where(known, wheels, math.inf).min(axis=0, initial=math.inf)
    use = (known.sum(axis=0) >= 2) & (fastest > ROLLING)
    return float((100.0 * (1.0 - slowest[use] / fastest[use])).max()) if use.any() else math.nan


def _slipping(run: Run, rpm: NDArray[np.float64], speed: NDArray[np.float64]) -> float:
    """Return how long the engine turned faster than the first gear's own ratio makes it, s; not if none settled."""
    if not run.ratios or not math.isfinite(run.ratios[0]):
        return math.nan
    slower = ~(speed < ROLLING / 5.0) & np.isfinite(speed) & np.isfinite(rpm)
    return float((slower & (rpm > (1.0 + RATIO) * run.ratios[0] * speed)).sum()) * STEP / S


# ---- two states held against each other ------------------------------------------------------------------------------


def states(found: Sequence[Hit], given: Given) -> list[list[Hit]]:
    """Return the launches in stretches between which something was changed. Without a time of day nothing is known."""
    out: list[list[Hit]] = []
    for hit in found:
        if out and not changed(given, out[-1][-1], hit):
            out[-1].append(hit)
        else:
            out.append([hit])
    return out


def changed(given: Given, one: Hit, two: Hit) -> tuple[Changed, ...]:
    """Return what was changed between two launches, as written down."""
    if one.end is None or two.begin is None:
        return ()
    return given.changed_between(one.end, two.begin)


@dataclass(frozen=True, slots=True)
class Scatter:
    """How 60 ft times vary from run to run: `s` with `freedom` degrees, from `runs` runs; `own`: it is the car's."""

    s: float
    freedom: int
    runs: int
    own: bool

    def line(self) -> str:
        """Say it in words."""
        if not self.own:
            return (
                f"repeatability: not known of so few runs; {USUAL:.2f} s from run to run is taken (common practice, no "
                "source) until five repeats"
            )
        if self.freedom < OWN_FROM:
            return (
                f"repeatability: {self.s:.3f} s from run to run already in {self.runs} runs, more than the usual "
                f"{USUAL:.2f} s: theirs is taken"
            )
        low, high = (self.s * math.sqrt(self.freedom / chi_square(self.freedom, z)) for z in (1.96, -1.96))
        return f"repeatability: {self.s:.3f} ({low:.3f} to {high:.3f}) s from run to run, of {self.runs} runs"


def scatter(groups: Sequence[Sequence[float]]) -> Scatter:
    """Return the scatter within groups of times (s), pooled; the usual one where they are too few to tell."""
    squares = sum(float(((np.asarray(one) - np.mean(one)) ** 2).sum()) for one in groups if len(one))
    freedom = sum(max(len(one) - 1, 0) for one in groups)
    runs = sum(len(one) for one in groups)
    if freedom >= OWN_FROM or contradicts(squares, freedom, USUAL):
        return Scatter(math.sqrt(squares / freedom), freedom, runs, own=True)
    return Scatter(USUAL, KNOWN, runs, own=False)


@dataclass(frozen=True, slots=True)
class Difference:
    """New launches against old ones by "slip" or "car": `by`; `seconds` (below 0: better) with its 95 % interval."""

    by: str
    new: tuple[Hit, ...]
    old: tuple[Hit, ...]
    seconds: Interval
    scatter: Scatter

    @property
    def told(self) -> bool:
        """Whether the difference is more than chance."""
        return not self.seconds.holds(0.0)

    def line(self) -> str:
        """Say it in words: a value with its interval, or what so few runs cannot show."""
        value = self.seconds.value
        words = f"{abs(value):.3f} s {'better' if value < 0 else 'worse'}"
        if not self.told:
            runs = len(self.new) + len(self.old)
            counted = "two runs" if runs == 2 else f"{len(self.new)} against {len(self.old)} runs"
            return f"{words}; {counted} cannot show less than {self.seconds.half:.3f} s"
        low, high = sorted((abs(self.seconds.least), abs(self.seconds.most)))
        return f"{words} ({low:.3f} to {high:.3f} s)"


def differ(new: Sequence[Hit], old: Sequence[Hit], by: str, repeats: Sequence[Sequence[Hit]]) -> Difference:
    """Return new less old, both with a time `by`; `repeats` are the states from which the scatter is taken."""
    a, b = [one.seconds(by) for one in new], [one.seconds(by) for one in old]
    within = [[one.seconds(by) for one in state if math.isfinite(one.seconds(by))] for state in repeats]
    known = scatter(within)
    root = math.sqrt(1.0 / len(a) + 1.0 / len(b))
    half = student(known.freedom) * known.s * root
    value = float(np.mean(a) - np.mean(b))
    said = Interval(value, value - half, value + half)
    if by == "car":
        wide = max((one.car[1] - one.car[0]) / 2.0 for one in (*new, *old) if one.car is not None)
        said = said.widened(TWO_UNIFORM * wide * root / math.sqrt(2.0))
    return Difference(by, tuple(new), tuple(old), said, known)
