"""What the console prints, word for word, and that it never waits."""

from __future__ import annotations

import datetime as dt
import io
import json
import math
import os
import pty
import threading
import time
from dataclasses import replace
from typing import TYPE_CHECKING, Any

import pytest

from pullwatch.annunciators.console import FLOOD_FROM, MOST_WAITING, MOST_WAITING_CRITICAL, Console, session_time
from pullwatch.batch import ACTS_FEED, Batch, Kind, Record
from pullwatch.channels import QUANTITIES, Channel
from pullwatch.clock import NS_PER_MS, NS_PER_S, ClockPair
from pullwatch.columns import WHY_WORDS, Why, to_columns
from pullwatch.watchdog.alarms import Change, Event, Priority, State
from pullwatch.watchdog.conditions import Comparison, Leaf, Lost, Term
from pullwatch.watchdog.rules import Rule, RuleSet

if TYPE_CHECKING:
    from collections.abc import Callable

UTC = dt.UTC
START = int(dt.datetime(2024, 5, 17, 14, 3, 0, tzinfo=UTC).timestamp()) * NS_PER_S
PAIR = ClockPair(t=2 * NS_PER_S, wall=START + 2 * NS_PER_S, uncertainty=1000)
T = 62_345 * NS_PER_MS


def channel(number: int, name: str) -> Channel:
    q = QUANTITIES[name]
    return Channel(number, name, q.unit, q.dimension, digits=q.digits, says=q.says)


CHANNELS = (channel(0, "lambda"), channel(1, "manifold_pressure"), channel(2, "oil_pressure"))


def rule(number: int, name: str, trip: Leaf, priority: Priority, says: str = "") -> Rule:
    return Rule(number, name, trip, priority=priority, says=says)


RULES = RuleSet(
    CHANNELS,
    (
        rule(0, "lean under boost", Comparison(0, ">", (Term(0.84),)), Priority.CRITICAL, "Lean under boost. Lift."),
        rule(1, "overboost", Comparison(1, ">", (Term(250.0),)), Priority.CRITICAL, "Overboost. Lift."),
        rule(2, "oil pressure", Comparison(2, "<", (Term(200.0),)), Priority.CAUTION, "Oil pressure low."),
        rule(3, "no mixture", Lost(0), Priority.NOTE),
    ),
)
FEEDS = {1: "ecu", 2: "wideband"}


def raised(number: int, value: float = math.nan, limit: float = math.nan, *, first_out: bool = False) -> Change:
    return Change(T, number, State.NORMAL, State.UNACKNOWLEDGED, Event.RAISE, value, limit, first_out)


def moved(number: int, was: State, state: State, event: Event | None) -> Change:
    return Change(T, number, was, state, event, math.nan, math.nan)


def printed(
    *changes: Change, records: tuple[Record, ...] = (), stream: io.StringIO | None = None, replay: bool = False
) -> list[str]:
    """Everything a console prints for one step, line by line."""
    out = stream or io.StringIO()
    console = Console(RULES, PAIR, out, replay, feeds=FEEDS, zone=UTC)
    console.take(Batch(T, records), changes)
    console.close()
    return out.getvalue().splitlines()


def record(kind: Kind, data: str | dict[str, Any], feed: int = 1) -> Record:
    return Record(T, feed, kind, (data if isinstance(data, str) else json.dumps(data)).encode())


HEAD = "14:04:02.345 +1:02.345"


def test_an_alarm_is_one_line_with_everything() -> None:
    """Wall time, session time, priority, sentence, first-out, value against limit with units, state, rule."""
    (line,) = printed(raised(0, 0.912, 0.84, first_out=True))
    reading = "lambda 0.912 > limit lambda 0.840"
    assert line == (
        f"{HEAD} CRITICAL Lean under boost. Lift.  FIRST OUT  {reading}  unacknowledged  [lean under boost]"
    )


