"""The publisher: follows a session and hands what its digest makes of it to a broker, in order.

It runs in a process of its own and reads what the watching process writes, so nothing that a broker or its subscribers
do can reach the judging. While the broker is away nothing is gathered: reading waits where it is, and goes on there.
"""

from __future__ import annotations

import asyncio
import json
import time
from collections import deque
from contextlib import suppress
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final

import aiomqtt

from pullwatch.clock import NS_PER_MS
from pullwatch.errors import BrokerError
from pullwatch.publish.cursor import Cursor, Seat
from pullwatch.publish.digest import Digest, Message, Place
from pullwatch.publish.link import Link, words_of
from pullwatch.publish.topics import ALARM, BIRTH, FEEDS, STATE, topic
from pullwatch.recording.follower import Follower
from pullwatch.recording.session import held

if TYPE_CHECKING:
    from collections.abc import Callable, Coroutine, Iterable, Mapping
    from pathlib import Path

    from pullwatch.publish.link import Access
    from pullwatch.recording.blocks import Block
    from pullwatch.setup.equipment.broker import BrokerSection

AT_ONCE: Final = 256 * 1024
"""Bytes of a session that are taken between two looks at the link."""
TOGETHER: Final = 50
"""Messages that are handed over before their answers are waited for."""
LOOK: Final = 0.05
"""Seconds between two looks at the session."""
KEPT_EVERY: Final = 5.0
"""Seconds between two writes of the cursor."""
STATE_EVERY: Final = 5.0
"""Seconds between two words about how the session stands: a link that is gone is noticed when nothing else is sent."""
RETRY: Final = (0.1, 0.25, 0.5, 1.0, 2.0)
"""Seconds before the first, second ... try to reach the broker again; the last goes on for ever."""
LINGER: Final = 600.0
"""Seconds a broker is waited for once the session is over. What is left is sent by `pullwatch publish SESSION`."""
SEAT_PATIENCE: Final = 10.0
"""Seconds a publisher of an older session may take to make way."""


@dataclass(frozen=True, slots=True)
class Patience:
    """How long things are waited for, in seconds."""

    look: float = LOOK
    kept_every: float = KEPT_EVERY
    state_every: float = STATE_EVERY
    linger: float = LINGER
    seat: float = SEAT_PATIENCE
    retry: tuple[float, ...] = RETRY


