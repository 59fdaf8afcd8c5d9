"""On-board diagnostics over CAN (ISO 15765-4): control units' answers to service 01 become samples.

What is recorded, and read here, is CAN frames packed as in `decoders.frames`, in the order in which they passed by:
the frames that came, and between them those we sent, under their own identifiers. Sent are

    requests        7DF, 7E0-7E7 or 18DB33F1, 18DAxxF1: `02 01 0C …`, a single frame with service 01 and one to six PIDs
    flow control    7E0-7E7 or 18DAxxF1: `30 BS ST …`, between the first frame of a long answer and the others

The answers come under 7E8-7EF or 18DAF1xx: `41 0C 1A F8`, each PID followed by its data; `7F 01 NN` says no. A sample's
time is that of the last byte of the answer's last frame.

Two things are remembered from one answer to the next, and so are part of what a checkpoint carries:

* which control unit has which PID, from the answers to 00, 20, 40, …. A channel is read from one control unit, the
  first (lowest identifier) that says it has the PID, unless the setup names another: two of them that both tell the
  engine's speed must not alternate in one channel. An answer of a unit that has not said what it has is passed over.
  The request for PID 00 begins this anew.
* the scale that 4F and 50 give. While a control unit says it has one of them and has not told it yet, what it scales is
  SOURCE: not known, instead of a number that may be too small by half.

An answer that cannot be taken apart (too short, bytes left over, a PID twice) is rejected whole.
"""

from __future__ import annotations

import json
import math
from typing import TYPE_CHECKING, Any, Final

from pullwatch.channels import unit_named
from pullwatch.columns import Why, to_columns
from pullwatch.decoders import Ledger
from pullwatch.decoders.frames import Packed
from pullwatch.decoders.isotp import Message, Reassembly
from pullwatch.decoders.pids import FUNCTIONAL, LENGTHS, MAXIMA_PIDS, RANGES, SHORTER, USUAL, Maxima, is_answer
from pullwatch.decoders.screen import Bring, bounds, doubted

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping, Sequence

    from pullwatch.batch import Record
    from pullwatch.channels import Channel
    from pullwatch.columns import Columns, Sample
    from pullwatch.decoders.pids import Reading, Wanted

SERVICE: Final = 0x01
ANSWER: Final = 0x41
NEGATIVE: Final = 0x7F
PENDING: Final = 0x78
"""Reason of a negative answer: the proper one will come later."""
ASK_FOR_UNITS: Final = bytes([SERVICE, 0x00])

_NOT_AVAILABLE: Final = int(Why.NOT_AVAILABLE)
_SOURCE: Final = int(Why.SOURCE)


def taken_apart(payload: bytes) -> list[tuple[int, bytes]] | None:
    """Return the PIDs and their data of an answer to service 01; None if it cannot be taken apart.

    A PID whose length is not known ends it: what stands behind cannot be told from its data.
    """
    found: dict[int, bytes] = {}
    at = 1
    while at < len(payload):
        pid = payload[at]
        length = LENGTHS.get(pid)
        if length is None:
            break
        if not found and len(payload) - at - 1 == SHORTER.get(pid):
            length = SHORTER[pid]
        data = payload[at + 1 : at + 1 + length]
        if len(data) < length or pid in found:
            return None
        found[pid] = data
        at += 1 + length
    return list(found.items()) if len(payload) > 1 else None


def supported(pid: int, data: bytes) -> set[int]:
    """Return the PIDs that the answer to PID 00, 20, 40, … says there are: bit 7 of the first byte is the next PID."""
    bits = int.from_bytes(data, "big")
    return {pid + 1 + place for place in range(32) if bits >> 31 - place & 1}


class Knowledge:
    """What control units have said they have, and their scales: learned from requests and answers as they pass by."""

    def __init__(self) -> None:
        self.units: dict[int, set[int]] = {}
        """The PIDs of each control unit, by the id word of its answers."""
        self._maxima: dict[int, Maxima] = {}
        self._told: dict[int, set[int]] = {}

    def asked(self, word: int, payload: bytes) -> None:
        """Learn from a request: the one for PID 00 begins anew."""
        if word in FUNCTIONAL and payload == ASK_FOR_UNITS:
            self.units.clear()
            self._maxima.clear()
            self._told.clear()

    def answered(self, word: int, pid: int, data: bytes) -> None:
        """Learn from the answer of a control unit to one PID."""
        if pid in RANGES:
            known = self.units.setdefault(word, set())
            known -= set(range(pid + 1, pid + 0x21))
            known |= supported(pid, data)
        elif pid in MAXIMA_PIDS:
            old = self._maxima.get(word, USUAL)
            if pid == 0x4F:
                self._maxima[word] = Maxima(data[0], data[1], data[2], data[3], old.airflow)
            else:
                self._maxima[word] = old._replace(airflow=data[0])
            self._told.setdefault(word, set()).add(pid)

    def source(self, wanted: Wanted) -> int:
        """Return the control unit (id word) a reading is taken from; 0 if none is known to have it."""
        if wanted.unit:
            return wanted.unit if wanted.reading.pid in self.units.get(wanted.unit, ()) else 0
        return min((word for word, pids in self.units.items() if wanted.reading.pid in pids), default=0)

    def scale_missing(self, word: int, reading: Reading) -> bool:
        """Whether a control unit has a scale of its own for a reading and has not told it yet."""
        by = reading.scaled_by
        return bool(by) and by in self.units.get(word, ()) and by not in self._told.get(word, ())

    def maxima(self, word: int) -> Maxima:
        """Return the scale of a control unit."""
        return self._maxima.get(word, USUAL)

    def carried(self) -> dict[str, Any]:
        """Return all of it as plain JSON."""
        return {
            "units": {str(word): sorted(pids) for word, pids in self.units.items()},
            "maxima": {str(word): list(maxima) for word, maxima in self._maxima.items()},
            "told": {str(word): sorted(pids) for word, pids in self._told.items()},
        }

    def carry(self, state: Mapping[str, Any]) -> None:
        """Take up what `carried` returned."""
        self.units = {int(word): set(pids) for word, pids in state["units"].items()}
        self._maxima = {int(word): Maxima(*maxima) for word, maxima in state["maxima"].items()}
        self._told = {int(word): set(pids) for word, pids in state["told"].items()}