def test_values_say_what_they_are_measured_from() -> None:
    """Pressures are written with gauge or absolute beside them, and with the channel's name."""
    assert "manifold_pressure 262.0 kPa absolute > limit 250.0 kPa absolute" in printed(raised(1, 262.0, 250.0))[0]
    assert "oil_pressure 150 kPa gauge < limit 200 kPa gauge" in printed(raised(2, 150.0, 200.0))[0]


def test_a_lost_channel_has_no_value() -> None:
    """A rule for a lost channel names the channel and shows no number; without a sentence its name is said."""
    (line,) = printed(raised(3))
    reading = "lambda: no reading, nothing comes"
    assert line == f"{HEAD} note     no mixture  {reading}  unacknowledged  [no mixture]"


@pytest.mark.parametrize("why", [why for why in Why if why])
@pytest.mark.parametrize("few", [True, False])
def test_a_reading_that_is_doubted_is_told_with_the_reason(why: Why, few: bool) -> None:
    """What the sample at that instant was doubted for is said in words, whichever way samples came."""
    samples = [(T - 5, 0, 0.9, 0), (T, 0, math.nan, int(why)), (T, 1, 100.0, 0)]
    out = io.StringIO()
    console = Console(RULES, PAIR, out, feeds=FEEDS, zone=UTC)
    console.take(Batch(T, (), samples) if few else Batch(T, (), None, to_columns(samples)), [raised(3)])
    console.close()
    assert f"lambda: no reading, {WHY_WORDS[why]}  unacknowledged" in out.getvalue()


def test_every_reason_has_words() -> None:
    """No reason for doubt is without words for a person."""
    assert set(WHY_WORDS) == set(Why) - {Why.GOOD}


def test_a_value_that_is_not_known_is_not_a_number_made_up() -> None:
    """NaN is written as not known, and a limit that is not known is left out."""
    assert "oil_pressure not known  unacknowledged" in printed(raised(2))[0]


@pytest.mark.parametrize(
    ("was", "state", "event", "words"),
    [
        (State.UNACKNOWLEDGED, State.ACKNOWLEDGED, Event.ACKNOWLEDGE, "acknowledged"),
        (State.UNACKNOWLEDGED, State.LATCHED_UNACKNOWLEDGED, Event.CLEAR_LATCHED, "latched, unacknowledged"),
        (State.UNACKNOWLEDGED, State.RETURNED_UNACKNOWLEDGED, Event.CLEAR, "returned to normal, unacknowledged"),
        (State.LATCHED_ACKNOWLEDGED, State.NORMAL, Event.RESET, "normal"),
    ],
)
def test_what_happens_after_is_said_in_the_standards_words(was: State, state: State, event: Event, words: str) -> None:
    """A change of state names the rule and the state in the words of ANSI/ISA-18.2."""
    assert printed(moved(0, was, state, event)) == [f"{HEAD} CRITICAL lean under boost: {words}"]


def test_an_alarm_carried_in_says_where_it_is_from() -> None:
    """A latch from the session before is not printed as if it had just been raised."""
    (line,) = printed(moved(0, State.NORMAL, State.LATCHED_UNACKNOWLEDGED, None))
    assert line.endswith("Lean under boost. Lift. (latched, unacknowledged, carried in from the session before)")


def test_lost_and_found_feeds_are_printed_by_name() -> None:
    """A port that goes and comes is told with the feed's name and the port's own words."""
    records = (
        record(Kind.LOST, "Input/output error"),
        record(Kind.FOUND, "/dev/ttyUSB0 at 115200 Bd"),
        record(Kind.LOST, "gone", feed=9),
    )
    assert printed(records=records) == [
        f"{HEAD} LOST     ecu is lost: Input/output error",
        f"{HEAD} found    ecu is open: /dev/ttyUSB0 at 115200 Bd",
        f"{HEAD} LOST     feed 9 is lost: gone",
    ]


