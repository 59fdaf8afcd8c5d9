"""The shape of a message: what each kind must hold. What comes from a broker is read here and nowhere else."""

from __future__ import annotations

import json
import math
from typing import TYPE_CHECKING, Any, Final, TypeAlias

from pullwatch.publish.topics import ALARM, BIRTH, EVENT, FEEDS, SCHEMA, STATE, VALUES
from pullwatch.watchdog.alarms import STATE_WORDS

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping

MOST_NAMES: Final = 1_000
"""Channels, rules and feeds of a car that are kept; those beyond are rubbish."""
LONGEST_MESSAGE: Final = 256 * 1024
LONGEST_WORDS: Final = 300
LARGEST: Final = 2**53
"""Whole numbers above are not exact everywhere: nothing of ours is as large."""
STATES: Final = frozenset({"live", "catching up", "replay", "monitor gone", "ended", "gone"})
PRIORITIES: Final = ("critical", "caution", "note")

Check: TypeAlias = "Callable[[Any], Any]"
"""Returns what a field says; raises ValueError, TypeError or KeyError where it cannot be that."""
Fields: TypeAlias = "Mapping[str, tuple[bool, Check]]"
"""By name: whether it must be there, and how it is checked."""


def clean(words: str) -> str:
    """Return words that steer no terminal, cut to what fits one."""
    return "".join(c if c.isprintable() else " " for c in words[:LONGEST_WORDS])


def read(kind: str, payload: bytes) -> dict[str, Any] | None:
    """Return what a message says, with nothing in it but what is known and of the right kind; None if it is no message.

    Keys that are not known are left out: a later version may send more.
    """
    if len(payload) > LONGEST_MESSAGE:
        return None
    try:
        said = json.loads(payload, parse_constant=_refuse)
        if not isinstance(said, dict):
            return None
        return _shaped(said, {**_COMMON, **_KINDS[kind]})
    except (ValueError, KeyError, TypeError, RecursionError, OverflowError):
        return None


def _refuse(word: str) -> float:
    raise ValueError(word)


def _words(value: Any) -> str:
    if not isinstance(value, str):
        raise TypeError(value)
    return clean(value)


def _whole(value: Any) -> int:
    if isinstance(value, bool) or not isinstance(value, int) or not -LARGEST <= value <= LARGEST:
        raise TypeError(value)
    return value


def _count(value: Any) -> int:
    if _whole(value) < 0:
        raise ValueError(value)
    return int(value)


def _digits(value: Any) -> int:
    return min(_count(value), 9)


def _number(value: Any) -> float:
    if isinstance(value, bool) or not isinstance(value, int | float) or not math.isfinite(value):
        raise TypeError(value)
    return float(value)


def _yes_no(value: Any) -> bool:
    if not isinstance(value, bool):
        raise TypeError(value)
    return value


def _one_of(words: tuple[str, ...] | frozenset[str]) -> Callable[[Any], str]:
    def check(value: Any) -> str:
        if not isinstance(value, str) or value not in words:
            raise ValueError(value)
        return value

    return check


def _or_none(check: Check) -> Check:
    return lambda value: None if value is None else check(value)


def _several(fields: Fields) -> Callable[[Any], list[dict[str, Any]]]:
    def check(value: Any) -> list[dict[str, Any]]:
        if not isinstance(value, list) or len(value) > MOST_NAMES:
            raise TypeError(value)
        return [_shaped(each, fields) for each in value]

    return check


def _by_name(fields: Fields) -> Callable[[Any], dict[str, dict[str, Any]]]:
    def check(value: Any) -> dict[str, dict[str, Any]]:
        if not isinstance(value, dict) or len(value) > MOST_NAMES:
            raise TypeError(value)
        return {clean(name): _shaped(each, fields) for name, each in value.items()}

    return check


def _shaped(said: Any, fields: Fields) -> dict[str, Any]:
    """Return the known fields of an object, each checked. Raises if one that is needed is missing, or one is wrong."""
    if not isinstance(said, dict):
        raise TypeError(said)
    out = {}
    for name, (needed, check) in fields.items():
        if name in said:
            out[name] = check(said[name])
        elif needed:
            raise KeyError(name)
    return out


_MAYBE: Final = _or_none(_number)


def _this_schema(value: Any) -> int:
    if value != SCHEMA:
        raise ValueError(value)
    return SCHEMA


_COMMON: Final[Fields] = {
    "session": (True, _words),
    "seq": (False, _count),
    "t_ns": (False, _whole),
    "sent_ns": (False, _count),
    "replay": (False, _yes_no),
}
_CHANNEL: Final = {
    "name": (True, _words),
    "unit": (True, _words),
    "says": (False, _words),
    "digits": (True, _digits),
    "stale_ms": (True, _count),
    "interval_ms": (True, _count),
}
_RULE: Final = {
    "name": (True, _words),
    "priority": (True, _one_of(PRIORITIES)),
    "says": (True, _words),
    "channel": (True, _or_none(_words)),
    "op": (True, _words),
}
_VALUE: Final = {
    "age_ms": (True, _count),
    "v": (False, _number),
    "lo": (False, _number),
    "hi": (False, _number),
    "why": (False, _words),
}
_MARGIN: Final = {
    "rule": (True, _words),
    "armed": (True, _or_none(_yes_no)),
    "v": (False, _MAYBE),
    "limit": (False, _MAYBE),
    "margin": (False, _MAYBE),
    "share": (False, _MAYBE),
    "why": (False, _words),
}
_FEED: Final = {
    "open": (True, _yes_no),
    "age_ms": (True, _or_none(_count)),
    "lost": (True, _count),
    "dropped": (True, _count),
    "bad": (True, _count),
}
_NUMBERED: Final = {"seq": (True, _count), "t_ns": (True, _whole)}
_KINDS: Final[Mapping[str, Fields]] = {
    BIRTH: {
        "seq": (True, _count),
        "schema": (True, _this_schema),
        "name": (True, _words),
        "car": (True, _words),
        "profile": (True, _words),
        "channels": (True, _several(_CHANNEL)),
        "rules": (True, _several(_RULE)),
    },
    STATE: {"state": (True, _one_of(STATES)), "says": (False, _words)},
    ALARM: {
        **_NUMBERED,
        "rule": (True, _words),
        "priority": (True, _one_of(PRIORITIES)),
        "says": (True, _words),
        "state": (True, _one_of(frozenset(STATE_WORDS.values()))),
        "event": (True, _words),
        "value": (True, _MAYBE),
        "limit": (True, _MAYBE),
        "unit": (True, _words),
        "first_out": (True, _yes_no),
    },
    VALUES: {**_NUMBERED, "values": (True, _by_name(_VALUE)), "margins": (False, _several(_MARGIN))},
    FEEDS: {**_NUMBERED, "feeds": (True, _by_name(_FEED))},
    EVENT: {
        **_NUMBERED,
        "what": (True, _words),
        "feed": (False, _or_none(_words)),
        "act": (False, _or_none(_words)),
        "rule": (False, _or_none(_words)),
        "says": (False, _or_none(_words)),
    },
}
