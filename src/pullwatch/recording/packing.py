"""Packed sessions: the same parts, compressed in chunks (MCAP Chunk records, zstd). Compact, not different.

A packed part `0001.packed.mcap` is an MCAP file that any MCAP tool opens. Its chunks hold the very records of the raw
part in their order, and an attachment holds what stood behind them (data end, summary, footer), so that unpacking gives
the raw part back byte for byte; its SHA-256 stands in the metadata. Packing writes beside, reads back, compares, and
only then takes the raw part away: a power cut leaves the raw part, the packed one, or both; then the raw one counts.

Readers see raw parts alone: a packed one is unpacked once into a folder of the user's cache, which is kept small.
"""

from __future__ import annotations

import hashlib
import json
import os
import struct
import zlib
from contextlib import suppress
from io import BytesIO
from typing import IO, TYPE_CHECKING, Any, Final

import platformdirs
import zstandard
from mcap.data_stream import ReadDataStream, RecordBuilder
from mcap.opcode import Opcode
from mcap.records import Attachment, ChunkIndex, DataEnd, Footer, Header, Metadata, Statistics

from pullwatch.errors import DamagedSession, SessionError
from pullwatch.recording.parts import LIBRARY, PROFILE

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping
    from pathlib import Path

CHUNK: Final = 1 << 20
"""Bytes of records in a chunk, about."""
LEVEL: Final = 6
SUFFIX: Final = ".packed.mcap"
FACTS: Final = "packed.json"
"""Beside the packed parts: what the list of sessions shows, so that listing unpacks nothing."""
MOST_KEPT: Final = 4 * 1024**3
"""Bytes of unpacked parts that are kept; those used longest ago go first."""
TAIL: Final = "what stood behind the records"
SUM: Final = "raw part"
_MAGIC: Final = bytes((137, 77, 67, 65, 80, 48, 13, 10))
_RECORD: Final = struct.Struct("<BQ")
_MESSAGE: Final = struct.Struct("<HIQQ")
_CHUNK_HEAD: Final = struct.Struct("<QQQI")
_INSIDE: Final = frozenset({Opcode.SCHEMA, Opcode.CHANNEL, Opcode.MESSAGE})


def packed_path(raw: Path) -> Path:
    """Return where the packed form of a raw part stands."""
    return raw.with_name(raw.name.removesuffix(".mcap") + SUFFIX)


def pack_part(raw: Path) -> Path:
    """Pack one finished part beside itself; return the packed one. The raw part is left where it is.

    Raises SessionError if the part is not a finished one, or what was written does not unpack to the same bytes.
    """
    packed = packed_path(raw)
    growing = packed.with_suffix(".packing")
    try:
        with raw.open("rb") as source, growing.open("wb") as out:
            _Packer(source, out, raw).pack()
            out.flush()
            os.fsync(out.fileno())
        with raw.open("rb") as source:
            same = hashlib.file_digest(source, "sha256").hexdigest()
        check = hashlib.sha256()
        with growing.open("rb") as written:
            for piece in unpacked_bytes(written, growing):
                check.update(piece)
        if check.hexdigest() != same:
            raise SessionError(raw, "what was packed does not unpack to the same bytes.", "The raw part is kept.")
        growing.rename(packed)
    finally:
        growing.unlink(missing_ok=True)
    return packed


