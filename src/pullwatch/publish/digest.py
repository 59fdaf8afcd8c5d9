"""The digest: what of a session is told to a broker, block by block, numbered.

It depends on the recording and the settings alone, never on the time of day or on how often it was interrupted: read
again, the same block gives the same messages with the same numbers. So a message that was sent twice, after an outage
of the broker or of the publisher, is known by its number, and a missing number is a gap that can be seen.
"""

from __future__ import annotations

import json
import math
import zlib
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any, Final, Self

from pullwatch.batch import ACTS_FEED, Kind
from pullwatch.clock import NS_PER_MS
from pullwatch.columns import to_samples
from pullwatch.errors import BrokerError
from pullwatch.mirror import margins_of
from pullwatch.nearness import near_of
from pullwatch.publish.thinning import Thinner, intervals
from pullwatch.publish.topics import ALARM, BIRTH, EVENT, FEEDS, RETAINED, SCHEMA, VALUES
from pullwatch.publish.withheld import Withheld, withheld
from pullwatch.setup import Plan
from pullwatch.station import Path
from pullwatch.watchdog.alarms import STATE_WORDS, State
from pullwatch.watchdog.conditions import Comparison, Verdict

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping

    from pullwatch.batch import Batch, Record
    from pullwatch.recording.blocks import Block, Ending
    from pullwatch.recording.layout import RecordedChange
    from pullwatch.setup.equipment.broker import BrokerSection

CURSOR_VERSION: Final = 1
MARGINS: Final = 8
"""How many rules' margins are sent, the closest first."""
TOLD_EVENTS: Final = frozenset(
    {"bus", "misfit", "sentinel", "sync lag", "sync well", "lost", "not recorded", "suspend"}
)
"""What is passed on of the events of a recording, in its own words."""

ROUTINE: Final = frozenset({"ready", "device open", "device null", "first frame"})
"""What a sentinel reports when nothing is wrong with it."""


@dataclass(frozen=True, slots=True)
class Message:
    """One numbered message: of which kind (a topic's level), for alarms of which rule, and what it says."""

    seq: int
    kind: str
    body: Mapping[str, Any]
    rule: str | None = None

    @property
    def retained(self) -> bool:
        """Whether the broker keeps it for whoever comes later."""
        return self.kind in RETAINED


@dataclass(frozen=True, slots=True)
class Place:
    """A place in a session from which the digest can go on: commits after `after`, messages after `seq`."""

    seq: int
    after: int
    state: Mapping[str, Any] = field(repr=False)


