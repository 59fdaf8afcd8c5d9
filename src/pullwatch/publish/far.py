"""What is known of cars far away, by messages alone: those that the broker kept, and those that come.

Every message is somebody's: anyone who may publish at the broker may send anything under our topics. What does not have
the shape that `hardware_notes/broker.md` states is counted and left, however large or deep it is; what has it is
believed, because nothing in it proves its sender. A number is never shown as current without its age.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any, Final

from pullwatch.clock import NS_PER_MS, NS_PER_S
from pullwatch.publish.shape import LONGEST_WORDS, MOST_NAMES, PRIORITIES, clean, read
from pullwatch.publish.topics import ALARM, BIRTH, EVENT, FEEDS, STATE, VALUES, taken_apart
from pullwatch.watchdog.alarms import QUIET, STATE_WORDS

MOST_CARS: Final = 20
CLOCK_SPAN: Final = 300 * NS_PER_S
"""The quickest message of the last one to two such spans says how far our clock is from the car's."""
HIDDEN_WORDS: Final = frozenset(STATE_WORDS[state] for state in QUIET)


@dataclass(frozen=True, slots=True)
class News:
    """Something that came: `urgent` if a person should look up."""

    words: str
    urgent: bool = False


@dataclass(slots=True)
class Value:
    """The last word about a channel: its value and the least and greatest (None: not known), why, and when (ns)."""

    t: int
    value: float | None
    low: float | None
    high: float | None
    why: str