class Publisher:
    """Publishes one session. `say` is told in words what a person should know.

    `run` returns whether everything was handed over. It raises BrokerError when the car is published by another
    process, or when the session cannot be published at all; SessionError when it cannot be read.
    """

    def __init__(
        self,
        folder: Path,
        section: BrokerSection,
        to: Access,
        *,
        say: Callable[[str], None] = print,
        patience: Patience | None = None,
    ) -> None:
        self.folder = folder
        self.sent = 0
        """Messages that the broker has confirmed."""
        self._section = section
        self._to = to
        self._say = say
        self._patience = patience or Patience()
        self._stop = asyncio.Event()
        self._cursor = Cursor(folder, section)
        self._follower = Follower(folder)
        self._seat_before = ""
        self._first: list[Block] = []
        self._digest: Digest
        self._car = ""
        self._waiting: deque[Message] = deque()
        self._places: deque[Place] = deque()
        self._confirmed = 0
        self._told: dict[str, Message] = {}
        self._kept_at = 0.0
        self._live = False
        self._replay = False
        self._end_told = False
        self._over_at: float | None = None
        self._state: tuple[str, str] = ("", "")
        self._state_at = 0.0
        self._refused = ""
        self._link_error = ""

    def stop(self) -> None:
        """Make `run` end soon: it says that it goes, and keeps its place."""
        self._stop.set()

    async def run(self) -> bool:
        """Publish until the session is over and all of it is handed over, or until `stop`."""
        if not await self._begin():
            return False
        with Seat(self.folder, self._car, self._section) as seat:
            await self._sit(seat)
            tries = 0
            while True:
                try:
                    async with self._link() as link:
                        tries = 0
                        self._linked()
                        if await self._serve(link, seat):
                            return self._over
                except aiomqtt.MqttError as error:
                    self._lost(words_of(error))
                if self._stop.is_set() or self._gives_up(seat):
                    return False
                await self._pause(self._patience.retry[min(tries, len(self._patience.retry) - 1)])
                tries += 1

    # ---- beginning ---------------------------------------------------------------------------------------------------

    async def _begin(self) -> bool:
        """Wait for the session's start record, and take up the place that was kept; False: stopped meanwhile."""
        while self._follower.start is None:
            self._first = self._follower.poll(AT_ONCE)
            if self._follower.start is None:
                if self._stop.is_set():
                    return False
                await self._pause(self._patience.look)
        start = self._follower.start
        place = self._cursor.read()
        digest = None
        if place is not None:
            with suppress(KeyError, TypeError, ValueError):
                digest = Digest.resumed(start, self.folder.name, self._section, place)
        if digest is None or place is None:
            digest = Digest(start, self.folder.name, self._section)
        else:
            self._follower = Follower(self.folder, after=place.after)
            self._first = []
            self._confirmed = place.seq
            for message in (digest.birth, digest.feeds, *digest.alarms.values()):
                self._remember(message)
        self._digest = digest
        self._car = str(start.get("car") or start["plan"]["car"]["name"])
        return True

    async def _sit(self, seat: Seat) -> None:
        self._live = held(self.folder)
        self._replay = not self._live
        self._seat_before = seat.current()
        until = time.monotonic() + self._patience.seat
        while not seat.take(live=self._live):
            if not self._live or time.monotonic() > until or self._stop.is_set():
                other = seat.current() or "another session"
                raise BrokerError(f"{self._car} is published to {self._where()} by another process ({other}).")
            await self._pause(self._patience.look)

    def _where(self) -> str:
        return f"{self._section.host}:{self._section.port_used}"

    def _link(self) -> Link:
        gone = {"session": self._digest.session, "state": "gone", "says": "The publisher is gone, or its network is."}
        will = aiomqtt.Will(self._topic(STATE), _text(gone), qos=1, retain=True)
        # One name a session: when we are back before the broker has noticed that we were gone, "gone" comes first.
        name = f"pullwatch-{self._digest.session}"
        return Link(self._to, identifier=name, will=will, max_queued_incoming_messages=1)

    def _topic(self, kind: str, rule: str | None = None) -> str:
        return topic(self._section.topic, self._car, kind, rule)

    # ---- while there is a link ---------------------------------------------------------------------------------------

    async def _serve(self, link: Link, seat: Seat) -> bool:
        """Hand over what there is until the session is over (True), or someone else takes the seat (False)."""
        link.pending_calls_threshold = 10 * TOGETHER
        await self._greet(link)
        while True:
            if self._stop.is_set() or self._gives_up(seat):
                why = "stopped" if self._stop.is_set() else "making way for the session that is being recorded"
                await self._say_state(link, "gone", f"The publisher ended: {why}.")
                self._keep()
                return True
            self._read()
            if self._waiting:
                await self._hand_over(link)
                continue
            if self._over:
                self._keep()
                await self._say_state(link, *self._how_it_stands())
                return True
            state = self._how_it_stands()
            if state != self._state or time.monotonic() - self._state_at > self._patience.state_every:
                await self._say_state(link, *state)
            await link.while_up(self._pause(self._patience.look))

    async def _greet(self, link: Link) -> None:
        """Say again what the broker should have kept: it may be another one, or have lost it."""
        await self._say_state(link, "replay" if self._replay else "catching up", "What it has missed is sent first.")
        told = list(self._told.values())
        for begin in range(0, len(told), TOGETHER):
            sending = (self._publish(link, message) for message in told[begin : begin + TOGETHER])
            for answer in await link.while_up(_all(sending)):
                if answer is not None:
                    raise answer

    def _read(self) -> None:
        """Take what the session has new, unless enough waits already."""
        if self._waiting or self._end_told:
            return
        blocks, self._first = self._first or self._follower.poll(AT_ONCE), []
        for block in blocks:
            self._waiting.extend(self._digest.take(block))
            place = self._digest.place
            if place is not None and (not self._places or self._places[-1] is not place):
                self._places.append(place)
        if not blocks and self._follower.ended is not None:
            self._waiting.extend(self._digest.end(self._follower.ended))
            self._end_told = True
            self._live = False
            self._over_at = time.monotonic()

    @property
    def _over(self) -> bool:
        """Whether the session has ended and all of it is handed over."""
        return self._end_told and not self._waiting

    async def _hand_over(self, link: Link) -> None:
        """Send what waits, a handful at once, in order; what is confirmed waits no more."""
        together = [self._waiting[i] for i in range(min(TOGETHER, len(self._waiting)))]
        sending = (self._publish(link, message) for message in together)
        answers = await link.while_up(_all(sending))
        for message, answer in zip(together, answers, strict=True):
            if answer is not None:
                raise answer
            self._waiting.popleft()
            self._confirmed = message.seq
            self.sent += 1
            self._remember(message)
        if link.refused != self._refused:
            self._refused = link.refused
            self._say(f"{self._where()} does not take what is published: {self._refused}. Look at the broker's rights.")
        if time.monotonic() - self._kept_at > self._patience.kept_every:
            self._keep()

    async def _publish(self, link: Link, message: Message) -> None:
        body = {**message.body, **self._stamp()}
        await link.publish(self._topic(message.kind, message.rule), _text(body), qos=1, retain=message.retained)

    def _stamp(self) -> dict[str, Any]:
        """Return what is only known when a message is sent: session time at that moment, and whether it is a replay."""
        if self._replay:
            return {"replay": True}
        age = self._follower.age_ns()
        return {} if age is None else {"sent_ns": self._follower.now + age}

    async def _say_state(self, link: Link, state: str, says: str) -> None:
        body = {"session": self._digest.session, "seq": self._confirmed, "state": state, "says": says}
        if self._follower.now >= 0:
            body["t_ns"] = self._follower.now
        text = _text({**body, **self._stamp()})
        await link.while_up(link.publish(self._topic(STATE), text, qos=1, retain=True))
        self._state, self._state_at = (state, says), time.monotonic()

    def _how_it_stands(self) -> tuple[str, str]:
        """Return the session's state and what a person should know of it."""
        ended = self._follower.ended
        if ended is not None and self._over:
            if ended.status == "stopped" or self._replay:
                return "ended", ended.reason
            return "monitor gone", f"The monitor is gone: {ended.reason}"
        if self._replay:
            return "replay", "This is a recording, not the car."
        age = self._follower.age_ns()
        if age is not None and age > self._section.gone_after_ms * NS_PER_MS and not self._waiting:
            return "monitor gone", "The monitor is stuck or gone: nothing has been judged lately."
        return "live", ""

    def _remember(self, message: Message | None) -> None:
        """Keep the last of each message that the broker keeps, to say it again when there is a new link."""
        if message is not None and message.kind in (BIRTH, FEEDS, ALARM):
            self._told[f"{message.kind}/{message.rule or ''}"] = message

    def _keep(self) -> None:
        """Write the cursor: the last place before which everything is confirmed."""
        place = None
        while self._places and self._places[0].seq <= self._confirmed:
            place = self._places.popleft()
        if place is not None:
            before = self._cursor.error
            self._cursor.write(place)
            if self._cursor.error and not before:
                self._say(f"How far was published could not be written: {self._cursor.error}.")
        self._kept_at = time.monotonic()

    # ---- while there is none -----------------------------------------------------------------------------------------

    def _linked(self) -> None:
        self._say(f"publishing {self.folder.name} to {self._where()}, from message {self._confirmed + 1} on")
        self._link_error = ""

    def _lost(self, why: str) -> None:
        if why != self._link_error:
            self._say(f"{self._where()} is not reached: {why}. It is tried again; what happens meanwhile is sent then.")
        self._link_error = why
        self._keep()
        if self._over_at is None and not self._follower_alive():
            self._over_at = time.monotonic()

    def _follower_alive(self) -> bool:
        return held(self.folder)

    def _gives_up(self, seat: Seat) -> bool:
        """Whether the seat is left before all is handed over: another session is recorded, or no broker answers."""
        if self._live and self._follower_alive():
            return False
        wanted = seat.wanted_by(began=self._seat_before)
        if wanted is not None:
            self._say(f"{wanted} is being recorded now. The rest of this: pullwatch publish {self.folder.name}")
            return True
        if self._over_at is not None and self._link_error and time.monotonic() - self._over_at > self._patience.linger:
            self._say(f"the broker did not come back. The rest: pullwatch publish {self.folder.name}")
            return True
        return False

    async def _pause(self, seconds: float) -> None:
        with suppress(TimeoutError):
            await asyncio.wait_for(self._stop.wait(), seconds)


async def _all(sending: Iterable[Coroutine[Any, Any, None]]) -> list[BaseException | None]:
    return await asyncio.gather(*sending, return_exceptions=True)


def _text(body: Mapping[str, Any]) -> bytes:
    return json.dumps(body, ensure_ascii=False, allow_nan=False, separators=(",", ":")).encode()
