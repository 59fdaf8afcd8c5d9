"""One feed on the bench: a simulated evening's bytes through a faulty wire, decoded, derived and judged at path time.

Nothing here waits and nothing is random but by seed: what a fault costs and when it is told is exact.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import cache
from itertools import pairwise
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import TYPE_CHECKING, Final, NamedTuple

import numpy as np

from pullwatch.batch import Kind
from pullwatch.clock import NS_PER_MS, NS_PER_S
from pullwatch.columns import Why, to_samples
from pullwatch.decoders import Ledger
from pullwatch.decoders.frames import UNASKED
from pullwatch.decoders.slcan import Slcan
from pullwatch.feeds.diagnostics import line, packed
from pullwatch.feeds.diagnostics_talk import Talk
from pullwatch.feeds.intake import Intake
from pullwatch.feeds.options.diagnostics import DiagnosticsOptions
from pullwatch.setup import load
from pullwatch.station import Path as WatchedPath
from pullwatch.watchdog.alarms import Event
from pullwatch_sim.can_frames import DBC, record_bus
from pullwatch_sim.diagnostics_responder import TO_ALL, Car, Responder, Unit
from pullwatch_sim.gps import Receiver, record_gps
from pullwatch_sim.scenarios import read
from pullwatch_sim.serial_lambda import record_lambda
from pullwatch_sim.serial_packet import record_packets
from pullwatch_sim.tape import record_lines
from pullwatch_sim.truth import Truth, simulate
from pullwatch_sim.wire_faults import Faulty
from pullwatch_sim.wire_formats import FORMATS

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from pullwatch.columns import Sample
    from pullwatch.setup import Plan
    from pullwatch.watchdog.alarms import Change
    from pullwatch_sim.tape import Tape
    from pullwatch_sim.wire_faults import WireFault

AFTER: Final = NS_PER_S // 2
"""How much of the evening is played after the fault."""
STEP: Final = 20 * NS_PER_MS
"""Path time between two steps, as of the station's own tick."""
EVENING: Final = {
    "name": "bench",
    "on": "road",
    "car": {"lambda_heats_s": 2.0},
    "stage": [
        {"do": "key_on", "for_s": 1.0},
        {"do": "start"},
        {"do": "idle", "for_s": 3.0},
        {"do": "pull", "name": "pull 1", "gear": 3, "to_rpm": 6_300},
        {"do": "overrun", "name": "overrun 1", "for_s": 2.0},
        {"do": "idle", "name": "idle 2", "for_s": 2.0},
        {"do": "pull", "name": "pull 2", "gear": 3, "to_rpm": 5_000},
        {"do": "overrun", "name": "overrun 2", "for_s": 2.0},
        {"do": "idle", "name": "idle 3", "for_s": 2.0},
    ],
}
"""Two pulls with an overrun after each: what a lambda sensor is proved by, and what moves the manifold."""


class Arrival(NamedTuple):
    """Something that comes to the intake."""

    t: int
    feed: int
    kind: Kind
    data: bytes


class BenchClock:
    """Session time that is set by hand."""

    def __init__(self) -> None:
        self.t = 0

    def now(self) -> int:
        """Session ns."""
        return self.t


@cache
def truth() -> Truth:
    """Play the evening, once."""
    return simulate(read(EVENING))


@cache
def fault_begins() -> int:
    """When faults begin: in the first pull, with half the boost there is."""
    pressure = truth().values["manifold_pressure"]
    boost = pressure - truth().values["barometric_pressure"]
    begin = int((boost > 0.8 * boost.max()).argmax()) * NS_PER_MS
    assert truth().moment("end of pull 1") * NS_PER_S > begin + WINDOW, "the pull must outlast the fault"
    return begin


WINDOW: Final = 1_500 * NS_PER_MS
"""How long a fault lasts, unless it takes longer to be seen; the engine pulls all the while."""


@cache
def tape(form: str) -> Tape:
    """Record what one simulator sends all evening."""
    match form:
        case "lines":
            return record_lambda(truth())
        case "slcan":
            return record_bus(truth())
        case "packets":
            return record_packets(truth())
        case _:
            return record_gps(truth(), Receiver(first_fix_s=1.0))


def pieces(made: Tape) -> list[tuple[int, bytes]]:
    """Return the tape's lines with their times."""
    return [(t, made.blob[a:b]) for t, (a, b) in zip(made.times, pairwise(made.offsets), strict=True)]


