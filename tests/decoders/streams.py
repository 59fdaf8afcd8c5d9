"""Cutting a stream of bytes into records, and holding a decoder's two ways and any split of the bytes together."""

from __future__ import annotations

import itertools
import struct
from copy import deepcopy
from typing import TYPE_CHECKING

from pullwatch.batch import Kind, Record
from pullwatch.columns import to_samples

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from pullwatch.columns import Sample
    from pullwatch.decoders import Decoder


def records_of(stream: bytes, cuts: Sequence[int], gap: int = 7) -> list[Record]:
    """Cut a stream into records as the path stamps them: each owns one ns more than it has bytes."""
    edges = [0, *sorted(place % (len(stream) + 1) for place in cuts), len(stream)]
    records: list[Record] = []
    t = 0
    for begin, end in itertools.pairwise(edges):
        records.append(Record(t, 1, Kind.DATA, stream[begin:end]))
        t = records[-1].end + gap
    return records


def time_of(records: Sequence[Record], place: int) -> int:
    """Return the time of the byte at `place` of the stream."""
    for record in records:
        if place < len(record.data):
            return record.t + place
        place -= len(record.data)
    raise AssertionError(place)


def exactly(samples: Sequence[Sample]) -> list[tuple[int, int, bytes, int]]:
    """Return the samples with the bits of their values, so that NaN equals NaN and 0.0 is not -0.0."""
    return [(t, channel, struct.pack("<d", value), why) for t, channel, value, why in samples]


def hold_together(
    make: Callable[[], Decoder], stream: bytes, cuts: Sequence[int], modes: Sequence[bool]
) -> list[Sample]:
    """Decode a stream whole, record by record, all at once, and in a mixture, and assert that all is one.

    `modes` says for each record in turn whether the mixture takes it in one go with the ones after it. Return the
    samples, with the place in the stream as their time.
    """
    records = records_of(stream, cuts)
    whole, parts, at_once, mixed = make(), make(), make(), make()
    samples: list[Sample] = []
    whole.few(0, stream, samples)
    expected = exactly([(time_of(records, place), channel, value, why) for place, channel, value, why in samples])

    got: list[Sample] = []
    for record in records:
        parts.few(record.t, record.data, got)
        assert parts.ledger.balances
    assert exactly(got) == expected

    assert exactly(to_samples(at_once.many(records))) == expected
    assert at_once.ledger.balances

    rest = make()  # what a first read left over is carried into the many that follow
    got = []
    rest.few(records[0].t, records[0].data, got)
    got += to_samples(rest.many(records[1:]))
    assert exactly(got) == expected

    got = []
    waiting: list[Record] = []
    for record, together in zip(records, itertools.chain(modes, itertools.repeat(False)), strict=False):
        waiting.append(record)
        if not together:
            if len(waiting) > 1:
                got += to_samples(mixed.many(waiting))
            else:
                mixed.few(record.t, record.data, got)
            waiting = []
            assert mixed.ledger.balances
    got += to_samples(mixed.many(waiting)) if waiting else []
    assert exactly(got) == expected

    assert whole.ledger == parts.ledger == at_once.ledger == rest.ledger == mixed.ledger
    assert whole.carried() == parts.carried() == at_once.carried() == rest.carried() == mixed.carried()
    return samples


def hold_checkpoint(make: Callable[[], Decoder], stream: bytes, place: int) -> None:
    """Assert that a decoder that takes up what another carried goes on exactly as that one does."""
    begin = place % (len(stream) + 1)
    first, second = make(), make()
    first.few(0, stream[:begin], [])
    second.few(0, b"t12", [])
    second.carry(first.carried())
    assert second.ledger.balances
    before = deepcopy(second.ledger)
    one: list[Sample] = []
    other: list[Sample] = []
    first.few(begin, stream[begin:], one)
    second.few(begin, stream[begin:], other)
    assert exactly(one) == exactly(other)
    assert first.carried() == second.carried()
    assert second.ledger.balances
    assert second.ledger.taken == before.taken + len(stream) - begin
