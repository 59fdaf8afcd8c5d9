"""What is said of a bus: errors once and then seldom, status flags as they change, who sends what."""

from __future__ import annotations

import asyncio
import json
from typing import TYPE_CHECKING

import can

from pullwatch.channels import Channel, Dimension
from pullwatch.clock import NS_PER_MS, NS_PER_S, SessionClock
from pullwatch.decoders.dbc import DbcTable, Entry, Place
from pullwatch.decoders.frames import Frame, pack
from pullwatch.decoders.j1939 import J1939Decoder, addressed
from pullwatch.decoders.screen import Bring
from pullwatch.feeds.base import FeedHealth
from pullwatch.feeds.bus_health import BusHealth
from pullwatch.feeds.diagnostics import DiagnosticsHealth
from pullwatch.feeds.slcan import SlcanHealth
from pullwatch.feeds.written import Written
from pullwatch.setup import load
from pullwatch.station import Station

if TYPE_CHECKING:
    from collections.abc import Sequence
    from pathlib import Path

    from pullwatch.batch import Batch
    from pullwatch.columns import Sample
    from pullwatch.feeds.intake import Intake
    from pullwatch.watchdog.alarms import Change
    from pullwatch.watchdog.rules import RuleSet


class Bus:
    """A feed of which only the health matters."""

    def __init__(self, health: FeedHealth, number: int = 1, name: str = "ecu") -> None:
        self.number = number
        self.name = name
        self.notes = ()
        self.port = "a port"
        self.written = Written()
        self.health = health

    def start(self, intake: Intake) -> None:
        """Not started here."""

    async def stop(self) -> None:
        """Not stopped here."""


def test_a_healthy_bus_is_not_talked_about() -> None:
    """Without error frames and flags nothing is said, however often it is looked."""
    buses = BusHealth([Bus(FeedHealth()), Bus(SlcanHealth(status=0), 2, "other")], {})
    assert [news for t in range(100) for news in buses.news(t * NS_PER_S)] == []


def test_error_frames_are_told_at_once_then_seldom_and_their_end_too() -> None:
    """The first is told at once, a flood every ten seconds with its count, and ten quiet seconds as the end."""
    health = FeedHealth()
    buses = BusHealth([Bus(health)], {})
    told: list[tuple[int, str, bool]] = []
    for tenth in range(400):
        if 10 <= tenth < 150:
            health.error_frames += 7
        told += [(tenth, words, worse) for words, worse in buses.news(tenth * 100 * NS_PER_MS)]
    hint = "Look at wiring and terminators."
    assert told == [
        (10, f"ecu: the bus has errors: 7 error frames more, 7 in all. {hint}", True),
        (110, f"ecu: the bus has errors: 700 error frames more, 707 in all. {hint}", True),
        (210, f"ecu: the bus has errors: 273 error frames more, 980 in all. {hint}", True),
        (310, "ecu: no error frame for 10 s; 980 in all", False),
    ]


def test_one_error_frame_is_one() -> None:
    """A single one is written as one."""
    ((words, worse),) = BusHealth([Bus(FeedHealth(error_frames=1))], {}).news(0)
    assert words.startswith("ecu: the bus has errors: 1 error frame more, 1 in all.")
    assert worse


def test_status_flags_are_told_as_they_change() -> None:
    """Flags are told in words, their end too; a status nobody knows is neither."""
    health = SlcanHealth()
    buses = BusHealth([Bus(health)], {})
    told = []
    for status in (-1, 0, 0x80, 0x80, -1, 0x80, 0x24, 0, 0):
        health.status = status
        told += list(buses.news(0))
    assert told == [
        ("ecu: the adapter says: bus error", True),
        ("ecu: the adapter says: error warning, error passive", True),
        ("ecu: the adapter says: nothing is wrong on the bus any more", False),
    ]


