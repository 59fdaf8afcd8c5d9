"""Topics: how they are laid out, and how a name of a car or a rule becomes one level of a topic.

    ROOT / v1 / CAR / birth          what there is: channels with units, rules, feeds          retained
    ROOT / v1 / CAR / state          live, monitor gone, ended, replay; gone by last will      retained
    ROOT / v1 / CAR / alarm / RULE   where the alarm of a rule stands                          retained
    ROOT / v1 / CAR / feeds          how the feeds are                                         retained
    ROOT / v1 / CAR / values         thinned samples and margins
    ROOT / v1 / CAR / event          what happened: ports lost and found, gaps, acts

The number behind the v changes when a reader of before could misunderstand what is sent.
"""

from __future__ import annotations

from typing import Final
from urllib.parse import quote, unquote_to_bytes

SCHEMA: Final = 1
LONGEST_LEVEL: Final = 240
"""Bytes of one level. A topic may have 65,535; names of cars and rules have 60 characters at most."""

BIRTH: Final = "birth"
STATE: Final = "state"
ALARM: Final = "alarm"
FEEDS: Final = "feeds"
VALUES: Final = "values"
EVENT: Final = "event"
NO_NAME: Final = "%ff"
"""The level of an empty name: an empty level is allowed in MQTT, and drawn as nothing by most tools. No name has this
one, since what is written as %XX of a name has capital letters."""
RETAINED: Final = frozenset({BIRTH, STATE, ALARM, FEEDS})


def level(name: str) -> str:
    """Return a name as one level of a topic: letters, digits, `-`, `_`, `.`, everything else as %XX of its UTF-8.

    So no name holds `/`, `+`, `#`, `$`, a blank or a control character, no two names share a level (but for those of
    more than 240 bytes, which are cut), and `unlevel` gives the name back.
    """
    text = quote(name, safe="").replace("~", "%7E")
    if not text:
        return NO_NAME
    if len(text) <= LONGEST_LEVEL:
        return text
    cut = text[:LONGEST_LEVEL]
    return cut[: cut.rindex("%")] if "%" in cut[-2:] else cut


def unlevel(text: str) -> str:
    """Return the name that a level was made of; whatever does not decode is replaced."""
    return "" if text == NO_NAME else unquote_to_bytes(text).decode("utf-8", "replace")


def base(root: str, car: str) -> str:
    """Return what the topics of a car begin with. `root` is one level as the setup says it."""
    return f"{root}/v{SCHEMA}/{level(car)}"


def topic(root: str, car: str, kind: str, rule: str | None = None) -> str:
    """Return a topic of a car: of `kind`, and for alarms of the rule's name."""
    begins = f"{base(root, car)}/{kind}"
    return begins if rule is None else f"{begins}/{level(rule)}"


def taken_apart(topic: str, root: str) -> tuple[str, str, str | None] | None:
    """Return (car, kind, rule) of a topic of this layout and schema; None for any other."""
    levels = topic.split("/")
    alarm = len(levels) == 5 and levels[3] == ALARM
    if levels[:2] != [root, f"v{SCHEMA}"] or not (alarm or len(levels) == 4):
        return None
    kind = levels[3]
    if kind not in (BIRTH, STATE, ALARM, FEEDS, VALUES, EVENT) or (kind == ALARM) is not alarm:
        return None
    return unlevel(levels[2]), kind, unlevel(levels[4]) if alarm else None
