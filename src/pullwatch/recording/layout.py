"""The session file: its specification, and the functions that encode and decode it.

A session is a folder of parts `0001.mcap`, `0002.mcap`, ... (numbers rise, some may be missing). Each part is an MCAP
file, unchunked and uncompressed, that any MCAP tool opens. Every MCAP message carries one frame:

    offset  bytes  what
         0      8  magic 8B 70 57 1A F7 0D E3 01 (the last byte is the version of this layout)
         8      4  CRC-32 (zlib's) over everything that follows in the frame
        12      4  length of the payload in bytes
        16      2  channel: 1 start, 2 commit, 3 change, 4 checkpoint, 5 clock, 6 event, 7 stop, 8 + n feed n
        18      4  session tag: a random number, the same in every frame of a session
        22      8  seq (signed): counts the frames of the session from 0, commits included, one by one over all parts
        30      8  t: session ns (signed) of the first thing in the payload
        38      8  now: session ns (signed) up to which the path had judged when the frame was made
        46      -  payload

All numbers are little-endian. The MCAP channel id is the frame's channel, the MCAP sequence is seq modulo 2^32, the
MCAP log time is t and the publish time is now, both never below 0.

Why a frame of our own inside an MCAP message? An unchunked MCAP message has no check sum; a check sum over the payload
alone lets bit flips in its length, time or channel through. Readers trust only frames and find the next magic after
damage, so a flipped bit costs one frame and is told.
Why the session tag? After a power cut a FAT volume may show old clusters at the end of a file, and a recorded port may
carry a recording: both hold frames that are whole, but not ours.
Why session time in the MCAP log time? The wall clock may be set during a session. Clock pairs tell what it showed.

Payloads
    feed/<n>/<name>  u32 count n, then columns: t int64[n], kind u8[n], length u32[n], data bytes of all, joined.
                     Records stand in order of time; of all feeds together no two share an instant, so merging by t
                     restores the order in which the path took them. Feed 0 is the acts.
    commit           u64 records so far in the session, i64 last seq known to be on disk (-1: none), 16 bytes chain.
                     Everything up to the frame's `now` has been judged and its records and changes stand before it.
    change           JSON: an alarm changed its state (`watchdog.alarms.Change`, and the rule's name). NaN is null.
    checkpoint       JSON {"alarms": {rule: {"state", "since"}}, "raised": count, "state": what the watchdog remembers};
                     alarms that are normal are left out. It stands first in its block, before everything later than
                     its `now`.
    clock            JSON {"t", "wall", "uncertainty"}: `clock.ClockPair`.
    event            JSON {"event": name, "says": words, ...}.
    start            JSON: the start record as the caller gave it, and under "recording" what the recorder adds.
    stop             JSON {"status", "reason", "records", "synced", "dropped", "raised", "alarms"}.

Numbers JSON has no word for stand as {"float": "nan"}, {"float": "inf"}, {"float": "-inf"} (but for NaN in changes).

Rules
1. A block is the frames after one commit up to and including the next. What has no commit was not judged, and is not
   part of the session.
2. The chain of a commit is the first 16 bytes of SHA-256 over the frames from the commit before (from the first frame,
   for the first commit) up to this commit, this one excluded. Why? Since each chain covers the one before it, the last
   one stands for the whole recording: two recordings that end in the same chain are the same.
3. Every part begins with the start frame, twice. Why? Nothing can be read without it, and a reader may see one part
   only. A later part goes on with the newest checkpoint known to be on disk and every frame since: the same frames with
   the same seq as in the part before, because of that part nothing after the last good sync is certain. Readers
   take each seq once, from wherever it is whole.
4. No stop frame: the session was cut (killed, power lost). The MCAP footer is missing then, as in every part that was
   given up.
5. A frame is missing (its seq is nowhere whole). If a commit or stop anywhere says it was on disk, that frame is lost,
   and judging can be repeated only from the next checkpoint on. If not, the session ends at the last commit before it.
   Why? After a power cut later data may be on disk where earlier data are not; what was never known to be on disk
   cannot be told from that.
6. An event "lost" says that the recorder itself had to drop records that were judged: like 5, a gap up to the next
   checkpoint. In each feed that lost some a record of `Kind.DROPPED` stands where they were. Where readings are left
   out because memory must do for a full disk, one such event stands before the first commit of the stretch, and one
   that counts stands before the checkpoint that ends it. Commits, changes, acts and events stand there as ever.
7. A frame's payload is at most 16 MiB. Why? A damaged length must not make a reader ask for memory or wait for bytes.
"""