class J1979Decoder:
    """Decodes one diagnostics feed. `wanted` says for each channel name which reading it is.

    Raises ValueError when nothing is wanted, a channel is not among `channels`, or its unit is not the reading's.
    """

    def __init__(self, wanted: Mapping[str, Wanted], channels: Mapping[str, Channel]) -> None:
        self.ledger = Ledger()
        self._framing = Packed()
        self._reassembly = Reassembly()
        self._knowledge = Knowledge()
        self._by_pid: dict[int, list[tuple[int, Wanted, Bring | None, float, float]]] = {}
        for name, one in wanted.items():
            channel = channels.get(name)
            if channel is None:
                raise ValueError(f'"{name}" is no channel')
            entry = (channel.number, one, _bring(one.reading, channel), *bounds(channel.low, channel.high))
            self._by_pid.setdefault(one.reading.pid, []).append(entry)
        if not wanted:
            raise ValueError("a diagnostics feed needs channels")

    def few(self, t: int, data: bytes, out: list[Sample]) -> None:
        """Decode one DATA record that starts at `t`, appending samples in order of time, then of channel number."""
        ledger = self.ledger
        for at, word, payload, size in self._framing.few(t, data, ledger):
            if is_answer(word):
                message = self._reassembly.take(at, word, payload, size, ledger)
                if message is not None:
                    self._message(message, out)
                continue
            if word in FUNCTIONAL and payload:
                self._knowledge.asked(word, payload[1 : 1 + payload[0]])
            ledger.passed_over += size
            ledger.messages += 1
        ledger.pending += self._reassembly.held

    def many(self, records: Sequence[Record]) -> Columns:
        """Decode many DATA records at once. There are at most some hundred answers a second: one way serves both."""
        out: list[Sample] = []
        for record in records:
            self.few(record.t, record.data, out)
        return to_columns(out)

    def _message(self, message: Message, out: list[Sample]) -> None:
        ledger = self.ledger
        answers = taken_apart(message.payload) if message.payload[0] == ANSWER else []
        if answers is None:
            ledger.rejected += message.size
            ledger.bad_messages += message.frames
            return
        ledger.messages += message.frames
        found: list[Sample] = []
        for pid, data in answers:
            self._knowledge.answered(message.word, pid, data)
        for pid, data in answers:
            found.extend(self._samples(message, data, self._by_pid.get(pid, ())))
        if found:
            ledger.decoded += message.size
            found.sort(key=lambda sample: sample[1])
            out += found
        else:
            ledger.passed_over += message.size

    def _samples(
        self, message: Message, data: bytes, entries: Iterable[tuple[int, Wanted, Bring | None, float, float]]
    ) -> Iterable[Sample]:
        knowledge = self._knowledge
        for channel, wanted, bring, low, high in entries:
            if knowledge.source(wanted) != message.word:
                continue
            if knowledge.scale_missing(message.word, wanted.reading):
                yield message.t, channel, math.nan, _SOURCE
                continue
            value = wanted.reading.read(data, knowledge.maxima(message.word))
            if value is None:
                yield message.t, channel, math.nan, _NOT_AVAILABLE
                continue
            value = float(value) if bring is None else bring.one(value)
            if low <= value <= high:
                yield message.t, channel, value, 0
            else:
                yield message.t, channel, *doubted(value)

    def fresh(self) -> None:
        """Start anew after the port was lost or found: what was pending is rejected. What is known of units stays."""
        self._framing.fresh(self.ledger)
        self._reassembly.fresh(self.ledger)

    def carried(self) -> str:
        """Return what is carried between calls, for a checkpoint (JSON text)."""
        return json.dumps(
            {
                "framing": self._framing.carried(),
                "begun": self._reassembly.carried(),
                "known": self._knowledge.carried(),
            }
        )

    def carry(self, text: str) -> None:
        """Take up what `carried` returned."""
        state = json.loads(text)
        self._reassembly.fresh(self.ledger)
        self._framing.carry(state["framing"], self.ledger)
        self._reassembly.carry(state["begun"], self.ledger)
        self.ledger.pending += self._reassembly.held
        self._knowledge.carry(state["known"])


def _bring(reading: Reading, channel: Channel) -> Bring | None:
    if reading.dimension is not channel.dimension:
        raise ValueError(f"{channel.name} is {channel.dimension.value}, PID {reading.name} {reading.dimension.value}")
    if reading.plain:
        return None
    unit = unit_named(reading.unit)
    if unit.stored != channel.unit:
        raise ValueError(f'{channel.name} is stored in "{channel.unit}", not in {unit.word}')
    bring = Bring.of(unit)
    return None if bring.is_none else bring
