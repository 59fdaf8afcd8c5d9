"""Wall times in the logbook's texts: ns since the Unix epoch and back."""

from __future__ import annotations

import re
from datetime import UTC, datetime, timedelta

from pullwatch.clock import NS_PER_S

_WRITTEN = re.compile(r"(?:(\d{4}-\d\d-\d\d)[T ])?(\d\d?:\d\d(?::\d\d)?)(?:\.(\d{1,9}))?(Z|[+-]\d\d:?\d\d)?")


def in_words(wall: int) -> str:
    """Write a wall time as the owner's clock shows it."""
    return f"{datetime.fromtimestamp(wall / NS_PER_S, UTC).astimezone():%Y-%m-%d %H:%M:%S}"


def exact(wall: int) -> str:
    """Write a wall time to the nanosecond, UTC (ISO 8601)."""
    seconds, ns = divmod(wall, NS_PER_S)
    return f"{datetime.fromtimestamp(seconds, UTC):%Y-%m-%dT%H:%M:%S}.{ns:09d}Z"


def read_time(text: str, now: int) -> int:
    """Return the wall time that a person (or `exact`) wrote.

    A time without a date is the last such time before `now`; without an offset it is the owner's local time. Raises
    ValueError in words.
    """
    found = _WRITTEN.fullmatch(text.strip())
    if not found:
        raise ValueError(f'"{text}" is no time: write 21:40, or 2026-11-25 21:40')
    date, clock, part, offset = found.groups()
    ns = int((part or "0").ljust(9, "0"))
    here = datetime.fromtimestamp(now // NS_PER_S, UTC).astimezone()
    day = date or f"{here:%Y-%m-%d}"
    try:
        moment = datetime.fromisoformat(f"{day}T{clock.zfill(8 if clock.count(':') == 2 else 5)}{offset or ''}")
    except ValueError as error:
        raise ValueError(f'"{text}" is no time: {error}') from error
    if moment.tzinfo is None:
        moment = moment.astimezone()
    if date is None and moment > here + timedelta(minutes=1):
        moment -= timedelta(days=1)
    return int(moment.timestamp()) * NS_PER_S + ns
