"""What every kind of feed has to say to the setup, and what is at hand while a feed of it is checked."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Protocol, runtime_checkable

from pullwatch.channels import NO_DELAY, Delay, suits, unit_named
from pullwatch.errors import PortError, UnitError
from pullwatch.feeds import ports

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping

    from pullwatch.channels import Channel
    from pullwatch.decoders import Decoder
    from pullwatch.decoders.dbc import DbcTable
    from pullwatch.setup.findings import Findings
    from pullwatch.setup.plan import FeedPlan


class KindOfFeed(Protocol):
    """One kind of feed, as the setup sees it. `options` are always of the kind's own class."""

    @property
    def link_ms(self) -> tuple[float, float, str]:
        """Least and most ms between the sender's wire and our read, and where the figures are from."""

    def check(self, checking: Checking, options: Any) -> DbcTable | None:
        """Refuse what the shape of the options cannot show; return what is to be kept in the plan besides them."""

    def decoder(self, feed: FeedPlan, channels: Mapping[str, Channel]) -> Decoder:
        """Return a new decoder of the feed."""

    def describe(self, options: Any) -> Iterator[str]:
        """Yield what the feed is, in a line, and further lines where there is more to know."""

    def cautions(self, options: Any) -> Iterator[str]:
        """Yield what to be wary of, in sentences without the feed's name."""


@dataclass(frozen=True, slots=True)
class Usual:
    """What is taken of a feed's channels where [channel.NAME] does not say. None: nothing is known of the rate."""

    rate_hz: float | None = None
    delay: Delay = NO_DELAY


@runtime_checkable
class StatesUsual(Protocol):
    """A kind of feed that knows how often, or how late, its channels come. Most do not."""

    def usual(self, options: Any) -> Usual:
        """Return it."""


class Checking:
    """The feed in hand while its kind looks at it: where problems are noted, and checks that several kinds share."""

    def __init__(self, findings: Findings, channels: Mapping[str, Channel], texts: dict[str, str], index: int) -> None:
        self.findings = findings
        self.channels = channels
        self.texts = texts
        """Texts of files the feed needs (a DBC), by name: they are recorded with the setup."""
        self.index = index
        self.shown = f'feed "{findings.setup.feeds[index].name}"'

    def refuse(self, path: tuple[str | int, ...], what: str, todo: str = "") -> None:
        """Note a problem with one key of the feed in hand."""
        key = "".join(f"[{part + 1}]" if isinstance(part, int) else f" {part}" for part in path)
        self.findings.refuse(("feed", self.index, *path), f"{self.shown}{key}", what, todo)

    def port(self, port: str) -> None:
        """Refuse a text that can name no port."""
        try:
            ports.parse(port)
        except PortError as error:
            self.refuse(("port",), f"{error}")

    def unit(self, channel_name: str, word: str, path: tuple[str | int, ...]) -> None:
        """Refuse a unit (not empty) that the channel cannot be in; `path` is its key."""
        channel = self.channels.get(channel_name)
        if not word or channel is None:
            return
        try:
            unit = unit_named(word)
        except UnitError as error:
            self.refuse(path, f"{error.what.rstrip('.')}.")
            return
        if not suits(unit, channel.dimension):
            self.refuse(path, f"{unit.word} is not a unit of {channel.name}, which is {channel.dimension.value}.")
