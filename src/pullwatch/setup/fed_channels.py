"""The channels of a setup: what the catalogue and [channel.NAME] say of those its feeds give and those made of them."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

from pullwatch.channels import CHANNEL_NAME, NO_DELAY, QUANTITIES, UNITS, Channel, Delay, Quantity
from pullwatch.clock import NS_PER_MS
from pullwatch.errors import nearest
from pullwatch.setup import defaults
from pullwatch.setup.feed_kinds import Usual, usual_of

if TYPE_CHECKING:
    from pullwatch.setup.findings import Findings
    from pullwatch.setup.locate import KeyPath
    from pullwatch.setup.sections import ChannelSection


def ns(ms: float) -> int:
    """Return whole ns of a time in ms."""
    return round(ms * NS_PER_MS)


def given_at(findings: Findings, index: int) -> list[tuple[str, KeyPath]]:
    """Return the channels a feed names and where each stands in the file."""
    gives = findings.setup.feeds[index].gives or ()
    if ("feed", index, "channels") in findings.setup.lines:
        return [(name, ("feed", index, "channels", name)) for name in gives]
    return [(name, ("feed", index, "fields", number, "channel")) for number, name in enumerate(gives)]


class ChannelReader:
    """Builds every channel, in the order of the feeds and of the file within a feed. Their numbers count from 0."""

    def __init__(self, findings: Findings) -> None:
        self.findings = findings
        self.sections = findings.setup.channels
        self.channels: dict[str, Channel] = {}
        self.rates: list[float | None] = []
        self._given: dict[str, str] = {}
        self._all_told = True

    def read(self) -> None:
        """Fill `channels` and `rates`. `blind_while` is left for `read_blinds`: it may name any channel."""
        refuse = self.findings.refuse
        given = self._given
        for index, feed in enumerate(self.findings.setup.feeds):
            shown = f'feed "{feed.name}"' if feed.name else f"feed {index + 1}"
            if feed.gives is None:
                self.findings.ghosts |= {*QUANTITIES, *self.sections}
                self._all_told = False
                continue
            for name, path in given_at(self.findings, index):
                if name not in given:
                    given[name] = shown
                    self.one(name, path, shown, usual_of(feed.options))
                    continue
                by = "twice" if given[name] == shown else f"by {given[name]} already"
                refuse(path, shown, f'"{name}" is given {by}.', "A channel has one source.")

    def unclaimed(self) -> None:
        """Refuse every [channel.NAME] that nothing gives and nothing makes. After the derived channels are there."""
        for name in self.sections:
            if name not in self._given and name not in self.channels and name not in self.findings.setup.derived:
                if not self._all_told:
                    continue
                what = f"no feed gives this channel{nearest(name, self._given)}."
                todo = "Name it in a [[feed]], or take this section out."
                self.findings.refuse(("channel", name), f"channel.{name}", what, todo)

    def derived(
        self, name: str, path: KeyPath, quantity: Quantity | None, trigger: Channel, looks_back: int = 0
    ) -> bool:
        """Build a channel made from others; it is as late, as frequent and as soon stale as its trigger.

        `quantity` is what it stands for if its name is not in the catalogue. One that `looks_back` (ns) over a window
        of a delayed channel speaks of what was up to that much longer ago. Say whether it could be built.
        """
        section = self.sections.get(name)
        if quantity is None or name in QUANTITIES or (section is not None and section.unit is not None):
            quantity = self.quantity(name, section, path, f"derived.{name}")
        elif not CHANNEL_NAME.fullmatch(name) or name in defaults.RESERVED:
            quantity = self.quantity(name, None, path, f"derived.{name}")
        if quantity is None:
            self.findings.ghosts.add(name)
            return False
        if looks_back and not trigger.delay.is_none:
            trigger = replace(trigger, delay=replace(trigger.delay, most=trigger.delay.most + looks_back))
        self._build(name, quantity, section, trigger)
        return True

    def one(self, name: str, path: KeyPath, shown: str, usual: Usual) -> None:
        """Build one channel, or note why it cannot be. `usual` is what its feed takes where nothing is said."""
        section = self.sections.get(name)
        quantity = self.quantity(name, section, path, shown)
        if quantity is None:
            self.findings.ghosts.add(name)
            return
        self._build(name, quantity, section, usual=usual)

    def _build(
        self,
        name: str,
        quantity: Quantity,
        section: ChannelSection | None,
        trigger: Channel | None = None,
        usual: Usual = Usual(),  # noqa: B008 - frozen
    ) -> None:
        low, high = quantity.low, quantity.high
        if section is not None and section.believable is not None:
            low, high = section.believable
            if low >= high:
                what = f"from {low:g} to {high:g} there is nothing to believe."
                self.findings.refuse(
                    ("channel", name, "believable"), f"channel.{name} believable", what, "Write [lowest, highest]."
                )
        rate = None if section is None else section.rate_hz
        if rate is None and trigger is not None:
            rate = self.rates[trigger.number]
        rate = usual.rate_hz if rate is None else rate
        stale = None if section is None else section.stale_after_ms
        stale_after = ns(defaults.stale_after_ms(rate) if stale is None else stale)
        delay = usual.delay if section is None else self.delay(name, quantity, section, usual.delay)
        if trigger is not None:
            stale_after = stale_after if stale is not None else trigger.stale_after
            delay = delay if section is not None and section.delay_ms is not None else trigger.delay
        self.channels[name] = Channel(
            number=len(self.channels),
            name=name,
            unit=quantity.unit,
            dimension=quantity.dimension,
            low=low,
            high=high,
            stale_after=stale_after,
            delay=delay,
            digits=quantity.digits,
            says=quantity.says,
        )
        self.rates.append(rate)
        if rate is not None and stale is not None and stale < 1e3 / rate:
            what = f"{stale:g} ms is less than one period at {rate:g} Hz: the channel would be stale between samples."
            key = "stale_after_ms"
            self.findings.refuse(("channel", name, key), f"channel.{name} {key}", what, "Three periods are usual.")

    def quantity(self, name: str, section: ChannelSection | None, path: KeyPath, shown: str) -> Quantity | None:
        """Return what a channel's name stands for; None, with the problem noted, if that cannot be told."""
        refuse = self.findings.refuse
        if not CHANNEL_NAME.fullmatch(name) or name in defaults.RESERVED:
            todo = "Use small letters, digits and _, a letter first, and no word of the rule language."
            refuse(path, shown, f'"{name}" cannot be the name of a channel.', todo)
            return None
        catalogued = QUANTITIES.get(name)
        if catalogued is not None:
            self.agree(name, section, catalogued)
            return catalogued
        if section is None and name in self.sections:
            return None
        if section is None or section.unit is None:
            what = f'"{name}" is not in the catalogue of channels{nearest(name, QUANTITIES)}.'
            todo = f'If the name is meant, say what it is: [channel.{name}] with unit = "…" ("" for a plain number).'
            refuse(path, shown, what, todo)
            return None
        key = "unit"
        try:
            defaults.dimensions_in(section.unit)
            key = "unit" if section.kind is None else "kind"
            return defaults.uncatalogued(section.unit, section.kind)
        except ValueError as error:
            refuse(("channel", name, key), f"channel.{name} {key}", str(error))
            return None

    def agree(self, name: str, section: ChannelSection | None, catalogued: Quantity) -> None:
        """Refuse a unit or kind that contradicts the catalogue."""
        if section is None:
            return
        if section.unit is not None and section.unit != catalogued.unit:
            kept = catalogued.unit or "plain numbers"
            what = f'this channel is kept in {kept}, not in "{section.unit}".'
            todo = "Take the key out; a field of a feed may have its own unit."
            if section.unit in UNITS and not catalogued.unit:
                todo = "Take the key out, or give the channel a name of its own."
            self.findings.refuse(("channel", name, "unit"), f"channel.{name} unit", what, todo)
        kinds = {catalogued.dimension.value}
        kinds |= {word for word, dimension in defaults.PRESSURE_KINDS.items() if dimension is catalogued.dimension}
        if section.kind is not None and section.kind not in kinds:
            what = f'this channel is {catalogued.dimension.value}, not "{section.kind}".'
            todo = "Take the key out, or give the channel a name of its own."
            self.findings.refuse(("channel", name, "kind"), f"channel.{name} kind", what, todo)

    def delay(self, name: str, quantity: Quantity, section: ChannelSection, usual: Delay) -> Delay:
        """Return the delay of a channel. That of a lambda sensor has the cycle in it too, unless told otherwise.

        `usual` is that of the feed's channels of which nothing is said.
        """
        stated = (section.delay_ms, section.exhaust_litres, section.delay_per_cycle or None)
        if stated == (None, None, None) and not section.time_constant_ms:
            return usual
        least, most = section.delay_ms or (usual.least / NS_PER_MS, usual.most / NS_PER_MS)
        if not 0 <= least <= most <= defaults.LONGEST_DELAY_MS:
            what = f"[{least:g}, {most:g}] is no delay."
            todo = f"Write [least, most] in ms, from 0 to {defaults.LONGEST_DELAY_MS:g}, the least first."
            self.findings.refuse(("channel", name, "delay_ms"), f"channel.{name} delay_ms", what, todo)
            return NO_DELAY
        per_cycle = section.delay_per_cycle
        if per_cycle is None:
            per_cycle = section.delay_ms is not None and defaults.is_lambda_sensor(name, quantity.dimension)
        transport = self.transport(name, quantity, section)
        return Delay(ns(least), ns(most), per_cycle, ns(section.time_constant_ms), *transport)

    def transport(self, name: str, quantity: Quantity, section: ChannelSection) -> tuple[int, int]:
        """Return least and most of the gas's way to the sensor, ns × rpm: the volume over what the engine moves.

        Time = volume × pressure ÷ (mass flow × R × temperature), the mass flow being that of a four-stroke engine:
        volumetric efficiency × manifold pressure × displacement × N ÷ (120 R × intake temperature).
        """
        car = self.findings.setup.car
        if section.exhaust_litres is None:
            return 0, 0
        shown = f"channel.{name} exhaust_litres"
        if not defaults.is_lambda_sensor(name, quantity.dimension):
            what = "is for a sensor in the exhaust gas that passes the engine, a lambda sensor."
            self.findings.refuse(("channel", name, "exhaust_litres"), shown, what, "Take the key out.")
            return 0, 0
        if car is None or car.displacement_cc is None:
            what = "needs the engine's displacement to say anything."
            self.findings.refuse(("channel", name, "exhaust_litres"), shown, what, "Write displacement_cc in [car].")
            return 0, 0
        turning = 120e9 * section.exhaust_litres / (car.displacement_cc / 1e3)
        least, most = defaults.TRANSPORT_SHARE
        return round(least * turning), round(most * turning)
