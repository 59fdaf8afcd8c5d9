"""The plan an imported log is judged by: its columns as the one feed, the rules of a setup or those of the catalogue.

Without a setup the catalogue gives every rule the channels allow, with its starting values as cautions. With one, its
rules, limits and channels are taken as far as the log has what they rest on; what is left out is named with what it
lacks. Nothing that stands around the car (sound, lamp, broker) is taken: an import is told to nobody.
"""

from __future__ import annotations

import json
import math
import tempfile
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Final

from pullwatch.channels import QUANTITIES
from pullwatch.finding.starting import LAMBDA_LINES, quoted
from pullwatch.finding.telling import DELAYED
from pullwatch.setup import Plan, read_setup, resolve
from pullwatch.setup.derived_kinds import KINDS, STANDARD
from pullwatch.setup.findings import words_of

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping, Sequence

    from pullwatch.exchange.mapping import Decision
    from pullwatch.exchange.survey import Survey
    from pullwatch.setup import Setup
    from pullwatch.setup.sections import LimitSection

FASTEST: Final = 10_000.0
SLOWEST: Final = 0.02
"""Hz a setup may state of a channel; and below which nothing is stated."""


@dataclass(frozen=True, slots=True)
class ImportPlan:
    """The plan, and what of the setup could not be taken: (what, what it lacks)."""

    plan: Plan
    lacking: tuple[tuple[str, str], ...]


def import_plan(
    survey: Survey, decisions: Sequence[Decision], file: str, car: str | None, rules: Path | None
) -> ImportPlan:
    """Return the plan. Raises SetupError for a setup that is wrong, or whose rules cannot go with this log."""
    text = setup_text(survey, decisions, file, car or "imported")
    with tempfile.TemporaryDirectory() as folder:
        written = Path(folder) / "import.toml"
        written.write_text(text, encoding="utf-8")
        ours = read_setup(written)
    if rules is None:
        plan = resolve(ours)
        return ImportPlan(plan, plan.lacking)
    theirs = read_setup(rules)
    resolve(theirs)  # a wrong setup is refused whole, also where this log would not need what is wrong
    joined, lacking = _joined(ours, theirs, car)
    plan = resolve(joined)
    return ImportPlan(plan, (*plan.lacking, *lacking))


def setup_text(survey: Survey, decisions: Sequence[Decision], file: str, car: str) -> str:
    """Return the setup of an import: its feed, its channels with the rates they showed, the catalogue's rules."""
    fields, channels = [], []
    width = len(survey.columns)
    for one in decisions:
        if not one.channel:
            continue
        seen = survey.columns[one.column]
        parts = [f"channel = {quoted(one.channel)}", f"column = {one.column + 1}", f"name = {quoted(seen.name)}"]
        parts += [f"unit = {quoted(one.unit)}"] if one.unit else []
        parts += [f"scale = {one.scale!r}"] if one.scale != 1.0 else []
        parts += [f"offset = {one.offset!r}"] if one.offset else []
        fields.append(f"    {{ {', '.join(parts)} }},")
        lines = [] if one.channel in QUANTITIES else ['unit = ""']
        rate = seen.period.rate
        if SLOWEST <= rate <= FASTEST:
            lines.append(f"rate_hz = {_two_figures(rate)}")
        lines += LAMBDA_LINES if one.channel in DELAYED else ()
        channels += ["", f"[channel.{one.channel}]", *lines] if lines else []
    return "\n".join(
        [
            "# Written by pullwatch import: how a log that somebody else's program wrote was read.",
            "",
            "[car]",
            f"name = {quoted(car)}",
            "",
            "[[feed]]",
            'name = "log"',
            'kind = "table"',
            f"port = {quoted(file)}",
            f"columns = {width}",
            "fields = [",
            *fields,
            "]",
            *channels,
            "",
            "[catalogue]",
            'take = "all that my channels allow"',
            "",
        ]
    )


def _two_figures(rate: float) -> str:
    """Return a rate in two figures and hardly above what was seen: a channel is stale three periods after a sample."""
    step = 10.0 ** (math.floor(math.log10(rate)) - 1)
    return f"{math.floor(rate / step + 0.05) * step:.6g}"


