"""The one rule of the watcher itself: it did not watch for a while.

A suspended machine, a process that was stopped, a loop that was stuck: whatever it was, nobody was told of anything
meanwhile. The station puts what it noticed on the record as an act (`{"act": "slept", …}`), and that act raises this
rule's alarm, live and in every replay alike. No condition of its own ever raises it.
"""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, Final

from pullwatch.clock import NS_PER_S
from pullwatch.setup.plan import RuleFacts
from pullwatch.watchdog.acts import SLEPT

if TYPE_CHECKING:
    from pullwatch.setup.plan import Plan

SOUNDS_FOR: Final = 10 * NS_PER_S
"""How long it stands as active before it is latched: three bursts of a caution (common practice, no source)."""


def watched(plan: Plan) -> Plan:
    """Return the plan as it is watched: with the rule of the watcher's own behind all others."""
    if not plan.channels or any(facts.name == SLEPT for facts in plan.facts):
        return plan
    # A gate that is never yes: the rule speaks through the act alone, and clears by itself.
    lost = f"{plan.channels[0].name} is lost"
    fact = RuleFacts(
        name=SLEPT,
        trip=lost,
        while_=f"{lost} and not ({lost})",
        off_delay=SOUNDS_FOR,
        latch=True,
        group="monitor",
        says="Monitor slept.",
        automatic=True,
    )
    return replace(plan, facts=(*plan.facts, fact))