@dataclass(slots=True)
class Car:
    """All that is known of one car."""

    name: str
    session: str = ""
    birth: dict[str, Any] = field(default_factory=dict)
    channels: dict[str, dict[str, Any]] = field(default_factory=dict)
    rules: dict[str, dict[str, Any]] = field(default_factory=dict)
    state: str = ""
    state_says: str = ""
    replay: bool = False
    alarms: dict[str, dict[str, Any]] = field(default_factory=dict)
    values: dict[str, Value] = field(default_factory=dict)
    margins: list[dict[str, Any]] = field(default_factory=list)
    margins_t: int = -1
    feeds: dict[str, dict[str, Any]] = field(default_factory=dict)
    feeds_t: int = -1
    heard: int | None = None
    """When the last message came that the broker had not kept (our clock, ns)."""
    newest: int = -1
    """The latest session time that was told of."""
    missing: int = 0
    """Numbered messages that never came."""
    doubles: int = 0
    """Messages that came again, or too late to count."""
    _seen: dict[str, int] = field(default_factory=dict)
    _last: int = 0
    _waiting: dict[str, tuple[str, str | None, dict[str, Any]]] = field(default_factory=dict)
    _offset: int | None = None
    _offset_before: int | None = None
    _offset_since: int = 0

    def now(self, clock: int) -> int | None:
        """Return the car's session time at our clock's `clock` (ns); None where nothing tells it.

        The quickest message is taken to have needed no time: an age may be too small by what that one needed.
        """
        known = [offset for offset in (self._offset, self._offset_before) if offset is not None]
        return None if not known else clock - min(known)

    def behind(self, clock: int) -> int | None:
        """Return by how much what was told last lies behind the car's present (ns)."""
        now = self.now(clock)
        return None if now is None or self.newest < 0 else max(0, now - self.newest)

    def age(self, t: int, clock: int) -> int | None:
        """Return how long ago session time `t` was (ns). In a replay: before the newest instant told of."""
        if self.replay:
            return max(0, self.newest - t)
        now = self.now(clock)
        return None if now is None else max(0, now - t)

    def stale(self, channel: str, clock: int) -> bool:
        """Whether a channel's value is too old to be shown as current: its own limit, and two intervals of sending."""
        value, facts = self.values.get(channel), self.channels.get(channel)
        age = None if value is None else self.age(value.t, clock)
        if age is None or facts is None:
            return True
        return bool(age > (facts["stale_ms"] + 2 * facts["interval_ms"]) * NS_PER_MS)

    def standing(self) -> list[dict[str, Any]]:
        """Return the alarms that stand, the most urgent first, then in order of time."""
        stand = [alarm for alarm in self.alarms.values() if alarm["state"] not in HIDDEN_WORDS]
        return sorted(stand, key=lambda one: (PRIORITIES.index(one["priority"]), one["t_ns"]))

    # ---- what comes --------------------------------------------------------------------------------------------------

    def take(self, kind: str, rule: str | None, body: dict[str, Any], kept: bool, clock: int) -> list[News]:
        """Take a message that has the right shape. `kept`: the broker had kept it."""
        session = body["session"]
        if not kept:
            self.heard = clock
        if kind == BIRTH and session != self.session:
            return self._born(session, body, clock)
        if session != self.session and not (kind == STATE and not self.session):
            if kept and len(self._waiting) < MOST_NAMES:
                self._waiting[f"{kind}/{rule}"] = (kind, rule, body)
            return []
        if not kept and "sent_ns" in body:
            self._clock_read(clock - body["sent_ns"], clock)
        self.replay = body.get("replay", False)
        if kind == STATE:
            return self._stands(body)
        if not self._counts(f"{kind}/{rule}", body["seq"], kept=kept):
            return []
        self.newest = max(self.newest, body.get("t_ns", -1)) if kind in (VALUES, ALARM) else self.newest
        if kind == BIRTH:
            self._named(body)
            return [News("the rules were changed")]
        return self._TAKE[kind](self, body)

    def _born(self, session: str, body: dict[str, Any], clock: int) -> list[News]:
        waiting = self._waiting
        fresh = Car(self.name, session=session, heard=self.heard)
        for name in self.__slots__:
            setattr(self, name, getattr(fresh, name))
        self.replay = body.get("replay", False)
        self._counts(f"{BIRTH}/{None}", body["seq"], kept=True)
        self._named(body)
        news = [News(f"session {body['name']}{' (REPLAY)' if self.replay else ''}")]
        for kind, rule, earlier in waiting.values():
            if earlier["session"] == session:
                news += self.take(kind, rule, earlier, True, clock)
        return news

    def _named(self, body: dict[str, Any]) -> None:
        self.birth = body
        self.channels = {each["name"]: each for each in body["channels"]}
        self.rules = {each["name"]: each for each in body["rules"]}

    def _counts(self, topic: str, seq: int, *, kept: bool) -> bool:
        """Whether a numbered message is new; numbers that were jumped over are counted as missing."""
        if seq <= self._seen.get(topic, 0):
            self.doubles += 1
            return False
        if len(self._seen) < 2 * MOST_NAMES:
            self._seen[topic] = seq
        if not kept:
            if self._last and seq > self._last + 1:
                self.missing += seq - self._last - 1
            self._last = max(self._last, seq)
        return True

    def _clock_read(self, offset: int, clock: int) -> None:
        if self._offset is None or clock - self._offset_since > CLOCK_SPAN:
            self._offset_before, self._offset, self._offset_since = self._offset, offset, clock
        self._offset = min(self._offset, offset)

    def _stands(self, body: dict[str, Any]) -> list[News]:
        state, says = body["state"], body.get("says", "")
        if (state, says) == (self.state, self.state_says):
            return []
        self.state, self.state_says = state, says
        return [News(f"{state}{': ' if says else ''}{says}", urgent=state in ("gone", "monitor gone"))]

    def _alarm(self, body: dict[str, Any]) -> list[News]:
        before = self.alarms.get(body["rule"])
        if before is None and len(self.alarms) >= MOST_NAMES:
            return []
        self.alarms[body["rule"]] = body
        was = "normal" if before is None else before["state"]
        if body["state"] == was:
            return []
        return [News(self.words(body), urgent=body["event"] == "raise" and body["priority"] == "critical")]

    def _values(self, body: dict[str, Any]) -> list[News]:
        for name, said in body["values"].items():
            if name in self.channels:
                t = body["t_ns"] - said["age_ms"] * NS_PER_MS
                self.values[name] = Value(t, said.get("v"), said.get("lo"), said.get("hi"), said.get("why", ""))
        if "margins" in body:
            self.margins, self.margins_t = body["margins"], body["t_ns"]
        return []

    def _feeds(self, body: dict[str, Any]) -> list[News]:
        self.feeds, self.feeds_t = body["feeds"], body["t_ns"]
        return []

    def _event(self, body: dict[str, Any]) -> list[News]:
        parts = [body["what"], *(body.get(key) or "" for key in ("feed", "act", "rule", "says"))]
        return [News(" ".join(part for part in parts if part), urgent=body["what"] in ("gap", "records lost", "lost"))]

    _TAKE = {ALARM: _alarm, VALUES: _values, FEEDS: _feeds, EVENT: _event}  # noqa: RUF012 - never altered

    # ---- words -------------------------------------------------------------------------------------------------------

    def words(self, alarm: dict[str, Any]) -> str:
        """Return an alarm as a line: priority, sentence, value against limit, where it stands."""
        parts = [alarm["priority"].upper() if alarm["priority"] != "note" else "note", alarm["says"] or alarm["rule"]]
        if alarm["first_out"]:
            parts.append("FIRST OUT")
        rule = self.rules.get(alarm["rule"], {})
        if alarm["value"] is not None:
            text = f"{rule.get('channel') or 'value'} {self.shown(rule.get('channel'), alarm['value'], alarm['unit'])}"
            if alarm["limit"] is not None:
                text += f" {rule.get('op', '')} limit {self.shown(rule.get('channel'), alarm['limit'], alarm['unit'])}"
            parts.append(text)
        return "  ".join([*parts, alarm["state"], f"[{alarm['rule']}]"])

    def shown(self, channel: str | None, value: float, unit: str = "") -> str:
        """Return a value with its unit."""
        facts = self.channels.get(channel or "", {})
        unit = facts.get("unit", unit)
        text = f"{value:.{facts.get('digits', 3)}f}"
        return text if unit in ("", "lambda") else f"{text}{'' if unit in ('%', '°C') else ' '}{unit}"


class Far:
    """Every car that was heard of. Messages go in as they come; what they change comes out as news."""

    def __init__(self, root: str) -> None:
        self.cars: dict[str, Car] = {}
        self.rubbish = 0
        """Messages under our topics that are none of ours."""
        self._root = root

    def take(self, topic: str, payload: bytes, *, kept: bool, clock: int) -> tuple[Car, list[News]] | None:
        """Take a message at our clock's `clock` (ns); None for what cannot be used."""
        place = taken_apart(topic, self._root)
        body = None if place is None else read(place[1], payload)
        if place is None or body is None:
            self.rubbish += 1
            return None
        name, kind, rule = place
        car = self.cars.get(name)
        if car is None:
            if len(self.cars) >= MOST_CARS or len(name) > LONGEST_WORDS:
                self.rubbish += 1
                return None
            car = self.cars[name] = Car(clean(name))
        return car, car.take(kind, rule, body, kept, clock)
