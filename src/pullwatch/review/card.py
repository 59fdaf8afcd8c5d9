"""The card: what the first ten seconds after the lift have to say, in at most 14 lines.

It names what was measured, how near it came, what tripped and what could not be seen. It judges nothing: no line says
that a run was good or that the next one may be driven. What the car does not measure has no line; what it measures and
did not hear says so.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Final

import numpy as np

from pullwatch.columns import Column
from pullwatch.review.comparing import comparable
from pullwatch.review.judged import blind
from pullwatch.review.made import NOT_RULED
from pullwatch.review.margins import Margin, distance, margins
from pullwatch.review.run import Class, Ended
from pullwatch.review.strip import car_side
from pullwatch.review.table import STEP, Extreme, S, Span, most_of_two, seconds_of
from pullwatch.watchdog.alarms import Event, Priority

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence
    from typing import Any

    from numpy.typing import NDArray

    from pullwatch.review.run import Run
    from pullwatch.review.table import Table

MOST_LINES: Final = 14
BOOST: Final = 20.0
"""kPa gauge above which mixture, oil and fuel are looked at (common practice, no source)."""
SETTLES: Final = 0.95
"""Boost has settled once it came to this share of its peak ..."""
SETTLED_FOR: Final = S // 2
"""... and stayed on for at least so long."""
AFTER: Final = 3 * S
"""What tripped so long after the lift still belongs to the run: a sensor speaks late, a delay runs."""
RISE: Final = 1.0
RISE_WITHIN: Final = S // 5
"""Degrees and time: a knock event is a rise of the retard by so much within so long."""
NAMED: Final = 3
"""Alarms that are named; the others are counted."""
LAMBDAS: Final = ("lambda", "lambda_bank1", "lambda_bank2")
TEMPERATURES: Final = (
    ("intake_air_temperature", "intake air"), ("oil_temperature", "oil"), ("coolant_temperature", "coolant"),
    ("exhaust_gas_temperature", "exhaust"), ("gearbox_temperature", "gearbox"),
)  # fmt: skip
DIFFERENCES: Final = (
    ("peak boost", "kPa", 1), ("settled boost", "kPa", 1), ("leanest", "lambda", 3), ("least oil pressure", "kPa", 0),
    ("knock retard", "deg", 1), ("injector duty", "%", 0), ("fuel differential", "kPa", 0), ("seconds", "s", 2),
)  # fmt: skip
"""What is held against the last comparable run, in this order: name, unit, digits."""


@dataclass(frozen=True, slots=True)
class Line:
    """One line: what it is, what it says with its units, and what makes it doubtful or places it (may be empty)."""

    label: str
    value: str
    note: str = ""

    def __str__(self) -> str:
        return f"{self.label}: {self.value}{f' ({self.note})' if self.note else ''}"


@dataclass(frozen=True, slots=True)
class Card:
    """The card of one run. `numbers` are those of `DIFFERENCES` that were measured, in their units, for later runs."""

    run: Run
    told: tuple[Line, ...]
    numbers: Mapping[str, float] = field(default_factory=dict)
    margins: tuple[Margin, ...] = ()

    def lines(self) -> list[str]:
        """Return the card as text, at most MOST_LINES lines."""
        return [str(line) for line in self.told]

    def to_dict(self) -> dict[str, Any]:
        """Return the card as plain JSON values."""
        return {
            "run": self.run.number,
            "lines": [{"label": one.label, "value": one.value, "note": one.note} for one in self.told],
            "numbers": dict(self.numbers),
        }


class _Making:
    """Makes one card; keeps what several lines share."""

    def __init__(self, table: Table, run: Run, found: Sequence[Margin]) -> None:
        self.table, self.run, self.margins = table, run, found
        self.grid = table.grid(run.begin, run.end, STEP)
        self.boost = table.boost_on(self.grid)
        self.numbers: dict[str, float] = {"seconds": run.seconds}

    def under_boost(self, times: NDArray[np.int64]) -> NDArray[np.bool_]:
        """Say for each time whether there was boost then."""
        return self.table.boost_on(times) > BOOST

    def where(self, t: int, *, pressure: bool = True) -> str:
        """Say at which speed, pressure and gear it was."""
        rpm, manifold, gear = (self.table.at(name, t) for name in ("engine_speed", "manifold_pressure", "gear"))
        said = [f"at {rpm:,.0f} rpm"] if math.isfinite(rpm) else []
        if pressure and math.isfinite(manifold):
            said.append(f"{manifold:.0f} kPa absolute")
        if math.isfinite(gear) and gear >= 1 and len(self.run.gears) != 1:
            said.append(f"gear {gear:.0f}")
        return ", ".join(said)

    def unheard(self, name: str) -> str:
        """Say for how long of the run a channel was not known; empty if it was known throughout."""
        series = self.table.get(name)
        lost = 0.0 if series is None else seconds_of(series.unknown(self.run.begin, self.run.end))
        return f"not known {lost:.1f} s" if lost >= 0.05 else ""

    # ---- lines ---------------------------------------------------------------------------------------------------

    def boost_line(self) -> Line | None:
        table, run = self.table, self.run
        measured = "boost" in table.series or "manifold_pressure" in table.series
        if not measured:
            return None
        name = "boost" if "boost" in table.series else "manifold_pressure"
        known = np.isfinite(self.boost)
        if not known.any():
            series = table.get("manifold_pressure")
            peak = series.most(run.begin, run.end) if series is not None else None
            if peak is None:
                return Line("boost", "not measured in this run", self.unheard(name))
            text = f"peak {table.format('manifold_pressure', peak.value)} {self.where(peak.t, pressure=False)}"
            return Line("boost", text, "barometric pressure is not known")
        place = int(np.nanargmax(self.boost))
        peak_value = float(self.boost[place])
        self.numbers["peak boost"] = peak_value
        at = int(self.grid[place])
        text = f"peak {peak_value:.1f} kPa gauge {self.where(at, pressure=False)}"
        first = int(np.flatnonzero(self.boost >= SETTLES * peak_value)[0])
        stayed = self.boost[first:][np.isfinite(self.boost[first:])]
        if len(stayed) * STEP >= SETTLED_FOR and peak_value > BOOST:
            settled = float(np.median(stayed))
            self.numbers["settled boost"] = settled
            text += f", settled {settled:.1f}, at the end {stayed[-1]:.1f}"
        ceilings = [
            each
            for each in ("boost", "manifold_pressure")
            if each in table.ceilings
            and (series := table.get(each)) is not None
            and (most := series.most(run.begin, run.end)) is not None
            and most.value >= table.ceilings[each]
        ]
        note = "at least: the sensor was at its ceiling" if ceilings else ""
        return Line("boost", text, "; ".join(part for part in (note, self.unheard(name)) if part))

    def lambda_line(self) -> Line | None:
        there = [name for name in LAMBDAS if name in self.table.series]
        if not there:
            return None
        found: list[tuple[Extreme, str, int]] = []
        blinds: list[str] = []
        for name in there:
            series = self.table.series[name]
            # The gas of this run reaches the sensor later, so what it says shortly after the lift belongs to the run.
            begin, end = self.run.begin, self.run.end
            middle = sum(series.delay(self.table.at("engine_speed", end - STEP))) // 2
            hidden = blind(self.table, name, begin, end + middle)
            good = series.good(begin, end + middle)
            back = np.array(
                [sum(series.delay(rpm)) // 2 for rpm in self.table.on("engine_speed", good.t).tolist()], np.int64
            )
            use = self.under_boost(good.t - back) & (good.t - back >= begin)
            for span in hidden:
                use &= ~((good.t >= span.begin) & (good.t < span.end))
            leanest = most_of_two(Column(good.t[use], good.v[use], good.why[use]))
            if leanest is not None:
                found.append((leanest, name, int(back[int(np.searchsorted(good.t, leanest.t))])))
            lost = seconds_of(series.unknown(begin, end))
            blinds.append(
                f"{'' if len(there) == 1 else name + ' '}blind {seconds_of(hidden):.1f} s"
                + (f", not known {lost:.1f} s" if lost >= 0.05 else "")
                + f" of {self.run.seconds:.1f} s"
            )
        note = "; ".join(blinds)
        if not found:
            any_boost = bool((self.boost > BOOST).any())
            return Line("leanest", "not seen under boost" if any_boost else "there was no boost", note)
        leanest, name, back_ns = max(found)
        self.numbers["leanest"] = leanest.value
        text = f"{self.table.format(name, leanest.value)} {self.where(leanest.t - back_ns)}"
        return Line("leanest", text, note)

    def extreme_line(
        self, label: str, name: str, number: str, *, least: bool, boost_only: bool, pressure: bool
    ) -> Line | None:
        """Make the line of a channel's least or most, under boost or over the whole run."""
        series = self.table.get(name)
        if series is None:
            return None
        good = series.good(self.run.begin, self.run.end)
        if boost_only:
            use = self.under_boost(good.t)
            good = Column(good.t[use], good.v[use], good.why[use])
        if not len(good):
            heard = len(series.good(self.run.begin, self.run.end))
            said = "there was no boost" if heard else "not measured in this run"
            return Line(label, said, "" if heard else self.unheard(name))
        place = int(good.v.argmin() if least else good.v.argmax())
        value, t = float(good.v[place]), int(good.t[place])
        self.numbers[number] = value
        word = "least" if least else "most"
        text = f"{word} {series.channel.format(value)} {self.where(t, pressure=pressure)}".rstrip()
        return Line(label, text, self.unheard(name))

    def oil_line(self) -> Line | None:
        line = self.extreme_line(
            "oil pressure under load", "oil_pressure", "least oil pressure", least=True, boost_only=True, pressure=False
        )
        if line is not None and line.value == "there was no boost":
            return self.extreme_line(
                "oil pressure", "oil_pressure", "least oil pressure", least=True, boost_only=False, pressure=False
            )
        return line

    def duty_line(self) -> Line | None:
        line = self.extreme_line(
            "injector duty", "injector_duty", "injector duty", least=False, boost_only=False, pressure=False
        )
        if line is None or self.table.series["injector_duty"].channel.number != NOT_RULED:
            return line
        note = "; ".join(part for part in ("one injection a cycle taken for granted", line.note) if part)
        return Line(line.label, line.value, note)

    def knock_line(self) -> Line | None:
        line = self.extreme_line(
            "knock retard", "knock_retard", "knock retard", least=False, boost_only=False, pressure=True
        )
        if line is None or "knock retard" not in self.numbers:
            return line
        if self.numbers["knock retard"] <= 0.0:
            line = Line("knock retard", self.table.format("knock_retard", 0.0), line.note)
        good = self.table.series["knock_retard"].good(self.run.begin, self.run.end)
        rises = rises_in(good.t, good.v)
        if not rises:
            return line
        word = "1 rise" if len(rises) == 1 else f"{len(rises)} rises"
        return Line(line.label, line.value, "; ".join(p for p in (f"{word} of 1 deg or more", line.note) if p))

    def temperature_line(self) -> Line | None:
        parts = []
        for name, word in TEMPERATURES:
            series = self.table.get(name)
            if series is None:
                continue
            one, two = _lately(self.table, name, self.run.begin), _lately(self.table, name, self.run.end)
            said = [f"{x:.0f}" if math.isfinite(x) else "not known" for x in (one, two)]
            parts.append(f"{word} {said[0]} to {said[1]}")
        return Line("temperatures, begin to end", f"{', '.join(parts)} °C") if parts else None

    def tripped_line(self) -> Line:
        table, run = self.table, self.run
        raised = [
            change
            for change in table.changes
            if change.event is Event.RAISE
            and run.begin <= change.t <= run.end + AFTER
            and change.rule < len(table.rules.rules)
        ]
        if raised:
            names = [
                f"{table.rules.rules[change.rule].name} at {(change.t - run.begin) / S:+.2f} s"
                for change in raised[:NAMED]
            ]
            more = f", and {len(raised) - NAMED} more" if len(raised) > NAMED else ""
            critical = sum(table.rules.rules[change.rule].priority is Priority.CRITICAL for change in raised)
            return Line("tripped, in order", ", then ".join(names) + more, f"{critical} critical")
        return Line("tripped", "nothing")

    def margin_line(self) -> Line | None:
        known = [one for one in self.margins if not one.why_not]
        if not known:
            return None
        nearest = sorted(known, key=lambda one: one.least / one.near)[:2]
        text = ", ".join(f"{one.rule} {distance(self.table, one)}" for one in nearest)
        near = sum(one.is_near for one in known)
        return Line("nearest to a limit", text, f"{near} of {len(known)} rules came near")

    def launch_line(self) -> Line | None:
        launch = self.run.launch
        if launch is None or self.run.kind is Class.BURNOUT:
            return None
        boost = f", boost {launch.boost:.0f} kPa gauge" if math.isfinite(launch.boost) else ""
        text = f"released at {launch.rpm:,.0f} rpm{boost}, held {launch.held:.1f} s"
        note = ""
        if self.run.kind in (Class.PASS, Class.PEDALLED_PASS):
            t = self.table.grid(launch.release - STEP, self.run.end, STEP)
            name = "vehicle_speed" if "vehicle_speed" in self.table.series else "roller_speed"
            side = car_side(t, self.table.on(name, t), self.table.rollout)
            if "60 ft" in side.times:
                least, most = side.times["60 ft"]
                text += f"; 60 ft in {least:.2f} to {most:.2f} s by the car's own speed"
                one, two = self.table.rollout
                note = f"rollout {one:.2f} to {two:.2f} m; slip of the tyres not taken off"
        return Line("launch", text, note)

    def lost_line(self) -> Line:
        table, run = self.table, self.run
        parts = []
        for feed in dict.fromkeys(one.feed for one in table.events):
            spans = feed_lost(table, feed, run.begin, run.end)
            if spans:
                parts.append(f"{feed} {seconds_of(spans):.1f} s")
        dropped = sum(one.what == "dropped" and run.begin <= one.t <= run.end for one in table.events)
        if dropped:
            parts.append(f"bytes dropped {dropped} times")
        return Line("feeds lost", ", ".join(parts) if parts else "none")

    def whole_line(self) -> Line:
        missing = self.table.missing(self.run.begin, self.run.end)
        if self.run.ended is Ended.OPEN:
            return Line("recorded whole", "no", "the recording ends in this run")
        if missing:
            return Line("recorded whole", "no", f"something is missing in {len(missing)} places")
        if any(one.what == "dropped" and self.run.begin <= one.t <= self.run.end for one in self.table.events):
            return Line("recorded whole", "no", "bytes were dropped")
        return Line("recorded whole", "yes")


