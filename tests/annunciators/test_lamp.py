"""The lamp: what it shows, that only the watching loop lights it, and that no board can hold the loop up."""

from __future__ import annotations

import asyncio
import itertools
import math
import os
import sys
import tty
from contextlib import contextmanager
from typing import TYPE_CHECKING

import pytest
from hypothesis import given
from hypothesis import strategies as st

from pullwatch.acts import Acts
from pullwatch.annunciators import lamp as lamp_module
from pullwatch.annunciators.lamp import FLASH, FLASH_LEAST, SLOW, STANDS, Board, Lamp, Level, Signal, car_stands
from pullwatch.batch import Batch
from pullwatch.channels import Channel, Dimension
from pullwatch.clock import NS_PER_MS, NS_PER_S, SessionClock
from pullwatch.setup import load
from pullwatch.sinks import Sink  # noqa: TC001 - an annotation that is the test
from pullwatch.station import Station
from pullwatch.watchdog.alarms import TABLE, Change, Event, Priority, State
from pullwatch.watchdog.conditions import Comparison, Lost, Term
from pullwatch.watchdog.rules import Rule, RuleSet

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator
    from pathlib import Path

OIL = Channel(0, "oil_pressure", "kPa", Dimension.GAUGE_PRESSURE)
TRIP = Comparison(0, "<", (Term(100.0),), 0.0)
LIFT, WARM, GONE, OVER = range(4)
RULES = RuleSet(
    (OIL,),
    (
        Rule(LIFT, "oil low", TRIP, priority=Priority.CRITICAL),
        Rule(WARM, "coolant warm", TRIP, priority=Priority.CAUTION),
        Rule(GONE, "oil_pressure lost", Lost(0), priority=Priority.CAUTION),
        Rule(OVER, "overboost", TRIP, priority=Priority.CRITICAL),
    ),
)
LINES = {Level.DARK: b"D\n", Level.DIM: b"M\n", Level.BRIGHT: b"B\n", Level.CAUTION: b"C\n"}
TICK = 20 * NS_PER_MS
PATIENCE = 10.0


class Car:
    """Alarms moved by events, a signal that is told of them, and what it shows, tick by tick."""

    def __init__(self, *, by_hand: bool = False, has_caution: bool = False) -> None:
        self.stands = False
        self.recording = True
        self.now = 0
        self.states = dict.fromkeys(range(len(RULES.rules)), State.NORMAL)
        self.signal = Signal(
            RULES,
            stands=lambda: self.stands,
            recording=lambda: self.recording,
            by_hand=by_hand,
            has_caution=has_caution,
        )

    def move(self, rule: int, event: Event) -> None:
        """Let something happen to an alarm."""
        was = self.states[rule]
        self.states[rule] = TABLE[was, event]
        if self.states[rule] is not was:
            self.signal.changed([Change(self.now, rule, was, self.states[rule], event, math.nan, math.nan)])

    def over(self, seconds: float) -> list[Level]:
        """Let time pass; return what is shown at each tick of it."""
        shown = []
        for _ in range(round(seconds * NS_PER_S / TICK)):
            shown.append(self.signal.level(self.now))
            self.now += TICK
        return shown


def turns(shown: list[Level]) -> int:
    """Return how often the light becomes another."""
    return sum(one is not other for one, other in itertools.pairwise(shown))


def test_armed_and_recording_is_slow_and_never_dark() -> None:
    """Bright and dim by turns, each for a second."""
    shown = Car().over(10.0)
    assert set(shown) == {Level.BRIGHT, Level.DIM}
    assert turns(shown) == 9
    assert SLOW == NS_PER_S


def test_lift_flashes_fast_and_full_at_once() -> None:
    """From the instant it is raised, 3 to 5 flashes a second, as long on as off (MIL-STD-1472, from memory)."""
    car = Car()
    car.over(0.5)
    car.move(LIFT, Event.RAISE)
    shown = car.over(4.0)
    assert shown[0] is Level.BRIGHT
    assert set(shown) == {Level.BRIGHT, Level.DARK}
    assert 3 <= turns(shown) / 2 / 4.0 <= 5
    assert 0.45 <= shown.count(Level.BRIGHT) / len(shown) <= 0.55


def test_after_a_lift_it_is_steady_until_the_car_stands() -> None:
    """Over, it is bright and steady while the car rolls, however long, and for three seconds after it stopped."""
    car = Car()
    car.move(LIFT, Event.RAISE)
    car.over(3.0)
    car.move(LIFT, Event.CLEAR_LATCHED)
    assert set(car.over(60.0)) == {Level.BRIGHT}
    car.stands = True
    assert set(car.over(STANDS / NS_PER_S)) == {Level.BRIGHT}
    assert set(car.over(4.0)) == {Level.BRIGHT, Level.DIM}


