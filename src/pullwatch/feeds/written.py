"""The ledger of written bytes: what was written to a port, when, and by whom, kept with the session.

Only three things are ever written to a port: what sets an adapter up, the requests of the diagnostics feed, and the
lines of the lamp. Each place that writes notes it here; the notes are taken off several times a second and recorded as
events, so that a recording can be asked what was said to whom. Drivers of python-can set their adapters up by
themselves, unseen by us: of such a port only the frames that we hand over stand here.
"""

from __future__ import annotations

from collections import deque
from typing import TYPE_CHECKING, Any, Final, NamedTuple

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping

KEPT: Final = 1_000
"""So many of the last writes stay readable on the feed; all of them are recorded."""
EVENT: Final = "written"
"""The name of the events that make up the ledger."""


class Write(NamedTuple):
    """One write: session time (ns) just after it, the name of the feed (or "lamp"), its port, the bytes it took."""

    t: int
    to: str
    port: str
    data: bytes


class Written(deque[tuple[int, bytes]]):
    """The last KEPT writes to one port as (session ns, bytes), and those that nobody has recorded yet.

    One thread may note while another takes off.
    """

    def __init__(self) -> None:
        super().__init__(maxlen=KEPT)
        self._unrecorded: deque[tuple[int, bytes]] = deque()

    def note(self, t: int, data: bytes) -> None:
        """Note bytes that the port has taken. None at all are no write."""
        if data:
            self.append((t, data))
            self._unrecorded.append((t, data))

    def take_off(self) -> list[tuple[int, bytes]]:
        """Return the writes since the last call."""
        return [self._unrecorded.popleft() for _ in range(len(self._unrecorded))]


def event_of(now: int, to: str, port: str, writes: Iterable[tuple[int, bytes]]) -> dict[str, Any] | None:
    """Return the event that records some writes, None if there were none."""
    writes = list(writes)
    if not writes:
        return None
    count = sum(len(data) for _, data in writes)
    listed = [[t, data.hex()] for t, data in writes]
    says = f"{count} {'byte' if count == 1 else 'bytes'} written to {to}"
    return {"event": EVENT, "t": now, "to": to, "port": port, "bytes": listed, "says": says}


def ledger(events: Iterable[tuple[int, Mapping[str, Any]]]) -> list[Write]:
    """Return every write that a session's events tell of, in order of time."""
    writes = [
        Write(int(t), str(event["to"]), str(event["port"]), bytes.fromhex(data))
        for _, event in events
        if event.get("event") == EVENT
        for t, data in event["bytes"]
    ]
    return sorted(writes, key=lambda write: write.t)
