"""Do the readings fit each other: with the key on, or idling at a stand. Pure: samples in, items out.

With the key on and the engine standing the car proves most of its own sensors: the manifold is open to the air, the
oil pump stands, the fuel pump holds the regulator's pressure. What is compared and how closely is common practice, no
source, but where another is named.
"""

from __future__ import annotations

import statistics
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

from pullwatch.clock import NS_PER_S
from pullwatch.columns import WHY_WORDS, Why
from pullwatch.ready.items import Item, Outcome
from pullwatch.watchdog.alarms import Priority
from pullwatch.watchdog.conditions import Verdict

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping, Sequence

    from pullwatch.setup import Plan
    from pullwatch.watchdog.judge import Reading

AIR_WITHIN: Final = 1.5
"""kPa between manifold and barometric pressure with the engine standing."""
OIL_WITHIN: Final = 15.0
"""kPa gauge that an oil pressure sensor may say of a standing engine."""
FUEL_WITHIN: Final = 0.05
"""Share of the base pressure."""
LEAST_BATTERY: Final = 12.0
"""V with the engine standing, a charged 12 V battery under the load of the ignition."""
LAMBDA_MOVES: Final = 0.01
"""A lambda sensor of an idling engine moves by more than this within some seconds."""
SHUT: Final = 5.0
OPEN: Final = 90.0
"""% of throttle that a sweep must go below, and above."""
FASTEST_IDLE: Final = 1_500.0
"""rpm; above it the engine does not idle."""


@dataclass(frozen=True, slots=True)
class Heard:
    """Some seconds of the car: per channel name the samples (t ns, value, why), and how the rules stand at the end.

    `now` is the last instant judged (session ns), `begun` the first heard. `readings` are by rule number.
    """

    samples: Mapping[str, Sequence[tuple[int, float, int]]]
    readings: Sequence[Reading]
    begun: int
    now: int

    def good(self, name: str) -> list[float]:
        """Return the believed values of a channel."""
        return [value for _, value, why in self.samples.get(name, ()) if not why]

    def level(self, name: str) -> float | None:
        """Return the middle value of what was believed, None if nothing was."""
        good = self.good(name)
        return statistics.median(good) if good else None


def moment(heard: Heard) -> str:
    """Return what the engine does: `stands`, `idles`, `runs`, or `unknown`."""
    speed = heard.level("engine_speed")
    if speed is None:
        return "unknown"
    return "stands" if speed == 0 else "idles" if speed < FASTEST_IDLE else "runs"


def engine_items(plan: Plan, heard: Heard) -> list[Item]:
    """Return what the readings say, for the moment the engine is in."""
    items = list(_silent(plan, heard))
    match moment(heard):
        case "stands":
            items += [*_air(plan, heard), *_oil_at_rest(plan, heard), *_fuel(plan, heard), *_battery(plan, heard)]
            items += _lambda_warms(plan, heard)
        case "idles":
            items += _lambda_moves(plan, heard)
        case "runs":
            items.append(
                Item("engine", Outcome.CANNOT_TELL, "it runs above idle: these checks are for key on or idle.")
            )
        case _:
            items.append(
                Item("engine", Outcome.CANNOT_TELL, "engine speed is not known: key on or idle cannot be told.")
            )
    return items + list(_alarms(plan, heard))


def sweep_item(values: Sequence[float]) -> Item:
    """Return what a sweep of the pedal came to: it must reach both ends."""
    if not values:
        return Item("throttle sweep", Outcome.NOT_SO, "the throttle channel says nothing.")
    low, high = min(values), max(values)
    if low < SHUT and high > OPEN:
        return Item("throttle sweep", Outcome.FINE, f"{low:.0f} to {high:.0f} %.")
    words = f"it went from {low:.0f} to {high:.0f} %, below {SHUT:g} and above {OPEN:g} % is expected."
    return Item("throttle sweep", Outcome.NOT_SO, f"{words} Look at pedal stop, cable and calibration.")


def _named(plan: Plan, name: str) -> bool:
    return any(channel.name == name for channel in plan.channels)


def _silent(plan: Plan, heard: Heard) -> Iterator[Item]:
    """Yield every channel a feed should give and of which nothing believed is there."""
    quiet: dict[str, list[str]] = {}
    for feed in plan.feeds:
        for name in feed.options.gives:
            if _named(plan, name) and name != "lambda" and not heard.good(name):
                samples = heard.samples.get(name, ())
                why = WHY_WORDS[Why(samples[-1][2])] if samples else "nothing comes"
                quiet.setdefault(f"{feed.options.name}: {why}", []).append(name)
    for where, names in quiet.items():
        yield Item("readings", Outcome.NOT_SO, f"{where}: {', '.join(names)}.")
    if not quiet:
        yield Item("readings", Outcome.FINE, "every feed gives every channel it should.")


def _air(plan: Plan, heard: Heard) -> Iterator[Item]:
    if not _named(plan, "manifold_pressure"):
        return
    manifold, air = heard.level("manifold_pressure"), heard.level("barometric_pressure")
    if manifold is None or air is None:
        yield Item("manifold against air", Outcome.CANNOT_TELL, "one of the two is not known.")
        return
    apart = manifold - air
    words = f"manifold {manifold:.1f}, air {air:.1f} kPa absolute, {apart:+.1f} kPa apart"
    if abs(apart) <= AIR_WITHIN:
        yield Item("manifold against air", Outcome.FINE, f"{words}.")
    else:
        todo = "One of them is off, or its scale is wrong: every boost figure is off by as much."
        yield Item("manifold against air", Outcome.NOT_SO, f"{words}, {AIR_WITHIN:g} is expected. {todo}")