def test_a_wheel_that_locks_on_the_brakes_is_no_standing_car() -> None:
    """A stand of two seconds ends nothing, and the time is counted anew."""
    car = Car()
    car.move(LIFT, Event.RAISE)
    car.over(3.0)
    car.move(LIFT, Event.CLEAR)
    for _ in range(5):
        car.stands = True
        assert set(car.over(2.0)) == {Level.BRIGHT}
        car.stands = False
        assert set(car.over(1.0)) == {Level.BRIGHT}


def test_a_short_lift_is_seen_all_the_same() -> None:
    """An alarm that stood for a tenth of a second flashes for two seconds."""
    car = Car()
    car.move(LIFT, Event.RAISE)
    car.over(0.1)
    car.move(LIFT, Event.CLEAR)
    assert Level.DARK in car.over(FLASH_LEAST / NS_PER_S - 0.3)
    car.over(0.3)
    assert set(car.over(1.0)) == {Level.BRIGHT}


def test_a_second_lift_flashes_again() -> None:
    """In the steady light after the first, it begins anew with light."""
    car = Car()
    car.move(LIFT, Event.RAISE)
    car.over(3.0)
    car.move(LIFT, Event.CLEAR)
    car.over(1.0)
    car.move(OVER, Event.RAISE)
    shown = car.over(1.0)
    assert shown[0] is Level.BRIGHT
    assert Level.DARK in shown


def test_what_is_acknowledged_does_not_flash() -> None:
    """Flashing is for unacknowledged alarms only (ANSI/ISA-101.01-2015); it is steady while the alarm stands."""
    car = Car(by_hand=True)
    car.move(LIFT, Event.RAISE)
    car.over(3.0)
    car.move(LIFT, Event.ACKNOWLEDGE)
    assert set(car.over(5.0)) == {Level.BRIGHT}
    car.move(LIFT, Event.CLEAR)
    assert set(car.over(3.0)) == {Level.BRIGHT, Level.DIM}


def test_on_a_dyno_somebody_acknowledges_and_no_wheel_does() -> None:
    """Undriven wheels stand on rollers: a "Lift" that is over stays steady until somebody has seen it."""
    car = Car(by_hand=True)
    car.stands = True
    car.move(LIFT, Event.RAISE)
    car.over(3.0)
    car.move(LIFT, Event.CLEAR_LATCHED)
    assert set(car.over(30.0)) == {Level.BRIGHT}
    car.move(LIFT, Event.ACKNOWLEDGE)
    assert set(car.over(3.0)) == {Level.BRIGHT, Level.DIM}


@pytest.mark.parametrize("what", ["a reading is lost", "nothing is recorded"])
def test_armed_but_not_whole_is_steady_and_dim(what: str) -> None:
    """Neither dark, for it watches, nor the light of "armed and recording"."""
    car = Car()
    if what == "a reading is lost":
        car.move(GONE, Event.RAISE)
    else:
        car.recording = False
    assert set(car.over(5.0)) == {Level.DIM}
    car.move(GONE, Event.CLEAR)
    car.recording = True
    assert set(car.over(4.0)) == {Level.DIM, Level.BRIGHT}


def test_a_caution_has_a_colour_only_if_the_board_has_and_never_under_way() -> None:
    """Under way, or where that is not known, nothing below critical is shown to a driver."""
    plain, car, dyno = Car(), Car(has_caution=True), Car(has_caution=True, by_hand=True)
    for each in (plain, car, dyno):
        each.move(WARM, Event.RAISE)
    assert set(plain.over(4.0)) == set(car.over(4.0)) == {Level.BRIGHT, Level.DIM}
    assert set(dyno.over(4.0)) == {Level.CAUTION, Level.DIM}
    car.stands = True
    assert set(car.over(4.0)) == {Level.CAUTION, Level.DIM}
    car.move(WARM, Event.ACKNOWLEDGE)
    assert set(car.over(4.0)) == {Level.BRIGHT, Level.DIM}


def test_rules_changed_while_watching_keep_their_lamp() -> None:
    """A rule that becomes a caution ends its "Lift"; its number stays."""
    car = Car(by_hand=True)
    car.move(LIFT, Event.RAISE)
    car.over(3.0)
    rules = (Rule(LIFT, "oil low", TRIP, priority=Priority.CAUTION), *RULES.rules[1:])
    car.signal.rules_are(RuleSet((OIL,), rules))
    assert set(car.over(3.0)) == {Level.BRIGHT, Level.DIM}


