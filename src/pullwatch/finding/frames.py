"""A CAN bus: which identifiers come, how often, how long they are, and which of their bytes move."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from pullwatch.decoders import Ledger
from pullwatch.decoders.frames import ERROR, EXTENDED, HIGHEST_EXTENDED, REMOTE, Packed
from pullwatch.decoders.slcan import Slcan
from pullwatch.finding.heard import rate_of

if TYPE_CHECKING:
    from pullwatch.finding.heard import Heard


@dataclass(frozen=True, slots=True)
class Identifier:
    """One identifier: how often it came, `rate` in Hz, its lengths in bytes, its bytes (from 0) that changed."""

    can_id: int
    extended: bool
    remote: bool
    count: int
    rate: float
    lengths: tuple[int, ...]
    moving: tuple[int, ...]

    def __str__(self) -> str:
        return f"0x{self.can_id:08X}" if self.extended else f"0x{self.can_id:03X}"


@dataclass(frozen=True, slots=True)
class Bus:
    """What came over a bus. `share` of the bytes (0 to 1) were whole frames; `errors` are error frames."""

    identifiers: tuple[Identifier, ...]
    frames: int
    errors: int
    damaged: int
    rate: float
    share: float


def read_bus(heard: Heard, *, slcan: bool) -> Bus | None:
    """Return what came over the bus, None if no frame did. `slcan`: the adapter's text; else frames as we pack them."""
    framing = Slcan() if slcan else Packed()
    ledger = Ledger()
    times: dict[int, list[int]] = {}
    datas: dict[int, list[bytes]] = {}
    errors = inside = 0
    for time, piece in heard.pieces:
        for _, word, data, size in framing.few(time, piece, ledger):
            inside += size
            if word & ERROR:
                errors += 1
                continue
            times.setdefault(word, []).append(time)
            datas.setdefault(word, []).append(data)
    if not times:
        return None
    every = sorted(time for when in times.values() for time in when)
    return Bus(
        tuple(_identifier(word, times[word], datas[word], heard.seconds) for word in sorted(times, key=_in_order)),
        frames=len(every),
        errors=errors,
        damaged=ledger.bad_messages,
        rate=rate_of(every, heard.seconds),
        share=inside / heard.size,
    )


def _in_order(word: int) -> tuple[bool, int, int]:
    return bool(word & EXTENDED), word & HIGHEST_EXTENDED, word


def _identifier(word: int, times: list[int], datas: list[bytes], seconds: float) -> Identifier:
    width = max(map(len, datas))
    moving = tuple(at for at in range(width) if len({data[at] for data in datas if at < len(data)}) > 1)
    return Identifier(
        can_id=word & HIGHEST_EXTENDED,
        extended=bool(word & EXTENDED),
        remote=bool(word & REMOTE),
        count=len(times),
        rate=rate_of(times, seconds),
        lengths=tuple(sorted({len(data) for data in datas})),
        moving=moving,
    )
