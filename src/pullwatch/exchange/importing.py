"""`pullwatch import`: a log that somebody else's program wrote becomes a session like any other.

Whatever the file is, a reader gives its columns (`columnar.Columnar`), or, for frames of a CAN bus, its frames. Columns
are looked through once, decided on, and read a second time into a session: nothing of the file is held whole. The rows
as they were taken stand in the session; the file's own bytes are named there by their SHA-256.
"""

from __future__ import annotations

import importlib
import json
import sys
import time
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

from pullwatch.batch import Kind, Record
from pullwatch.clock import NS_PER_MS, NS_PER_S
from pullwatch.errors import PullwatchError
from pullwatch.exchange.answers import Memory, Said, default_memory, read_said
from pullwatch.exchange.asking import NotConfirmed, ask_all, open_questions, show
from pullwatch.exchange.can_session import SessionWriter
from pullwatch.exchange.import_plan import import_plan, lacking_words, mapping_record
from pullwatch.exchange.mapping import decide, speed_column
from pullwatch.exchange.progress import bar
from pullwatch.exchange.recording_log import (
    IMPORTED,
    imported_before,
    put_beside,
    records_of,
    sha256_of,
    steps,
    under_way,
)
from pullwatch.exchange.repeats import Thinning
from pullwatch.exchange.survey import survey, width_of
from pullwatch.exchange.timeline import Timeline
from pullwatch.recording.reader import Session
from pullwatch.watchdog.alarms import Event

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Mapping
    from typing import TextIO

    from pullwatch.exchange.column_words import Answer
    from pullwatch.exchange.columnar import Columnar
    from pullwatch.exchange.import_plan import ImportPlan
    from pullwatch.exchange.mapping import Decision
    from pullwatch.exchange.survey import Survey
    from pullwatch.setup import Plan

FEED: Final = 1
ROWS_AT_ONCE: Final = 16_384
"""Rows that are records at once: a record takes more memory than its bytes."""
DAY_NS: Final = 86_400 * NS_PER_S
_COLUMN_READERS: Final[Mapping[str, str]] = {
    # ending: module:function(path) -> Columnar
    ".parquet": "formats_parquet:read_parquet",
    ".mf4": "formats_mdf:read_mdf",
    ".mdf": "formats_mdf:read_mdf",
}
_CAN: Final = frozenset({".asc", ".blf", ".trc", ".log"})


class NoAnswer(PullwatchError):  # noqa: N818 - it names what is missing
    """Nobody is there to confirm what was found out about the columns."""


@dataclass(slots=True)
class Wishes:
    """How an import is to go.

    `said` are answers; `yes` takes what is found out without asking; `ask` shows a question and returns the answer
    (None: nobody can be asked). `rules` is a setup whose rules judge, `rate` the rows a second of a table
    without times.
    """

    said: Said = field(default_factory=Said)
    yes: bool = False
    ask: Callable[[str], str] | None = None
    rules: Path | None = None
    car: str | None = None
    rate: float | None = None
    again: bool = False
    dbc: Path | None = None
    buses: tuple[str, ...] = ()
    """CHANNEL=FEED, of CAN logs."""
    memory: Memory = field(default_factory=lambda: Memory(default_memory()))
    out: TextIO = field(default_factory=lambda: sys.stdout)


@dataclass(slots=True)
class Imported:
    """What an import did. `before`: the very same was imported before, and nothing was done now."""

    folder: Path
    before: bool = False
    rows: int = 0
    seconds: float = 0.0
    size: int = 0
    decisions: list[Decision] = field(default_factory=list)
    lines: list[str] = field(default_factory=list)


def run_import(path: Path, root: Path, wishes: Wishes) -> Imported:
    """Make a session in `root` of the log at `path`, tell of it on `wishes.out`, and return what was done.

    Raises PullwatchError in words for what cannot be imported, NoAnswer when it must be confirmed and nobody can be
    asked.
    """
    try:
        if is_can_log(path):
            return _import_can(path, root, wishes)
        if wishes.dbc is not None or wishes.buses:
            raise PullwatchError(f"{path} is no log of CAN frames: --dbc and --bus say nothing of it.")
        with bar(f"read {path.name}") as progress:
            sha256 = sha256_of(path, progress)
        source = read_columns(path, wishes)
        done = _Import(path, root, wishes, source, sha256).run()
    except OSError as error:
        raise PullwatchError(f"{path} cannot be read: {error.strerror or error}.") from error
    for line in done.lines:
        print(line, file=wishes.out)
    return done