MOVES = st.lists(
    st.tuples(
        st.sampled_from([LIFT, WARM, GONE, OVER]),
        st.sampled_from([Event.RAISE, Event.CLEAR, Event.CLEAR_LATCHED, Event.ACKNOWLEDGE, Event.RESET]),
        st.booleans(),
        st.floats(0.02, 3.0),
    ),
    max_size=12,
)


@given(MOVES, st.booleans())
def test_whatever_happens_lift_is_never_hidden_and_dark_means_one_thing(
    moves: list[tuple[int, Event, bool, float]], by_hand: bool
) -> None:
    """While a critical alarm stands unacknowledged it flashes full; dark is shown only as a part of a flash."""
    car = Car(by_hand=by_hand, has_caution=True)
    lifted_at = -1
    for rule, event, stands, seconds in moves:
        car.stands = stands
        before = car.states[rule]
        car.move(rule, event)
        if rule in (LIFT, OVER) and car.states[rule] is State.UNACKNOWLEDGED and before is not State.UNACKNOWLEDGED:
            lifted_at = car.now
        flashing = State.UNACKNOWLEDGED in (car.states[LIFT], car.states[OVER])
        begun = car.now
        shown = car.over(seconds)
        for number, level in enumerate(shown):
            if flashing:
                assert level in (Level.BRIGHT, Level.DARK)
            elif lifted_at < 0 or begun + number * TICK - lifted_at >= FLASH_LEAST:
                assert level is not Level.DARK
        if flashing and seconds > 3 * FLASH / NS_PER_S:
            assert {Level.BRIGHT, Level.DARK} == set(shown)


@pytest.mark.parametrize(
    ("speeds", "stands"),
    [
        ({}, False),
        ({"vehicle_speed": 0.0}, True),
        ({"vehicle_speed": 2.0}, True),
        ({"vehicle_speed": 4.0}, False),
        ({"vehicle_speed": 0.0, "wheel_speed_rl": 30.0}, False),
        ({"wheel_speed_fl": 0.0, "wheel_speed_fr": 1.0}, True),
        ({"driveshaft_speed": 10.0}, True),
        ({"driveshaft_speed": 900.0}, False),
        ({"engine_speed": 0.0}, True),
        ({"engine_speed": 850.0}, False),
        ({"engine_speed": 0.0, "vehicle_speed": 60.0}, False),
        ({"engine_speed": 850.0, "vehicle_speed": 0.0}, True),
    ],
)
def test_what_a_standing_car_is(speeds: dict[str, float], stands: bool) -> None:
    """Every known road speed says so; without one, only an engine that stands. Nothing known is no standing car."""
    assert car_stands(speeds) is stands


# -- on a port


class Bench:
    """A pseudo terminal whose far end is a lamp board, and a lamp on the near end."""

    def __init__(self, port: str, far: int) -> None:
        self.far = far
        self.car = Car()
        self.clock = SessionClock()
        self.lamp = Lamp(Board(port, 9_600, LINES), self.car.signal, self.clock)
        self.heard = b""

    def hear(self) -> None:
        """Take what the board was told."""
        self.heard += os.read(self.far, 4_096)

    async def until(self, there: Callable[[], bool], beat: int | None = None) -> None:
        """Turn the loop until `there`, beating at path time `beat` if given."""
        async with asyncio.timeout(PATIENCE):
            while not there():
                if beat is not None:
                    self.lamp.take(Batch(beat), [])
                    beat += TICK
                await asyncio.sleep(0)

    async def is_open(self) -> None:
        """Wait until the port is open."""
        await self.until(lambda: self.lamp.health.open)  # type: ignore[attr-defined] # a feed's


@contextmanager
def terminal(folder: Path) -> Iterator[tuple[str, int]]:
    """Make a pseudo terminal under a link; yield the link and the far end."""
    far, near = os.openpty()
    tty.setraw(near)
    link = folder / "lamp"
    link.symlink_to(os.ttyname(near))
    os.set_blocking(far, False)
    try:
        yield str(link), far
    finally:
        link.unlink()
        os.close(far)
        os.close(near)