from __future__ import annotations

import json
import math
import struct
import sys
import zlib
from array import array
from dataclasses import dataclass
from enum import IntEnum
from itertools import repeat
from typing import TYPE_CHECKING, Any, Final, NamedTuple

import numpy as np

from pullwatch.batch import Kind, Record
from pullwatch.watchdog.alarms import Change, Event, State

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping, Sequence

    from numpy.typing import NDArray

MAGIC: Final = bytes.fromhex("8b70571af70de301")
HEADER: Final = struct.Struct("<8sIIHIqqq")
"""magic, CRC, payload length, channel, session tag, seq, t, now"""
ENVELOPE: Final = 31
"""Bytes of an MCAP message before its data: opcode 1, length 8, channel 2, sequence 4, log time 8, publish time 8."""
MOST_PAYLOAD: Final = 16 * 1024 * 1024
VERSION: Final = 1
CHAIN_BYTES: Final = 16

HEAD: Final = np.dtype(
    [
        ("magic", "S8"),
        ("crc", "<u4"),
        ("length", "<u4"),
        ("channel", "<u2"),
        ("tag", "<u4"),
        ("seq", "<i8"),
        ("t", "<i8"),
        ("now", "<i8"),
    ]
)
"""A frame's header as numpy sees it."""
_AROUND: Final = np.dtype(
    [
        ("opcode", "u1"),
        ("length", "<u8"),
        ("channel", "<u2"),
        ("sequence", "<u4"),
        ("log", "<u8"),
        ("publish", "<u8"),
    ]
)
"""What stands before a frame: the MCAP message that carries it."""
_CHECKED_FROM: Final = 12
_BODY: Final = struct.Struct("<IHIqqq")
_COUNT: Final = struct.Struct("<I")
_COMMIT: Final = struct.Struct(f"<Qq{CHAIN_BYTES}s")
_SWAP: Final = sys.byteorder != "little"
_KINDS: Final = tuple(Kind)


class Stream(IntEnum):
    """The frame kinds. Values are written to the session file and never change their meaning."""

    START = 1
    COMMIT = 2
    CHANGE = 3
    CHECKPOINT = 4
    CLOCK = 5
    EVENT = 6
    STOP = 7
    FEED_0 = 8
    """Feed n is FEED_0 + n."""


class Frame(NamedTuple):
    """Where a whole frame stands in a buffer, and what its header says. The payload is `buffer[offset + 46 : end]`."""

    offset: int
    end: int
    channel: int
    tag: int
    seq: int
    t: int
    now: int

    def payload(self, buffer: bytes) -> bytes:
        """Return the payload, from the buffer the frame was found in."""
        return buffer[self.offset + HEADER.size : self.end]


class Framed(NamedTuple):
    """A frame that has its seq, ready to be written (again)."""

    seq: int
    channel: int
    t: int
    now: int
    data: bytes


def encode(channel: int, tag: int, seq: int, t: int, now: int, payload: bytes) -> bytes:
    """Return one frame. Raises ValueError for a payload above MOST_PAYLOAD."""
    if len(payload) > MOST_PAYLOAD:
        raise ValueError(f"{len(payload)} bytes do not fit into a frame of at most {MOST_PAYLOAD}")
    body = _BODY.pack(len(payload), channel, tag, seq, t, now)
    return b"".join((MAGIC, _COUNT.pack(zlib.crc32(payload, zlib.crc32(body))), body, payload))


def scan(buffer: bytes, offset: int = 0, tag: int | None = None) -> tuple[NDArray[np.int64], NDArray[np.void]]:
    """Find every whole frame from `offset` on: their offsets, and their headers as an array of `HEAD`, shapes (n,).

    Only frames with a right CRC count (and with the right session tag, if it is given); whatever else is there is
    passed over up to the next magic. A frame that is not all there yet is not found: a reader of a growing file calls
    again with the bytes after the last frame found.
    """
    size = len(buffer)
    if size - offset < HEADER.size:
        return np.zeros(0, dtype=np.int64), np.zeros(0, dtype=HEAD)
    octets = np.frombuffer(buffer, dtype=np.uint8)
    at = np.flatnonzero(octets[offset : size - HEADER.size + 1] == MAGIC[0]) + offset
    at = at[_anywhere(buffer, "<u8")[at] == int.from_bytes(MAGIC, "little")]
    heads = _anywhere(buffer, HEAD)[at]
    ends = at + HEADER.size + heads["length"]
    likely = (ends <= size) & (heads["length"] <= MOST_PAYLOAD)
    if tag is not None:
        likely &= heads["tag"] == tag
    at, heads, ends = at[likely], heads[likely], ends[likely]
    stretches = map(memoryview(buffer).__getitem__, map(slice, (at + _CHECKED_FROM).tolist(), ends.tolist()))
    whole = heads["crc"] == np.fromiter(map(zlib.crc32, stretches), dtype=np.uint32, count=len(at))
    at, heads, ends = at[whole], heads[whole], ends[whole]
    if np.any(at[1:] < ends[:-1]):
        # A frame within the data of another one is data.
        outer, end = [], 0
        for i, (first, last) in enumerate(zip(at.tolist(), ends.tolist(), strict=True)):
            if first >= end:
                outer.append(i)
                end = last
        at, heads = at[outer], heads[outer]
    return at, heads


