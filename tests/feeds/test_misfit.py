"""What is said of a port whose bytes do not fit: once, in words, with a name where there is one."""

from __future__ import annotations

import random
from itertools import pairwise
from typing import TYPE_CHECKING

from pullwatch.batch import Batch, Kind, Record
from pullwatch.channels import Channel, Dimension
from pullwatch.clock import NS_PER_MS, NS_PER_S
from pullwatch.decoders.dbc import CanDecoder, DbcTable, Entry, Place
from pullwatch.decoders.screen import Bring
from pullwatch.decoders.text import Field, LineDecoder
from pullwatch.feeds.base import FeedHealth
from pullwatch.feeds.misfit import Misfit
from pullwatch.feeds.written import Written

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable

    from pullwatch.decoders import Decoder
    from pullwatch.feeds.intake import Intake

UNREADABLE = "bytes arrive here, but none of them can be read as its setup says"
UNWANTED = "whole messages arrive here, but none of them is one that its setup asks for"
ELSE = "wrong device, wrong baud, or two adapters have swapped."
LOOK = 250 * NS_PER_MS
CHANNELS = {name: Channel(i, name, "kPa", Dimension.NUMBER) for i, name in enumerate(("oil", "lambda", "speed"))}


class Port:
    """A feed of which only name and health matter."""

    def __init__(self, number: int, name: str) -> None:
        self.number, self.name = number, name
        self.notes = ()
        self.port = "a port"
        self.written = Written()
        self.health = FeedHealth(opened=1)

    def start(self, intake: Intake) -> None:
        """Not started here."""

    async def stop(self) -> None:
        """Not stopped here."""


def decoders() -> dict[int, Decoder]:
    """Return an oil line, a lambda line and a CAN bus."""
    place = Place(motorola=False, first=0, length=16)
    entry = Entry(2, "Engine.Speed", 0x2A1, False, 8, place, "unsigned", 1, 0, Bring())
    return {
        1: LineDecoder([Field("oil", key="oil")], CHANNELS),
        2: LineDecoder([Field("lambda", key="lambda")], CHANNELS),
        3: CanDecoder(DbcTable("x.dbc", (entry,)), CHANNELS, "slcan"),
    }


class Bench:
    """Three ports with a misfit that looks at them four times a second."""

    def __init__(self) -> None:
        self.ports = [Port(1, "oil"), Port(2, "wideband"), Port(3, "ecu")]
        self.decoders = decoders()
        self.misfit = Misfit(decoders)
        self.misfit.looks_at(self.ports, self.decoders)
        self.told: list[tuple[float, str, bool]] = []
        self.now = 0

    def look(self) -> None:
        """Look now."""
        self.told += [(self.now / NS_PER_S, words, worse) for words, worse in self.misfit.news(self.now)]

    def play(self, seconds: float, says: dict[int, Callable[[int], bytes]], hz: int = 20) -> None:
        """Let ports say something `hz` times a second, looking meanwhile."""
        for number in range(round(seconds * hz)):
            begin = self.now
            for feed, say in says.items():
                data = say(number)
                if data:
                    self.decoders[feed].few(self.now, data, [])
                    self.misfit.take(Batch(self.now, [Record(self.now, feed, Kind.DATA, data)]), ())
            self.now += NS_PER_S // hz
            if self.now // LOOK != begin // LOOK:
                self.look()


def oil(number: int) -> bytes:
    """Say oil pressure."""
    return b"oil=%d\r\n" % (300 + number % 50)


def lam(number: int) -> bytes:
    """Say lambda."""
    return b"lambda=0.8%02d;state=ready\r\n" % (number % 100)


def frame(number: int) -> bytes:
    """Say engine speed."""
    return b"t2A18%016X\r" % number


def garbage() -> Callable[[int], bytes]:
    """Say random bytes."""
    chance = random.Random(7)
    return lambda _: chance.randbytes(40)


def told(bench: Bench) -> list[str]:
    """Return the sentences alone."""
    return [words for _, words, _ in bench.told]


def test_what_fits_is_not_talked_about() -> None:
    """Feeds that give what the setup says are not mentioned, nor those that give nothing."""
    bench = Bench()
    bench.play(30, {1: oil, 2: lam})
    assert bench.told == []