def test_bytes_thrown_away_are_printed() -> None:
    """What we dropped ourselves is not kept quiet."""
    (line,) = printed(records=(record(Kind.DROPPED, {"bytes": 512, "why": "the queue was full"}, feed=2),))
    assert line == f"{HEAD} DROPPED  512 bytes of wideband were thrown away: the queue was full"


@pytest.mark.parametrize(
    ("facts", "line"),
    [
        ({"act": "acknowledge", "rule": None}, "act      acknowledge all alarms"),
        ({"act": "acknowledge", "rule": "overboost"}, "act      acknowledge overboost"),
        ({"act": "reset", "rule": "overboost"}, "act      reset overboost"),
        ({"act": "mark", "rule": None, "text": "new pump"}, "mark     new pump"),
        ({"act": "mark", "words": "windy", "gear": 3}, "mark     windy gear 3"),
        ({"act": "shelve", "rule": "overboost", "minutes": 5}, "act      shelve overboost minutes 5"),
        ({"odd": 1}, "act      an act that cannot be read odd 1"),
    ],
)
def test_acts_and_marks_are_printed(facts: dict[str, Any], line: str) -> None:
    """Who pressed what is in the lines too."""
    assert printed(records=(record(Kind.ACT, facts, feed=ACTS_FEED),)) == [f"{HEAD} {line}"]


def test_standing_alarms_of_the_session_before_are_listed() -> None:
    """The record that carries alarms in is one line; an empty one is none."""
    alarms = [{"rule": "overboost", "state": 4}, {"rule": "oil pressure", "state": 1}]
    records = (record(Kind.CARRIED, {"alarms": alarms}, ACTS_FEED), record(Kind.CARRIED, {"alarms": []}, ACTS_FEED))
    assert printed(records=records) == [f"{HEAD}          standing since the session before: overboost, oil pressure"]


@pytest.mark.parametrize("data", [b"", b"\xff\xfe", b"[1]", b'{"act": ', b'{"alarms": 7}', b"null"])
@pytest.mark.parametrize("kind", [Kind.ACT, Kind.CARRIED, Kind.DROPPED, Kind.LOST])
def test_a_record_that_cannot_be_read_is_no_crash(kind: Kind, data: bytes) -> None:
    """Whatever an old or damaged recording holds, the console goes on."""
    out = io.StringIO()
    console = Console(RULES, PAIR, out, zone=UTC)
    console.take(Batch(T, (Record(T, 1, kind, data),)), ())
    console.take(Batch(T), (raised(0),))
    console.close()
    assert "Lean under boost. Lift." in out.getvalue()


def test_data_is_not_printed() -> None:
    """While all is normal nothing is printed at all."""
    assert printed(records=(record(Kind.DATA, "lambda=0.853;state=ready"),) * 100) == []


def test_words_from_a_port_cannot_steer_the_terminal() -> None:
    """Escape sequences in a device's name are taken out."""
    (line,) = printed(records=(record(Kind.FOUND, "evil\x1b[2J\r\nname"),))
    assert line == f"{HEAD} found    ecu is open: evil [2J  name"


def test_every_line_of_a_replay_says_so() -> None:
    """In a replay nobody can take a line for a live one."""
    records = (record(Kind.LOST, "gone"), record(Kind.ACT, {"act": "mark", "text": "x"}, ACTS_FEED))
    lines = printed(raised(0), raised(3), records=records, replay=True)
    assert len(lines) == 4
    assert all(line.startswith("REPLAY 14:04:02") for line in lines)


def test_nothing_is_called_safe_or_good() -> None:
    """No line says that all is well, and no style is green."""
    import pullwatch.annunciators.console as module

    text = " ".join(printed(*(moved(0, State.LATCHED_ACKNOWLEDGED, State.NORMAL, Event.RESET),)))
    assert not {"ok", "safe", "good", "healthy"} & set(text.lower().split())
    assert not any("green" in style for style in (*module.RAISED_STYLES.values(), module.CALM, module.WORSE))


