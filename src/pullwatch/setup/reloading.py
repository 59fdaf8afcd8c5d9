"""Rules changed while watching: what a plan becomes when the rules of another take the place of its own.

Rules, limits and the protection may change; feeds, channels and what is derived may not, for then bytes would have to
be read anew, nor may the profile, which decides who is told how. Every rule keeps its number for as long as the session
lasts, so that a change told before and one told after mean the same rule: a rule that is no longer in the file keeps
its place as one that is removed, and new ones come at the end.
"""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

from pullwatch.errors import Problem, SetupError

if TYPE_CHECKING:
    from collections.abc import Iterator

    from pullwatch.setup.plan import Limit, Plan


def reloaded(old: Plan, new: Plan) -> Plan:
    """Return the plan to go on with. Raises SetupError, naming what differs, when the new one reads other bytes."""
    problems = list(_differences(old, new))
    if problems:
        raise SetupError(new.setup_file, problems)
    wanted = {facts.name: facts for facts in new.facts}
    kept = [wanted.pop(facts.name, replace(facts, removed=True)) for facts in old.facts]
    return replace(new, facts=(*kept, *wanted.values()), limits=_limits(old, new))


def _limits(old: Plan, new: Plan) -> tuple[Limit, ...]:
    """Return the new limits, and those of the old ones that removed rules still name."""
    names = {limit.name for limit in new.limits}
    return (*new.limits, *(limit for limit in old.limits if limit.name not in names))


def _differences(old: Plan, new: Plan) -> Iterator[Problem]:
    todo = "Stop watching and start again to change that; rules, limits and protection may be changed while watching."
    same = {
        "car": old.car == new.car,
        "profile": old.profile == new.profile,
        "feed": [(f.options, f.table) for f in old.feeds] == [(f.options, f.table) for f in new.feeds],
        "derived": old.derived == new.derived,
    }
    yield from (Problem(0, what, "is not the one being watched.", todo) for what, alike in same.items() if not alike)
    if all(same.values()):
        mine, theirs = (
            dict(zip((c.name for c in p.channels), zip(p.channels, p.rates, strict=True), strict=True))
            for p in (old, new)
        )
        changed = sorted(name for name in mine.keys() | theirs.keys() if mine.get(name) != theirs.get(name))
        if changed or list(mine) != list(theirs):
            yield Problem(0, "channel", f"{', '.join(changed) or 'their order'} is not what is being read.", todo)
