"""Hearing a port: opened for reading, listened to for some seconds, let go of. To a serial line nothing is written.

The ports are opened by the feeds of the watching itself, so what is heard here is what will be watched, and an adapter
is told what it will be told then: an slcan adapter its own commands to open listen-only, nothing that reaches the bus.
"""

from __future__ import annotations

import asyncio
import os
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final, TypeAlias

from pullwatch.batch import Kind
from pullwatch.clock import SessionClock
from pullwatch.errors import PortError
from pullwatch.feeds.base import StreamFeed
from pullwatch.feeds.intake import FEED_LIMIT, Intake
from pullwatch.feeds.ports import list_ports
from pullwatch.finding.heard import Heard
from pullwatch.finding.sorting import Sort, Talk, sort

if TYPE_CHECKING:
    from collections.abc import Awaitable, Callable, Sequence

    from pullwatch.feeds.base import Feed
    from pullwatch.feeds.ports import Lister

    HearAt: TypeAlias = Callable[[int, float], Awaitable[Heard]]
    """Hears at a speed (Bd) for some seconds."""

USUAL_SPEEDS: Final = (115_200, 57_600, 38_400, 19_200, 9_600, 230_400, 4_800, 460_800)
"""Bd, in the order in which they are tried (common practice, no source)."""
TRIAL: Final = 1.0
"""Seconds each speed is tried."""
SURE: Final = 0.95
"""So sure of a speed, no other is tried. What only repeats is never so sure."""
OPENING: Final = 10.0
"""Seconds a port is given to open."""
_ANSWERS: Final = b"\r\a"
"""What an slcan adapter answers commands with: by itself no sign of a bus."""


@dataclass(frozen=True, slots=True)
class AtSpeed:
    """What was heard at a speed (Bd), sorted."""

    speed: int
    heard: Heard
    talk: Talk


def stream(port: str, speed: int, lister: Lister = list_ports) -> StreamFeed:
    """Return a feed that reads `port` and never writes. Raises PortError for a text that can name no port."""
    return StreamFeed(1, "heard", port, speed, lister)


async def hear(feed: Feed, port: str, seconds: float) -> Heard:
    """Hear a feed for `seconds`, less if its port goes away. Raises PortError if it cannot be opened or used."""
    woken = asyncio.Event()
    clock = SessionClock()
    intake = Intake(clock, woken.set, limit=16 * FEED_LIMIT)
    pieces: list[tuple[int, bytes]] = []
    place, lost = "", ""
    loop = asyncio.get_running_loop()
    until = loop.time() + OPENING
    began = clock.now()
    feed.start(intake)
    try:
        while not lost:
            _, records = intake.take()
            for record in records:
                text = record.data.decode(errors="replace") if record.kind is not Kind.DATA else ""
                if record.kind is Kind.DATA:
                    pieces.append((record.t, record.data))
                elif record.kind is Kind.FOUND:
                    place, began, until = text, record.t, loop.time() + seconds
                elif record.kind is Kind.LOST and not lost:
                    lost = text
            if loop.time() >= until:
                break
            if not lost:
                try:
                    async with asyncio.timeout_at(until):
                        await woken.wait()
                except TimeoutError:
                    continue
                woken.clear()
    finally:
        await feed.stop()
    if not place and not lost:
        raise PortError(port, f"did not open within {OPENING:g} s.", "Unplug it and plug it in again.")
    if lost and not b"".join(data for _, data in pieces).translate(None, _ANSWERS):
        raise PortError(port, lost.removeprefix(f"{port}: "))
    return Heard(tuple(pieces), began, max(clock.now(), began + 1), place, lost)


async def find_speed(hear_at: HearAt, seconds: float, speeds: Sequence[int] = USUAL_SPEEDS) -> list[AtSpeed]:
    """Try the speeds until one is surely right; return what was heard at each, the surest first.

    Bytes come at any speed, readable or not: where none come, nothing is sent, and no further speed is tried.
    """
    tried: list[AtSpeed] = []
    for speed in speeds:
        heard = await hear_at(speed, TRIAL)
        if not heard.size:
            heard = await hear_at(speed, max(seconds, TRIAL))
        # A line of one sentence a second is told by nothing shorter than three of them.
        talk = sort(heard)
        if talk.sort is Sort.UNREADABLE and talk.printable > SURE:
            heard = await hear_at(speed, max(seconds, TRIAL))
            talk = sort(heard)
        tried.append(AtSpeed(speed, heard, talk))
        if talk.sure >= SURE or talk.sort is Sort.NOTHING:
            break
    return sorted(tried, key=lambda one: one.talk.sure, reverse=True)


def may_be_read(device: str) -> bool:
    """Whether this user may open a device."""
    return os.access(device, os.R_OK | os.W_OK)
