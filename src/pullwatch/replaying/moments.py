"""A moment of a recording as a person names it.

12.5s   250ms   2min   seconds (milliseconds, minutes) since the session began; a bare number is seconds
+1:02.345              the same as the console writes it
21:04:10  21:04        the time of day, as the wall clock of then showed it here
anything else          the text of a mark, or a part of it
"""

from __future__ import annotations

import json
import re
from datetime import datetime
from typing import TYPE_CHECKING, Final

from pullwatch.annunciators.console import session_time
from pullwatch.batch import ACTS_FEED, Kind
from pullwatch.clock import NS_PER_MS, NS_PER_S
from pullwatch.errors import SessionError, nearest

if TYPE_CHECKING:
    from datetime import tzinfo

    from pullwatch.recording.reader import Session

_SPAN: Final = re.compile(r"(\d+(?:\.\d+)?)\s*(ms|s|min|)")
_SHOWN: Final = re.compile(r"\+(\d+):(\d\d(?:\.\d+)?)")
_CLOCK: Final = re.compile(r"([01]?\d|2[0-3]):([0-5]\d)(?::([0-5]\d)(\.\d+)?)?")
_UNITS: Final = {"ms": NS_PER_MS, "s": NS_PER_S, "": NS_PER_S, "min": 60 * NS_PER_S}
_DAY: Final = 24 * 3600 * NS_PER_S
TODO: Final = "Write a time of the session (12.5s, +1:02.5), a time of day (21:04:10), or the text of a mark."


def span(text: str) -> int | None:
    """Return a length of time in ns (12.5s, 250ms, 2min, a bare number is seconds), None if it is none."""
    found = _SPAN.fullmatch(text.strip())
    return None if found is None else round(float(found.group(1)) * _UNITS[found.group(2)])


def marks(session: Session) -> list[tuple[int, str]]:
    """Return the marks in order: when (session ns) and what was noted."""
    out = []
    for record in session.bulk(ACTS_FEED).records():
        if record.kind is not Kind.ACT or b'"mark"' not in record.data:
            continue
        try:
            said = json.loads(record.data)
        except ValueError:
            continue
        if isinstance(said, dict) and said.get("act") == "mark":
            out.append((record.t, str(said.get("text") or "")))
    return out


def moment(session: Session, text: str, zone: tzinfo | None = None) -> int:
    """Return the moment a person means (session ns). Raises SessionError, with the marks there are, if there is none.

    `zone` is where a time of day is read (None: the machine's own).
    """
    text = text.strip()
    length = span(text)
    if length is not None:
        return length
    shown = _SHOWN.fullmatch(text)
    if shown:
        return int(shown.group(1)) * 60 * NS_PER_S + round(float(shown.group(2)) * NS_PER_S)
    clock = _CLOCK.fullmatch(text)
    if clock:
        return _time_of_day(session, text, clock, zone)
    noted = marks(session)
    for whole in (True, False):
        for t, words in noted:
            if (words.casefold() == text.casefold()) if whole else (text.casefold() in words.casefold()):
                return t
    there = "; ".join(f'{session_time(t)} "{words}"' for t, words in noted[:8]) or "none"
    what = f'has no mark "{text}"{nearest(text, [words for _, words in noted])}; its marks: {there}.'
    raise SessionError(session.folder, what, TODO)


def _time_of_day(session: Session, text: str, clock: re.Match[str], zone: tzinfo | None) -> int:
    start = session.wall(0)
    if start is None:
        raise SessionError(session.folder, f"tells no time of day, so {text} is no moment of it.", TODO)
    hour, minute, second, part = clock.groups()
    begun = datetime.fromtimestamp(start // NS_PER_S, zone).astimezone(zone)
    then = begun.replace(hour=int(hour), minute=int(minute), second=int(second or 0))
    wall = round(then.timestamp()) * NS_PER_S + round(float(part or 0) * NS_PER_S)
    length = max(0, session.ending.at_ns)
    # The wall clock may have been set on the way: what it showed at that moment counts, not at the begin.
    for day in (0, _DAY):
        t = wall + day - start
        for _ in range(3):
            showed = session.wall(t)
            t += wall + day - (showed if showed is not None else wall + day)
        if -NS_PER_S < t <= length:
            return max(0, t)
    ends = datetime.fromtimestamp((session.wall(length) or start) // NS_PER_S, zone)
    what = f"goes from {begun:%H:%M:%S} to {ends:%H:%M:%S}; {text} is not in it."
    raise SessionError(session.folder, what, TODO)