@dataclass(frozen=True)
class Bench:
    """One kind of feed, the channel under test, and what is judged of it."""

    kind: str
    form: str
    channel: str
    period: int
    feed: str
    """Its section of the setup."""
    standing: str
    """A trip that is yes all through the fault's time."""
    never: str
    """A condition that is no all through the fault's time."""
    more: str = ""
    """Further lines of the channel's section, and other sections."""
    other: str = "lines"
    """Format of the healthy feed beside it."""
    dry_field: str = ""
    """The field of it that can say it is no number, and its channel, when it is not the channel under test."""

    @property
    def bound(self) -> int:
        """What is said of timing, framing and garbage: ns within which they are known."""
        return max(3 * self.period, 100 * NS_PER_MS)

    def setup(self) -> str:
        """Return the setup file."""
        other, lively = _OTHERS[self.other]
        dry = f'\n[[rule]]\nname = "dry"\ntrip = "{self.dry_field} > -200 °C"\n' if self.dry_field else ""
        return f"""
[car]
name = "bench"

{self.feed}
{other}
[channel.{self.channel}]
stale_after_ms = {self.bound / NS_PER_MS:g}
rate_hz = {NS_PER_S / self.period:g}
{self.more}
[[rule]]
name = "standing"
trip = "{self.channel} {self.standing}"
off_delay_ms = 50
priority = "caution"

[[rule]]
name = "gated"
while = "{self.channel} {self.never}"
trip = "{lively}"
off_delay_ms = 50
priority = "caution"

[[rule]]
name = "not silenced"
silent_while = "{self.channel} {self.never}"
trip = "{lively}"
off_delay_ms = 50
priority = "caution"
{dry}"""

    def plan(self) -> Plan:
        """Return the plan."""
        return _plan(self.setup())


@cache
def _plan(text: str) -> Plan:
    with TemporaryDirectory() as folder:
        (Path(folder) / "copper_hatch.dbc").write_bytes(DBC.read_bytes())
        (Path(folder) / "setup.toml").write_text(text)
        return load(Path(folder) / "setup.toml")


_LINE = """
[[feed]]
name = "wideband"
kind = "serial-line"
port = "socket://127.0.0.1:47902"
fields = [{ channel = "lambda", key = "lambda" }]
ready = { key = "state", good = ["ready"] }
"""
_CAN = """
[[feed]]
name = "ecu"
kind = "can"
port = "socket://127.0.0.1:47901"
dbc = "copper_hatch.dbc"
channels = { manifold_pressure = "Engine.Map", engine_speed = "Engine.Speed", throttle = "Engine.Throttle", \
cut_active = "Engine.Cut", battery_voltage = "Oil.Battery", barometric_pressure = "Warmth.Barometric" }
"""
_PACKETS = """
[[feed]]
name = "box"
kind = "serial-packet"
port = "socket://127.0.0.1:47903"
sync = "C3 3C"
byte_order = "big"
length_field = { at = 2, adds = 3, least = 21, most = 25 }
checksum = { kind = "CRC-16/CCITT-FALSE", covers = [2, -2] }
fields = [
  { channel = "engine_speed", at = 4, type = "u16", scale = 0.25 },
  { channel = "manifold_pressure", at = 6, type = "u16", scale = 0.02 },
  { channel = "throttle", at = 11, scale = 0.5 },
  { channel = "exhaust_gas_temperature", at = 19, type = "f32" },
]
"""
_NMEA = """
[[feed]]
name = "gps"
kind = "nmea"
port = "socket://127.0.0.1:47904"
rate_hz = 10
channels = { vehicle_speed = "speed" }
"""
_DIAGNOSTICS = """
[[feed]]
name = "obd"
kind = "diagnostics"
port = "socket://127.0.0.1:47905"
transmit = true
while_moving = true
addressing = "11-bit"
gap_ms = 5
channels = { manifold_pressure = "0B", engine_speed = "0C", throttle = "11" }
rates = { manifold_pressure = 5, engine_speed = 5, throttle = 5 }
"""
_OTHERS = {
    "lines": (_LINE + '\n[channel.lambda]\nblind_while = ""\n', "lambda < 1.95 lambda"),
    "slcan": (_CAN, "battery_voltage > 5 V"),
}
_PARTNERS = "\n[channel.engine_speed]\nrate_hz = 5\n\n[channel.throttle]\nrate_hz = 5\n"
_MANIFOLD = "believable = [10, 400]"

