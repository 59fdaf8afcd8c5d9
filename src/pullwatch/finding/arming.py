"""Limits and rules from the five numbers, for the channels a setup has.

A rule is critical when its number was answered and every channel it rests on is confirmed. Else it stands all the same,
as a caution with the reason beside it: with the number careful people begin with, it tells, and never says "Lift".
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Final

from pullwatch.channels import QUANTITIES, Dimension
from pullwatch.finding.numbers import Nonsense, Numbers, Points, started

if TYPE_CHECKING:
    from collections.abc import Mapping

SEA_LEVEL: Final = 101.0
"""kPa: only for starting values along boost (gauge) where the barometric pressure is not known."""
LAMBDAS: Final = ("lambda", "lambda_bank1", "lambda_bank2")
FUEL_FROM: Final = ("fuel_pressure", "barometric_pressure", "manifold_pressure")
"""What fuel_differential_pressure is made of where no feed gives it."""


@dataclass(slots=True)
class Armed:
    """What is to be added to a setup: its text, and what became of each rule, in words."""

    text: list[str] = field(default_factory=list)
    critical: list[str] = field(default_factory=list)
    cautions: list[tuple[str, str]] = field(default_factory=list)
    """(rule, why it is a caution only)."""
    left_out: list[str] = field(default_factory=list)
    kept: list[str] = field(default_factory=list)
    """Names of limits and rules that stand in the file already."""


@dataclass(frozen=True, slots=True)
class Given:
    """What the setup has: its channels (those that can be made from others too), and what is not confirmed or taken.

    `unconfirmed` are channels that are still guesses; `names` the limits and rules there already.
    """

    channels: frozenset[str]
    unconfirmed: frozenset[str] = frozenset()
    limits: frozenset[str] = frozenset()
    rules: frozenset[str] = frozenset()


class _Writer:
    """Gathers the sections. Every rule goes through `rule`, so that none can be armed on a guess."""

    def __init__(self, given: Given, numbers: Numbers) -> None:
        self.given = given
        self.numbers = numbers
        self.out = Armed()
        self.pressure = next((name for name in ("manifold_pressure", "boost") if name in given.channels), "")
        self.gate, self.gate_channels = self._gate()

    def _gate(self) -> tuple[str, tuple[str, ...]]:
        """Return the condition "under boost", by pressure alone: a throttle that reads low must not disarm."""
        if self.pressure == "manifold_pressure" and "barometric_pressure" in self.given.channels:
            return "manifold_pressure > barometric_pressure + 20 kPa deadband 10 kPa", (
                "manifold_pressure",
                "barometric_pressure",
            )
        if self.pressure == "manifold_pressure":
            around = self.numbers.barometric or SEA_LEVEL
            return f"manifold_pressure > {around + 20:.0f} kPa deadband 10 kPa", ("manifold_pressure",)
        return ("boost > 20 kPa deadband 10 kPa", ("boost",)) if self.pressure else ("", ())

    def say(self, *lines: str) -> None:
        self.out.text += lines

    def has(self, what: str, *channels: str) -> bool:
        """Whether all channels are there; if not, what is left out is told, in print and in the file."""
        missing = [name for name in channels if name not in self.given.channels]
        if missing:
            words = f"{what}: left out, no feed gives {' and '.join(missing)}"
            self.out.left_out.append(words)
            self.say("", f"# {words}.")
        return not missing

    def limit(self, name: str, *lines: str, answered: object) -> None:
        """Add a limit; `answered` is what was said of it, None where nobody knows."""
        if name in self.given.limits:
            self.out.kept.append(f"limit.{name}")
            return
        self.say("", f"[limit.{name}]", *lines)
        if answered is None:
            self.say("starting = true                   # not this engine's number: take this line out with it")

    def rule(
        self,
        name: str,
        *lines: str,
        says: str,
        rests_on: tuple[str, ...],
        unanswered: str = "",
        act: str = "Lift.",
    ) -> None:
        """Add a rule: critical with its act, or a caution without it and the reason why."""
        if name in self.given.rules:
            self.out.kept.append(f'rule "{name}"')
            return
        guessed = sorted(set(rests_on) & self.given.unconfirmed)
        why = ""
        if unanswered:
            why = f"{unanswered} is not known yet: the number above is a starting value, not this engine's"
        elif guessed:
            why = f"{' and '.join(guessed)} {'is' if len(guessed) == 1 else 'are'} a guess so far: confirm it first"
        critical = bool(act) and not why
        self.say("", "[[rule]]", f'name = "{name}"', *lines)
        if critical:
            self.out.critical.append(name)
            self.say('priority = "critical"', f'says = "{says} {act}"')
            return
        if act:
            self.out.cautions.append((name, why))
            self.say(f"# A caution only: {why}.")
            self.say(f'# When that is settled: priority = "critical", says = "{says} {act}"')
        self.say('priority = "caution"', f'says = "{says}"')


def arm(numbers: Numbers, given: Given) -> Armed:
    """Return what to add to a setup that has `given`. Raises Nonsense where an answer needs another one."""
    writer = _Writer(given, numbers)
    writer.say("", "# -- the five numbers, and the rules that rest on them")
    _mixture(writer)
    _overboost(writer)
    _oil(writer)
    _speed(writer)
    _fuel(writer)
    return writer.out


def _numbers(values: tuple[float, ...], digits: int) -> str:
    return "[" + ", ".join(f"{round(value, digits):g}" for value in values) + "]"


def _curve(points: Points, along: str, digits: int) -> list[str]:
    if not points.at:
        return [f"value = {points.value[0]:.{digits}f}"]
    return [
        f'along = "{along}"',
        f"at = {_numbers(points.at, 1)}",
        f"value = {_numbers(points.value, digits)}",
        'beyond = "hold"',
    ]


def _along(writer: _Writer, points: Points, *, answered: bool) -> Points:
    """Return a curve along manifold pressure as one along the pressure the setup has."""
    if writer.pressure != "boost" or not points.at:
        return points
    return Points(tuple(at - _around(writer, "lambda_limit", answered=answered) for at in points.at), points.value)


def _around(writer: _Writer, key: str, *, answered: bool) -> float:
    """Return the barometric pressure for a setup that has boost (gauge) only. Raises Nonsense if it is needed."""
    if writer.numbers.barometric is None and answered:
        raise Nonsense(
            f"{key}: the setup has boost (gauge) and no manifold_pressure, so the barometric pressure is needed to "
            "bring the answer to it. Say barometric_pressure too."
        )
    return writer.numbers.barometric or SEA_LEVEL


def _mixture(writer: _Writer) -> None:
    sensors = [name for name in LAMBDAS if name in writer.given.channels]
    if not sensors or not writer.pressure:
        missing = ("lambda",) if not sensors else ("manifold_pressure",)
        writer.has("lean under boost", *missing)
        return
    answered = writer.numbers.lambda_limit
    points = _along(writer, answered or _start().lambda_limit, answered=answered is not None)
    kind = "gauge" if writer.pressure == "boost" else "absolute"
    writer.limit(
        "leanest",
        *([f"# at: kPa {kind}; value: lambda"] if points.at else [f'limits = "{sensors[0]}"']),
        *_curve(points, writer.pressure, 4),
        answered=answered,
    )
    if "barometric_pressure" not in writer.given.channels and writer.pressure == "manifold_pressure":
        writer.say(
            "", "# No feed gives barometric_pressure: what counts as boost is a fixed pressure, that of one place."
        )
    for name in sensors:
        which = name.removeprefix("lambda").replace("_bank", ", bank ")
        writer.rule(
            f"lean under boost{which}",
            f'while = "{writer.gate}"',
            f'trip = "{name} > leanest"',
            'dose = "0.008 s"                  # 0.02 too lean for 400 ms, or 0.10 for 80 ms',
            "at_least_samples = 2              # one ignition spike is one sample",
            "off_delay_ms = 500",
            "latch = true",
            says="Lean under boost.",
            rests_on=(name, writer.pressure, *writer.gate_channels),
            unanswered="" if answered else "the lambda limit",
        )
        writer.rule(
            f"no mixture reading{which}",
            f'while = "{writer.gate}"',
            f'trip = "{name} is lost"',
            says="No mixture reading.",
            rests_on=(name, *writer.gate_channels),
        )


def _overboost(writer: _Writer) -> None:
    if not writer.pressure:
        writer.has("overboost", "manifold_pressure")
        return
    answered = writer.numbers.highest_pressure
    highest = answered or _start().highest_pressure
    if writer.pressure == "boost":
        highest -= _around(writer, "highest_manifold_pressure", answered=answered is not None)
    says = "gauge" if writer.pressure == "boost" else "absolute"
    lines = (f'limits = "{writer.pressure}"', f"value = {highest:.0f}    # kPa {says}")
    writer.limit("highest_pressure", *lines, answered=answered)
    unanswered = "" if answered else "the highest manifold pressure"
    writer.rule(
        "overboost",
        f'trip = "{writer.pressure} > highest_pressure deadband 3 kPa"',
        "on_delay_ms = 300",
        says="Overboost.",
        rests_on=(writer.pressure,),
        unanswered=unanswered,
    )
    writer.rule(
        "overboost, far",
        f'trip = "{writer.pressure} > highest_pressure + 10 kPa deadband 3 kPa"',
        "on_delay_ms = 20",
        "at_least_samples = 2",
        says="Overboost.",
        rests_on=(writer.pressure,),
        unanswered=unanswered,
    )


def _oil(writer: _Writer) -> None:
    if not writer.has("oil pressure", "oil_pressure", "engine_speed"):
        return
    answered = writer.numbers.oil_pressure
    points = answered or _start().oil_pressure
    head = ["# at: rpm; value: kPa gauge"] if points.at else ['limits = "oil_pressure"']
    writer.limit("least_oil", *head, *_curve(points, "engine_speed", 0), answered=answered)
    both = ("oil_pressure", "engine_speed")
    writer.rule(
        "oil pressure low",
        'while = "engine_speed > 2500 rpm deadband 200 rpm"',
        'trip = "oil_pressure < least_oil deadband 10 kPa"',
        "on_delay_ms = 250",
        "latch = true",
        says="Oil pressure low.",
        rests_on=both,
        unanswered="" if answered else "the oil-pressure curve",
    )
    writer.rule(
        "oil pressure low at idle",
        'while = "engine_speed > 600 rpm deadband 100 rpm"',
        'trip = "oil_pressure < 60 kPa deadband 10 kPa"',
        "on_delay_ms = 3000                # after a start the pressure needs its time",
        says="Oil pressure low.",
        rests_on=both,
        act="",
    )


def _speed(writer: _Writer) -> None:
    if not writer.has("over-speed", "engine_speed"):
        return
    answered = writer.numbers.highest_speed
    highest = answered or _start().highest_speed
    writer.limit("highest_speed", 'limits = "engine_speed"', f"value = {highest:.0f}    # rpm", answered=answered)
    writer.rule(
        "over-speed",
        'trip = "engine_speed > highest_speed deadband 100 rpm"',
        "on_delay_ms = 20",
        "at_least_samples = 2",
        says="Engine too fast.",
        rests_on=("engine_speed",),
        unanswered="" if answered else "the highest engine speed",
    )


def _fuel(writer: _Writer) -> None:
    if not writer.pressure or not writer.has("fuel pressure", "fuel_differential_pressure"):
        return
    answered = writer.numbers.base_fuel
    base = answered or _start().base_fuel
    writer.limit(
        "base_fuel_pressure",
        'limits = "fuel_differential_pressure"',
        f"value = {base:.0f}    # kPa across the injector",
        answered=answered,
    )
    rests_on = ("fuel_differential_pressure", *writer.gate_channels)
    writer.rule(
        "fuel pressure falling",
        f'while = "{writer.gate}"',
        'trip = "fuel_differential_pressure < 0.90 * base_fuel_pressure deadband 6 kPa"',
        "on_delay_ms = 150                 # ahead of the mixture by the whole delay of the lambda sensor",
        says="Fuel pressure falling.",
        rests_on=rests_on,
        act="",
    )
    writer.rule(
        "fuel differential pressure low",
        f'while = "{writer.gate}"',
        'trip = "fuel_differential_pressure < 0.80 * base_fuel_pressure deadband 6 kPa"',
        "on_delay_ms = 50",
        "at_least_samples = 3",
        says="Fuel pressure low.",
        rests_on=rests_on,
        unanswered="" if answered else "the base fuel pressure",
    )


@dataclass(frozen=True, slots=True)
class _Start:
    """The starting values, all of them there."""

    highest_pressure: float
    lambda_limit: Points
    oil_pressure: Points
    highest_speed: float
    base_fuel: float


def _start() -> _Start:
    numbers = started()
    assert numbers.highest_pressure is not None
    assert numbers.lambda_limit is not None
    assert numbers.oil_pressure is not None
    assert numbers.highest_speed is not None
    assert numbers.base_fuel is not None
    return _Start(
        numbers.highest_pressure,
        numbers.lambda_limit,
        numbers.oil_pressure,
        numbers.highest_speed,
        numbers.base_fuel,
    )


def protection(numbers: Numbers, pressure: str) -> Mapping[str, str]:
    """Return the lines of [protection]: what the controller itself cuts at, by the channel it is said of."""
    out: dict[str, str] = {}
    if numbers.cut_pressure is not None:
        cut = numbers.cut_pressure
        if pressure == "boost" and numbers.barometric is not None:
            out["boost"] = f"{cut - numbers.barometric:.0f} kPa"
        else:
            out["manifold_pressure"] = f"{cut:.0f} kPa"
    if numbers.cut_speed is not None:
        out["engine_speed"] = f"{numbers.cut_speed:.0f} rpm"
    if numbers.cut_lambda is not None:
        out["lambda"] = f"{numbers.cut_lambda:.3f} lambda"
    assert all(QUANTITIES[name].dimension is not Dimension.NUMBER for name in out)
    return out
