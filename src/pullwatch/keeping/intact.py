"""Is a session what was recorded? The hash chain says so, frame by frame; the seal stands for all of it.

Each commit holds a hash over everything since the commit before, that commit's own hash included (`recording.layout`,
rule 2). The seal is the same hash taken to the last frame: whoever noted it can tell a recording that was made anew
from the one it was read off. A chain alone proves no more than that nobody changed it carelessly.
"""

from __future__ import annotations

import hashlib
from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal, TypeAlias

from pullwatch.recording.layout import Stream
from pullwatch.recording.reader import Session

if TYPE_CHECKING:
    from pathlib import Path

State: TypeAlias = Literal["intact", "cut", "altered", "being recorded"]
SEAL_BYTES = 10


@dataclass(frozen=True, slots=True)
class Intact:
    """What was found: the state, in words where and what, and the seal of what is there."""

    state: State
    words: tuple[str, ...]
    seal: str

    @property
    def fine(self) -> bool:
        """Whether nothing is missing and nothing was changed, so far."""
        return self.state in ("intact", "being recorded")


def look(folder: Path) -> Intact:
    """Read a session whole and hold it against its own chain. Raises SessionError if nothing in it can be read."""
    session = Session(folder)
    told = session.check()
    seal = seal_of(session)
    recording = session.ending.status == "being recorded"
    reason = session.ending.reason
    if session.ending.status == "cut" and all(line == reason for line in told):
        return Intact("cut", (f"cut at {reason}", "What stands before that is as it was recorded."), seal)
    if told:
        return Intact("altered", tuple(f"altered or damaged at {line}" for line in told), seal)
    if recording:
        return Intact("being recorded", ("as it was recorded, so far.",), seal)
    return Intact("intact", (f"every byte is as it was recorded; {reason}",), seal)


def seal_of(session: Session) -> str:
    """Return the seal: the chain's hash over the frames from the last commit to the end, in groups of four."""
    chain = hashlib.sha256()
    for frame in session.frames():
        if frame.channel == Stream.COMMIT:
            chain = hashlib.sha256()
        chain.update(frame.data)
    digits = chain.digest()[:SEAL_BYTES].hex()
    return "-".join(digits[at : at + 4] for at in range(0, len(digits), 4))