class _Packer:
    """Writes one packed part."""

    def __init__(self, source: IO[bytes], out: IO[bytes], path: Path) -> None:
        self.source = source
        self.out = out
        self.path = path
        self.squeeze = zstandard.ZstdCompressor(level=LEVEL, write_checksum=True)
        self.heads: list[bytes] = []
        self.chunk = bytearray()
        self.times: list[int] = []
        self.index: list[ChunkIndex] = []
        self.counts: dict[int, int] = {}
        self.span = [1 << 64, 0]
        self.sum = hashlib.sha256()
        self.crc = 0
        self.at = 0

    def pack(self) -> None:
        if self._take(len(_MAGIC)) != _MAGIC:
            raise SessionError(self.path, "is no MCAP file.")
        self._write(_MAGIC)
        self._write(_built(Header(PROFILE, LIBRARY)))
        begun = False
        while True:
            head = self._take(_RECORD.size)
            if len(head) < _RECORD.size:
                raise SessionError(
                    self.path, "was not finished: it has no footer.", "Only a session that ended in order is packed."
                )
            opcode, length = _RECORD.unpack(head)
            if opcode == Opcode.DATA_END:
                tail = head + self.source.read()
                self.sum.update(tail[len(head) :])
                break
            body = self._take(length)
            if len(body) < length:
                raise SessionError(self.path, "is cut in the middle of a record.", "Repair the session first.")
            if opcode == Opcode.HEADER and not begun:
                if body != _built(Header(PROFILE, LIBRARY))[_RECORD.size :]:
                    raise SessionError(self.path, "was written by something else.", "It is left as it is.")
                begun = True
            elif opcode in _INSIDE:
                self._record(opcode, head + body, body)
            else:
                raise SessionError(self.path, f"holds an MCAP record of kind {opcode}.", "It is left as it is.")
        self._flush()
        self._end(tail)

    def _take(self, count: int) -> bytes:
        data = self.source.read(count)
        self.sum.update(data)
        return data

    def _write(self, data: bytes) -> None:
        self.out.write(data)
        self.crc = zlib.crc32(data, self.crc)
        self.at += len(data)

    def _record(self, opcode: int, whole: bytes, body: bytes) -> None:
        self.chunk += whole
        if opcode == Opcode.MESSAGE:
            channel, _, t, _ = _MESSAGE.unpack_from(body)
            self.times.append(t)
            self.counts[channel] = self.counts.get(channel, 0) + 1
        else:
            self.heads.append(whole)
        if len(self.chunk) >= CHUNK:
            self._flush()

    def _flush(self) -> None:
        if not self.chunk:
            return
        first, last = (min(self.times), max(self.times)) if self.times else (0, 0)
        raw = bytes(self.chunk)
        small = self.squeeze.compress(raw)
        name = b"zstd"
        body = _CHUNK_HEAD.pack(first, last, len(raw), zlib.crc32(raw))
        body += struct.pack("<I", len(name)) + name + struct.pack("<Q", len(small)) + small
        begin = self.at
        self._write(_RECORD.pack(Opcode.CHUNK, len(body)) + body)
        self.index.append(ChunkIndex(self.at - begin, begin, "zstd", len(small), last, 0, {}, first, len(raw)))
        if self.times:
            self.span = [min(self.span[0], first), max(self.span[1], last)]
        self.chunk.clear()
        self.times.clear()

    def _end(self, tail: bytes) -> None:
        self._write(_built(Attachment(0, 0, TAIL, "application/octet-stream", tail)))
        self._write(_built(Metadata(name=SUM, metadata={"sha256": self.sum.hexdigest()})))
        self._write(_built(DataEnd(self.crc)))
        begin = self.at
        summary = b"".join(self.heads) + b"".join(_built(one) for one in self.index)
        count = sum(self.counts.values())
        first, last = self.span if count else (0, 0)
        schemas = sum(head[0] == Opcode.SCHEMA for head in self.heads)
        statistics = Statistics(
            attachment_count=1,
            channel_count=len(self.heads) - schemas,
            channel_message_counts=self.counts,
            chunk_count=len(self.index),
            message_count=count,
            message_end_time=last,
            message_start_time=first,
            metadata_count=1,
            schema_count=schemas,
        )
        summary += _built(statistics)
        self.out.write(summary)
        footer = _built(Footer(begin, 0, 0))[:-4]
        self.out.write(footer + struct.pack("<I", zlib.crc32(footer, zlib.crc32(summary))) + _MAGIC)


def _built(record: Any) -> bytes:
    builder = RecordBuilder()
    record.write(builder)
    return bytes(builder.end())  # type: ignore[no-untyped-call]


