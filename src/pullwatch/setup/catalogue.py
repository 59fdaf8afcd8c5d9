"""The catalogue: ready rules that a setup takes by name, or all for which it has the channels.

The catalogue is TOML in the package (`pullwatch/catalogue/*.toml`), written like a setup: [[rule]], [limit.NAME] with
starting values, [derived.NAME] for the channels its rules make. Its rules have keys of their own:

    note      where the numbers come from
    rests_on  limits that are one of the five numbers: until the setup states them, a critical rule is a caution
    own       limits that only the owner can give: without them the rule is not armed
    needs     channels that the setup itself must give; a list within the list: one of them will do
    silent_while   a list: each is asked only where its channels are there; one that is known to be so silences

`{NAME}` in a condition stands for the first of [gate] NAME whose channels are there. What is taken is put into the
setup as if it had been written there, after its own sections, before names are looked up: the plan keeps it whole, and
a replay needs no catalogue. A rule, limit or derived channel of the setup's own replaces the catalogue's of that name.
"""

from __future__ import annotations

import contextlib
import re
import tomllib
from dataclasses import dataclass, field, replace
from functools import cache
from typing import TYPE_CHECKING, Any, Final

from pullwatch.channels import QUANTITIES
from pullwatch.errors import nearest
from pullwatch.setup.derived_kinds import KINDS, STANDARD
from pullwatch.setup.findings import words_of
from pullwatch.setup.rule_facts import without_act
from pullwatch.setup.sections import LimitSection, RuleSection
from pullwatch.watchdog.alarms import Priority

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Mapping
    from pathlib import Path

    from pullwatch.setup.derived_kinds import DerivedSection
    from pullwatch.setup.findings import Findings
    from pullwatch.setup.locate import KeyPath
    from pullwatch.setup.plan import RuleFacts
    from pullwatch.setup.reading import Setup

_IN_LAMBDA: Final = re.compile(r"(\d)\s*lambda\b")
"""The one unit that is called like a channel."""
_GATE: Final = re.compile(r"\{(\w+)\}")
_OWN_KEYS: Final = frozenset({"note", "rests_on", "own", "needs", "silent_while"})


@dataclass(frozen=True, slots=True)
class Ready:
    """One rule of the catalogue. `keys` are those of a [[rule]], gates not yet filled in."""

    name: str
    keys: Mapping[str, Any]
    note: str
    rests_on: tuple[str, ...] = ()
    own: tuple[str, ...] = ()
    needs: tuple[tuple[str, ...], ...] = ()
    silent_while: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Catalogue:
    """All files of the catalogue together, in order."""

    rules: tuple[Ready, ...]
    limits: Mapping[str, LimitSection]
    derived: Mapping[str, DerivedSection]
    gates: Mapping[str, tuple[str, ...]]


@dataclass(frozen=True, slots=True)
class Taken:
    """A setup with what it takes of the catalogue.

    `lacking`: rules that are not armed, each with what it needs. `notes`: of each rule taken, where its numbers come
    from, and why a critical one is a caution (empty: it is as urgent as it asks to be).
    """

    setup: Setup
    lacking: tuple[tuple[str, str], ...] = ()
    notes: Mapping[str, tuple[str, str]] = field(default_factory=dict)

    def told(self, facts: RuleFacts) -> RuleFacts:
        """Return a rule with where it comes from; one that rests on a number nobody gave is a caution without act."""
        if facts.name not in self.notes:
            return facts
        source, why = self.notes[facts.name]
        if why and facts.priority is Priority.CRITICAL:
            return replace(facts, priority=Priority.CAUTION, says=without_act(facts.says), note=why, source=source)
        return replace(facts, source=source)


