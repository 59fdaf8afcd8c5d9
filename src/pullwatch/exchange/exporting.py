"""`pullwatch export`: a session in formats everybody can read, whole or a stretch of it, also while it is recorded.

Values that are not known are empty cells, never numbers; why they are not known stands in a second column when that is
asked for. A file is written beside its name and takes it only when it is whole, and never in the place of another one
unasked.
"""

from __future__ import annotations

import os
import re
from dataclasses import dataclass, replace
from importlib import import_module
from typing import TYPE_CHECKING, Final

from pullwatch.clock import NS_PER_S
from pullwatch.errors import SessionError
from pullwatch.exchange import export_rows
from pullwatch.exchange.export_rows import POSITION, Exported, Source
from pullwatch.exchange.joined import PREFIX, joined_sources
from pullwatch.recording.reader import Session
from pullwatch.replaying import plan_of

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Mapping
    from pathlib import Path

    from pullwatch.columns import Columns
    from pullwatch.exchange.export_rows import Field, Rows
    from pullwatch.setup import Plan

SUFFIXES: Final[Mapping[str, str]] = {
    ".csv": "csv",
    ".parquet": "parquet",
    ".mf4": "mdf",
    ".log": "candump",
}
"""Format by the ending of the file's name."""
_TABLES: Final[Mapping[str, str]] = {
    "csv": "pullwatch.exchange.export_csv",
    "parquet": "pullwatch.exchange.export_parquet",
    "mdf": "pullwatch.exchange.export_mdf",
}
"""Module that writes a table, by `write(table, path)`. Imported when asked for: each brings a large library along."""
FORMATS: Final = (*_TABLES, "candump")
FASTEST_ROWS: Final = 100_000.0
"""Hz: more rows a second than this nobody means."""
_TIME: Final = re.compile(r"(?:(?:(\d+):)?(\d+):)?(\d+(?:\.\d+)?)")


@dataclass(frozen=True, slots=True)
class Wanted:
    """What is to be exported. Times are session ns, both ends included; None: from the beginning, to the end.

    `rate` Hz, None: as sampled. `why`: a column of reasons beside every channel. `exact_time`: whole nanoseconds beside
    the seconds (Parquet). `joined`: channels of the logs joined to the session as well, as `log.NAME`. `feed` names the
    CAN feed of a candump text, empty: all of them.
    """

    kind: str
    channels: tuple[str, ...] = ()
    since: int | None = None
    until: int | None = None
    rate: float | None = None
    why: bool = False
    exact_time: bool = False
    joined: bool = False
    feed: str = ""


@dataclass(frozen=True, slots=True)
class Table:
    """What a writer of tables gets: the columns, the rows (once), and what else is known.

    `began` is the wall clock at session time 0, ns since the Unix epoch; None: not known.
    """

    fields: tuple[Field, ...]
    rows: Iterator[Rows]
    session: str
    car: str
    began: int | None
    rate: float | None
    why: bool
    exact_time: bool


def time_of(text: str) -> int:
    """Return the session ns of `12.5` (s), `1:02.5` (min:s) or `1:00:02` (h:min:s). Raises SessionError."""
    found = _TIME.fullmatch(text.strip())
    if found is None:
        raise SessionError(f'"{text}"', "is no time.", "Write seconds (12.5), minutes (1:02.5) or hours (1:00:02).")
    hours, minutes, seconds = found.groups()
    whole, _, part = seconds.partition(".")
    total = int(hours or 0) * 3600 + int(minutes or 0) * 60 + int(whole)
    return total * NS_PER_S + int(part[:9].ljust(9, "0") or 0)


def kind_of(path: Path, said: str) -> str:
    """Return the format: as said, else by the ending of the name. Raises SessionError if it is none of ours."""
    kind = said or SUFFIXES.get(path.suffix.lower(), "")
    if kind not in FORMATS:
        what = f'"{said}" is no format.' if said else f'its ending "{path.suffix}" says no format.'
        endings = ", ".join(f"{suffix} ({name})" for suffix, name in SUFFIXES.items())
        raise SessionError(path, what, f"Use {endings}, or name one with --format.")
    return kind


