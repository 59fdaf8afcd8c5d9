"""Replay: a recording through the very same path, for reading (`replay`) or for proof (`replay --verify`).

again      a recording's blocks through the path, from the begin or from a checkpoint in the middle
moments    a moment of a recording as a person names it: a mark, a time of the session, a time of day
player     a cursor over a recording: play, pause, seek, speed; it waits for nothing itself
verifying  what was recorded against what is computed now, byte by byte
showing    in a terminal, as fast as asked, every line marked as a replay
"""

from __future__ import annotations

from pullwatch.replaying.again import Again, Replayed, plan_of, reading_of, replayed, resumed
from pullwatch.replaying.player import Player
from pullwatch.replaying.showing import How, run_replay
from pullwatch.replaying.verifying import Verification, describe, verify

__all__ = [
    "Again",
    "How",
    "Player",
    "Replayed",
    "Verification",
    "describe",
    "plan_of",
    "reading_of",
    "replayed",
    "resumed",
    "run_replay",
    "verify",
]