@cache
def catalogue() -> Catalogue:
    """Read the catalogue. It is part of the package: what is wrong in it is a fault of ours, and tests find it."""
    from importlib.resources import files  # noqa: PLC0415 - a setup that takes nothing does not wait for it

    rules: list[Ready] = []
    limits: dict[str, LimitSection] = {}
    derived: dict[str, DerivedSection] = {}
    gates: dict[str, tuple[str, ...]] = {}
    folder = files("pullwatch") / "catalogue"
    for file in sorted((each for each in folder.iterdir() if each.name.endswith(".toml")), key=lambda each: each.name):
        data = tomllib.loads(file.read_text(encoding="utf-8"))
        gates |= {name: tuple(texts) for name, texts in data.get("gate", {}).items()}
        limits |= {name: LimitSection.model_validate(raw, strict=True) for name, raw in data.get("limit", {}).items()}
        for name, raw in data.get("derived", {}).items():
            derived[name] = KINDS[raw["kind"]].section.model_validate(raw, strict=True)
        rules += [_ready(raw) for raw in data.get("rule", ())]
    return Catalogue(tuple(rules), limits, derived, gates)


def _ready(raw: Mapping[str, Any]) -> Ready:
    return Ready(
        name=raw["name"],
        keys={key: value for key, value in raw.items() if key not in _OWN_KEYS},
        note=raw["note"],
        rests_on=tuple(raw.get("rests_on", ())),
        own=tuple(raw.get("own", ())),
        needs=tuple(tuple(each) if isinstance(each, list) else (each,) for each in raw.get("needs", ())),
        silent_while=tuple(raw.get("silent_while", ())),
    )


@contextlib.contextmanager
def shipped_cases() -> Iterator[tuple[Path, list[Path]]]:
    """Give the setup by which the catalogue's own cases are run, and their files."""
    from importlib.resources import as_file, files  # noqa: PLC0415 - same

    with as_file(files("pullwatch") / "catalogue" / "cases") as folder:
        yield folder / "setup.toml", sorted(folder.glob("*.cases.toml"))


def take(findings: Findings) -> Taken:
    """Return the setup with the rules it takes, and what they rest on; a name that is none is noted."""
    setup = findings.setup
    section = setup.catalogue
    if section is None or any(feed.gives is None for feed in setup.feeds):
        return Taken(setup)  # which channels there are cannot be told: the feed is refused already
    ready = catalogue()
    names = [rule.name for rule in ready.rules]
    if (section.rules is None) == (section.take is None):
        what = "says which rules twice." if section.rules is not None else "does not say which rules."
        todo = 'Write rules = ["…"], or take = "all that my channels allow".'
        findings.refuse(("catalogue",), "catalogue", what, todo)
    if section.leave_out and section.take is None:
        what = "has a meaning only beside take."
        findings.refuse(("catalogue", "leave_out"), "catalogue leave_out", what, "Take the key out.")
    for key, said in (("rules", section.rules or ()), ("leave_out", section.leave_out)):
        for index, name in enumerate(said):
            if name not in names:
                what = f'"{name}" is no rule of the catalogue{nearest(name, names)}.'
                findings.refuse(("catalogue", key, index), f"catalogue {key}[{index + 1}]", what)
    own = {rule.name for rule in setup.rules if rule is not None}
    wanted = set(names if section.take is not None else section.rules or ()) - set(section.leave_out) - own
    return _Taking(setup, ready).take([rule for rule in ready.rules if rule.name in wanted])