async def test_the_beat_alone_lights_it(tmp_path: Path) -> None:
    """A level is written when it changes and again each 100 ms of beats; a loop that does not beat writes nothing."""
    with terminal(tmp_path) as (port, far):
        bench = Bench(port, far)
        bench.lamp.start()
        await bench.is_open()
        asyncio.get_running_loop().add_reader(far, bench.hear)
        for beat in range(50):  # a second of beats, each 20 ms
            bench.lamp.take(Batch(beat * TICK), [])
        await bench.until(lambda: len(bench.heard) >= 20)
        assert bench.heard == b"B\n" * 10
        for _ in range(200):  # the loop turns and turns, and nobody beats
            await asyncio.sleep(0)
        assert bench.heard == b"B\n" * 10
        bench.lamp.take(Batch(50 * TICK), [])
        await bench.until(lambda: len(bench.heard) >= 22)
        assert bench.heard.endswith(b"B\nM\n")
        await bench.lamp.stop()
        await bench.until(lambda: bench.heard.endswith(b"D\n"))
        asyncio.get_running_loop().remove_reader(far)
        assert b"".join(data for _, data in bench.lamp.written) == bench.heard
        times = [t for t, _ in bench.lamp.written]
        assert times == sorted(times)
        assert bench.lamp.news() == [(f"the lamp is there: {port}", False)]


async def test_a_lift_is_written_in_the_very_beat(tmp_path: Path) -> None:
    """It does not wait for the next 100 ms."""
    with terminal(tmp_path) as (port, far):
        bench = Bench(port, far)
        bench.lamp.start()
        await bench.is_open()
        bench.lamp.take(Batch(SLOW), [])  # dim
        change = Change(SLOW + 1, LIFT, State.NORMAL, State.UNACKNOWLEDGED, Event.RAISE, 80.0, 100.0)
        bench.lamp.take(Batch(SLOW + 2), [change])
        asyncio.get_running_loop().add_reader(far, bench.hear)
        await bench.lamp.stop()
        await bench.until(lambda: len(bench.heard) >= 6)
        asyncio.get_running_loop().remove_reader(far)
        assert bench.heard == b"M\nB\nD\n"


async def test_a_board_that_is_pulled_is_told_and_taken_again(tmp_path: Path) -> None:
    """Its loss and its return are told once each, and the beat goes on meanwhile."""
    with terminal(tmp_path) as (port, far):
        bench = Bench(port, far)
        bench.lamp.start()
        await bench.is_open()
        bench.lamp.take(Batch(0), [])
    told: list[tuple[str, bool]] = []

    def lost() -> bool:
        told.extend(bench.lamp.news())
        return any(worse for _, worse in told)

    await bench.until(lost, beat=1_000)
    with terminal(tmp_path) as (port, far):
        await bench.until(lambda: lost() and not told[-1][1], beat=NS_PER_S)
        asyncio.get_running_loop().add_reader(far, bench.hear)
        await bench.until(lambda: bool(bench.heard), beat=60 * NS_PER_S)
        asyncio.get_running_loop().remove_reader(far)
        await bench.lamp.stop()
    words = [text for text, worse in told if worse]
    assert words[0].startswith("the lamp is dark, or shows what it likes: ")
    assert len(words) == len(set(words))


async def test_a_board_that_takes_nothing_holds_nobody_up(tmp_path: Path) -> None:
    """Its line full, what does not fit is dropped and counted; after a second it is given up and opened anew."""
    with terminal(tmp_path) as (port, far):
        bench = Bench(port, far)
        bench.lamp.start()
        await bench.is_open()
        now = 0
        loop = asyncio.get_running_loop()
        longest = 0.0
        while bench.lamp.health.open and now < 36_000 * NS_PER_S:  # type: ignore[attr-defined] # a feed's
            begun = loop.time()
            bench.lamp.take(Batch(now), [])
            longest = max(longest, loop.time() - begun)
            now += 100 * NS_PER_MS
        assert bench.lamp.health.dropped >= 10
        assert longest < 0.5
        await bench.until(lambda: any("has taken nothing for 1 s" in text for text, _ in bench.lamp.news()))
        await bench.lamp.stop()


class Narrow:
    """A stream that takes so many bytes at a time."""

    name = "narrow"

    def __init__(self, *takes: int) -> None:
        self.takes = list(takes)
        self.took = b""
        self._far, self._near = os.pipe()

    def fileno(self) -> int:
        """Return the descriptor to watch."""
        return self._near

    def read(self, most: int) -> bytes:  # noqa: ARG002 - a stream is asked for so many
        """Have nothing to say."""
        raise BlockingIOError

    def write(self, data: bytes) -> int:
        """Take as much as it is to take this time."""
        count = self.takes.pop(0)
        if not count:
            raise BlockingIOError
        self.took += data[:count]
        return len(data[:count])

    def close(self) -> None:
        """Let go."""
        os.close(self._far)
        os.close(self._near)