def enveloped(buffer: bytes, at: NDArray[np.int64], heads: NDArray[np.void]) -> NDArray[np.bool_]:
    """Say for each frame that `scan` found whether the MCAP message around it says what the frame says, shape (n,)."""
    around = at - ENVELOPE
    there = around >= 0
    found = np.zeros(len(at), dtype=_AROUND)
    if np.any(there):
        found[there] = _anywhere(buffer, _AROUND)[around[there]]
    expected = np.zeros(len(at), dtype=_AROUND)
    expected["opcode"] = 5
    expected["length"] = ENVELOPE - 9 + HEADER.size + heads["length"].astype(np.uint64)
    expected["channel"] = heads["channel"]
    expected["sequence"] = heads["seq"] & 0xFFFF_FFFF
    expected["log"] = np.maximum(heads["t"], 0)
    expected["publish"] = np.maximum(heads["now"], 0)
    same: NDArray[np.bool_] = found == expected
    return same


def _anywhere(buffer: bytes, kind: Any) -> NDArray[Any]:
    """Return a view in which element i is what stands at byte i."""
    dtype = np.dtype(kind)
    return np.ndarray((len(buffer) - dtype.itemsize + 1,), dtype, buffer, strides=(1,))


def walk(buffer: bytes, offset: int = 0, tag: int | None = None) -> Iterator[Frame]:
    """Yield every whole frame of the buffer from `offset` on, as `scan` finds them.

    To follow a growing file, go on at the last frame's `end`, with more bytes.
    """
    at, heads = scan(buffer, offset, tag)
    for begin, (_, _, length, channel, frame_tag, seq, t, now) in zip(at.tolist(), heads.tolist(), strict=True):
        yield Frame(begin, begin + HEADER.size + length, channel, frame_tag, seq, t, now)


# ---- records ---------------------------------------------------------------------------------------------------------


def encode_records(records: Sequence[Record]) -> bytes:
    """Pack the records of one feed, in order of time, as columns."""
    times = array("q", [record.t for record in records])
    data = [record.data for record in records]
    lengths = array("I", [len(piece) for piece in data])
    if _SWAP:
        times.byteswap()
        lengths.byteswap()
    kinds = bytes([record.kind for record in records])
    return b"".join((_COUNT.pack(len(records)), times.tobytes(), kinds, lengths.tobytes(), *data))


@dataclass(frozen=True, slots=True)
class Bulk:
    """Records of one feed as columns: arrays of shape (n,), t in session ns, and their data joined."""

    feed: int
    t: NDArray[np.int64]
    kind: NDArray[np.uint8]
    length: NDArray[np.uint32]
    data: bytes

    def __len__(self) -> int:
        return len(self.t)

    @property
    def starts(self) -> NDArray[np.int64]:
        """Where each record's data begin in `data`, and behind them their end: shape (n + 1,)."""
        return np.concatenate((np.zeros(1, dtype=np.int64), np.cumsum(self.length, dtype=np.int64)))

    def between(self, since: int | None, until: int | None) -> Bulk:
        """Return the records whose t lies in `since`..`until`."""
        begin = 0 if since is None else int(np.searchsorted(self.t, since, "left"))
        end = len(self.t) if until is None else int(np.searchsorted(self.t, until, "right"))
        if (begin, end) == (0, len(self.t)):
            return self
        end = max(begin, end)
        starts = self.starts
        data = self.data[int(starts[begin]) : int(starts[end])]
        return Bulk(self.feed, self.t[begin:end], self.kind[begin:end], self.length[begin:end], data)

    def records(self) -> list[Record]:
        """Return them one by one. Raises ValueError for a kind that this version does not know."""
        starts = self.starts.tolist()
        try:
            kinds = [_KINDS[kind] for kind in self.kind.tolist()]
        except IndexError:
            raise ValueError("a record kind that this version does not know") from None
        data = map(self.data.__getitem__, map(slice, starts[:-1], starts[1:]))
        return list(map(Record, self.t.tolist(), repeat(self.feed), kinds, data))