class _Taking:
    """Finds out what a setup has, and puts the rules it can arm into it."""

    def __init__(self, setup: Setup, ready: Catalogue) -> None:
        self.setup = setup
        self.ready = ready
        self.given = {name for feed in setup.feeds for name in feed.gives or ()} | set(setup.derived)
        self._makes = {name: KINDS[made.kind].inputs(made) for name, made in {**STANDARD, **ready.derived}.items()}
        self._named = {*QUANTITIES, *self._makes}

    def take(self, wanted: Iterable[Ready]) -> Taken:
        rules: list[RuleSection] = []
        lacking: list[tuple[str, str]] = []
        notes: dict[str, tuple[str, str]] = {}
        for each in wanted:
            keys = {**each.keys, **{key: self.filled(each.keys[key]) for key in ("while", "trip") if key in each.keys}}
            quiet = [text for text in map(self.filled, each.silent_while) if not self.missing(self.channels_in(text))]
            if quiet:
                keys["silent_while"] = " or ".join(quiet)
            lacks = self.lacks(each, keys)
            if lacks:
                lacking.append((each.name, lacks))
                continue
            rules.append(RuleSection.model_validate(keys, strict=True))
            notes[each.name] = self.note(each)
        texts = [text for rule in rules for text in (rule.trip, rule.while_, rule.silent_while) if text]
        return Taken(self.put(rules, words_of(" ".join(texts))), tuple(lacking), notes)

    def put(self, rules: list[RuleSection], words: set[str]) -> Setup:
        """Return the setup with the rules, and with the limits and channels of the catalogue that they name."""
        setup = self.setup
        limits = {name: each for name, each in self.ready.limits.items() if name in words and name not in setup.limits}
        words |= {each.along for each in (*limits.values(), *setup.limits.values()) if each is not None and each.along}
        derived: dict[str, DerivedSection] = {}
        for name in sorted(words):
            self.make(name, derived)
        line = setup.line("catalogue")
        put: list[KeyPath] = [("rule", len(setup.rules) + index) for index in range(len(rules))]
        put += [("limit", name) for name in limits]
        put += [("derived", name) for name in derived]
        lines = {**setup.lines, **dict.fromkeys(put, line)}
        return replace(
            setup,
            lines=lines,
            rules=(*setup.rules, *rules),
            limits={**setup.limits, **limits},
            derived={**setup.derived, **derived},
        )

    def make(self, name: str, derived: dict[str, DerivedSection]) -> None:
        """Add a channel of the catalogue, and those it is made from."""
        if name in self.given or name in derived:
            return
        if name in self.ready.derived:
            derived[name] = self.ready.derived[name]
        for inner in self._makes.get(name, ()):
            self.make(inner, derived)

    def filled(self, text: str) -> str:
        """Return a condition with its gates filled in: the first whose channels are there, else the first."""

        def gate(found: re.Match[str]) -> str:
            texts = self.ready.gates[found[1]]
            return next((each for each in texts if not self.missing(self.channels_in(each))), texts[0])

        return _GATE.sub(gate, text)

    def channels_in(self, text: str) -> list[str]:
        """Return the channels a condition names, by itself and by way of its limits, in order of the alphabet."""
        words = words_of(_IN_LAMBDA.sub(r"\1", text))
        for name in list(words):
            limit = self.setup.limits.get(name) or self.ready.limits.get(name)
            if limit is not None and limit.along:
                words.add(limit.along)
        return sorted(words & (self._named | self.given))

    def missing(self, names: Iterable[str]) -> list[str]:
        """Return what must be fed for all these channels to be there."""
        found: dict[str, None] = {}
        for name in names:
            if name not in self.given:
                inputs = self._makes.get(name)
                found |= dict.fromkeys([name] if inputs is None else self.missing(inputs))
        return list(found)

    def lacks(self, rule: Ready, keys: Mapping[str, Any]) -> str:
        """Return what a rule needs that is not there, in words; empty if it can be armed."""
        named = self.channels_in(keys["trip"]) + self.channels_in(keys.get("while", ""))
        parts = self.missing(dict.fromkeys(named))
        for choice in rule.needs:
            if not self.given.intersection(choice) and not set(choice).intersection(parts):
                parts.append(" or ".join(choice))
        parts += [f"[limit.{name}], which only you can give" for name in rule.own if name not in self.setup.limits]
        return f"needs {', '.join(parts)}" if parts else ""

    def own(self, name: str) -> bool:
        """Whether the setup gives a limit, and not as a starting value; one that is wrong is refused by itself."""
        limit = self.setup.limits.get(name)
        return name in self.setup.limits and not (limit is not None and limit.starting)

    def note(self, rule: Ready) -> tuple[str, str]:
        unset = [f"[limit.{name}]" for name in rule.rests_on if not self.own(name)]
        if not unset:
            return rule.note, ""
        source = f"{rule.note}; a starting value until you give {' and '.join(unset)}"
        return source, f"until {' and '.join(unset)} is set to this engine's own numbers"
