"""A file of cases: read and checked whole against the plan it is for, every problem at once, each with its line."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Annotated, Any, Final, TypeAlias

from pydantic import BeforeValidator, Field, FiniteFloat, ValidationError

from pullwatch.cases.series import LONGEST, Step, length, read_series, read_time
from pullwatch.clock import NS_PER_MS, NS_PER_S
from pullwatch.errors import ExpressionError, Problem, SetupError, nearest
from pullwatch.setup.locate import KeyPath, line_of
from pullwatch.setup.reading import read_toml
from pullwatch.setup.sections import Section
from pullwatch.setup.words import problems_of, written

if TYPE_CHECKING:
    from pathlib import Path
    from typing import TypeVar

    from pullwatch.setup.plan import Plan

    _S = TypeVar("_S", bound=Section)

USUAL_HZ: Final = 50.0
"""How often a channel is sampled whose rate neither the case nor the setup states."""
WITHIN: Final = 20 * NS_PER_MS
"""How far from its stated time an alarm may come."""
QUIET: Final = "quiet"
KEYS: Final = ("setup", "within", "healthy", "case")
MOST_SAMPLES: Final = 2_000_000
"""More samples than this in one case is a rate typed wrongly."""


CaseName: TypeAlias = Annotated[str, Field(min_length=1, max_length=120, pattern=r"^[^\x00-\x1f\x7f]+$")]


def _alone_is_one(value: object) -> object:
    return [value] if isinstance(value, str) else value


class CaseSection(Section):
    """[[case]]: what the channels say, and which alarms that must bring about."""

    name: CaseName
    rule: Annotated[list[str], Field(min_length=1), BeforeValidator(_alone_is_one)] | None = None
    """The rules the case is about: whatever else speaks does not count. None: all there are."""
    series: dict[str, Any] = Field(default_factory=dict)
    rate_hz: dict[str, Annotated[FiniteFloat, Field(gt=0, le=10_000)]] = Field(default_factory=dict)
    lasts: str | None = None
    """None: as long as the longest series."""
    expect: Any


class ExpectSection(Section):
    """One of expect: which rule speaks, and when."""

    rule: str | None = None
    at: str | None = None
    """None: at any time."""
    within: str | None = None


@dataclass(frozen=True, slots=True)
class Expected:
    """A rule (its number) that is to speak at `at` (ns; None: whenever), give or take `within` ns."""

    rule: int
    at: int | None
    within: int


@dataclass(frozen=True, slots=True)
class Case:
    """A case as it is run: `series` and `rates` by channel number, `rules` (numbers) the ones it is about."""

    name: str
    line: int
    rules: frozenset[int]
    series: dict[int, tuple[Step, ...]]
    rates: dict[int, float]
    lasts: int
    expect: tuple[Expected, ...]


@dataclass(frozen=True, slots=True)
class _File:
    """A file of cases as it stands on disk."""

    path: Path
    data: dict[str, Any]
    lines: dict[KeyPath, int]


def setup_of(path: Path) -> Path | None:
    """Return the setup that a file of cases names for itself, from where the file is. Raises SetupError."""
    _, data, lines = read_toml(path, "file of cases")
    named = data.get("setup")
    if named is None:
        return None
    if not isinstance(named, str) or not named:
        what = f"{written(named)} is no file name in quotes."
        raise SetupError(path, [Problem(line_of(lines, ("setup",)), "setup", what)])
    return path.parent / named


def read_cases(path: Path, plan: Plan) -> tuple[Case, ...]:
    """Read a file of cases for a plan. Raises SetupError with everything that is wrong in it."""
    _, data, lines = read_toml(path, "file of cases")
    return _Reader(_File(path, data, lines), plan).cases()


class _Reader:
    """Takes the file apart, gathering problems."""

    def __init__(self, file: _File, plan: Plan) -> None:
        self.file = file
        self.plan = plan
        self.problems: list[Problem] = []
        self.rules = {rule.name: rule.number for rule in plan.rules.rules}
        self.channels = {channel.name: channel for channel in plan.channels}
        self.made = {derived.channel: derived for derived in plan.derived if not derived.amends}
        self.within = WITHIN

    def refuse(self, path: KeyPath, shown: str, what: str, todo: str = "") -> None:
        self.problems.append(Problem(line_of(self.file.lines, path), shown, what, todo))

    def cases(self) -> tuple[Case, ...]:
        data = self.file.data
        for key in data:
            if key not in KEYS:
                known = ", ".join(KEYS)
                self.refuse((key,), key, f"this key is not known{nearest(key, KEYS)}.", f"Known: {known}.")
        if "within" in data:
            self.within = self.time(("within",), "within", data["within"], WITHIN)
        healthy: dict[int, tuple[Step, ...]] = {}
        said = data.get("healthy", {})
        if isinstance(said, dict):
            healthy = self.series(("healthy",), "healthy", said)
        else:
            self.refuse(("healthy",), "healthy", f"{written(said)} is not a table.", "Write [healthy].")
        raw = data.get("case", [])
        if not isinstance(raw, list):
            self.refuse(("case",), "case", "one case alone is still one of several.", "Write [[case]].")
            raw = []
        elif not raw:
            self.refuse((), "case", "there is no [[case]]: nothing would be tried.")
        cases = [self.case(index, each, healthy) for index, each in enumerate(raw)]
        if self.problems:
            raise SetupError(self.file.path, self.problems)
        return tuple(case for case in cases if case is not None)

    def section(self, model: type[_S], raw: object, path: KeyPath, shown: str) -> _S | None:
        try:
            return model.model_validate(raw, strict=True)
        except ValidationError as found:
            self.problems += problems_of(found, model, self.file.lines, path, shown)
            return None

    def case(self, index: int, raw: object, healthy: dict[int, tuple[Step, ...]]) -> Case | None:
        path: KeyPath = ("case", index)
        name = raw.get("name") if isinstance(raw, dict) else None
        shown = f'case "{name}"' if isinstance(name, str) and name else f"case {index + 1}"
        section = self.section(CaseSection, raw, path, shown)
        if section is None:
            return None
        series = {**healthy, **self.series((*path, "series"), f"{shown} series", section.series)}
        rules = [self.rule((*path, "rule"), f"{shown} rule", each) for each in section.rule or ()]
        about = frozenset(rule for rule in rules if rule is not None) if rules else frozenset(self.rules.values())
        lasts = self.lasts(path, shown, section, series)
        rates = self.rates(path, shown, section, series)
        if sum(rate * lasts / NS_PER_S for rate in rates.values()) > MOST_SAMPLES:
            what = f"that is more than {MOST_SAMPLES:,} samples."
            self.refuse(path, shown, what, "Make it shorter, or its channels slower.")
        alone = rules[0] if len(rules) == 1 else None
        expect = self.expect((*path, "expect"), f"{shown} expect", section.expect, alone)
        for each in expect:
            if each.rule not in about and len(self.problems) == 0:
                what = f'"{self.plan.rules.rules[each.rule].name}" is not among the rules the case is about.'
                self.refuse((*path, "expect"), f"{shown} expect", what, "Add it to rule, or take rule out.")
            if each.at is not None and each.at > lasts:
                what = f"{each.at / NS_PER_S:g} s is after the end of the case ({lasts / NS_PER_S:g} s)."
                self.refuse((*path, "expect"), f"{shown} expect", what, "Say how long it lasts: lasts = …")
        return Case(section.name, line_of(self.file.lines, path), about, series, rates, lasts, expect)

    def series(self, path: KeyPath, shown: str, said: dict[str, Any]) -> dict[int, tuple[Step, ...]]:
        found: dict[int, tuple[Step, ...]] = {}
        for name, text in said.items():
            channel = self.channels.get(name)
            if channel is None or name in self.made:
                self.no_channel((*path, name), f"{shown} {name}", name)
                continue
            if isinstance(text, int | float) and not isinstance(text, bool):
                text = repr(text)  # noqa: PLW2901 - a number alone is said for the whole case
            if not isinstance(text, str):
                what = f"{written(text)} is neither a number nor a text."
                self.refuse((*path, name), f"{shown} {name}", what, 'Write for example "0.80 for 0.5 s, 0.95".')
                continue
            try:
                found[channel.number] = read_series(text, channel)
            except (ValueError, ExpressionError) as error:
                what = f"{str(error).rstrip('.')}."
                todo = 'A series is "VALUE for TIME, VALUE to VALUE in TIME, nothing for TIME, doubted for TIME, …".'
                self.refuse((*path, name), f"{shown} {name}", what, todo)
        return found

    def no_channel(self, path: KeyPath, shown: str, name: str) -> None:
        made = self.made.get(name)
        if made is not None:
            self.refuse(path, shown, f"it is made from other channels ({made.describe()}).", "Say those instead.")
            return
        known = [channel for channel in self.channels if channel not in self.made]
        self.refuse(path, shown, f'"{name}" is no channel of this setup{nearest(name, known)}.')

    def rule(self, path: KeyPath, shown: str, name: str) -> int | None:
        number = self.rules.get(name)
        if number is None:
            why = next((f": it is not armed, {lack}" for rule, lack in self.plan.lacking if rule == name), "")
            self.refuse(path, shown, f'"{name}" is no rule of this setup{why or nearest(name, self.rules)}.')
        return number

    def time(self, path: KeyPath, shown: str, text: object, otherwise: int) -> int:
        try:
            return read_time(text if isinstance(text, str) else written(text))
        except ValueError as error:
            self.refuse(path, shown, f"{error}.")
            return otherwise

    def lasts(self, path: KeyPath, shown: str, section: CaseSection, series: dict[int, tuple[Step, ...]]) -> int:
        if section.lasts is None:
            lasts = max((length(steps) for steps in series.values()), default=0)
            if not lasts:
                todo = 'Write for example lasts = "2 s".'
                self.refuse(path, f"{shown} lasts", "is missing, and no series has a time.", todo)
            return lasts
        lasts = self.time((*path, "lasts"), f"{shown} lasts", section.lasts, NS_PER_S)
        if not 0 < lasts <= LONGEST:
            what = f"{section.lasts} is not above 0 and up to {LONGEST // NS_PER_S} s."
            self.refuse((*path, "lasts"), f"{shown} lasts", what)
        return lasts

    def rates(
        self, path: KeyPath, shown: str, section: CaseSection, series: dict[int, tuple[Step, ...]]
    ) -> dict[int, float]:
        """Return how often each channel of the case is sampled, Hz."""
        stated: dict[int, float] = {}
        for name, rate in section.rate_hz.items():
            channel = self.channels.get(name)
            if channel is None or name in self.made:
                self.no_channel((*path, "rate_hz", name), f"{shown} rate_hz {name}", name)
            else:
                stated[channel.number] = rate
        return {number: stated.get(number) or self.plan.rates[number] or USUAL_HZ for number in series}

    def expect(self, path: KeyPath, shown: str, said: object, alone: int | None) -> tuple[Expected, ...]:
        if said == QUIET:
            return ()
        if not isinstance(said, list) or not said:
            what = f"{written(said)} does not say what is to come."
            todo = 'Write "quiet", or a list: ["0.58 s"], or [{ rule = "lean under boost", at = "0.58 s" }].'
            self.refuse(path, shown, what, todo)
            return ()
        found: list[Expected] = []
        for index, each in enumerate(said):
            here = (*path, index)
            section = self.section(
                ExpectSection, {"at": each} if isinstance(each, str) else each, here, f"{shown}[{index + 1}]"
            )
            if section is None:
                continue
            rule = alone
            if section.rule is not None:
                rule = self.rule(here, f"{shown}[{index + 1}] rule", section.rule)
            elif alone is None:
                self.refuse(here, f"{shown}[{index + 1}] rule", "is missing.", "The case is about more than one rule.")
            at = None if section.at is None else self.time(here, f"{shown}[{index + 1}] at", section.at, 0)
            within = self.within
            if section.within is not None:
                within = self.time(here, f"{shown}[{index + 1}] within", section.within, within)
            if rule is not None:
                found.append(Expected(rule, at, within))
        return tuple(found)