BENCHES: Final = {
    bench.kind: bench
    for bench in (
        Bench(
            "serial-line", "lines", "lambda", 20 * NS_PER_MS, _LINE, "> 0.75 lambda", "< 0.55 lambda",
            'believable = [0.5, 2.0]\nblind_while = ""\nproof = true\n', "slcan",
        ),
        Bench(
            "serial-packet", "packets", "manifold_pressure", 10 * NS_PER_MS, _PACKETS, "> 120 kPa", "< 12 kPa",
            _MANIFOLD + "\n[channel.exhaust_gas_temperature]\nrate_hz = 10\nstale_after_ms = 300\n",
            dry_field="exhaust_gas_temperature",
        ),
        Bench(
            "can (slcan)", "slcan", "manifold_pressure", 10 * NS_PER_MS, _CAN, "> 120 kPa", "< 12 kPa", _MANIFOLD,
        ),
        Bench(
            "nmea", "nmea", "vehicle_speed", 100 * NS_PER_MS, _NMEA, "> 30 km/h", "< 2 km/h",
            "believable = [0, 400]",
        ),
        Bench(
            "diagnostics", "diagnostics", "manifold_pressure", 200 * NS_PER_MS, _DIAGNOSTICS, "> 120 kPa", "< 12 kPa",
            "believable = [10, 255]\nfull_scale = 255\n" + _PARTNERS,
        ),
    )
}  # fmt: skip
"""By the name they have in the table."""


@dataclass
class Run:
    """What came of one evening on the bench."""

    changes: list[tuple[str, Change]] = field(default_factory=list)
    samples: dict[str, list[Sample]] = field(default_factory=dict)
    """By channel."""
    ledgers: dict[int, Ledger] = field(default_factory=dict)
    sent: dict[int, int] = field(default_factory=dict)
    """Bytes of DATA given to the intake, by feed."""
    damaged: int = 0

    def lines(self, names: Iterable[str]) -> dict[str, list[tuple[str, int]]]:
        """Return values (as text, so that no number equals itself) and reasons of channels, without their times."""
        return {name: [(repr(value), why) for _, _, value, why in self.samples.get(name, [])] for name in names}


def run(bench: Bench, faults: Sequence[WireFault] = (), seed: int = 1) -> Run:
    """Play the evening, until the last fault is over, through a wire with these faults.

    At every step every ledger must balance and fit what came.
    """
    until = max([fault.end for fault in faults], default=round(truth().duration_s * NS_PER_S)) + AFTER * bool(faults)
    faulty = Faulty(FORMATS[bench.form](), faults, seed)
    other = [Arrival(t, 2, Kind.DATA, data) for t, data in pieces(tape(bench.other)) if t < until]
    swaps = [fault for fault in faults if fault.kind == "swapped"]
    if bench.form == "diagnostics":
        arrivals = _asked(faulty, until, swaps)
        if swaps:  # what answers only when asked says nothing at the other port
            ports = [Arrival(t, 2, kind, b"bench") for t, kind in _port(faulty.away)]
            other = sorted([*ports, *(one for one in other if not any(fault.acts(one.t) for fault in swaps))])
    else:
        arrivals = _told(bench, faulty, swaps, until)
        if swaps:
            mine = _told(bench, Faulty(FORMATS[bench.form](), ()), (), until)
            away = [Arrival(t, 2, kind, b"bench") for t, kind in _port(faulty.away)]
            inside = [one for one in mine if any(fault.acts(one.t) for fault in swaps)]
            healthy = [one for one in other if not any(fault.acts(one.t) for fault in swaps)]
            crossed = [one._replace(feed=2) for one in inside if one.kind is Kind.DATA]
            other = sorted([*away, *_there(faulty.away, healthy), *_there(faulty.away, crossed)])
    found = Run(damaged=0)
    judged(bench.plan(), sorted([*arrivals, *other]), until, found)
    found.damaged = faulty.damaged
    return found