async def test_a_line_begun_is_ended_before_the_next() -> None:
    """A port that takes a part of a line is given the rest first: a board never hears the half of a command."""
    lamp = Lamp(Board("socket://127.0.0.1:9", 9_600, LINES), Car().signal, SessionClock())
    port, stream = lamp._port, Narrow(2, 0, 7, 99, 99)
    port._intake = lamp._intake
    lost: asyncio.Future[str] = asyncio.get_running_loop().create_future()
    await port._set_up(stream, lost)
    for now, line in enumerate((b"bright\n", b"dim\n", b"dark\n", b"dim\n", b"bright\n")):
        port.show(line, now)
    # "br", nothing of "dim", "ight" with the rest of the line begun, and then "dim" and "bright" whole.
    assert stream.took == b"bright\ndark\ndim\nbright\n"
    assert port.dropped == 1
    assert b"".join(data for _, data in lamp.written) == stream.took
    stream.close()


async def test_the_lamp_is_a_sink() -> None:
    """It is told like every other."""
    sink: Sink = Lamp(Board("socket://127.0.0.1:9", 9_600, LINES), Car().signal, SessionClock())
    sink.rules_are(RULES)
    sink.close()


SETUP = """
[car]
name = "copper hatch"

[profile]
kind = "strip"

[[feed]]
name = "dash"
kind = "serial-line"
port = "{port}"
fields = [{{ channel = "oil_pressure", key = "oil" }}]

[channel.oil_pressure]
stale_after_ms = 60_000

[[rule]]
name = "oil pressure low"
trip = "oil_pressure < 100 kPa"
off_delay_ms = 0
priority = "critical"
says = "Oil pressure low. Lift."
"""


async def test_from_the_bytes_that_trip_to_the_lamps_byte(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Real terminals at both ends: "Lift" leaves for the board in the turn that judged it, some ms after the line."""
    spans = await latencies(tmp_path, int(os.environ.get("PULLWATCH_FIGURES", "20")), monkeypatch)
    assert sorted(spans)[len(spans) // 2] < 0.1
    assert max(spans) < 1.0
    if os.environ.get("PULLWATCH_FIGURES"):
        ms = sorted(1000 * span for span in spans)
        sys.stderr.write(
            f"\nline sent to lamp byte: median {ms[len(ms) // 2]:.2f}, most {ms[-1]:.2f} ms of {len(ms)}\n"
        )


async def latencies(folder: Path, count: int, monkeypatch: pytest.MonkeyPatch) -> list[float]:
    """Return seconds from writing a line that trips to reading the lamp's byte, `count` times."""
    monkeypatch.setattr(lamp_module, "FLASH_LEAST", 0)
    (folder / "feed").mkdir()
    with terminal(folder) as (port, far), terminal(folder / "feed") as (feed_port, feed):
        setup = folder / "setup.toml"
        setup.write_text(SETUP.format(port=feed_port), encoding="utf-8")
        plan = load(setup)
        clock = SessionClock()
        # Nothing is recorded, so that what is shown before is one steady light.
        signal = Signal(plan.rules, stands=lambda: True, recording=lambda: False, by_hand=True)
        lamp = Lamp(Board(port, 9_600, LINES), signal, clock)
        station = Station(plan, (lamp,), clock=clock, base=folder)
        acts = Acts(station.intake)
        loop = asyncio.get_running_loop()
        heard: asyncio.Queue[tuple[float, bytes]] = asyncio.Queue()
        loop.add_reader(far, lambda: heard.put_nowait((loop.time(), os.read(far, 4_096))))
        lamp.start()
        running = asyncio.create_task(station.run())

        async def shown(light: bytes) -> float:
            """Wait for a line of that light and no other; return when it came."""
            while True:
                at, data = await heard.get()
                if set(data.split()) == {light}:
                    return at

        spans: list[float] = []
        try:
            async with asyncio.timeout(6 * PATIENCE):
                while len(spans) < count:
                    os.write(feed, b"oil=350\n")
                    acts.acknowledge(None, "test")
                    await shown(b"M")
                    sent = loop.time()
                    os.write(feed, b"oil=50\n")
                    spans.append(await shown(b"B") - sent)
        finally:
            loop.remove_reader(far)
            station.stop("done")
            await running
            await lamp.stop()
    return spans
