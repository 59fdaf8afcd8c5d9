"""How the CAN buses fare, in sentences for the person who watches: error frames, status flags, who sends what.

Nothing here changes a verdict. Error frames are never decoded; they say that wiring, terminators or bit rate are wrong
long before readings go missing.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Final

from pullwatch.clock import NS_PER_S
from pullwatch.decoders.j1939 import J1939Decoder
from pullwatch.feeds.slcan import SlcanHealth, shown_flags

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping, Sequence

    from pullwatch.decoders import Decoder
    from pullwatch.feeds.base import Feed

TOLD_EVERY: Final = 10 * NS_PER_S
"""Error frames that go on are told this often, and this long without one is told as the end of them."""


@dataclass(slots=True)
class _Told:
    """What was told of one bus."""

    error_frames: int = 0
    status: int = 0
    troubles: set[str] = field(default_factory=set)
    at: int = 0
    """When error frames were told or counted last, ns."""
    ailing: bool = False
    doing: str = ""


class BusHealth:
    """Looks at the feeds from time to time and says what is new."""

    def __init__(self, feeds: Sequence[Feed], decoders: Mapping[int, Decoder]) -> None:
        self._feeds = feeds
        self._decoders = decoders
        self._told = {feed.number: _Told() for feed in feeds}

    def news(self, now: int) -> Iterator[tuple[str, bool]]:
        """Yield each new sentence and whether it is bad news; `now` is session ns."""
        for feed in self._feeds:
            told = self._told[feed.number]
            for words, worse in (
                *self._errors(feed, told, now),
                *self._status(feed, told),
                *self._who(feed, told),
                *self._doing(feed, told),
            ):
                yield f"{feed.name}: {words}", worse

    @staticmethod
    def _errors(feed: Feed, told: _Told, now: int) -> Iterator[tuple[str, bool]]:
        count = feed.health.error_frames
        new = count - told.error_frames
        if new and (not told.ailing or now - told.at >= TOLD_EVERY):
            told.error_frames, told.at, told.ailing = count, now, True
            yield f"the bus has errors: {_frames(new)} more, {count:,} in all. Look at wiring and terminators.", True
        elif told.ailing and not new and now - told.at >= TOLD_EVERY:
            told.ailing = False
            yield f"no error frame for {TOLD_EVERY // NS_PER_S} s; {count:,} in all", False

    @staticmethod
    def _status(feed: Feed, told: _Told) -> Iterator[tuple[str, bool]]:
        health = feed.health
        if not isinstance(health, SlcanHealth) or health.status in (-1, told.status):
            return
        told.status = health.status
        flags = shown_flags(health.status)
        yield f"the adapter says: {flags or 'nothing is wrong on the bus any more'}", bool(flags)

    @staticmethod
    def _doing(feed: Feed, told: _Told) -> Iterator[tuple[str, bool]]:
        doing = str(getattr(feed.health, "doing", ""))  # only a feed that asks has something to do
        if doing and doing != told.doing:
            told.doing = doing
            yield doing, False

    def _who(self, feed: Feed, told: _Told) -> Iterator[tuple[str, bool]]:
        decoder = self._decoders.get(feed.number)
        if isinstance(decoder, J1939Decoder):
            for trouble in decoder.troubles():
                signal = trouble.partition(" ")[0]
                if signal not in told.troubles:
                    told.troubles.add(signal)
                    yield trouble, True


def _frames(count: int) -> str:
    return "1 error frame" if count == 1 else f"{count:,} error frames"
