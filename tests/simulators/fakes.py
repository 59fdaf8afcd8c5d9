"""Stand-ins for time and for a port, so that no test waits."""

from __future__ import annotations

import select
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Callable, Collection


class SteppedClock:
    """Scenario time that jumps to whatever is waited for; descriptors that are ready stop it on its way."""

    def __init__(self, start: int = 0, *, waits_for_client: bool = False) -> None:
        self.t = -1 if waits_for_client else start
        self.waits = waits_for_client
        self.steps = 0
        self.each: Callable[[int], None] = lambda _: None
        """Called at every wait, with the time."""

    def now(self) -> int:
        """Scenario ns."""
        return self.t

    def begin(self) -> None:
        """Start the scenario, if it waits for a client."""
        if self.waits:
            self.waits, self.t = False, 0

    def wait(self, readers: list[int], writers: list[int], until: int) -> list[int]:
        """Go to `until`, at least one real program's millisecond on."""
        del writers
        self.steps += 1
        assert self.steps < 100_000, "the loop does not end"
        self.each(self.t)
        ready = select.select(readers, [], [], 0)[0] if readers else []
        if not ready and not self.waits:
            self.t = max(until, self.t + 1_000_000)
        return ready


class Sink:
    """A port whose client is there when told, and takes as much as told."""

    def __init__(self) -> None:
        self.connected = True
        self.clients = 1
        self.plugged = True
        self.room = 1 << 30
        self.got: list[bytes] = []
        self.typed: list[bytes] = []
        self.history: list[str] = []

    where = "nowhere"

    def readers(self) -> list[int]:
        """Give no descriptors: there are none."""
        return []

    def writers(self) -> list[int]:
        """Give no descriptors: there are none."""
        return []

    def receive(self, ready: Collection[int]) -> bytes:
        """Return what was typed next."""
        del ready
        return self.typed.pop(0) if self.typed else b""

    def send(self, data: bytes) -> bool:
        """Take `data` if there is room."""
        if len(data) > self.room:
            return False
        self.room -= len(data)
        self.got.append(data)
        return True

    def plug(self) -> None:
        """Come back, without a client."""
        self.plugged = True
        self.history.append("plugged")

    def unplug(self) -> None:
        """Go, the client with it."""
        self.plugged = self.connected = False
        self.history.append("unplugged")