def _oil_at_rest(plan: Plan, heard: Heard) -> Iterator[Item]:
    if not _named(plan, "oil_pressure"):
        return
    oil = heard.level("oil_pressure")
    if oil is None:
        yield Item("oil at rest", Outcome.CANNOT_TELL, "oil pressure is not known.")
    elif abs(oil) <= OIL_WITHIN:
        yield Item("oil at rest", Outcome.FINE, f"{oil:.0f} kPa gauge.")
    else:
        words = f"{oil:.0f} kPa gauge with the engine standing; within {OIL_WITHIN:g} is expected."
        yield Item(
            "oil at rest", Outcome.NOT_SO, f"{words} The sensor's zero or scale is wrong (or it stopped just now)."
        )


def _fuel(plan: Plan, heard: Heard) -> Iterator[Item]:
    base = next((limit.value[0] for limit in plan.limits if limit.name == "base_fuel_pressure"), None)
    if base is None or not (_named(plan, "fuel_differential_pressure") or _named(plan, "fuel_pressure")):
        return
    name = "fuel_differential_pressure" if _named(plan, "fuel_differential_pressure") else "fuel_pressure"
    fuel = heard.level(name)
    if fuel is None:
        yield Item("fuel pressure", Outcome.CANNOT_TELL, f"{name} is not known.")
    elif abs(fuel - base) <= FUEL_WITHIN * base:
        yield Item("fuel pressure", Outcome.FINE, f"{fuel:.0f} kPa, base {base:.0f} kPa.")
    elif fuel < base:
        words = f"{fuel:.0f} kPa, base {base:.0f} kPa."
        todo = "Pumps often run for some seconds after key on only: key off, on, and ask again at once."
        yield Item("fuel pressure", Outcome.NOT_SO, f"{words} {todo}")
    else:
        todo = "Regulator, return line, or the sensor's scale."
        yield Item("fuel pressure", Outcome.NOT_SO, f"{fuel:.0f} kPa, above the base of {base:.0f} kPa. {todo}")


def _battery(plan: Plan, heard: Heard) -> Iterator[Item]:
    if not _named(plan, "battery_voltage"):
        return
    volts = heard.level("battery_voltage")
    if volts is None:
        yield Item("battery", Outcome.CANNOT_TELL, "its voltage is not known.")
    elif volts >= LEAST_BATTERY:
        yield Item("battery", Outcome.FINE, f"{volts:.1f} V.")
    else:
        words = f"{volts:.1f} V with the engine standing; {LEAST_BATTERY:g} V and more is expected."
        yield Item("battery", Outcome.NOT_SO, f"{words} Adapters drop out when the starter turns.")


def _lambda_warms(plan: Plan, heard: Heard) -> Iterator[Item]:
    for name in ("lambda", "lambda_bank1", "lambda_bank2"):
        if not _named(plan, name):
            continue
        samples = heard.samples.get(name, ())
        whys = {why for _, _, why in samples}
        if not samples:
            yield Item(name, Outcome.NOT_SO, "nothing comes from its controller.")
        elif whys <= {Why.GOOD, Why.NOT_READY, Why.NOT_PROVED}:
            says = "heating" if Why.NOT_READY in whys else "it speaks"
            yield Item(name, Outcome.FINE, f"{says}; that it reads right shows on the first overrun only.")
        else:
            why = next(WHY_WORDS[Why(each)] for each in whys if each)
            yield Item(name, Outcome.NOT_SO, f"{why}.")


def _lambda_moves(plan: Plan, heard: Heard) -> Iterator[Item]:
    for name in ("lambda", "lambda_bank1", "lambda_bank2"):
        if not _named(plan, name):
            continue
        good = heard.good(name)
        if not good:
            yield Item(name, Outcome.NOT_SO, "no believed reading from an idling engine: still heating, or broken.")
        elif max(good) - min(good) > LAMBDA_MOVES:
            yield Item(name, Outcome.FINE, f"it moves, {min(good):.3f} to {max(good):.3f}.")
        else:
            seconds = (heard.now - heard.begun) / NS_PER_S
            words = f"it stood at {good[-1]:.3f} for {seconds:.1f} s."
            yield Item(name, Outcome.NOT_SO, f"{words} An idling engine's mixture moves: look at the sensor.")


def _alarms(plan: Plan, heard: Heard) -> Iterator[Item]:
    """Yield what would be told right now: oil above its curve is one of them."""
    standing = [
        rule
        for rule, reading in zip(plan.rules.rules, heard.readings, strict=False)
        if reading.trip is Verdict.YES and reading.gate is Verdict.YES and not rule.removed
    ]
    for rule in standing:
        says = "critical" if rule.priority is Priority.CRITICAL else rule.priority.name.lower()
        yield Item(f'rule "{rule.name}"', Outcome.NOT_SO, f"it stands beyond its limit right now ({says}).")
    if not standing:
        yield Item("rules", Outcome.FINE, "none stands beyond its limit now.")