def decode_bulk(feed: int, payloads: Sequence[bytes]) -> Bulk:
    """Unpack the columns of frames of one feed, as one. Raises ValueError where they do not fit together."""
    buffer = b"".join((*payloads, bytes(8)))
    size = np.fromiter(map(len, payloads), dtype=np.int64, count=len(payloads))
    begin = np.cumsum(size) - size
    if np.any(size < _COUNT.size):
        raise ValueError("a feed frame is shorter than its columns")
    count = _anywhere(buffer, "<u4")[begin].astype(np.int64)
    kinds_at = begin + _COUNT.size + 8 * count
    lengths_at = kinds_at + count
    data_at = lengths_at + 4 * count
    if np.any(data_at > begin + size):
        raise ValueError("a feed frame is shorter than its columns")
    within = np.arange(int(count.sum())) - np.repeat(np.cumsum(count) - count, count)
    t = _anywhere(buffer, "<i8")[np.repeat(begin + _COUNT.size, count) + 8 * within]
    kind = _anywhere(buffer, "u1")[np.repeat(kinds_at, count) + within]
    length = _anywhere(buffer, "<u4")[np.repeat(lengths_at, count) + 4 * within]
    ends = begin + size
    sums = np.concatenate((np.zeros(1, dtype=np.int64), np.cumsum(length, dtype=np.int64)))
    owned = sums[np.cumsum(count)] - sums[np.cumsum(count) - count]
    if np.any(owned != ends - data_at):
        raise ValueError("the columns of a feed frame do not fit its length")
    data = b"".join(map(buffer.__getitem__, map(slice, data_at.tolist(), ends.tolist())))
    return Bulk(feed, t.astype(np.int64), kind, length.astype(np.uint32), data)


def decode_records(feed: int, payload: bytes) -> list[Record]:
    """Unpack one feed frame. Raises ValueError where its columns do not fit together."""
    if len(payload) < _COUNT.size:
        raise ValueError("a feed frame is shorter than its columns")
    (count,) = _COUNT.unpack_from(payload)
    kinds_at = _COUNT.size + 8 * count
    lengths_at = kinds_at + count
    at = lengths_at + 4 * count
    if at > len(payload):
        raise ValueError("a feed frame is shorter than its columns")
    times, lengths = array("q", payload[_COUNT.size : kinds_at]), array("I", payload[lengths_at:at])
    if _SWAP:
        times.byteswap()
        lengths.byteswap()
    records = []
    try:
        for t, kind, length in zip(times, payload[kinds_at:lengths_at], lengths, strict=True):
            records.append(Record(t, feed, _KINDS[kind], payload[at : at + length]))
            at += length
    except IndexError:
        raise ValueError("a record kind that this version does not know") from None
    if at != len(payload):
        raise ValueError("the columns of a feed frame do not fit its length")
    return records


# ---- commits ---------------------------------------------------------------------------------------------------------


class Commit(NamedTuple):
    """What a commit says: records so far, the last seq known to be on disk (-1: none), the chain."""

    records: int
    synced: int
    chain: bytes


def encode_commit(commit: Commit) -> bytes:
    """Pack a commit."""
    return _COMMIT.pack(*commit)


def decode_commit(payload: bytes) -> Commit:
    """Unpack a commit."""
    return Commit(*_COMMIT.unpack(payload))


# ---- JSON ------------------------------------------------------------------------------------------------------------

_SPELLED: Final = ("nan", "inf", "-inf")
_dump = json.JSONEncoder(ensure_ascii=False, allow_nan=False, separators=(",", ":")).encode


def _spell(value: Any) -> Any:
    """Return the value with every number that JSON has no word for spelled out."""
    if isinstance(value, float) and not math.isfinite(value):
        return {"float": repr(value)}
    if isinstance(value, dict):
        return {key: _spell(item) for key, item in value.items()}
    if isinstance(value, list | tuple):
        return [_spell(item) for item in value]
    return value


def _unspell(found: dict[str, Any]) -> Any:
    if len(found) == 1 and found.get("float") in _SPELLED:
        return float(found["float"])
    return found


