"""The lamp in the trip test: it flashes as for "Lift", and a person says whether it was seen."""

from __future__ import annotations

import asyncio
from typing import TYPE_CHECKING, Final

from pullwatch.annunciators.lamp import FLASH, Lamp, Level
from pullwatch.batch import Batch
from pullwatch.clock import SessionClock
from pullwatch.ready.items import Item, Outcome

if TYPE_CHECKING:
    from collections.abc import Sequence

    from pullwatch.setup.equipment.lamp import LampSection
    from pullwatch.watchdog.alarms import Change
    from pullwatch.watchdog.rules import RuleSet

FOR_S: Final = 2.0
EVERY_S: Final = 0.025


class _Flashing:
    """What a lamp shows in a test: it flashes, whatever is told."""

    def changed(self, changes: Sequence[Change]) -> None:
        """Nothing has changed."""

    def rules_are(self, rules: RuleSet) -> None:
        """No rule has a say."""

    def level(self, now: int) -> Level:
        """Return bright and dark by turns."""
        return Level.DARK if now // FLASH % 2 else Level.BRIGHT


def lamp_item(section: LampSection, seconds: float = FOR_S) -> Item:
    """Flash the lamp as for "Lift", leave it dark, and return whether its port took that. Nothing else may hold it."""
    return asyncio.run(_flashed(section, seconds))


async def _flashed(section: LampSection, seconds: float) -> Item:
    clock = SessionClock()
    lamp = Lamp(section.board(), _Flashing(), clock)
    lamp.start()
    loop = asyncio.get_running_loop()
    until = loop.time() + seconds
    while loop.time() < until:
        await asyncio.sleep(EVERY_S)
        lamp.take(Batch(clock.now(), ()), ())
    await lamp.stop()
    if lamp.health.last_good < 0:
        why = next((words for words, worse in lamp.news() if worse), "its port took nothing.")
        return Item("lamp", Outcome.NOT_SO, why)
    return Item("lamp", Outcome.FINE, "its port took every flash; that it shone a person must see.")
