"""Looking at remote cars through a broker: the link is kept, what comes is shown, in colour or as plain lines."""

from __future__ import annotations

import asyncio
import sys
import time
from contextlib import ExitStack, suppress
from typing import TYPE_CHECKING, Final, TextIO

import aiomqtt
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties

from pullwatch.clock import NS_PER_S, steady_ns
from pullwatch.publish.far import Far
from pullwatch.publish.link import Link as BrokerLink
from pullwatch.publish.link import words_of
from pullwatch.publish.shape import LONGEST_MESSAGE, clean
from pullwatch.publish.showing import Line, Link, lines
from pullwatch.publish.topics import SCHEMA, base

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from pullwatch.publish.link import Access

REFRESH: Final = 0.25
"""Seconds between two pictures: ages move by tenths."""
SUMMARY: Final = 10 * NS_PER_S
"""Plain lines: how often everything is said again."""
RETRY: Final = (0.2, 0.5, 1.0, 2.0)
MOST_WAITING: Final = 5_000
"""Messages that may wait to be looked at; what is beyond them is lost, and missing numbers say so."""
SLICE: Final = 500
"""Messages taken before the picture has its turn."""


class Looking:
    """One look at a broker. `show` is handed the lines at every refresh, `tell` each piece of news with its car."""

    def __init__(
        self,
        to: Access,
        root: str,
        car: str | None,
        *,
        show: Callable[[Sequence[Line]], None],
        tell: Callable[[str, bool], None],
        steady: Callable[[], int] = steady_ns,
    ) -> None:
        self.far = Far(root)
        self.link = Link(False, steady(), f"{to.host}:{to.port}", "not tried yet")
        self._to = to
        self._filter = f"{root}/v{SCHEMA}/+/#" if car is None else f"{base(root, car)}/#"
        self._show = show
        self._tell = tell
        self._steady = steady
        self._stop = asyncio.Event()

    def stop(self) -> None:
        """Make `run` end."""
        self._stop.set()

    async def run(self, seconds: float | None = None) -> None:
        """Look until `stop`, or for so many seconds."""
        showing = asyncio.create_task(self._showing())
        looking = asyncio.create_task(self._looking())
        with suppress(TimeoutError):
            await asyncio.wait_for(self._stop.wait(), seconds)
        for task in (looking, showing):
            task.cancel()
            with suppress(asyncio.CancelledError):
                await task
        self._show(list(lines(self.far, self.link, self._steady())))

    async def _showing(self) -> None:
        while True:
            self._show(list(lines(self.far, self.link, self._steady())))
            await asyncio.sleep(REFRESH)

    async def _looking(self) -> None:
        tries = 0
        while True:
            try:
                # Nothing larger than what we read is even sent to us (MQTT 5, 3.1.2.11.4).
                limits = Properties(PacketTypes.CONNECT)  # type: ignore[no-untyped-call] # paho-mqtt has typed it in part
                limits.MaximumPacketSize = LONGEST_MESSAGE + 1024
                async with BrokerLink(self._to, properties=limits, max_queued_incoming_messages=MOST_WAITING) as link:
                    tries = 0
                    await link.subscribe(self._filter, qos=1)
                    self._linked(True)
                    await self._listen(link)
            except aiomqtt.MqttError as error:
                self._linked(False, clean(words_of(error)))
            await asyncio.sleep(RETRY[min(tries, len(RETRY) - 1)])
            tries += 1

    async def _listen(self, link: BrokerLink) -> None:
        taken = 0
        async for message in link.messages:
            payload = message.payload if isinstance(message.payload, bytes) else b""
            took = self.far.take(str(message.topic), payload, kept=bool(message.retain), clock=self._steady())
            if took is not None:
                for news in took[1]:
                    self._tell(f"{took[0].name}: {news.words}", news.urgent)
            taken += 1
            if taken % SLICE == 0:
                await asyncio.sleep(0)

    def _linked(self, up: bool, why: str = "") -> None:
        if up is not self.link.up or why != self.link.why:
            since = self.link.since if not up and not self.link.up else self._steady()
            self.link = Link(up, since, self.link.where, why)
            self._tell(f"{self.link.where}: {'linked' if up else f'no link: {why}'}", not up)


class PlainLines:
    """News as it comes, and everything again now and then: for a pipe, a file, or a terminal without colour."""

    def __init__(self, stream: TextIO, steady: Callable[[], int] = steady_ns) -> None:
        self._stream = stream
        self._steady = steady
        self._due = 0
        self._last: list[str] = []

    def show(self, picture: Sequence[Line]) -> None:
        """Print everything, if it is due."""
        self._last = [line.text for line in picture]
        now = self._steady()
        if now >= self._due:
            self._due = now + SUMMARY
            self._print(self._last)

    def tell(self, words: str, urgent: bool) -> None:
        """Print a piece of news."""
        self._print([f"{'! ' if urgent else '  '}{words}"])

    def close(self) -> None:
        """Print how it stands at the end."""
        self._print(self._last)

    def _print(self, texts: Sequence[str]) -> None:
        stamp = time.strftime("%H:%M:%S")
        encoding = self._stream.encoding or "utf-8"
        for text in texts:
            self._stream.write(f"{stamp} {text}\n".encode(encoding, "replace").decode(encoding))
        self._stream.flush()


def run_far(to: Access, root: str, car: str | None, seconds: float | None) -> bool:
    """Show cars in the terminal until Ctrl-C or for `seconds`; return whether any was heard of."""
    return asyncio.run(_run(to, root, car, seconds))


async def _run(to: Access, root: str, car: str | None, seconds: float | None) -> bool:
    import signal  # noqa: PLC0415 - only where the program is a person's

    with ExitStack() as stack:
        if sys.stdout.isatty():
            show, tell = _live(stack)
        else:
            plain = PlainLines(sys.stdout)
            show, tell = plain.show, plain.tell
            stack.callback(plain.close)
        looking = Looking(to, root, car, show=show, tell=tell)
        loop = asyncio.get_running_loop()
        for number in (signal.SIGINT, signal.SIGTERM):
            with suppress(NotImplementedError):
                loop.add_signal_handler(number, looking.stop)
        await looking.run(seconds)
        return any(one.session for one in looking.far.cars.values())


def _live(stack: ExitStack) -> tuple[Callable[[Sequence[Line]], None], Callable[[str, bool], None]]:
    from rich.console import Console, Group  # noqa: PLC0415 - only a terminal is worth the time
    from rich.live import Live  # noqa: PLC0415 - same
    from rich.text import Text  # noqa: PLC0415 - same

    news: list[Line] = []
    live = stack.enter_context(Live(console=Console(), auto_refresh=False, screen=False, vertical_overflow="crop"))

    def show(picture: Sequence[Line]) -> None:
        shown = (*picture, *news[-6:])
        parts = [Text(line.text, style=line.style, no_wrap=True, overflow="ellipsis") for line in shown]
        live.update(Group(*parts), refresh=True)

    def tell(words: str, urgent: bool) -> None:
        news.append(Line(f"{time.strftime('%H:%M:%S')} {words}", "bold" if urgent else "dim"))
        del news[:-20]

    return show, tell