def test_unreadable_bytes_are_told_once_and_within_a_second_and_a_half() -> None:
    """Garbage is told once, however long it lasts, and so is its end."""
    bench = Bench()
    bench.play(5, {1: oil, 2: lam})
    bench.play(20, {1: garbage(), 2: lam})
    ((t, words, worse),) = bench.told
    assert words == f"oil: {UNREADABLE}: {ELSE}"
    assert worse
    assert 6.0 <= t <= 6.5
    bench.play(5, {1: oil, 2: lam})
    assert told(bench)[1:] == ["oil: what arrives can be read now"]


def test_bytes_in_which_no_line_ends_are_told_as_soon() -> None:
    """At a wrong baud no line may ever end; what waits for an end is not waited for."""
    bench = Bench()
    bench.play(5, {1: oil})
    bench.play(2, {1: lambda _: bytes(20)})
    ((t, words, _),) = bench.told
    assert words == f"oil: {UNREADABLE}: {ELSE}"
    assert t <= 6.5


def test_swapped_adapters_are_called_by_name() -> None:
    """Two text ports that have swapped after a brown-out are told, each with the other's name."""
    bench = Bench()
    bench.play(5, {1: oil, 2: lam})
    for port in bench.ports:
        port.health.opened += 1
    bench.play(5, {1: lam, 2: oil})
    assert told(bench) == [
        f'oil: {UNWANTED}. They are what "wideband" expects: have two adapters swapped? Plug them the other way round.',
        f'wideband: {UNWANTED}. They are what "oil" expects: have two adapters swapped? Plug them the other way round.',
    ]
    assert bench.told[0][0] <= 5.0 + 3.5


def test_a_bus_at_the_port_of_a_line_is_called_by_name() -> None:
    """Frames at the wideband's port: whole lines, of a device that another feed expects."""
    bench = Bench()
    bench.play(6, {2: frame, 3: lam})
    assert any(words.startswith("wideband: ") and '"ecu" expects' in words for words in told(bench))
    assert any(words.startswith("ecu: ") and '"wideband" expects' in words for words in told(bench))


def test_messages_nobody_asked_for_are_only_told_at_the_beginning() -> None:
    """Once a port has given what was asked for, a pause of it among other messages is no misfit."""
    bench = Bench()
    bench.play(1, {3: frame})
    bench.play(60, {3: lambda number: b"t1238%016X\r" % number})
    assert bench.told == []
    other = Bench()
    other.play(60, {3: lambda number: b"t1238%016X\r" % number})
    assert told(other) == [f"ecu: {UNWANTED}: {ELSE}"]
    assert 3.0 <= other.told[0][0] <= 3.5


def test_replies_of_an_adapter_on_a_silent_bus_are_no_misfit() -> None:
    """An adapter that only answers commands, because the key is off, is not talked about."""
    bench = Bench()
    bench.play(120, {3: lambda number: b"F00\r" if number % 20 == 0 else b""})
    assert bench.told == []


def test_a_half_line_and_silence_are_no_misfit() -> None:
    """The tail of one line when the port was opened, and then nothing, is told by nobody here."""
    bench = Bench()
    bench.play(5, {1: lambda number: b"\xff\xfe0;oil=3\x80" * 12 + b"\n" if number == 3 else b""})
    assert bench.told == []


def test_a_port_that_comes_back_wrong_is_told_again_but_not_every_time() -> None:
    """Plugging in and out tells it again only after ten seconds."""
    bench = Bench()
    for _ in range(10):
        bench.ports[0].health.opened += 1
        bench.play(3, {1: garbage()})
    times = [t for t, words, _ in bench.told if UNREADABLE in words]
    assert 2 <= len(times) <= 3
    assert all(b - a >= 10 for a, b in pairwise(times))


def test_only_ports_in_doubt_cost_anything() -> None:
    """Of feeds that fit no byte is kept."""
    bench = Bench()
    bench.play(5, {1: oil, 2: lam})
    kept: Iterable[bytes] = [seen.recent for seen in bench.misfit._seen.values()]
    assert not any(kept)