class Digest:
    """Turns the blocks of one session into numbered messages. `start` is the start record.

    Raises BrokerError if the session holds no setup, SetupError if it is of a version not known here.
    """

    def __init__(self, start: Mapping[str, Any], name: str, section: BrokerSection) -> None:
        recorded = start.get("plan")
        if not isinstance(recorded, dict):
            raise BrokerError(f"{name} holds no setup, so it is not known what its bytes mean.")
        ours = start.get("recording", {})
        settings = section.model_dump(
            mode="json", include={"rate_hz", "rates", "leave_out", "position", "street_speed"}
        )
        self.session = f"{ours.get('session', '')}-{zlib.crc32(json.dumps(settings, sort_keys=True).encode()):08x}"
        """Names this session thinned this way: numbers of messages count within it."""
        self.name = name
        self.seq = 0
        self.birth: Message | None = None
        self.feeds: Message | None = None
        self.alarms: dict[str, Message] = {}
        """By rule: the last message about its alarm."""
        self.place: Place | None = None
        """The last place to go on from."""
        self._section = section
        self._began = int(start.get("clock", {}).get("wall", 0)) // NS_PER_MS
        self._after = -1
        self._now = -1
        self._doubtful = False
        self._arm(Plan.from_dict(recorded))
        self._thinner = Thinner(self._plan.channels, self._every, self._step)

    @classmethod
    def resumed(cls, start: Mapping[str, Any], name: str, section: BrokerSection, place: Place) -> Self:
        """Return the digest as it was at `place`; the first block it takes must be the one after it.

        Raises KeyError, TypeError or ValueError if `place` is none of this session and these settings.
        """
        made = cls(start, name, section)
        said = place.state
        if said["version"] != CURSOR_VERSION or said["session"] != made.session:
            raise ValueError("the place belongs to another session, or to other settings")
        if said["plan"] is not None:
            made._arm(Plan.from_dict(said["plan"]))
            made._path.reloads = int(said["reloads"])
        made.seq, made._after, made._now = place.seq, place.after, int(said["now"])
        made._doubtful = bool(said["doubtful"])
        made.birth = None if said["birth"] is None else made._birth(int(said["birth"]))
        made.feeds = None if said["feeds"] is None else Message(int(said["feeds"][0]), FEEDS, said["feeds"][1])
        made.alarms = {rule: Message(int(seq), ALARM, body, rule) for rule, (seq, body) in said["alarms"].items()}
        made._thinner.carry(said["thinner"])
        made._resuming = True
        made.place = place
        return made

    def _arm(self, plan: Plan) -> None:
        self._plan = plan
        self._path = Path(plan)
        self._resuming = False
        self._withheld: Withheld = withheld(plan, self._section)
        shown = [channel for channel in plan.channels if channel.number not in self._withheld.channels]
        self._every = intervals(shown, self._section.rate_hz, self._section.rates)
        self._step = min(self._every.values(), default=round(1e9 / self._section.rate_hz))

    # ---- blocks ------------------------------------------------------------------------------------------------------

    def take(self, block: Block) -> list[Message]:
        """Return what this block adds, in order. Raises SessionError for what this version cannot read."""
        out: list[Message] = []
        if self.birth is None:
            self.birth = self._message(BIRTH, self._born(), out)
            for rule in self._plan.rules.rules:
                self._alarm(out, rule.name, 0, State.NORMAL)
        self._take_up(block, out)
        reloads = self._path.reloads
        batch, _ = self._path.take(block.now, block.records)
        if self._path.reloads != reloads:
            self._rules_are(self._path.plan, out)
        for record in block.records:
            if record.kind is not Kind.DATA:
                self._record(record, out)
        for change in block.changes:
            self._change(change, out)
        for event in block.events:
            self._event(event, block.now, out)
        self._values(batch, out)
        self._after, self._now = block.seq, block.now
        return out

    def end(self, ending: Ending) -> list[Message]:
        """Return what is told of the session's end."""
        out: list[Message] = []
        self._message(EVENT, {"t_ns": ending.at_ns, "what": "ended", "how": ending.status, "says": ending.reason}, out)
        return out

    def _take_up(self, block: Block, out: list[Message]) -> None:
        """Go on from the block before, or say that something is missing; then from the checkpoint, if there is one."""
        checkpoint = block.checkpoint
        if block.gap_before:
            self._doubtful = True
            # What was lost may be the beginning itself.
            says = "Something of the recording is missing here."
            self._message(EVENT, {"t_ns": block.now, "what": "gap", "from_ns": max(0, self._now), "says": says}, out)
            reloads = self._path.reloads
            self._path = Path(self._plan)
            self._path.reloads = reloads
            if checkpoint is not None and checkpoint.state.get("reloads", 0) == reloads:
                self._path.restore(checkpoint.state)
        elif self._resuming and checkpoint is not None:
            self._path.restore(checkpoint.state)
        self._resuming = False
        if checkpoint is None:
            return
        if self._doubtful:
            self._doubtful = False
            stands = {one.rule: one for one in checkpoint.alarms}
            for rule in self._plan.rules.rules:
                state = stands[rule.name].state if rule.name in stands else State.NORMAL
                told = self.alarms.get(rule.name)
                if told is not None and told.body["state"] != STATE_WORDS[state]:
                    t = stands[rule.name].since if rule.name in stands else checkpoint.now
                    self._alarm(out, rule.name, t, state, event="found so after a gap")
        if not out and not block.gap_before:
            self.place = Place(self.seq, self._after, self._state())

    def _state(self) -> dict[str, Any]:
        changed = self._path.reloads > 0
        return {
            "version": CURSOR_VERSION,
            "session": self.session,
            "now": self._now,
            "doubtful": self._doubtful,
            "plan": self._plan.to_dict() if changed else None,
            "reloads": self._path.reloads,
            "birth": None if self.birth is None else self.birth.seq,
            "feeds": None if self.feeds is None else [self.feeds.seq, self.feeds.body],
            "alarms": {rule: [message.seq, message.body] for rule, message in self.alarms.items()},
            "thinner": self._thinner.carried(),
        }

    # ---- messages ----------------------------------------------------------------------------------------------------

    def _message(self, kind: str, body: dict[str, Any], out: list[Message], rule: str | None = None) -> Message:
        self.seq += 1
        made = Message(self.seq, kind, {"session": self.session, "seq": self.seq, **body}, rule)
        out.append(made)
        return made

    def _birth(self, seq: int) -> Message:
        return Message(seq, BIRTH, {"session": self.session, "seq": seq, **self._born()})

    def _born(self) -> dict[str, Any]:
        plan, hidden = self._plan, self._withheld
        return {
            "schema": SCHEMA,
            "name": self.name,
            "car": plan.car.name,
            "profile": plan.profile,
            "began_unix_ms": self._began,
            "interval_ms": self._step // NS_PER_MS,
            "channels": [
                {
                    "name": channel.name,
                    "unit": channel.unit,
                    "says": channel.says,
                    "measures": channel.dimension.value,
                    "digits": channel.digits,
                    "low": channel.low if math.isfinite(channel.low) else None,
                    "high": channel.high if math.isfinite(channel.high) else None,
                    "stale_ms": channel.stale_after // NS_PER_MS,
                    "interval_ms": self._every[channel.number] // NS_PER_MS,
                }
                for channel in plan.channels
                if channel.number not in hidden.channels
            ],
            "rules": [
                {
                    "name": rule.name,
                    "priority": rule.priority.name.lower(),
                    "says": rule.says,
                    "channel": None if rule.trip.left in hidden.channels else plan.channels[rule.trip.left].name,
                    "op": rule.trip.op if isinstance(rule.trip, Comparison) else "is lost",
                    "group": rule.group,
                    "latch": rule.latch,
                }
                for rule in plan.rules.rules
                if rule.number not in hidden.rules and not rule.removed
            ],
            "feeds": [feed.options.name for feed in plan.feeds],
            "withheld": {"channels": len(hidden.channels), "rules": len(hidden.rules)},
        }

    def _rules_are(self, plan: Plan, out: list[Message]) -> None:
        """Take up rules changed while watching: channels and feeds are the same."""
        self._plan = plan
        self._withheld = withheld(plan, self._section)
        self.birth = self._message(BIRTH, self._born(), out)
        for rule in plan.rules.rules:
            if rule.name not in self.alarms:
                self._alarm(out, rule.name, 0, State.NORMAL)

    def _alarm(
        self,
        out: list[Message],
        name: str,
        t: int,
        state: State,
        *,
        event: str = "",
        change: RecordedChange | None = None,
    ) -> None:
        rule = next((rule for rule in self._plan.rules.rules if rule.name == name), None)
        if rule is None or rule.number in self._withheld.rules:
            return
        channel = self._plan.channels[rule.trip.left]
        digits = channel.digits + 1
        known = change is not None and rule.trip.left not in self._withheld.channels
        self.alarms[name] = self._message(
            ALARM,
            {
                "t_ns": t,
                "rule": name,
                "priority": rule.priority.name.lower(),
                "says": rule.says,
                "state": STATE_WORDS[state],
                "event": event,
                "value": _number(change.value, digits) if change is not None and known else None,
                "limit": _number(change.limit, digits) if change is not None and known else None,
                "unit": channel.unit,
                "first_out": change is not None and change.first_out,
            },
            out,
            name,
        )

    def _change(self, change: RecordedChange, out: list[Message]) -> None:
        event = "carried in" if change.event is None else change.event.name.lower().replace("_", " ")
        self._alarm(out, change.name, change.t, change.state, event=event, change=change)

    def _record(self, record: Record, out: list[Message]) -> None:
        feed = next((feed.options.name for feed in self._plan.feeds if feed.number == record.feed), "")
        if record.feed == ACTS_FEED or record.kind in (Kind.ACT, Kind.CARRIED):
            said = _facts(record.data)
            if record.kind is Kind.CARRIED:
                return  # the alarms say so themselves
            body = {"t_ns": record.t, "what": "act", "act": str(said.get("act", "")), "rule": said.get("rule")}
            if said.get("act") == "mark" and self._plan.profile != "street":
                body["says"] = str(said.get("text", ""))[:200]
            self._message(EVENT, body, out)
        elif record.kind is Kind.DROPPED:
            says = f"{_facts(record.data).get('bytes', 'some')} bytes were thrown away"
            self._message(EVENT, {"t_ns": record.t, "what": "dropped", "feed": feed, "says": says}, out)
        else:
            what = "lost" if record.kind is Kind.LOST else "found"
            self._message(EVENT, {"t_ns": record.t, "what": what, "feed": feed}, out)

    def _event(self, event: Mapping[str, Any], now: int, out: list[Message]) -> None:
        kind = event.get("event")
        if kind == "health" and isinstance(event.get("feeds"), dict):
            t = int(event.get("t", now))
            feeds = {str(name): _feed(said, t) for name, said in event["feeds"].items()}
            self.feeds = self._message(FEEDS, {"t_ns": t, "feeds": feeds}, out)
        elif kind in TOLD_EVENTS and event.get("what") not in ROUTINE:
            t = int(event.get("t", event.get("to", now)))
            what = "records lost" if kind == "lost" else kind
            self._message(EVENT, {"t_ns": t, "what": what, "says": str(event.get("says", ""))[:300]}, out)

    def _values(self, batch: Batch, out: list[Message]) -> None:
        samples = batch.samples if batch.samples is not None else to_samples(batch.columns or {})
        over = list(self._thinner.take(sorted(samples, key=_time), batch.now))
        for place, (end, values) in enumerate(over):
            body: dict[str, Any] = {"t_ns": end, "values": values}
            if place == len(over) - 1:
                body["margins"] = list(self._margins())
            self._message(VALUES, body, out)

    def _margins(self) -> Iterator[dict[str, Any]]:
        """Yield how far the rules' values are from their limits, closest first, those not known behind."""
        shown = 0
        for one in margins_of(self._plan, self._path.watchdog.readings()):
            if one.number in self._withheld.rules:
                continue
            channel = self._plan.channel(one.channel)
            digits = channel.digits + 1
            said: dict[str, Any] = {"rule": one.rule, "armed": _armed(one.gate)}
            if one.share is None:
                said["why"] = one.shown
            else:
                near = near_of(channel, self._plan.facts[one.number].near, one.limit)
                said |= {
                    "v": _number(one.value, digits),
                    "limit": _number(one.limit, digits),
                    "margin": _number(one.margin, digits),
                    "share": _number(one.margin / near, 3),
                }
            yield said
            shown += 1
            if shown == MARGINS:
                return


def _time(sample: tuple[int, int, float, int]) -> int:
    return sample[0]


def _number(value: float, digits: int) -> float | None:
    return round(value, digits) if math.isfinite(value) else None


def _armed(gate: Verdict) -> bool | None:
    return None if gate in (Verdict.FAULT, Verdict.STALE, Verdict.BLIND) else gate is Verdict.YES


def _facts(data: bytes) -> dict[str, Any]:
    try:
        said = json.loads(data)
    except ValueError:
        return {}
    return said if isinstance(said, dict) else {}


def _feed(said: Mapping[str, Any], now: int) -> dict[str, Any]:
    """Return how a feed is, of what the recording says of it each second."""
    last = int(said.get("last_good", -1))
    ledger = said.get("ledger") or {}
    return {
        "open": bool(said.get("open")),
        "age_ms": None if last < 0 else max(0, now - last) // NS_PER_MS,
        "lost": int(said.get("lost", 0)),
        "dropped": int(said.get("dropped", 0)),
        "messages": int(ledger.get("messages", 0)),
        "bad": int(ledger.get("bad_messages", 0)),
    }