def test_others_may_say_a_line() -> None:
    """The sentinel's and the recorder's troubles are printed among the rest."""
    out = io.StringIO()
    console = Console(RULES, PAIR, out, zone=UTC)
    console.say(T, "the sound device takes no sound any more", worse=True)
    console.close()
    assert out.getvalue() == f"{HEAD}          the sound device takes no sound any more\n"
    assert console.health.last_good == T


class Terminal(io.StringIO):
    """A stream that says it is a terminal."""

    def isatty(self) -> bool:
        """Return that it is one."""
        return True


@pytest.fixture
def colours(monkeypatch: pytest.MonkeyPatch) -> None:
    """Make an environment in which a terminal has colours."""
    for name in ("NO_COLOR", "FORCE_COLOR", "TTY_COMPATIBLE", "COLUMNS"):
        monkeypatch.delenv(name, raising=False)
    monkeypatch.setenv("TERM", "xterm-256color")


BOLD, REVERSE = "1", "7"


@pytest.mark.usefixtures("colours")
def test_on_a_terminal_critical_is_bold_and_reversed() -> None:
    """Critical has weight and reversal (ECMA-48 SGR 1 and 7) besides its word; what is calm has no style at all."""
    (line,) = printed(raised(0, 0.912, 0.84), stream=Terminal())
    codes = line[line.index("\x1b[") + 2 : line.index("m")].split(";")
    assert {BOLD, REVERSE} <= set(codes)
    assert "CRITICAL Lean under boost. Lift." in line
    (line,) = printed(moved(0, State.LATCHED_ACKNOWLEDGED, State.NORMAL, Event.RESET), stream=Terminal())
    assert "\x1b" not in line


@pytest.mark.usefixtures("colours")
def test_words_are_the_same_with_and_without_colour() -> None:
    """Colour adds nothing that the words do not say, and a long line is not broken."""
    import re

    changes = (raised(0, 0.912, 0.84, first_out=True), raised(2, 150.0, 200.0), raised(3))
    coloured = printed(*changes, stream=Terminal())
    assert [re.sub(r"\x1b\[[0-9;]*m", "", line) for line in coloured] == printed(*changes)


def test_a_terminal_of_another_alphabet_gets_question_marks() -> None:
    """A degree sign on an ASCII terminal is no crash and loses no line."""
    raw = io.BytesIO()
    stream = io.TextIOWrapper(raw, encoding="ascii")
    console = Console(RULES, PAIR, stream, zone=UTC, feeds=FEEDS)
    console.take(Batch(T, (record(Kind.LOST, "105 °C"),)), (raised(0, 0.9, 0.84),))
    console.close()
    text = raw.getvalue().decode("ascii")
    assert "105 ?C" in text
    assert "Lean under boost. Lift." in text


class Stuck(io.StringIO):
    """A terminal stopped by Ctrl-S: a write waits until somebody lets it go on."""

    def __init__(self) -> None:
        super().__init__()
        self.entered = threading.Event()
        self.let_go = threading.Event()

    def write(self, text: str) -> int:
        """Write, once it is let go."""
        self.entered.set()
        assert self.let_go.wait(30)
        return super().write(text)


def test_a_stopped_terminal_stops_nothing_but_itself() -> None:
    """Lines wait up to a bound; beyond it they are dropped, counted and the count printed; critical has more room."""
    stream = Stuck()
    console = Console(RULES, PAIR, stream, zone=UTC, feeds=FEEDS)
    lost = (record(Kind.LOST, "gone"),)
    console.take(Batch(T, lost), ())
    assert stream.entered.wait(10)
    began = time.monotonic()
    for _ in range(MOST_WAITING + 500):
        console.take(Batch(T, lost), ())
    assert console.health.dropped == 500
    for _ in range(100):
        console.take(Batch(T), (raised(0),))
    assert console.health.dropped == 500
    for _ in range(MOST_WAITING_CRITICAL):
        console.take(Batch(T), (raised(0),))
    assert console.health.dropped > 500
    assert time.monotonic() - began < 5.0
    stream.let_go.set()
    console.close()
    console._thread.join(10)
    dropped = console.health.dropped
    lines = stream.getvalue().splitlines()
    told = [int(line.split("DROPPED")[1].split()[0]) for line in lines if "lines were not printed" in line]
    assert sum(told) == dropped