def judged(plan: Plan, arrivals: Sequence[Arrival], until: int, found: Run) -> None:
    """Put arrivals through intake and path, step by step, into `found`."""
    clock = BenchClock()
    intake = Intake(clock, bool)  # type: ignore[arg-type] # only `now` is asked of the clock
    path = WatchedPath(plan)
    names = [rule.name for rule in plan.rules.rules]
    at = 0
    for now in range(STEP, max(arrivals[-1].t, until) + STEP, STEP):
        while at < len(arrivals) and arrivals[at].t <= now:
            one = arrivals[at]
            clock.t = one.t
            intake.put(one.feed, one.kind, one.data)
            if one.kind is Kind.DATA:
                found.sent[one.feed] = found.sent.get(one.feed, 0) + len(one.data)
            at += 1
        clock.t = now
        batch, changes = path.take(*intake.take())
        found.changes += [(names[change.rule], change) for change in changes]
        samples = batch.samples if batch.samples is not None else to_samples(batch.columns or {})
        for sample in samples:
            found.samples.setdefault(plan.channels[sample[1]].name, []).append(sample)
        for feed, decoder in path.decoders.items():
            ledger = decoder.ledger
            assert ledger.balances, (feed, now, ledger)
            assert ledger.taken == found.sent.get(feed, 0), (feed, now)
    found.ledgers = {feed: decoder.ledger for feed, decoder in path.decoders.items()}


def _port(away: Iterable[tuple[int, int]]) -> list[tuple[int, Kind]]:
    """Return what is said of a port that goes and comes back at once when it can."""
    return [(t, kind) for begin, end in away for t, kind in ((begin, Kind.LOST), (end, Kind.FOUND))]


def _there(away: Sequence[tuple[int, int]], arrivals: Iterable[Arrival]) -> list[Arrival]:
    return [one for one in arrivals if not any(begin <= one.t < end for begin, end in away)]


def _told(bench: Bench, faulty: Faulty, swaps: Sequence[WireFault], until: int) -> list[Arrival]:
    """Return what arrives of a sender that speaks unasked."""
    arrivals = [Arrival(t, 1, kind, b"bench") for t, kind in _port(faulty.away)]
    sent = [one for one in pieces(tape(bench.form)) if not any(fault.acts(one[0]) for fault in swaps)]
    at = 0
    for now in range(0, until, NS_PER_MS):
        while at < len(sent) and sent[at][0] <= now:
            faulty.take(*sent[at])
            at += 1
        arrivals += [Arrival(t, 1, Kind.DATA, data) for t, data in faulty.due(now)]
    if swaps:
        inside = [Arrival(t, 1, Kind.DATA, d) for t, d in pieces(tape(bench.other)) if any(f.acts(t) for f in swaps)]
        arrivals += _there(faulty.away, inside)
    return sorted(arrivals)


def _asked(faulty: Faulty, until: int, swaps: Sequence[WireFault]) -> list[Arrival]:
    """Return what a diagnostics feed records: its own talk with a control unit behind an adapter and a faulty wire."""
    bench = BENCHES["diagnostics"]
    options = bench.plan().feeds[0].options
    assert isinstance(options, DiagnosticsOptions)
    car = Car(truth(), wide=False)
    unit = Unit(0x7E8, 0x7E0, TO_ALL[11], car.engine())
    adapter = Responder(record_lines(np.zeros(0, dtype=np.int64), []), 1 << 62, [unit])
    talk, framing, ledger = Talk(options), Slcan(), Ledger()
    crossed = [one for one in pieces(tape(bench.other)) if any(fault.acts(one[0]) for fault in swaps)]
    arrivals: list[Arrival] = []
    events = dict(_port(faulty.away))

    def open_it(now: int) -> None:
        adapter.met(now)
        adapter.answer(b"S6\rO\r", now)
        framing.fresh(ledger)
        faulty.cut_off()
        talk.opened(now)

    def speak(now: int) -> None:
        for word, data in talk.due(now):
            if not any(fault.acts(now) for fault in swaps):
                faulty.take(now, adapter.answer(line(word, data), now))
            arrivals.append(Arrival(now, 1, Kind.DATA, packed(word, data)))

    open_it(0)
    there, next_due = True, 0
    for now in range(0, until, NS_PER_MS):
        for t in [t for t in events if t <= now]:
            kind = events.pop(t)
            arrivals.append(Arrival(now, 1, kind, b"bench"))
            there = kind is Kind.FOUND
            if there:
                open_it(now)
                next_due = now
            else:
                talk.closed()
        if not there:
            continue
        spoke = now >= next_due
        if spoke:
            speak(now)
        faulty.take(now, adapter.due(now)[0])
        while crossed and crossed[0][0] <= now:
            framing.few(now, crossed.pop(0)[1], ledger)
        came = [frame for t, data in faulty.due(now) for frame in framing.few(t, data, ledger)]
        frames = b"".join(packed(word, data) for _, word, data, _ in came if not word & UNASKED)
        if frames:
            arrivals.append(Arrival(now, 1, Kind.DATA, frames))
        answered = [talk.heard(now, word, data) for _, word, data, _ in came]
        if any(answered):
            speak(now)
            spoke = True
        if spoke:
            next_due = talk.next_due(now)
    return arrivals