def encode_json(value: Mapping[str, Any]) -> bytes:
    """Encode as JSON. Raises TypeError or ValueError for what JSON cannot hold (NaN and infinities it can, spelled)."""
    plain = dict(value)
    try:
        text = _dump(plain)
    except ValueError:
        text = _dump(_spell(plain))
    return text.encode()


def decode_json(payload: bytes) -> dict[str, Any]:
    """Decode JSON. Raises ValueError if it is not an object of ours."""
    found = json.loads(payload, object_hook=_unspell if b'{"float":' in payload else None)
    if not isinstance(found, dict):
        raise ValueError("a JSON object was expected")  # noqa: TRY004 - a wrong file, not a wrong type in the program
    return found


@dataclass(frozen=True, slots=True)
class RecordedChange:
    """A change as recorded: the fields of `watchdog.alarms.Change`, and the rule's name."""

    t: int
    rule: int
    name: str
    was: State
    state: State
    event: Event | None
    value: float
    limit: float
    first_out: bool = False

    @property
    def change(self) -> Change:
        """The change as the watchdog gave it."""
        return Change(self.t, self.rule, self.was, self.state, self.event, self.value, self.limit, self.first_out)


def _bare(value: float) -> float | None:
    return None if value != value else value  # noqa: PLR0124 - NaN is the one number that is not itself


def encode_change(change: Change, name: str) -> bytes:
    """Encode a change of the rule `name`."""
    return encode_json(
        {
            "t": change.t,
            "rule": change.rule,
            "name": name,
            "was": int(change.was),
            "state": int(change.state),
            "event": None if change.event is None else int(change.event),
            "value": _bare(change.value),
            "limit": _bare(change.limit),
            "first_out": change.first_out,
        }
    )


def decode_change(payload: bytes) -> RecordedChange:
    """Decode a change. Raises ValueError or KeyError if it is none."""
    raw = decode_json(payload)
    event, value, limit = raw["event"], raw["value"], raw["limit"]
    return RecordedChange(
        t=int(raw["t"]),
        rule=int(raw["rule"]),
        name=str(raw["name"]),
        was=State(raw["was"]),
        state=State(raw["state"]),
        event=None if event is None else Event(event),
        value=math.nan if value is None else float(value),
        limit=math.nan if limit is None else float(limit),
        first_out=bool(raw["first_out"]),
    )


# ---- what the MCAP channels and schemas say --------------------------------------------------------------------------

_INT: Mapping[str, str] = {"type": "integer"}
_NUMBER: Mapping[str, Any] = {"type": ["number", "null", "object"]}


def _object(title: str, properties: Mapping[str, Any], required: Sequence[str] = ()) -> str:
    return json.dumps(
        {
            "$schema": "https://json-schema.org/draft/2020-12/schema",
            "title": title,
            "type": "object",
            "properties": properties,
            "required": list(required or properties),
        }
    )


JSON_SCHEMAS: Final[Mapping[Stream, str]] = {
    Stream.START: _object("start of a session", {"recording": {"type": "object"}}),
    Stream.CHANGE: _object(
        "an alarm changed its state; times in ns since the session began",
        {
            "t": _INT,
            "rule": _INT,
            "name": {"type": "string"},
            "was": _INT,
            "state": {"type": "integer", "description": ", ".join(f"{s.value} {s.name}" for s in State)},
            "event": {"type": ["integer", "null"], "description": ", ".join(f"{e.value} {e.name}" for e in Event)},
            "value": _NUMBER,
            "limit": _NUMBER,
            "first_out": {"type": "boolean"},
        },
    ),
    Stream.CHECKPOINT: _object(
        "what judging remembered", {"alarms": {"type": "object"}, "raised": _INT, "state": {"type": "object"}}
    ),
    Stream.CLOCK: _object("session clock and wall clock, in ns", {"t": _INT, "wall": _INT, "uncertainty": _INT}),
    Stream.EVENT: _object("something happened", {"event": {"type": "string"}, "says": {"type": "string"}}, ["event"]),
    Stream.STOP: _object(
        "end of a session",
        {"status": {"type": "string"}, "reason": {"type": "string"}, "records": _INT, "synced": _INT},
    ),
}
COLUMNS_TEXT: Final = "u32 count; then columns t int64, kind u8, length u32; then the data of all records, joined"
COMMIT_TEXT: Final = "u64 records so far; i64 last seq on disk; 16 bytes chain"
MESSAGE_ENCODING: Final = "x-pullwatch-frame"
"""Not `json`: the data of a message begin with a frame's header (46 bytes), the payload stands behind it."""