def test_closing_does_not_wait_for_a_stopped_terminal(monkeypatch: pytest.MonkeyPatch) -> None:
    """A terminal that takes nothing does not keep the process from ending."""
    monkeypatch.setattr("pullwatch.annunciators.console.CLOSE_S", 0.05)
    stream = Stuck()
    console = Console(RULES, PAIR, stream, zone=UTC)
    console.take(Batch(T), (raised(0),))
    assert stream.entered.wait(10)
    console.close()
    assert console._thread.is_alive()
    stream.let_go.set()
    console._thread.join(10)
    assert not console._thread.is_alive()


def test_a_terminal_that_is_gone_is_counted() -> None:
    """A closed window is an event, not the end of the watch: what could not be printed is counted."""
    master, slave = pty.openpty()
    stream = os.fdopen(slave, "w")
    console = Console(RULES, PAIR, stream, zone=UTC)
    os.close(master)
    console.take(Batch(T), (raised(0), raised(1)))
    console.close()
    assert console.health.dropped >= 1
    assert console.health.last_error
    with pytest.raises(OSError, match="Input/output error"):
        stream.close()


@pytest.mark.parametrize(
    ("ns", "text"),
    [(0, "+0:00.000"), (999_999, "+0:00.000"), (59_999 * NS_PER_MS, "+0:59.999"), (3600 * NS_PER_S, "+60:00.000")],
)
def test_session_time_is_never_rounded_up(ns: int, text: str) -> None:
    """A time printed has been reached; minutes go on past sixty."""
    assert session_time(ns) == text


def test_the_machines_own_time_zone_is_used(monkeypatch: pytest.MonkeyPatch) -> None:
    """Without a zone the wall time is the machine's."""
    restore: Callable[[], None] = time.tzset
    monkeypatch.setenv("TZ", "XYZ-3")
    time.tzset()
    try:
        out = io.StringIO()
        console = Console(RULES, PAIR, out)
        console.say(T, "x")
        console.close()
        assert out.getvalue().startswith("17:04:02.345")
    finally:
        monkeypatch.delenv("TZ")
        restore()


def test_a_feed_that_falls_silent_is_one_line() -> None:
    """Three and more lost readings at once are one line with all their names; a critical alarm keeps its own."""
    lost = [rule(n, f"{c.name} lost", Lost(c.number), Priority.CAUTION) for n, c in enumerate(CHANNELS)]
    rules = RuleSet(CHANNELS, (*lost, rule(3, "no mixture", Lost(0), Priority.CRITICAL, "No mixture reading. Lift.")))
    out = io.StringIO()
    console = Console(rules, PAIR, out, zone=UTC)
    console.take(Batch(T), [raised(0, first_out=True), raised(1), raised(2), raised(3)])
    console.take(Batch(T), [raised(0), raised(1)])
    seen = [moved(n, State.UNACKNOWLEDGED, State.ACKNOWLEDGED, Event.ACKNOWLEDGE) for n in range(3)]
    console.take(Batch(T), seen)
    console.close()
    *lines, last = out.getvalue().splitlines()
    assert lines[0].startswith(f"{HEAD} CAUTION  No reading of 3 channels: lambda, manifold_pressure, oil_pressure.")
    assert "FIRST OUT" in lines[0]
    assert "CRITICAL No mixture reading. Lift." in lines[1]
    assert [line.split("[")[-1] for line in lines[2:]] == ["lambda lost]", "manifold_pressure lost]"]
    assert last.endswith("acknowledged: lambda lost, manifold_pressure lost, oil_pressure lost")


