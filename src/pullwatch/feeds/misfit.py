"""Whether what arrives at a port fits what the setup says of it; if not, that is told once, in words.

Bytes flow, and none of them can be read: another device, another baud, or two adapters that have swapped their names
after a brown-out. The channels are lost and told lost either way; here the person learns why. No verdict changes.

* *Unreadable*: for a second bytes came, nothing was decoded, and most of them were rejected.
* *Unwanted*: for three seconds after the port was opened whole messages came, and none that the setup asks for. Later
  such a pause says nothing: what is wanted may come seldom.

What came is then held against what the other feeds expect, so that a lambda stream at the port of the oil pressure is
called by its name. Two devices that send the very same lines cannot be told apart by what they send: only ports by
serial number keep those from swapping.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

from pullwatch.batch import Kind
from pullwatch.clock import NS_PER_MS, NS_PER_S
from pullwatch.decoders.j1979 import J1979Decoder

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Mapping, Sequence

    from pullwatch.batch import Batch
    from pullwatch.decoders import Decoder, Ledger
    from pullwatch.feeds.base import Feed
    from pullwatch.watchdog.alarms import Change
    from pullwatch.watchdog.rules import RuleSet

UNREADABLE_FOR: Final = NS_PER_S
"""ns without anything decoded, while what came was rejected, before it is told."""
UNWANTED_FOR: Final = 3 * NS_PER_S
"""ns without anything decoded since the port was opened, while whole messages came."""
TOLD_AGAIN: Final = 10 * NS_PER_S
"""What is still wrong when the port comes back is told again, but not more often than this (ns)."""
DOUBTED_FROM: Final = 500 * NS_PER_MS
"""From then on what comes is kept, to be held against what the other feeds expect."""
LEAST_REJECTED: Final = 64
"""Bytes: a line cut in half when the port was opened is no misfit."""
FEWEST: Final = 3
"""Messages that must have come: what an adapter answers now and then is no stream."""
KEPT: Final = 2_048
"""Bytes that are kept of a port in doubt."""


@dataclass(slots=True)
class _Seen:
    """What was seen of one feed. The counts are those of the moment `since`."""

    since: int = 0
    """When something was decoded last, or the port was opened, or nothing came at all (ns)."""
    opened: int = 0
    taken: int = 0
    decoded: int = 0
    rejected: int = 0
    messages: int = 0
    latest: int = 0
    """Bytes taken when it was looked at last."""
    fitted: bool = False
    """Whether anything was decoded since the port was opened."""
    told: str = ""
    told_at: int = 0
    recent: bytes = b""


class Misfit:
    """Looks at the feeds from time to time and says what is new. Also a sink: it keeps what comes from ports in doubt.

    `fresh` makes decoders as the feeds have them, by feed number. Diagnostics are left out: they give only what was
    asked for, and say themselves when nobody answers.
    """

    def __init__(self, fresh: Callable[[], Mapping[int, Decoder]]) -> None:
        self._fresh = fresh
        self._feeds: list[Feed] = []
        self._decoders: Mapping[int, Decoder] = {}
        self._seen: dict[int, _Seen] = {}
        self._doubted: set[int] = set()

    def looks_at(self, feeds: Sequence[Feed], decoders: Mapping[int, Decoder]) -> None:
        """Say which feeds, and which decoders are at work on them, by feed number."""
        self._feeds = [feed for feed in feeds if not isinstance(decoders.get(feed.number), J1979Decoder | type(None))]
        self._decoders = decoders
        self._seen = {feed.number: _Seen() for feed in self._feeds}

    def take(self, batch: Batch, changes: Sequence[Change]) -> None:  # noqa: ARG002 - a sink is told so
        """Keep the end of what comes from ports in doubt."""
        if not self._doubted:
            return
        for record in batch.records:
            if record.feed in self._doubted and record.kind is Kind.DATA:
                seen = self._seen[record.feed]
                seen.recent = (seen.recent + record.data)[-KEPT:]

    def rules_are(self, rules: RuleSet) -> None:
        """Nothing here depends on the rules."""

    def close(self) -> None:
        """Nothing is held."""

    def news(self, now: int) -> Iterator[tuple[str, bool]]:
        """Yield each new sentence and whether it is bad news; `now` is session ns."""
        for feed in self._feeds:
            seen, ledger = self._seen[feed.number], self._decoders[feed.number].ledger
            fits = ledger.decoded != seen.decoded
            if fits and seen.told:
                seen.told = ""
                yield f"{feed.name}: what arrives can be read now", False
            words = self._look(feed, seen, ledger, now, fits=fits)
            seen.latest = ledger.taken
            if words:
                seen.told, seen.told_at = words, now
                yield f"{feed.name}: {words}", True

    def _look(self, feed: Feed, seen: _Seen, ledger: Ledger, now: int, *, fits: bool) -> str:
        """Return what is wrong with the feed's port; nothing if that is not known, or was told."""
        opened = feed.health.opened
        reopened = opened != seen.opened
        if reopened or fits or ledger.taken == seen.taken:
            if reopened and now - seen.told_at >= TOLD_AGAIN:
                seen.told = ""  # it may be another device now
            seen.since, seen.opened = now, opened
            seen.taken, seen.decoded, seen.rejected = ledger.taken, ledger.decoded, ledger.rejected
            seen.messages = ledger.messages
            seen.fitted = fits or (seen.fitted and not reopened)
            seen.recent = b""
            self._doubted.discard(feed.number)
            return ""
        lasted = now - seen.since
        if lasted >= DOUBTED_FROM and not seen.told:
            self._doubted.add(feed.number)
        if seen.told or ledger.taken == seen.latest:
            return ""  # told already; or it has fallen silent, and that is told by others
        # What waits for an end that does not come is as unreadable as what was rejected.
        rejected = ledger.rejected - seen.rejected + ledger.pending
        if 2 * rejected > ledger.taken - seen.taken:
            if lasted < UNREADABLE_FOR or rejected < LEAST_REJECTED:
                return ""
            return self._words("bytes arrive here, but none of them can be read as its setup says", feed, seen)
        if seen.fitted or lasted < UNWANTED_FOR or ledger.messages - seen.messages < FEWEST:
            return ""
        return self._words("whole messages arrive here, but none of them is one that its setup asks for", feed, seen)

    def _words(self, what: str, feed: Feed, seen: _Seen) -> str:
        self._doubted.discard(feed.number)
        like = self._resembles(feed, seen.recent)
        if like:
            return f'{what}. They are what "{like}" expects: have two adapters swapped? Plug them the other way round.'
        return f"{what}: wrong device, wrong baud, or two adapters have swapped."

    def _resembles(self, feed: Feed, recent: bytes) -> str:
        """Return the name of another feed that can read what came here; empty if none can."""
        decoders = self._fresh()
        for other in self._feeds:
            decoder = decoders.get(other.number)
            if other is feed or decoder is None or not recent:
                continue
            decoder.few(0, recent, [])
            if 2 * decoder.ledger.decoded > len(recent):
                return other.name
        return ""
