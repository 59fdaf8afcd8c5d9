"""ISO-TP (ISO 15765-2) on classic CAN: messages of up to 4,095 bytes put together from frames, purely.

The first byte of each frame says what it is:

    0L           single frame: L bytes (1 to 7) follow
    1L LL        first frame of a message of LLL bytes (8 to 4,095): six of them follow
    2N           consecutive frame: up to seven further bytes; N counts 1, 2, … 15, 0, 1, …
    3S BS ST     flow control, from who receives: S 0 send on, 1 wait, 2 too much; BS frames until the next flow
                 control (0: all); ST the least time between them (00-7F ms, F1-F9 100-900 µs)

Each sender is put together by itself, so several may speak at once. A frame out of turn, one too short for what it
says, and a message that stands still for longer than N_CR are rejected, with all that was held of the message: a
reading made of two halves that do not belong together would look like any other.

Only messages to us are put together. We send single frames and flow control and nothing longer, so there is no sender
of long messages here.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final, NamedTuple

if TYPE_CHECKING:
    from pullwatch.decoders import Ledger

N_CR: Final = 1_000_000_000
"""Longest ns between two frames of one message (ISO 15765-2, N_Cr, general; from memory)."""
LONGEST_SINGLE: Final = 7
FRAME: Final = 8
PADDING: Final = b"\0"
"""ISO 15765-4 asks for frames of eight bytes; what they are filled up with is free (from memory)."""

_IN_FIRST: Final = 6
_IN_CONSECUTIVE: Final = 7


class Message(NamedTuple):
    """A whole message: t (ns) of its last frame, who sent it (id word), what it says, raw bytes and frames it took."""

    t: int
    word: int
    payload: bytes
    size: int
    frames: int


@dataclass(slots=True)
class _Begun:
    """A message that is not whole yet."""

    length: int
    payload: bytes
    t: int
    size: int
    frames: int


class Reassembly:
    """Puts the messages of any number of senders together, one frame after the other.

    Bytes that can belong to no message are rejected in the ledger here, flow control is passed over; the bytes of a
    whole message are left to whoever reads it. `held` bytes belong to messages that are not whole yet.
    """

    def __init__(self) -> None:
        self.held = 0
        self._begun: dict[int, _Begun] = {}

    def take(self, t: int, word: int, data: bytes, size: int, ledger: Ledger) -> Message | None:
        """Take a frame of `size` raw bytes that came at `t` (ns) from sender `word`; return the message it ends."""
        kind = data[0] >> 4 if data else -1
        begun = self._begun.get(word)
        if begun is not None and (t - begun.t > N_CR or kind in (0, 1)):
            self._drop(word, ledger)
            begun = None
        if kind == 0:
            length = data[0]
            if 0 < length <= min(LONGEST_SINGLE, len(data) - 1):
                return Message(t, word, data[1 : 1 + length], size, 1)
        elif kind == 1 and len(data) == FRAME:
            length = (data[0] & 15) << 8 | data[1]
            if length > LONGEST_SINGLE:
                self._begun[word] = _Begun(length, data[2:], t, size, 1)
                self.held += size
                return None
        elif kind == 2 and begun is not None:
            missing = min(begun.length - len(begun.payload), _IN_CONSECUTIVE)
            if data[0] & 15 == begun.frames & 15 and len(data) > missing:
                return self._further(t, word, begun, data[1 : 1 + missing], size)
            self._drop(word, ledger)
        elif kind == 3:
            ledger.passed_over += size
            ledger.messages += 1
            return None
        ledger.rejected += size
        ledger.bad_messages += 1
        return None

    def _further(self, t: int, word: int, begun: _Begun, data: bytes, size: int) -> Message | None:
        begun.payload += data
        begun.t = t
        begun.size += size
        begun.frames += 1
        self.held += size
        if len(begun.payload) < begun.length:
            return None
        del self._begun[word]
        self.held -= begun.size
        return Message(t, word, begun.payload, begun.size, begun.frames)

    def frames_of(self, word: int) -> int:
        """Return how many frames there are of the message `word` has begun; 0 if it has begun none."""
        begun = self._begun.get(word)
        return 0 if begun is None else begun.frames

    def _drop(self, word: int, ledger: Ledger) -> None:
        begun = self._begun.pop(word)
        self.held -= begun.size
        ledger.rejected += begun.size
        ledger.bad_messages += begun.frames

    def fresh(self, ledger: Ledger) -> None:
        """Reject all that is held: the frames before and after are not neighbours."""
        for word in tuple(self._begun):
            self._drop(word, ledger)

    def carried(self) -> dict[str, Any]:
        """Return the messages begun, as plain JSON."""
        return {
            str(word): [begun.length, begun.payload.hex(), begun.t, begun.size, begun.frames]
            for word, begun in self._begun.items()
        }

    def carry(self, state: dict[str, Any], ledger: Ledger) -> None:
        """Take up what `carried` returned; what is held counts as taken."""
        self.fresh(ledger)
        self._begun = {
            int(word): _Begun(length, bytes.fromhex(payload), t, size, frames)
            for word, (length, payload, t, size, frames) in state.items()
        }
        self.held = sum(begun.size for begun in self._begun.values())
        ledger.taken += self.held


def single(payload: bytes) -> bytes:
    """Return the frame of a message of 1 to 7 bytes, filled up to eight. Raises ValueError for another length."""
    if not 1 <= len(payload) <= LONGEST_SINGLE:
        raise ValueError(f"{len(payload)} bytes are no single frame")
    return (bytes([len(payload)]) + payload).ljust(FRAME, PADDING)


def flow_control(block_size: int, st_min: int) -> bytes:
    """Return the frame that says: send on, `block_size` frames (0: all), `st_min` (as coded above) apart."""
    return bytes([0x30, block_size, st_min]).ljust(FRAME, PADDING)