def flooded(*priorities: Priority) -> RuleSet:
    """Return rules of these priorities, with names of their own."""
    return RuleSet(
        CHANNELS, tuple(rule(n, f"rule {n}", Comparison(2, "<", (Term(1.0),)), p) for n, p in enumerate(priorities))
    )


def flood_of(count: int, *, first: int = 0, apart: int = NS_PER_MS) -> list[Change]:
    """Return so many raises, one a millisecond, of which `first` is the first-out."""
    return [replace(raised(n, 0.5, 1.0, first_out=n == first), t=T + n * apart) for n in range(count)]


@pytest.mark.parametrize("together", [True, False])
def test_two_hundred_alarms_are_one_first_out_one_count_and_the_full_list(together: bool) -> None:
    """200 alarms within a second: few lines, one count that names the first-out, and every name once.

    Critical lines stand by themselves, at once. Whether all come in one step or in 200 makes no difference.
    """
    priorities = [
        Priority.CRITICAL if n in (50, 150) else Priority.CAUTION if n % 2 else Priority.NOTE for n in range(200)
    ]
    out = io.StringIO()
    console = Console(flooded(*priorities), PAIR, out, zone=UTC)
    changes = flood_of(200)
    for step in [changes] if together else [[change] for change in changes]:
        console.take(Batch(step[-1].t), step)
    console.take(Batch(T + NS_PER_S), ())
    console.close()
    lines = out.getvalue().splitlines()
    assert sum(" FIRST OUT " in line for line in lines) == 1
    count = [line for line in lines if " FLOOD " in line]
    assert len(count) == 1
    assert count[0].endswith(
        "200 alarms within a second (2 CRITICAL, 100 CAUTION, 98 note). First out: rule 0. All of them:"
    )
    at = lines.index(count[0])
    told, listed = lines[:at], ", ".join(line[32:].strip(",") for line in lines[at + 1 :]).split(", ")
    assert sorted(listed) == sorted(f"rule {n}" for n in range(200))
    assert [line.split("[")[1] for line in told if "CRITICAL" in line] == ["rule 50]", "rule 150]"]
    assert len(told) == FLOOD_FROM + 2
    assert max(map(len, lines)) <= 160


def test_a_few_alarms_are_no_flood() -> None:
    """Ten alarms within a second have a line each, and so have twenty over two seconds; nothing is counted."""
    for count, apart in ((FLOOD_FROM, NS_PER_MS), (20, 110 * NS_PER_MS)):
        out = io.StringIO()
        console = Console(flooded(*[Priority.CAUTION] * count), PAIR, out, zone=UTC)
        for change in flood_of(count, apart=apart):
            console.take(Batch(change.t), [change])
        console.close()
        lines = out.getvalue().splitlines()
        assert len(lines) == count
        assert all("unacknowledged" in line for line in lines)


def test_a_flood_is_counted_at_the_end_too() -> None:
    """A session that ends within the second still lists what was held back."""
    out = io.StringIO()
    console = Console(flooded(*[Priority.NOTE] * 30), PAIR, out, zone=UTC)
    for change in flood_of(30):
        console.take(Batch(change.t), [change])
    console.close()
    assert "30 alarms within a second (30 note). First out: rule 0." in out.getvalue()
    assert all(f"rule {n}" in out.getvalue() for n in range(30))


def test_a_critical_line_goes_before_lower_ones_that_wait() -> None:
    """With a terminal that takes nothing for a while, the first line it takes then is that of the critical alarm."""
    stream = Stuck()
    console = Console(RULES, PAIR, stream, zone=UTC, feeds=FEEDS)
    lost = (record(Kind.LOST, "gone"),)
    console.take(Batch(T, lost), ())
    assert stream.entered.wait(10)
    for _ in range(500):
        console.take(Batch(T, lost), ())
    console.take(Batch(T), (raised(0, 0.912, 0.84),))
    stream.let_go.set()
    console.close()
    console._thread.join(10)
    lines = stream.getvalue().splitlines()
    assert len(lines) == 502
    assert "CRITICAL Lean under boost. Lift." in lines[1]