def unpacked_bytes(packed: IO[bytes], path: Path) -> Iterator[bytes]:
    """Yield the bytes of the raw part that a packed one holds. Raises DamagedSession if they are not all there."""
    stretch = zstandard.ZstdDecompressor()
    tail, wanted = b"", ""
    if packed.read(len(_MAGIC)) != _MAGIC:
        raise DamagedSession(path, "is no MCAP file.")
    total = hashlib.sha256(_MAGIC)
    yield _MAGIC
    while True:
        head = packed.read(_RECORD.size)
        if len(head) < _RECORD.size:
            raise DamagedSession(path, "is cut: it has no end.", "Fetch it from its copy.")
        opcode, length = _RECORD.unpack(head)
        body = packed.read(length)
        if len(body) < length:
            raise DamagedSession(path, "is cut in the middle of a record.", "Fetch it from its copy.")
        if opcode == Opcode.HEADER:
            piece = head + body
        elif opcode == Opcode.CHUNK:
            piece = _chunk(body, stretch, path)
        elif opcode == Opcode.ATTACHMENT:
            tail = Attachment.read(ReadDataStream(BytesIO(body))).data
            continue
        elif opcode == Opcode.METADATA:
            wanted = Metadata.read(ReadDataStream(BytesIO(body))).metadata.get("sha256", "")
            continue
        else:
            break
        total.update(piece)
        yield piece
    total.update(tail)
    if total.hexdigest() != wanted:
        raise DamagedSession(path, "its bytes are not those that were packed.", "Fetch it from its copy.")
    yield tail


def _chunk(body: bytes, stretch: zstandard.ZstdDecompressor, path: Path) -> bytes:
    _, _, size, crc = _CHUNK_HEAD.unpack_from(body)
    at = _CHUNK_HEAD.size
    (name,) = struct.unpack_from("<I", body, at)
    at += 4 + name + 8
    try:
        raw: bytes = stretch.decompress(body[at:], max_output_size=size)
    except zstandard.ZstdError as error:
        raise DamagedSession(path, f"a chunk cannot be unpacked: {error}.", "Fetch it from its copy.") from error
    if len(raw) != size or zlib.crc32(raw) != crc:
        raise DamagedSession(path, "a chunk is not what was packed.", "Fetch it from its copy.")
    return raw


# ---- for readers -----------------------------------------------------------------------------------------------------


def cache() -> Path:
    """Return the folder in which unpacked parts are kept."""
    return platformdirs.user_cache_path("pullwatch") / "unpacked"


def unpacked(packed: Path) -> Path:
    """Return the raw form of a packed part, unpacked into the cache if it is not there yet.

    Raises DamagedSession if the packed part is damaged, SessionError if the cache cannot hold it.
    """
    facts = packed.stat()
    key = hashlib.blake2b(
        f"{packed.resolve()}\0{facts.st_size}\0{facts.st_mtime_ns}".encode(), digest_size=12
    ).hexdigest()
    raw = cache() / key / packed.name.replace(SUFFIX, ".mcap")
    if raw.exists():
        with suppress(OSError):
            os.utime(raw)
        return raw
    growing = raw.with_suffix(f".{os.getpid()}")
    try:
        raw.parent.mkdir(parents=True, exist_ok=True, mode=0o700)
        with packed.open("rb") as source, growing.open("wb") as out:
            for piece in unpacked_bytes(source, packed):
                out.write(piece)
        growing.rename(raw)
    except OSError as error:
        what = f"cannot be unpacked into {raw.parent}: {error.strerror}."
        raise SessionError(packed, what, "Make room there, or set XDG_CACHE_HOME.") from error
    finally:
        growing.unlink(missing_ok=True)
    _tidy(raw)
    return raw


def is_unpacked(path: Path) -> bool:
    """Whether a part stands in the cache of unpacked ones."""
    return path.parent.parent == cache()


def _tidy(keep: Path) -> None:
    """Take away what was used longest ago, until what is kept fits."""
    files = [(each.stat().st_atime_ns, each) for each in cache().glob("*/*.mcap") if each != keep]
    room = MOST_KEPT - keep.stat().st_size
    for _, each in sorted(files, reverse=True):
        room -= each.stat().st_size
        if room < 0:
            with suppress(OSError):
                each.unlink()
                each.parent.rmdir()


def facts_of(folder: Path) -> Mapping[str, Any] | None:
    """Return what was noted of a session when it was packed; None if it is not packed, or the note is damaged."""
    try:
        said = json.loads((folder / FACTS).read_text(encoding="utf-8"))
    except (OSError, ValueError):
        return None
    return said if isinstance(said, dict) else None
