"""How a remote car is shown in a terminal: what is wrong first, then what is closest to its limit, with every age."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final, NamedTuple

from pullwatch.clock import NS_PER_MS, NS_PER_S

if TYPE_CHECKING:
    from collections.abc import Iterator

    from pullwatch.publish.far import Car, Far

SILENT_AFTER: Final = 3 * NS_PER_S
"""A live car from which nothing comes for so long is called silent: its values are sent several times as often."""
BEHIND_TOLD: Final = 2 * NS_PER_S
OLD: Final = NS_PER_S
"""A value older than this has its age beside it."""
ALARMS_SHOWN: Final = 12
MARGINS_SHOWN: Final = 6

BAD: Final = "bold reverse red"
WORSE: Final = "bold yellow"
DIM: Final = "dim"
PLAIN: Final = ""
BY_PRIORITY: Final = {"critical": BAD, "caution": WORSE, "note": "bold"}


class Line(NamedTuple):
    """A line of text, and a style that says nothing which the words do not say too."""

    text: str
    style: str = PLAIN


class Link(NamedTuple):
    """How our own link to the broker is: `since` when (our clock, ns) it is so, `why` there is none."""

    up: bool
    since: int
    where: str
    why: str = ""


def lines(far: Far, link: Link, clock: int) -> Iterator[Line]:
    """Yield what is known at our clock's `clock` (ns), the most urgent first."""
    if not link.up:
        why = f": {link.why}" if link.why else ""
        yield Line(f"NO LINK to {link.where} for {seconds(clock - link.since)}{why}. What is below is old.", BAD)
    if not far.cars:
        yield Line(f"nothing of a car has come from {link.where} yet", WORSE)
    for car in far.cars.values():
        yield from of_car(car, clock)
    if far.rubbish:
        yield Line(f"{far.rubbish} messages under these topics are none of ours: somebody else writes there", WORSE)


def of_car(car: Car, clock: int) -> Iterator[Line]:
    """Yield the lines about one car."""
    yield head(car, clock)
    standing = car.standing()
    current = trusted(car, clock)
    for alarm in standing[:ALARMS_SHOWN]:
        age = car.age(alarm["t_ns"], clock)
        since = "" if age is None or not current else f"  for {seconds(age)}"
        last = "" if current else "  (as last heard)"
        yield Line(f"  {car.words(alarm)}{since}{last}", BY_PRIORITY[alarm["priority"]])
    if len(standing) > ALARMS_SHOWN:
        yield Line(f"  and {len(standing) - ALARMS_SHOWN} more alarms", WORSE)
    if not standing and car.session:
        nothing = "no alarm was heard of"
        if current:
            nothing = "no alarm stands. That says what was judged, not that all is well."
        yield Line(f"  {nothing}")
    yield from margins(car, clock)
    yield from unseen(car, clock)
    for name, feed in car.feeds.items():
        if not feed["open"]:
            yield Line(f"  feed {name}: the port is not open", WORSE)
    if car.missing or car.doubles:
        words = f"{car.missing} messages never came" if car.missing else ""
        twice = f"{car.doubles} came twice or too late" if car.doubles else ""
        yield Line(f"  {'; '.join(part for part in (words, twice) if part)}", WORSE if car.missing else DIM)


def head(car: Car, clock: int) -> Line:
    """Return the line that says whose car this is and how far it is to be believed."""
    begins = f"{car.name}: "
    says = f": {car.state_says}" if car.state_says else ""
    if not car.session:
        return Line(f"{begins}WAITING for what it says of itself{says}", WORSE)
    if car.replay:
        ended = f" It has ended{says}" if car.state == "ended" else ""
        return Line(f"{begins}REPLAY of {car.birth['name']}. This is not live.{ended}", WORSE)
    if car.state in ("gone", "monitor gone"):
        return Line(f"{begins}{car.state.upper()}{says}", BAD)
    if car.state == "ended":
        return Line(f"{begins}ended{says}", WORSE)
    silent = None if car.heard is None else clock - car.heard
    if silent is None:
        return Line(f"{begins}NOT HEARD YET: what is below was kept by the broker, nobody knows for how long", WORSE)
    if silent > SILENT_AFTER:
        return Line(f"{begins}SILENT for {seconds(silent)}", BAD)
    behind = car.behind(clock)
    if behind is not None and behind > BEHIND_TOLD:
        return Line(f"{begins}{seconds(behind)} BEHIND: what it has missed comes first", WORSE)
    return Line(f"{begins}{car.state or 'not known how it stands'}, {car.birth['profile']}, {car.birth['name']}")


def trusted(car: Car, clock: int) -> bool:
    """Whether what is shown may be read as how the car is now."""
    silent = car.heard is None or clock - car.heard > SILENT_AFTER
    behind = car.behind(clock)
    return car.state == "live" and not silent and not car.replay and (behind is not None and behind <= BEHIND_TOLD)


def margins(car: Car, clock: int) -> Iterator[Line]:
    """Yield the rules closest to their limits, with the values they rest on and how old those are."""
    for one in car.margins[:MARGINS_SHOWN]:
        rule = car.rules.get(one["rule"], {})
        channel = rule.get("channel")
        armed = "" if one["armed"] else "  (not armed)" if one["armed"] is False else "  (not known if armed)"
        old = None if channel is None else stale_words(car, channel, clock)
        if old:
            yield Line(f"  {channel}  {old}  [{one['rule']}]{armed}", WORSE)
        elif one.get("v") is None or one.get("limit") is None:
            yield Line(f"  {channel or one['rule']}  {one.get('why') or 'not known'}  [{one['rule']}]{armed}", WORSE)
        else:
            value, limit = car.shown(channel, one["v"]), car.shown(channel, one["limit"])
            beyond = (one.get("margin") or 0.0) < 0
            words = f"  {channel}  {value}, limit {limit}  [{one['rule']}]{span(car, channel)}{armed}"
            yield Line(words, WORSE if beyond and one["armed"] else PLAIN)


def span(car: Car, channel: str | None) -> str:
    """Return the least and greatest since the value before."""
    value = car.values.get(channel or "")
    if value is None or value.low is None or value.high is None or value.low == value.high:
        return ""
    return f"  between {car.shown(channel, value.low)} and {car.shown(channel, value.high)}"


def unseen(car: Car, clock: int) -> Iterator[Line]:
    """Yield the channels of which there is no current value, other than those shown already."""
    shown = {car.rules.get(one["rule"], {}).get("channel") for one in car.margins[:MARGINS_SHOWN]}
    olds = ((name, stale_words(car, name, clock)) for name in car.channels if name not in shown)
    words = [f"{name}: {old}" for name, old in olds if old is not None]
    if words and car.heard is not None:
        yield Line(f"  {'; '.join(words[:8])}{f'; and {len(words) - 8} more' if len(words) > 8 else ''}", WORSE)


def stale_words(car: Car, channel: str, clock: int) -> str | None:
    """Return why a channel has no current value, with its age; None if it has one."""
    value = car.values.get(channel)
    if value is None:
        return "nothing came yet"
    age = car.age(value.t, clock)
    if age is None:
        return "no data, for how long is not known"
    if car.stale(channel, clock):
        return f"no data for {seconds(age)}"
    return value.why or None


def seconds(ns: int) -> str:
    """Write a time as a person reads it: `1.2 s`, `2 min 5 s`."""
    tenths = max(0, ns) // (100 * NS_PER_MS)
    if tenths < 600:
        return f"{tenths / 10:.1f} s"
    return f"{tenths // 600} min {tenths // 10 % 60} s"