def rises_in(t: NDArray[np.int64], v: NDArray[np.float64]) -> list[int]:
    """Return when (ns) the knock retard rose by `RISE` or more within `RISE_WITHIN`: one rise, one entry."""
    out: list[int] = []
    lowest: list[tuple[int, float]] = []
    for at, value in zip(t.tolist(), v.tolist(), strict=True):
        lowest = [(when, low) for when, low in lowest if at - when <= RISE_WITHIN and low < value]
        if lowest and value - lowest[0][1] >= RISE - 1e-9:
            if not out or at - out[-1] > RISE_WITHIN:
                out.append(at)
            lowest = []
        lowest.append((at, value))
    return out


def feed_lost(table: Table, feed: str, begin: int, end: int) -> list[Span]:
    """Return where in [begin, end) a feed's port was away."""
    spans: list[Span] = []
    since: int | None = None
    for one in table.events:
        if one.feed != feed:
            continue
        if one.what == "lost" and since is None:
            since = one.t
        elif one.what == "found" and since is not None:
            spans.append(Span(since, one.t))
            since = None
    if since is not None:
        spans.append(Span(since, end))
    return [Span(max(a, begin), min(b, end)) for a, b in spans if a < end and b > begin]


def _lately(table: Table, name: str, t: int) -> float:
    """Return a slow channel's value at `t`, or its last in the second before."""
    value = table.at(name, t)
    if math.isfinite(value):
        return value
    good = table.series[name].good(t - S, t)
    return float(good.v[-1]) if len(good) else math.nan