def _joined(ours: Setup, theirs: Setup, car: str | None) -> tuple[Setup, tuple[tuple[str, str], ...]]:
    """Return our feed with their rules, and what of theirs was left out."""
    feeds = {name for feed in ours.feeds for name in feed.gives or ()}
    named = {*QUANTITIES, *STANDARD, *theirs.derived, *feeds}
    named |= {name for feed in theirs.feeds for name in feed.gives or ()}
    lacking: list[tuple[str, str]] = []
    makes = {name: tuple(KINDS[one.kind].inputs(one)) for name, one in STANDARD.items()}
    makes |= {name: tuple(KINDS[one.kind].inputs(one)) for name, one in theirs.derived.items() if one is not None}
    there = _there(feeds, makes)
    derived = {name: one for name, one in theirs.derived.items() if name in there and name not in feeds}

    def missing(text: str) -> list[str]:
        words = words_of(text.replace(" lambda", " ")) if text else set()
        for name in list(words):
            limit = theirs.limits.get(name)
            if limit is not None and limit.along:
                words.add(limit.along)
        return sorted((words & named) - there)

    rules = []
    for rule in theirs.rules:
        if rule is None:
            continue
        lacks = missing(f"{rule.trip} ; {rule.while_ or ''}")
        if lacks:
            lacking.append((rule.name, f"needs {', '.join(lacks)}"))
            continue
        # A condition that is not known never silences, so one that cannot be known is as good as none.
        quiet = rule.silent_while if rule.silent_while and not missing(rule.silent_while) else None
        rules.append(rule if quiet == rule.silent_while else rule.model_copy(update={"silent_while": None}))
    limits: dict[str, LimitSection | None] = {
        name: limit
        for name, limit in theirs.limits.items()
        if limit is None or {limit.along or limit.limits, limit.limits or limit.along} <= {*there, None}
    }
    channels = dict(ours.channels)
    for name, section in theirs.channels.items():
        if section is None or (name not in feeds and name not in derived):
            continue
        keep: dict[str, object] = {}
        if section.blind_while and missing(section.blind_while):
            keep["blind_while"] = None
        if section.frozen_with and section.frozen_with not in there:
            keep["frozen_with"] = ""
        rate = ours.channels[name].rate_hz if ours.channels.get(name) is not None else section.rate_hz  # type: ignore[union-attr] # asked just before
        channels[name] = section.model_copy(update={**keep, "rate_hz": rate, "stale_after_ms": None})
    car_section = theirs.car if car is None or theirs.car is None else theirs.car.model_copy(update={"name": car})
    return (
        replace(
            theirs,
            text=f"{ours.text}\n# The rules of {theirs.path.name} as they stood there:\n{_commented(theirs.text)}",
            lines={("feed", 0): 0, **{path: line for path, line in theirs.lines.items() if path[:1] != ("feed",)}},
            car=car_section,
            feeds=ours.feeds,
            channels=channels,
            derived=derived,
            limits=limits,
            rules=tuple(rules),
            protection={name: text for name, text in theirs.protection.items() if name in there or name in QUANTITIES},
            equipment={},
        ),
        tuple(lacking),
    )


def _there(feeds: Iterable[str], makes: Mapping[str, tuple[str, ...]]) -> set[str]:
    """Return the channels that are fed, and those that can be made of them."""
    there = set(feeds)
    while True:
        more = {name for name, inputs in makes.items() if name not in there and set(inputs) <= there}
        if not more:
            return there
        there |= more


def _commented(text: str) -> str:
    return "\n".join(f"# {line}".rstrip() for line in text.splitlines()) + "\n"


def lacking_words(lacking: Iterable[tuple[str, str]]) -> list[str]:
    """Say what cannot be judged, gathered by what is missing."""
    by: dict[str, list[str]] = {}
    for rule, needs in lacking:
        by.setdefault(needs.removeprefix("needs "), []).append(rule)
    return [f"no {needs}: {', '.join(rules)}" for needs, rules in sorted(by.items())]


def mapping_record(survey: Survey, decisions: Sequence[Decision]) -> list[dict[str, object]]:
    """Return what became of each column, as plain JSON for the start record."""
    out: list[dict[str, object]] = []
    for one in decisions:
        seen = survey.columns[one.column]
        period = seen.period
        out.append(
            {
                "column": seen.name,
                "unit": seen.unit,
                "channel": one.channel,
                "as": str(one.answer),
                "why": one.why,
                "open": one.question,
                "held": period.held,
                "period_ns": period.period,
            }
        )
    json.dumps(out)  # plain JSON, or it is a fault here and not in the recorder
    return out