@dataclass(frozen=True)
class Finding:
    """What was seen of one fault."""

    told: int | None
    """ns from the fault's beginning to the first alarm about the channel that the healthy evening does not have."""
    rule: str
    why: Why | None
    """Of the sample in force when it was told; GOOD: it was told because it was silent."""
    before: int
    """Samples that were wrong and believed before it was told (all, if it never was) ..."""
    after: int
    """... and from then on, while the fault lasted ..."""
    samples: int
    """... of so many that came meanwhile."""
    silence: int
    """ns from the last sample that was believed, right or wrong, or the fault's beginning, to the alarm."""
    cleared: tuple[str, ...]
    """Alarms that went, gates that opened and rules that were silenced only because of the fault."""


@cache
def healthy(kind: str) -> Run:
    """Play a bench's evening with nothing wrong."""
    return run(BENCHES[kind])


def seen(bench: Bench, fault: WireFault, made: Run) -> Finding:
    """Hold an evening with a fault against the healthy one."""
    clean = healthy(bench.kind)
    begin, end = fault.begin, fault.end
    channel = fault.word("field") if "field" in fault.options else bench.channel
    fresh = [
        (name, change) for name, change in made.changes if begin <= change.t < end and not _had(clean, name, change)
    ]
    told = next(
        (
            (name, change.t)
            for name, change in fresh
            if change.event is Event.RAISE and name in (f"{channel} lost", f"{channel} at ceiling")
        ),
        None,
    )
    wrong = tuple(
        name
        for name, change in fresh
        if change.t < begin + WINDOW
        and (
            (name == "gated" and change.event is Event.RAISE)
            or (name in ("standing", "not silenced") and change.event in (Event.CLEAR, Event.CLEAR_LATCHED))
        )
    )
    samples = made.samples[channel]
    during = [sample for sample in samples if begin <= sample[0] < end]
    right = _Right(clean.samples[channel], bench)
    lies = [t for t, _, value, why in during if not why and not right.has(t, value)]
    if told is None:
        return Finding(None, "", None, len(lies), 0, len(during), 0, wrong)
    name, t = told
    until = [sample for sample in samples if sample[0] <= t]
    goods = [s for s, _, _, why in until if not why]
    return Finding(
        told=t - begin,
        rule=name,
        why=Why(until[-1][3]),
        before=sum(lie < t for lie in lies),
        after=sum(lie >= t for lie in lies),
        samples=len(during),
        silence=t - max([begin, *goods[-1:]]),
        cleared=wrong,
    )


def _had(clean: Run, name: str, change: Change) -> bool:
    """Whether the healthy evening has this change too, at most a step earlier or later."""
    return any(
        other == name and had.event is change.event and abs(had.t - change.t) <= STEP for other, had in clean.changes
    )


class _Right:
    """Which values are those of the healthy evening."""

    def __init__(self, clean: Sequence[Sample], bench: Bench) -> None:
        self._clean = clean
        self._times = np.array([sample[0] for sample in clean], dtype=np.int64)
        self._period = bench.period
        # What is asked for is asked at other moments after a fault: then it is right if it lies between neighbours.
        self._asked = bench.form == "diagnostics"

    def has(self, t: int, value: float) -> bool:
        """Whether the healthy evening has this value within a period before or after `t`."""
        first, beyond = np.searchsorted(self._times, [t - self._period, t + self._period])
        near = [self._clean[i][2] for i in range(int(first), int(beyond))]
        if self._asked:
            return bool(near) and min(near) - 1.0 <= value <= max(near) + 1.0
        return value in near