def test_two_senders_of_one_signal_are_told_once() -> None:
    """That two nodes send what one channel wants is said, with their addresses, and said once."""
    place = Place(motorola=False, first=0, length=8)
    entry = Entry(0, "Engine.Speed", 0x18FEEFFE, True, 8, place, "unsigned", 1, 0, Bring())
    decoder = J1939Decoder(
        addressed(DbcTable("x.dbc", (entry,)), {}), {"c": Channel(0, "c", "", Dimension.NUMBER)}, "frames"
    )
    buses = BusHealth([Bus(FeedHealth())], {1: decoder})
    decoder.few(0, pack(Frame(0x18FEEF00, bytes(8), extended=True)), [])
    assert list(buses.news(0)) == []
    decoder.few(100, pack(Frame(0x18FEEF03, bytes(8), extended=True)), [])
    ((words, worse),) = buses.news(NS_PER_S)
    assert words.startswith("ecu: Engine.Speed is sent by the addresses 0 and 3")
    assert worse
    decoder.few(200, pack(Frame(0x18FEEF05, bytes(8), extended=True)), [])
    assert list(buses.news(2 * NS_PER_S)) == []


SETUP = """
[car]
name = "bench"

[[feed]]
name = "ecu"
kind = "can"
adapter = "virtual"
port = "{port}"
dbc = "x.dbc"
channels = {{ oil_pressure = "Fluids.Oil" }}
"""
DBC = 'VERSION ""\n\nNS_ :\n\nBS_:\n\nBU_: E\n\nBO_ 256 Fluids: 8 E\n SG_ Oil : 0|8@1+ (4,0) [0|0] "kPa" E\n'


class Waiter:
    """A sink that remembers samples and wakes whoever waits for them."""

    def __init__(self) -> None:
        self.samples: list[Sample] = []
        self.moved = asyncio.Event()

    def take(self, batch: Batch, changes: Sequence[Change]) -> None:  # noqa: ARG002 - a sink is told so
        """Remember."""
        self.samples += batch.samples or []
        self.moved.set()

    def rules_are(self, rules: RuleSet) -> None:
        """Nothing here depends on the rules."""

    def close(self) -> None:
        """Be done."""


async def test_error_frames_reach_the_station_and_are_decoded_into_nothing(tmp_path: Path) -> None:
    """Error frames of a driver, one with a wanted identifier: counted in the health, passed over, and told."""
    (tmp_path / "x.dbc").write_text(DBC)
    (tmp_path / "setup.toml").write_text(SETUP.format(port=tmp_path.name))
    waiter = Waiter()
    station = Station(load(tmp_path / "setup.toml"), (waiter,), clock=SessionClock(), base=tmp_path)
    running = asyncio.create_task(station.run())
    buses = BusHealth(station.feeds, station.path.decoders)
    async with asyncio.timeout(10):
        while not station.feeds[0].health.open:
            await waiter.moved.wait()
            waiter.moved.clear()
        assert list(buses.news(0)) == []
        with can.Bus(channel=tmp_path.name, interface="virtual", ignore_config=True) as sender:
            for is_error in (True, False, True):
                sender.send(
                    can.Message(
                        arbitration_id=256, is_extended_id=False, is_error_frame=is_error, data=bytes([100] * 8)
                    )
                )
        while station.health()["feeds"]["ecu"]["ledger"]["messages"] < 3:
            await waiter.moved.wait()
            waiter.moved.clear()
    station.stop("done")
    await running
    health = station.health()["feeds"]["ecu"]
    assert health["error_frames"] == 2
    assert (health["ledger"]["decoded"], health["ledger"]["passed_over"]) == (14, 28)
    assert [(value, why) for _, _, value, why in waiter.samples] == [(400.0, 0)]
    ((words, _),) = buses.news(0)
    assert words.startswith("ecu: the bus has errors: 2 error frames more")
    json.dumps(station.health())


def test_what_a_feed_that_asks_is_doing_is_told_when_it_changes() -> None:
    """That it asks nothing because the car moves is said once, and so is that it asks again."""
    health = DiagnosticsHealth()
    news = BusHealth([Bus(health, name="obd")], {})
    assert list(news.news(0)) == [("obd: not open", False)]
    health.doing = "asks nothing while the car moves"
    assert list(news.news(1)) == [("obd: asks nothing while the car moves", False)]
    assert list(news.news(2)) == []
