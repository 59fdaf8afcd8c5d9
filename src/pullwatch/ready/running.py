"""`pullwatch ready`: all that can be looked at before the first run, go or no-go with reasons, and on the record."""

from __future__ import annotations

import getpass
import json
import time
from contextlib import suppress
from typing import TYPE_CHECKING, Any, Final

from pullwatch.errors import ActError, PullwatchError
from pullwatch.ready.engine import engine_items, moment, sweep_item
from pullwatch.ready.items import Item, Outcome, verdict
from pullwatch.ready.lamp import lamp_item
from pullwatch.ready.listening import from_ports, from_session
from pullwatch.ready.machine import machine_items, sound_items
from pullwatch.ready.outcome import KEPT
from pullwatch.ready.trial import refusal, trial_items, trials
from pullwatch.recording.session import held, info, latest
from pullwatch.setup.equipment import of
from pullwatch.setup.equipment.lamp import LampSection
from pullwatch.watching import send_act

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

    from pullwatch.ready.engine import Heard
    from pullwatch.setup import Plan

LISTEN_S: Final = 1.5
SWEEP_S: Final = 5.0
SOUND_S: Final = 1.2
"""How long the signal sounds in a test: one burst of it."""
REMEMBER: Final = (
    "Readiness is not safety: pullwatch watches and tells, and does not replace the controller's own protections.",
    "A helper watches the screen, never the driver. Closed course or dyno.",
)


class Readiness:
    """One run of the checks. `ask` puts a question to a person and returns the answer; None: nobody is there."""

    def __init__(
        self,
        plan: Plan,
        base: Path,
        root: Path,
        *,
        device: str,
        ask: Callable[[str], str] | None,
        stands: bool = False,
        trip_test: bool = True,
        tell: Callable[[str], None] = print,
    ) -> None:
        self.plan = plan
        self.base = base
        self.root = root
        self.device = device
        self.ask = ask
        self.stands = stands
        self.trip_test = trip_test
        self.tell = tell
        self.items: list[Item] = []
        self.live: Path | None = None

    def run(self) -> bool:
        """Look at everything, tell it, record it; return whether nothing speaks against it."""
        self.live = self._live()
        where = f"the session being watched, {self.live.name}" if self.live else "the ports"
        self.tell(f"Listening to {where} for {LISTEN_S:g} s. The watching is not touched.")
        heard = self._heard(LISTEN_S)
        if heard is not None:
            self._add(*engine_items(self.plan, heard))
            if self.ask is not None and moment(heard) == "stands":
                self._sweep()
        self._add(*machine_items(self.root, self.device))
        if heard is not None and self.trip_test:
            self._trial(heard)
        self.tell("")
        said = verdict(self.items)
        self.tell(said)
        for line in REMEMBER:
            self.tell(line)
        self._record(said)
        return not any(item.outcome is Outcome.NOT_SO for item in self.items)

    def _add(self, *items: Item) -> None:
        self.items += items
        for item in items:
            self.tell(item.line())

    def _live(self) -> Path | None:
        folder = latest(self.root)
        return folder if folder is not None and held(folder) else None

    def _heard(self, seconds: float) -> Heard | None:
        if self.live is not None:
            found = from_session(self.live, seconds)
            if found is None:
                self._add(Item("readings", Outcome.NOT_SO, f"nothing in {self.live.name} is judged: is it stuck?"))
                return None
            if found[0].car != self.plan.car:
                words = f'"{found[0].car.name}" is watched, and the setup is of "{self.plan.car.name}".'
                self._add(Item("setup", Outcome.NOT_SO, words))
            self.plan = found[0]  # what watches decides, not the file
            return found[1]
        try:
            return from_ports(self.plan, self.base, seconds)
        except PullwatchError as error:
            self._add(Item("ports", Outcome.NOT_SO, str(error)))
            return None

    def _sweep(self) -> None:
        name = next((n for n in ("throttle", "pedal") if any(c.name == n for c in self.plan.channels)), None)
        if name is None or self.ask is None:
            return
        answer = self.ask("Engine off, key on: press Enter, then push the pedal to the floor and let go (s skips it): ")
        if answer.strip().lower().startswith("s"):
            self._add(Item("throttle sweep", Outcome.CANNOT_TELL, "skipped."))
            return
        heard = self._heard(SWEEP_S)
        self._add(sweep_item(heard.good(name) if heard is not None else []))

    def _trial(self, heard: Heard) -> None:
        why = refusal(self.plan, heard, unclean=self._unclean(), stands=self.stands)
        if why:
            self._add(Item("trip test", Outcome.CANNOT_TELL, f"not made: {why}"))
            return
        self.tell("TEST: every rule is tripped by a made-up signal, in a second watchdog. The one that watches is not.")
        self._add(*trial_items(list(trials(self.plan))))
        self.tell("TEST: the signal for Lift sounds once.")
        self._add(*self._sounded())
        section = of(self.plan.equipment, "lamp", LampSection)
        if section is not None:
            self._add(*self._flashed(section))

    def _flashed(self, section: LampSection) -> list[Item]:
        """Flash the lamp and ask whether it was seen; while somebody watches, the lamp is theirs."""
        if self.live is not None:
            return [Item("lamp", Outcome.CANNOT_TELL, "what watches holds it: slowly bright and dim means armed.")]
        self.tell("TEST: the lamp flashes as for Lift.")
        item = lamp_item(section)
        if self.ask is None or item.outcome is not Outcome.FINE:
            return [item]
        if self.ask("Was it seen from where the driver sits? (y/n): ").strip().lower().startswith("y"):
            return [item, Item("seen", Outcome.FINE, "a person says so.")]
        return [item, Item("seen", Outcome.NOT_SO, "nobody saw it: another place, or a brighter lamp.")]

    def _sounded(self) -> list[Item]:
        """Sound the critical signal for a moment, and ask whether it was heard."""
        items = [item for item in sound_items(self.device, 1.0, for_s=SOUND_S) if item.subject == "sound"]
        if self.ask is None or not items or items[0].outcome is not Outcome.FINE:
            return items
        if self.ask("Was it heard where the driver sits? (y/n): ").strip().lower().startswith("y"):
            return [Item("heard", Outcome.FINE, "a person says so.")]
        todo = "Louder, another place, an earphone, or a lamp: pullwatch sound-check"
        return [Item("heard", Outcome.NOT_SO, f"nobody heard it. {todo}")]

    def _unclean(self) -> bool:
        """Whether the session before this one was cut off."""
        folder = latest(self.root)
        if folder is None:
            return False
        if folder == self.live:
            before = sorted(each for each in self.root.iterdir() if each.is_dir() and each.name < folder.name)
            if not before:
                return False
            folder = before[-1]
        with suppress(PullwatchError, OSError):
            return info(folder).status == "cut"
        return False

    def _record(self, said: str) -> None:
        """Put the outcome on the record: of the session being watched, else where the next session takes it up."""
        who = getpass.getuser()
        against = [item.line().strip() for item in self.items if item.outcome is not Outcome.FINE]
        if self.live is not None:
            try:
                send_act(self.root, {"act": "mark", "text": f"ready: {said} {' | '.join(against)}"[:1000], "who": who})
            except ActError as error:
                self.tell(f"The outcome could not be put on the record: {error}")
            return
        fact: dict[str, Any] = {
            "car": self.plan.car.name,
            "wall": time.time_ns(),
            "says": said,
            "items": against,
            "who": who,
        }
        try:
            (self.root / KEPT).write_text(json.dumps(fact), encoding="utf-8")
        except OSError as error:
            self.tell(f"The outcome could not be kept: {error.strerror}.")