def _import_can(path: Path, root: Path, wishes: Wishes) -> Imported:
    """Import a log of CAN frames (see `can_import`), and tell of it."""
    from pullwatch.exchange.can_import import import_can  # noqa: PLC0415 - python-can alone takes a fifth of a second

    buses = {}
    for text in wishes.buses:
        channel, equals, feed = text.partition("=")
        if not equals:
            raise PullwatchError(f'--bus "{text}": write CHANNEL=FEED, a channel of the log and a feed of the setup.')
        buses[channel.strip()] = feed.strip()
    ask = wishes.ask

    def confirm(words: str) -> bool:
        if ask is None:
            raise NoAnswer(f"{words}\nNothing is imported: nobody is there to confirm it. Say --yes to take it so.")
        return ask(f"{words}\nIs that right? yes or no > ").strip().lower() in ("y", "yes")

    begun = time.perf_counter()
    with bar(f"import {path.name}") as progress:
        done = import_can(
            path,
            root,
            rules=wishes.rules,
            dbc=wishes.dbc,
            buses=buses,
            confirm=None if wishes.yes else confirm,
            again=wishes.again,
            progress=progress,
        )
    lines = done.lines()
    for line in lines:
        print(line, file=wishes.out)
    seconds = time.perf_counter() - begun
    return Imported(done.folder, rows=done.frames, seconds=seconds, size=path.stat().st_size, lines=lines)


def session_of(path: Path, root: Path, wishes: Wishes | None = None) -> Path:
    """Return the session that was imported from the file at `path`, the last one if there are several.

    Imports it if it never was, as `run_import` does. Raises PullwatchError in words.
    """
    wishes = wishes or Wishes()
    try:
        before = imported_before(root, sha256_of(path))
    except OSError as error:
        raise PullwatchError(f"{path} cannot be read: {error.strerror or error}.") from error
    if before and not (wishes.said or wishes.again or wishes.rules):
        return before[-1][0]
    return run_import(path, root, wishes).folder


def is_can_log(path: Path) -> bool:
    """Whether a file is a log of CAN frames, which `can_import` takes, and none of columns."""
    from pullwatch.exchange import formats_can  # noqa: PLC0415 - python-can alone takes a fifth of a second

    return path.suffix.lower() in (*_CAN, ".mf4") and formats_can.is_can_log(path)


def read_columns(path: Path, wishes: Wishes) -> Columnar:
    """Return the columns of a log, whatever kind of file it is. Raises PullwatchError in words, OSError."""
    named = _COLUMN_READERS.get(path.suffix.lower())
    if named is not None:
        module, _, function = named.partition(":")
        source: Columnar = getattr(importlib.import_module(f"pullwatch.exchange.{module}"), function)(path)
        return source
    from pullwatch.exchange.table_reader import read_table  # noqa: PLC0415 - pyarrow is slow to import

    return read_table(path, time=wishes.said.time, rate=wishes.rate)