def card(table: Table, run: Run, earlier: Sequence[Card] = (), found: Sequence[Margin] | None = None) -> Card:
    """Return the card of a run. `earlier` are the cards of the runs before it, in order; `found` its margins, if known.

    The difference is to the last comparable run among them; one of which it cannot be told is said to be so.
    """
    margins_ = tuple(margins(table, run) if found is None else found)
    making = _Making(table, run, margins_)
    low, high = run.rpm
    head = Line(
        f"run {run.number}",
        f"{run.kind}, {run.gear_text}, {low:,.0f} to {high:,.0f} rpm in {run.seconds:.1f} s",
        f"ended by: {run.ended}",
    )
    made = [
        head,
        making.boost_line(),
        making.lambda_line(),
        making.oil_line(),
        making.knock_line(),
        making.duty_line(),
        making.extreme_line(
            "fuel differential pressure", "fuel_differential_pressure", "fuel differential",
            least=True, boost_only=True, pressure=False,
        ),
        making.temperature_line(),
        making.tripped_line(),
        making.margin_line(),
        making.launch_line(),
    ]  # fmt: skip
    made += [_difference(run, making.numbers, earlier), making.lost_line(), making.whole_line()]
    lines = tuple(line for line in made if line is not None)
    assert len(lines) <= MOST_LINES
    return Card(run, lines, making.numbers, margins_)


def _difference(run: Run, numbers: Mapping[str, float], earlier: Sequence[Card]) -> Line | None:
    if not earlier:
        return None
    why = ""
    likely: Card | None = None
    for before in reversed(earlier):
        said = comparable(run, before.run)
        if said.answer == "yes":
            return Line(f"against run {before.run.number}", differences(numbers, before.numbers))
        if said.answer == "cannot tell" and likely is None:
            likely = before
            why = "; ".join(said.why)
        if not why:
            why = f"run {before.run.number}: {'; '.join(said.why)}"
    if likely is not None:
        text = differences(numbers, likely.numbers)
        return Line(f"against run {likely.run.number}", text, f"cannot tell whether comparable: {why}")
    return Line("difference", "no comparable run before this one", why)


def differences(numbers: Mapping[str, float], before: Mapping[str, float]) -> str:
    """Write what is different, in words with units; what only one of them has is left out."""
    parts = [
        f"{name} {numbers[name] - before[name]:+.{digits}f} {unit}"
        for name, unit, digits in DIFFERENCES
        if name in numbers and name in before
    ]
    return ", ".join(parts) if parts else "nothing was measured in both"
