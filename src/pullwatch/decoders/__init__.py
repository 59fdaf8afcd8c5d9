"""Decoders: raw bytes to samples, purely. What they carry from one call to the next is a half line, nothing else."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Protocol

from pullwatch.batch import Batch, Kind
from pullwatch.columns import join

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from pullwatch.batch import Record
    from pullwatch.columns import Columns, Sample

FEW_BYTES = 9_000
"""A step with less raw data than this is decoded sample by sample, a larger one in columns (about 400 CAN frames)."""


@dataclass(slots=True)
class Ledger:
    """Every byte is accounted for: taken = decoded + passed over + rejected + pending.

    For adapters that give frames the bytes are those of the packed frames.
    `decoded` belong to messages that were understood and wanted, `passed_over` to whole messages nobody asked for,
    `rejected` to damage. `messages` and `bad_messages` count lines or frames.
    """

    taken: int = 0
    decoded: int = 0
    passed_over: int = 0
    rejected: int = 0
    pending: int = 0
    messages: int = 0
    bad_messages: int = 0

    @property
    def balances(self) -> bool:
        """Whether every byte taken is accounted for."""
        return self.taken == self.decoded + self.passed_over + self.rejected + self.pending


class Decoder(Protocol):
    """One feed's decoder. `few` and `many` mean the same, bit for bit; a test holds them together."""

    ledger: Ledger

    def few(self, t: int, data: bytes, out: list[Sample]) -> None:
        """Decode one DATA record that starts at `t`, appending samples in order of time."""

    def many(self, records: Sequence[Record]) -> Columns:
        """Decode many DATA records at once."""

    def fresh(self) -> None:
        """Start anew after the port was lost or found: what was pending is rejected."""

    def carried(self) -> str:
        """Return what is carried between calls, for a checkpoint (JSON text)."""

    def carry(self, text: str) -> None:
        """Take up what `carried` returned."""


@dataclass(slots=True)
class Decoding:
    """All feeds' decoders together: records in, batch out. Feed numbers without a decoder (acts) carry no samples."""

    decoders: Mapping[int, Decoder]

    def batch(self, now: int, records: Sequence[Record]) -> Batch:
        """Decode what the path took in one step. `records` are in order of time."""
        if sum(len(record.data) for record in records) <= FEW_BYTES:
            return Batch(now, records, samples=self._few(records))
        return Batch(now, records, samples=None, columns=self._many(records))

    def _few(self, records: Sequence[Record]) -> list[Sample]:
        out: list[Sample] = []
        for record in records:
            decoder = self.decoders.get(record.feed)
            if decoder is None:
                continue
            if record.kind is Kind.DATA:
                decoder.few(record.t, record.data, out)
            elif record.kind is Kind.FOUND or record.kind is Kind.LOST or record.kind is Kind.DROPPED:
                decoder.fresh()
        return out

    def _many(self, records: Sequence[Record]) -> Columns:
        runs: dict[int, list[Record]] = {}
        parts: list[Columns] = []
        for record in records:
            decoder = self.decoders.get(record.feed)
            if decoder is None:
                continue
            if record.kind is Kind.DATA:
                runs.setdefault(record.feed, []).append(record)
            elif record.kind is Kind.FOUND or record.kind is Kind.LOST or record.kind is Kind.DROPPED:
                if record.feed in runs:
                    parts.append(decoder.many(runs.pop(record.feed)))
                decoder.fresh()
        parts.extend(self.decoders[feed].many(run) for feed, run in runs.items())
        return join(parts)
