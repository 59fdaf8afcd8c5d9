"""The limits of a setup: [limit.NAME] brought to the stored units of what each limits and moves along."""

from __future__ import annotations

import re
from itertools import pairwise
from typing import TYPE_CHECKING, Final

from pullwatch.channels import CHANNEL_NAME, UNITS, bring, suits, unit_named
from pullwatch.errors import UnitError, nearest
from pullwatch.setup.defaults import RESERVED
from pullwatch.setup.findings import words_of
from pullwatch.setup.plan import Limit

if TYPE_CHECKING:
    from collections.abc import Mapping

    from pullwatch.channels import Channel
    from pullwatch.setup.findings import Findings
    from pullwatch.setup.sections import LimitSection

_LEFT: Final = re.compile(r"([a-z][a-z0-9_]*)\s*(?:>=|<=|==|!=|>|<)")
"""The left side of a comparison; the right side reaches to the next one, or to the end."""


class LimitReader:
    """Builds every limit, in file order."""

    def __init__(self, findings: Findings, channels: Mapping[str, Channel]) -> None:
        self.findings = findings
        self.channels = channels
        self.limits: dict[str, Limit] = {}

    def read(self) -> dict[str, Limit]:
        """Return the limits by name; one that is wrong is noted and becomes a ghost."""
        for name, section in self.findings.setup.limits.items():
            limit = None
            if self.named_well(name) and section is not None:
                limit = self.one(name, section)
            if limit is not None:
                self.limits[name] = limit
            elif name not in self.channels:
                self.findings.ghosts.add(name)
        return self.limits

    def refuse(self, name: str, key: str, what: str, todo: str = "") -> None:
        """Note a problem with one key of a limit."""
        self.findings.refuse(("limit", name, key), f"limit.{name} {key}".rstrip(), what, todo)

    def named_well(self, name: str) -> bool:
        """Whether a limit may be called so."""
        if name in self.channels:
            self.refuse(name, "", f'"{name}" is a channel: a limit needs a name of its own.')
        elif not CHANNEL_NAME.fullmatch(name) or name in RESERVED or name in UNITS:
            todo = "Use small letters, digits and _, a letter first, and no unit or word of the rule language."
            self.refuse(name, "", f'"{name}" cannot be the name of a limit.', todo)
        else:
            return True
        return False

    def one(self, name: str, section: LimitSection) -> Limit | None:
        """Build one limit, or note why it cannot be."""
        before = len(self.findings.problems)
        limited = self.limited(name, section)
        along = None
        if section.along is not None:
            along = self.channel(name, "along", section.along)
        self.shape(name, section)
        value = at = None
        if limited is not None:
            value = self.brought(name, "value", section.value, section.unit, limited)
        if along is not None and section.at is not None:
            at = self.brought(name, "at", section.at, section.at_unit, along)
        if len(self.findings.problems) > before or limited is None or value is None:
            return None
        if section.along is None:
            return Limit(name, limited.name, value)
        if at is None:
            return None
        return Limit(name, limited.name, value, section.along, at, section.beyond == "hold")

    def channel(self, name: str, key: str, channel: str) -> Channel | None:
        """Return the channel a key names. None, with the problem noted, if there is none; None if it is a ghost."""
        found = self.channels.get(channel)
        if found is None and channel not in self.findings.ghosts:
            self.refuse(name, key, f'"{channel}" is no channel of this setup{nearest(channel, self.channels)}.')
        return found

    def limited(self, name: str, section: LimitSection) -> Channel | None:
        """Return what a limit limits: as stated, else what the rules hold against it."""
        if section.limits is not None:
            return self.channel(name, "limits", section.limits)
        held = self.held_against(name)
        known = [self.channels[channel] for channel in held if channel in self.channels]
        if not held:
            todo = "Use it in a rule, or say limits = a channel."
            self.refuse(name, "limits", "no rule uses this limit, so that its unit is not known.", todo)
            return None
        if len({channel.dimension for channel in known}) > 1:
            what = f"the rules hold {' and '.join(held)} against it, which are different quantities."
            self.refuse(name, "limits", what, "Say limits = a channel.")
            return None
        return known[0] if known else None

    def held_against(self, name: str) -> list[str]:
        """Return the channels that conditions compare with this limit, in file order."""
        found: list[str] = []
        for text in self.conditions():
            # What stands before, between and after the left sides: rights[i] belongs to lefts[i].
            parts = _LEFT.split(text)
            lefts, rights = parts[1::2], parts[2::2]
            found += [left for left, right in zip(lefts, rights, strict=True) if name in words_of(right)]
        return list(dict.fromkeys(found))

    def conditions(self) -> list[str]:
        """Return every condition text of the file."""
        texts: list[str] = []
        for rule in self.findings.setup.rules:
            if rule is not None:
                texts += [rule.trip, rule.while_ or ""]
        texts += [section.blind_while or "" for section in self.findings.setup.channels.values() if section is not None]
        return texts

    def shape(self, name: str, section: LimitSection) -> None:
        """Refuse points that make no line."""
        at = section.at
        if section.along is None:
            if at is not None or section.at_unit is not None:
                self.refuse(name, "at", "says where, but not along which channel.", 'Add along = "…".')
            if len(section.value) > 1:
                self.refuse(
                    name, "value", "has several values but nothing to move along.", 'Add along = "…" and at = […].'
                )
            return
        if at is None:
            self.refuse(name, "at", "is missing.", f"Write a value of {section.along} for each value of the limit.")
            return
        if len(at) != len(section.value):
            self.refuse(name, "value", f"has {len(section.value)} values for {len(at)} points of at.")
        if any(second <= first for first, second in pairwise(at)):
            self.refuse(name, "at", "the points must rise from one to the next.")

    def brought(
        self, name: str, key: str, numbers: list[float], word: str | None, to: Channel
    ) -> tuple[float, ...] | None:
        """Return numbers in the stored unit of the channel they belong to."""
        if word is None or word == to.unit:
            return tuple(float(number) for number in numbers)
        key = "unit" if key == "value" else "at_unit"
        try:
            unit = unit_named(word, number=numbers[0])
        except UnitError as error:
            self.refuse(name, key, f"{error.what.rstrip('.')}.")
            return None
        if not suits(unit, to.dimension):
            what = f"{word} is not a unit of {to.name}, which is {to.dimension.value} in {to.unit or 'plain numbers'}."
            self.refuse(name, key, what)
            return None
        return tuple(bring(number, unit) for number in numbers)
