"""The time column of a text table: which one it is, what its numbers or texts mean, and ns of each row.

Times come as numbers (s, ms, µs, min, or since 1970), as clock times (21:13:05.250), as dates with clock times, or as a
date and a clock time in two columns. Where a number's unit is not written it is told from the step between rows; where
that could be either, it is asked. A clock time that falls by half a day and more has passed midnight.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from datetime import UTC, date, datetime
from typing import TYPE_CHECKING, Final, Literal, TypeAlias

import numpy as np

from pullwatch.errors import PullwatchError
from pullwatch.exchange.table_layout import is_numeric, number_of

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from numpy.typing import NDArray

    from pullwatch.exchange.table_layout import Layout

NS: Final = 1_000_000_000
DAY_NS: Final = 86_400 * NS
Form: TypeAlias = Literal["number", "clock", "date-time", "rows"]

UNIT_NS: Final[Mapping[str, int]] = {
    "s": NS, "sec": NS, "secs": NS, "second": NS, "seconds": NS,
    "ms": 1_000_000, "msec": 1_000_000, "msecs": 1_000_000, "millis": 1_000_000, "milliseconds": 1_000_000,
    "us": 1_000, "µs": 1_000, "usec": 1_000, "microseconds": 1_000, "ns": 1,
    "min": 60 * NS, "mins": 60 * NS, "minutes": 60 * NS, "h": 3_600 * NS, "hours": 3_600 * NS,
}  # fmt: skip
"""ns in one of each unit of time, in small letters."""
_NAMED: Final = frozenset({"time", "timestamp", "clock", "elapsed", "t", "datetime", "sec", "secs", "seconds", "ms"})
_OTHER_TIMES: Final = frozenset(
    {"dead", "injector", "injection", "pulse", "lap", "dwell", "on", "open", "run", "cut", "width", "sector", "spool"}
)
"""Words beside "time" that make it a measured thing."""
_WORD: Final = re.compile(r"[A-Za-zµ]+")
_CLOCK: Final = re.compile(r"(?:(\d+):)?(\d{1,2}):(\d{1,2}(?:[.,]\d*)?)\s*([aApP][mM])?\s*Z?")
_DATE: Final = re.compile(r"(\d{1,4})[-./](\d{1,2})[-./](\d{1,4})")
_EPOCHS: Final = ((1e9, 5e9, NS), (1e12, 5e12, 1_000_000), (1e15, 5e15, 1_000), (1e18, 5e18, 1))
"""Numbers that count from 1970: between 2001 and 2128 in s, ms, µs, ns."""


class TimeUnknown(PullwatchError):  # noqa: N818 - it names what is missing
    """Which column is the time, or what its numbers mean, cannot be told."""


@dataclass(frozen=True, slots=True)
class Clock:
    """How the time of a row is read. `columns` are where it stands (a date and a clock time: two).

    `unit_ns` of a number; `rate` in Hz for a table without a time column. `from_epoch`: numbers count from 1970.
    """

    form: Form
    columns: tuple[int, ...] = ()
    unit_ns: int = NS
    rate: float = 0.0
    from_epoch: bool = False
    day_first: bool = True
    why: str = ""

    @property
    def dated(self) -> bool:
        """Whether its times count from 1970."""
        return self.from_epoch or self.form == "date-time"


def find_clock(layout: Layout, asked: Mapping[str, str] | None = None, rate: float | None = None) -> Clock:
    """Return how times are read. `asked` is the column and its unit where a person said so.

    Raises TimeUnknown in words where it cannot be told.
    """
    if asked:
        ((name, unit),) = asked.items()
        place = _place(layout, name)
        return _clock_of(layout, (place,), unit)
    if rate is not None:
        return Clock("rows", rate=rate, why=f"{rate:g} rows a second, as you said")
    candidates = [place for place in range(layout.width) if _is_named(layout.names[place]) and _moves(layout, place)]
    if not candidates and not any(layout.names):
        candidates = [place for place in range(layout.width) if _rises(layout, place)][:1]
    if not candidates:
        candidates = [place for place in range(layout.width) if _is_clock(layout, place)][:1]
    if not candidates:
        known = ", ".join(shown(layout, place) for place in range(layout.width))
        raise TimeUnknown(
            "No column can be made out as the time. Say which it is and in which unit, --set 'COLUMN=time[s]', or how "
            f"many rows there are a second, --rate HZ. Columns: {known}."
        )
    place = candidates[0]
    dates = [other for other in range(layout.width) if other != place and _is_date(layout, other)]
    if dates and _is_clock(layout, place) and not _is_date(layout, place):
        return _clock_of(layout, (dates[0], place), "")
    return _clock_of(layout, (place,), "")


def shown(layout: Layout, place: int) -> str:
    """Return what a column is called: its name, else its number from 1."""
    return layout.names[place] or f"column {place + 1}"


def _place(layout: Layout, name: str) -> int:
    for place in range(layout.width):
        if shown(layout, place).casefold() == name.casefold():
            return place
    known = ", ".join(shown(layout, place) for place in range(layout.width))
    raise TimeUnknown(f'There is no column "{name}". Columns: {known}.')


def _words(name: str) -> set[str]:
    return {word.lower() for word in _WORD.findall(re.sub(r"([a-z])([A-Z])", r"\1 \2", name))}


def _is_named(name: str) -> bool:
    words = _words(name)
    return bool(words & _NAMED) and not words & _OTHER_TIMES


def _texts(layout: Layout, place: int) -> list[str]:
    return [row[place] for row in layout.sample if row[place]]


def _numbers(layout: Layout, place: int) -> list[float]:
    comma = layout.decimal_comma
    return [number for text in _texts(layout, place) if (number := number_of(text, comma=comma)) is not None]


def _moves(layout: Layout, place: int) -> bool:
    return _is_clock(layout, place) or _is_date(layout, place) or _rises(layout, place)


def _rises(layout: Layout, place: int) -> bool:
    """Whether the numbers of a column hardly ever fall, and do rise."""
    numbers = np.array(_numbers(layout, place))
    if len(numbers) < 2 or len(numbers) < len(layout.sample) * 0.7:
        return False
    steps = np.diff(numbers)
    return bool(np.mean(steps >= 0) >= 0.75 and numbers.max() > numbers.min())


def _is_clock(layout: Layout, place: int) -> bool:
    texts = _texts(layout, place)[:50]
    return bool(texts) and all(_CLOCK.fullmatch(text.strip()) for text in texts)


def _is_date(layout: Layout, place: int) -> bool:
    texts = _texts(layout, place)[:50]
    return bool(texts) and all(_DATE.match(text.strip()) and not is_numeric(text, comma=False) for text in texts)


def _clock_of(layout: Layout, columns: tuple[int, ...], unit: str) -> Clock:
    place = columns[-1]
    name = shown(layout, place)
    if len(columns) == 2 or _is_date(layout, place):
        day_first, why = _order_of_dates([row[columns[0]] for row in layout.sample])
        return Clock("date-time", columns, day_first=day_first, why=f'dates and clock times in "{name}"{why}')
    if _is_clock(layout, place):
        return Clock("clock", columns, why=f'clock times in "{name}"')
    numbers = np.array(_numbers(layout, place))
    if not len(numbers):
        raise TimeUnknown(f'The column "{name}" holds no times. Say --set "{name}=time[s]" of another one.')
    for low, high, unit_ns in _EPOCHS:
        if low <= numbers.min() and numbers.max() <= high and not unit:
            return Clock("number", columns, unit_ns, from_epoch=True, why=f'numbers since 1970 in "{name}"')
    written = unit or layout.units[place]
    unit_ns = UNIT_NS.get(written.strip().lower(), 0)
    if unit_ns:
        return Clock("number", columns, unit_ns, why=f'"{name}" in {written}')
    if unit:
        raise TimeUnknown(f'"{unit}" is no unit of time known here. Write s, ms, us, min or h.')
    for word in _words(name) - {"t", "h", "min"}:
        if word in UNIT_NS:
            return Clock("number", columns, UNIT_NS[word], why=f'"{name}" in {word} by its name')
    return _by_step(name, numbers, columns)


def _by_step(name: str, numbers: NDArray[np.float64], columns: tuple[int, ...]) -> Clock:
    """Tell seconds from milliseconds by the step between rows."""
    steps = np.diff(numbers)
    steps = steps[steps > 0]
    step = float(np.median(steps)) if len(steps) else 0.0
    whole = bool(np.all(numbers == np.round(numbers)))
    if not whole and step < 5:
        return Clock("number", columns, NS, why=f'"{name}" in s: a step of {step:g} between rows')
    if whole and 2 <= step <= 2_000:
        return Clock("number", columns, 1_000_000, why=f'"{name}" in ms: whole numbers, a step of {step:g}')
    raise TimeUnknown(
        f'The numbers of "{name}" rise by {step:g} from row to row: they could be seconds or milliseconds. Say which: '
        f"--set '{name}=time[s]' or --set '{name}=time[ms]'."
    )


def _order_of_dates(texts: Sequence[str]) -> tuple[bool, str]:
    """Return whether the day stands before the month, and what is to be said of it."""
    firsts, seconds = set(), set()
    for text in texts:
        found = _DATE.match(text.strip())
        if found is not None:
            firsts.add(int(found[1]))
            seconds.add(int(found[2]))
    if not firsts or max(firsts) > 31:
        return True, ""
    if max(seconds) > 12:
        return False, ", month before day"
    if max(firsts) > 12:
        return True, ", day before month"
    with_points = any("." in text.split(" ")[0] for text in texts)
    order = "day before month" if with_points else "day before month, which is not certain"
    return True, f", {order}"


class TimeReader:
    """Reads the times of the rows, some at a time: ns, NaT-like `BAD` where a cell holds none."""

    BAD: Final = np.iinfo(np.int64).min

    def __init__(self, clock: Clock) -> None:
        self.clock = clock
        self._days = 0
        self._last = -1
        self._rows = 0
        self._dates: dict[str, int | None] = {}

    def numbers(self, values: NDArray[np.float64]) -> NDArray[np.int64]:
        """Return ns of numbers, shape (n,)."""
        # Whole and fraction apart: seconds since 1970 times 1e9 do not fit into the digits of a float64.
        out = np.full(len(values), self.BAD, dtype=np.int64)
        good = np.isfinite(values) & (np.abs(values) * self.clock.unit_ns < 2**62)
        whole = np.floor(values[good])
        rest = values[good] - whole
        out[good] = whole.astype(np.int64) * self.clock.unit_ns + np.rint(rest * self.clock.unit_ns).astype(np.int64)
        return out

    def rows(self, count: int) -> NDArray[np.int64]:
        """Return ns of rows that come at the stated rate."""
        places = np.arange(self._rows, self._rows + count, dtype=np.float64)
        self._rows += count
        return np.rint(places * (NS / self.clock.rate)).astype(np.int64)

    def texts(self, texts: Sequence[str | None], dates: Sequence[str | None] | None = None) -> NDArray[np.int64]:
        """Return ns of clock times, or of dates with clock times (in two columns: `dates` beside them)."""
        out = np.full(len(texts), self.BAD, dtype=np.int64)
        for place, text in enumerate(texts):
            if text is None:
                continue
            day: int | None = None
            words = text.strip()
            if dates is not None:
                day = self._day(dates[place] or "")
            elif self.clock.form == "date-time":
                head, _, words = words.replace("T", " ", 1).partition(" ")
                day = self._day(head)
                words = words.split("+")[0].strip()
            if self.clock.form == "date-time" and day is None:
                continue
            within = clock_ns(words)
            if within is None:
                continue
            if self.clock.form == "clock":
                if self._last >= 0 and within < self._last - DAY_NS // 2:
                    self._days += 1
                self._last = within
                out[place] = within + self._days * DAY_NS
            else:
                out[place] = (day or 0) * DAY_NS + within
        return out

    def _day(self, text: str) -> int | None:
        """Return days since 1970 of a date, None if it is none."""
        if text not in self._dates:
            self._dates[text] = day_of(text, day_first=self.clock.day_first)
        return self._dates[text]


def clock_ns(text: str) -> int | None:
    """Return ns since midnight of a clock time (`21:13:05.25`, `9:13 PM`, `13:05.25`), None if it is none."""
    found = _CLOCK.fullmatch(text)
    if found is None:
        return None
    hours, minutes, seconds, half = found.groups()
    whole, _, part = seconds.replace(",", ".").partition(".")
    ns = int((part + "000000000")[:9])
    if hours is None and half is not None:
        hours, minutes, whole = minutes, whole, "0"  # 9:13 PM; without PM two numbers are minutes and seconds
    hour = int(hours or 0)
    if half is not None:
        hour = hour % 12 + (12 if half.lower() == "pm" else 0)
    return ((hour * 60 + int(minutes)) * 60 + int(whole)) * NS + ns


def day_of(text: str, *, day_first: bool) -> int | None:
    """Return days since 1970 of a date, None if it is none. A year stands in front or behind."""
    found = _DATE.match(text.strip())
    if found is None:
        return None
    one, two, three = (int(part) for part in found.groups())
    if one > 31:
        year, month, day = one, two, three
    else:
        year, month, day = three, *((two, one) if day_first else (one, two))
    year += 2000 if year < 100 else 0
    try:
        return (date(year, month, day) - date(1970, 1, 1)).days
    except ValueError:
        return None


def local_ns(ns: int) -> int:
    """Return ns since 1970 (UTC) of a local date and clock time that was read as if it were UTC."""
    naive = datetime.fromtimestamp(ns // NS, UTC).replace(tzinfo=None)
    return round(naive.astimezone().timestamp()) * NS + ns % NS