def export(
    folder: Path,
    target: Path,
    wanted: Wanted,
    *,
    replace_it: bool = False,
    progress: Callable[[float], None] | None = None,
) -> Exported:
    """Write what is `wanted` of the session in `folder` to `target`. `progress` is told the share done, 0 to 1.

    Raises SessionError if the session or what is wanted of it cannot be read, the file is there already (and
    `replace_it` is not said) or cannot be written, or a format needs a library that is not installed.
    """
    if target.exists() and not replace_it:
        raise SessionError(target, "is there already and is not overwritten.", "Name another file, or say --replace.")
    if wanted.rate is not None and not 0.0 < wanted.rate <= FASTEST_ROWS:
        raise SessionError(f"--rate {wanted.rate:g}", f"a rate above 0 and up to {FASTEST_ROWS:,.0f} Hz is expected.")
    if wanted.since is not None and wanted.until is not None and wanted.until < wanted.since:
        raise SessionError("--to", "ends before --from.")
    session = Session(folder)
    plan = plan_of(session)
    part = target.with_name(f".{target.stem}.part{target.suffix}")
    try:
        if wanted.kind == "candump":
            from pullwatch.exchange.export_candump import write_candump  # noqa: PLC0415 - as in `_TABLES`

            done = write_candump(session, plan, part, wanted, progress)
        else:
            done = _table(session, plan, part, wanted, progress)
        os.replace(part, target)  # noqa: PTH105 - the one call that is whole or not at all
    except OSError as error:
        raise SessionError(target, f"cannot be written: {error.strerror or error}.", "Name another place.") from error
    finally:
        part.unlink(missing_ok=True)
    notes = done.notes
    if session.ending.status == "being recorded":
        notes += (f"The session is being recorded; this is all of it up to {session.ending.at_ns / NS_PER_S:.3f} s.",)
    if session.gaps:
        count = "1 place" if len(session.gaps) == 1 else f"{len(session.gaps)} places"
        notes += (f"Something is missing in {count} of the recording; nothing stands there.",)
    return replace(done, path=target, notes=notes)


def _table(
    session: Session, plan: Plan, part: Path, wanted: Wanted, progress: Callable[[float], None] | None
) -> Exported:
    names = [name for name in wanted.channels if not name.startswith(PREFIX)]
    of_logs = [name.removeprefix(PREFIX) for name in wanted.channels if name.startswith(PREFIX)]
    channels = () if of_logs and not names else export_rows.wanted_channels(plan, names)
    since = wanted.since
    if since is not None and wanted.rate is not None:
        # What is in force at the first row was measured before it.
        since = max(0, since - max((channel.stale_after for channel in channels), default=0))
    main = Source(channels, export_rows.decoded(session, plan, since, wanted.until))
    others = joined_sources(session, of_logs) if wanted.joined or of_logs else []
    fields = main.fields + tuple(field for other in others for field in other.fields)
    pieces = _told(export_rows.side_by_side(main, others), session, wanted, progress)
    rows = (
        export_rows.as_sampled(pieces, len(fields))
        if wanted.rate is None
        else export_rows.at_one_rate(pieces, fields, wanted.rate, wanted.since)
    )
    table = Table(
        fields=fields,
        rows=export_rows.limited(rows, wanted.since, wanted.until),
        session=session.folder.name,
        car=plan.car.name,
        began=session.wall(0),
        rate=wanted.rate,
        why=wanted.why,
        exact_time=wanted.exact_time,
    )
    written: int = import_module(_TABLES[wanted.kind]).write(table, part)
    notes: tuple[str, ...] = ()
    where = [field.name for field in fields if field.name.removeprefix(PREFIX) in POSITION]
    if where:
        notes = (f"The file says where the car was ({', '.join(where)}). Name channels to leave that out.",)
    return Exported(part, written, len(fields), notes)


def _told(
    pieces: Iterator[tuple[int, Columns]],
    session: Session,
    wanted: Wanted,
    progress: Callable[[float], None] | None,
) -> Iterator[tuple[int, Columns]]:
    """Pass the pieces on, and tell how far it is."""
    begin = wanted.since or 0
    end = session.ending.at_ns if wanted.until is None else min(wanted.until, session.ending.at_ns)
    for now, columns in pieces:
        yield now, columns
        if progress is not None:
            progress(min(1.0, max(0.0, (now - begin) / max(1, end - begin))))