class _Import:
    """One import, from the columns to the session."""

    def __init__(self, path: Path, root: Path, wishes: Wishes, source: Columnar, sha256: str) -> None:
        self.path = path
        self.root = root
        self.wishes = wishes
        self.source = source
        self.sha256 = sha256
        self.size = path.stat().st_size

    def run(self) -> Imported:
        begun = time.perf_counter()
        source, wishes = self.source, self.wishes
        if not source.names:
            raise PullwatchError(f"{self.path} holds no column beside the time.")
        with bar(f"look through {self.path.name}") as progress:
            seen = survey(source, speed_column(source.names, source.units), progress)
        if not seen.timeline.rows or not any(one.all.count for one in seen.columns):
            raise PullwatchError(f"{self.path} holds no numbers with a time.\n" + "\n".join(seen.notes))
        decisions, said = self._decided(seen)
        car = wishes.car if wishes.car is not None or wishes.rules is not None else self.path.stem
        made = import_plan(seen, decisions, self.path.name, car, wishes.rules)
        about = self._about(seen, decisions, made)
        before = None if wishes.again else self._before(made.plan, about)
        if before is not None:
            lines = [f"{self.path.name} was imported before, in the very same way: {before}"]
            return Imported(before, before=True, decisions=decisions, size=self.size, lines=lines)
        folder, rows, taken_out = self._record(seen, made.plan, about)
        if said and not (wishes.yes and not wishes.said):
            self._remember(said)
        seconds = time.perf_counter() - begun
        lines = [*self._told(seen, decisions, made, folder, taken_out)]
        lines.append(
            f"{rows:,} rows, {self.size / 1e6:,.1f} MB in {seconds:.1f} s ({self.size / 1e6 / seconds:,.0f} MB/s)"
        )
        lines.append(f"The session lies in {folder}")
        return Imported(folder, rows=rows, seconds=seconds, size=self.size, decisions=decisions, lines=lines)

    # -- what the columns are

    def _decided(self, seen: Survey) -> tuple[list[Decision], dict[str, Answer]]:
        """Return what becomes of the columns, confirmed, and the answers to remember."""
        wishes = self.wishes
        remembered = wishes.memory.recall(self.source)
        answers = {**remembered, **wishes.said.columns}
        decisions = decide(seen, wishes.said.columns, remembered)
        scripted = wishes.yes or bool(wishes.said.columns)
        names = {one.name for one in seen.columns}
        known = bool(remembered) and names <= {*answers, *(one.name for one in seen.columns if not one.all.count)}
        print(f"{self.path}: {'; '.join(seen.notes[:2])}", file=wishes.out)
        for note in seen.notes[2:]:
            print(f"  {note}", file=wishes.out)
        if scripted or known:
            show(seen, decisions, wishes.out)
            if known and not scripted:
                print("These columns were confirmed before, for a file with the same heading.", file=wishes.out)
            return decisions, {} if wishes.yes and not wishes.said.columns else self._answers(seen, decisions)
        if wishes.ask is None:
            show(seen, decisions, wishes.out)
            raise NoAnswer(
                "Nothing is imported: nobody is there to confirm the columns (this is no terminal). Say --yes to take "
                "them as shown, --set COLUMN=channel[unit] to correct one, or --answers FILE."
            )
        decisions, _ = ask_all(seen, answers, wishes.ask, wishes.out)
        return decisions, self._answers(seen, decisions)

    @staticmethod
    def _answers(seen: Survey, decisions: list[Decision]) -> dict[str, Answer]:
        """Return what was decided as answers, but for what is still open."""
        return {
            seen.columns[one.column].name: one.answer
            for one in decisions
            if not one.question and (one.from_air or not one.offset)  # what an answer cannot say is found out again
        }

    def _remember(self, said: Mapping[str, Answer]) -> None:
        try:
            self.wishes.memory.keep(self.source, said)
        except OSError as error:
            print(f"  The answers could not be remembered: {error.strerror or error}.", file=self.wishes.out)

    # -- what is recorded

    def _about(self, seen: Survey, decisions: list[Decision], made: ImportPlan) -> dict[str, Any]:
        line = seen.timeline
        wall, known = self._wall(seen)
        return {
            "file": self.path.name,
            "bytes": self.size,
            "sha256": self.sha256,
            "at": time.time_ns(),
            **self.source.origin,
            "wall": wall,
            "wall_known": known,
            "mapping": mapping_record(seen, decisions),
            "notes": seen.notes,
            "times": line.told(),
            "runs": [{"row": run.row, "file_ns": run.file_ns, "t": run.t} for run in line.runs],
            "rules": "catalogue" if self.wishes.rules is None else self.wishes.rules.name,
            "lacking": [list(one) for one in made.lacking],
        }

    def _wall(self, seen: Survey) -> tuple[int, bool]:
        """Return the wall clock at session time 0, and whether the log says it (else: by the file's own date)."""
        first = seen.timeline.runs[0]
        if self.source.began is not None:
            return self.source.began + first.file_ns - first.t, True
        return self.path.stat().st_mtime_ns - seen.timeline.end, False

    def _before(self, plan: Plan, about: Mapping[str, Any]) -> Path | None:
        """Return the session that holds the very same: bytes, columns and rules."""
        written = json.loads(json.dumps(plan.to_dict()))  # as it is read back: with lists for tuples
        for folder, start in reversed(imported_before(self.root, self.sha256)):
            same = start[IMPORTED].get("mapping") == about["mapping"]
            if same and start.get("plan") == written:
                return Path(folder)
        return None

    def _record(self, seen: Survey, plan: Plan, about: Mapping[str, Any]) -> tuple[Path, int, int]:
        width = len(seen.columns)
        timeline = Timeline(width_of(width))
        thinning = Thinning([one.period for one in seen.columns])
        wall, known = self._wall(seen)
        feeds = {FEED: plan.feeds[0].options.name}
        with (
            under_way(self.root) as hidden,
            SessionWriter(hidden, plan, feeds, about, wall, NS_PER_MS if known else DAY_NS) as writer,
            bar(f"import {self.path.name}") as progress,
        ):
            for placed in timeline.place(self.source.chunks(progress)):
                border = self._border(int(placed.t[0]), len(timeline.runs)) if placed.begins else []
                rows = thinning.thin(placed.t, placed.values)
                for begin in range(0, len(rows), ROWS_AT_ONCE):
                    some = slice(begin, begin + ROWS_AT_ONCE)
                    for step in steps([*border, *records_of(rows[some], placed.t[some], FEED)]):
                        writer.take(step[-1].end, step)
                    border = []
            writer.finish(f"imported from {self.path.name}")
            folder = put_beside(writer.folder, self.root, plan.car.name, wall)
        return folder, timeline.rows, thinning.taken_out

    def _border(self, t: int, run: int) -> list[Record]:
        """Return what stands before the first row of a run: the table is there; before that, the run before ended."""
        said = f"{self.path.name}, run {run}".encode()
        found = Record(t - NS_PER_MS // 2, FEED, Kind.FOUND, said)
        if run == 1:
            return [found]
        ended = f"{self.path.name}: the time in the file begins again; a run ended.".encode()
        return [Record(t - NS_PER_MS, FEED, Kind.LOST, ended), found]

    # -- what is told

    def _told(
        self, seen: Survey, decisions: list[Decision], made: ImportPlan, folder: Path, taken_out: int
    ) -> Iterator[str]:
        yield from (f"  {line}" for line in seen.timeline.told())
        if taken_out:
            yield f"  {taken_out:,} cells were repeats of a slower channel: they are no samples"
        if not self._wall(seen)[1]:
            yield "  the file does not say when it was recorded: the date of the file is taken"
        questions = open_questions(seen, decisions)
        if questions:
            yield "Open, so kept as plain numbers on which no rule rests:"
            yield from (f"  {line}" for line in questions)
        words = lacking_words(made.lacking)
        if words:
            yield "What this log cannot answer, for lack of a column:"
            yield from (f"  {line}" for line in words)
        yield from self._alarms(folder, made.plan)

    @staticmethod
    def _alarms(folder: Path, plan: Plan) -> Iterator[str]:
        raised: dict[str, int] = {}
        for change in Session(folder).changes():
            if change.event is Event.RAISE:
                raised[change.name] = raised.get(change.name, 0) + 1
        rules = len(plan.rules.rules)
        if not raised:
            yield f"{rules} rules judged it; none of them spoke."
            return
        spoke = ", ".join(f"{name} {count} times" if count > 1 else name for name, count in raised.items())
        yield f"{rules} rules judged it: {spoke}. More: pullwatch alarms {folder.name}"


__all__ = [
    "Imported",
    "NoAnswer",
    "NotConfirmed",
    "Said",
    "Wishes",
    "is_can_log",
    "read_said",
    "run_import",
    "session_of",
]
