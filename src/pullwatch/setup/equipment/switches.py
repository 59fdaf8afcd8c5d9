"""[switch.mark] and [switch.acknowledge]: a switch on any feed that does what a key of the console does.

[switch.mark]
channel = "steering_button"    # any channel of a feed
pressed_above = 0.5            # in the channel's unit; pressed_below for one that is pulled down
settle_ms = 40                 # it must be seen pressed for so long
text = "button"                # what the mark says
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated, Final, Literal

from pydantic import Field, FiniteFloat

from pullwatch.clock import NS_PER_MS
from pullwatch.errors import nearest
from pullwatch.feeds.switches import Switch
from pullwatch.setup.sections import EquipmentSection, Section, Sentence

if TYPE_CHECKING:
    from collections.abc import Iterator

    from pullwatch.acts import Acts
    from pullwatch.setup.plan import Plan

ACTS: Final = ("mark", "acknowledge")


class OneSwitch(Section):
    """Where a switch is, and when it is pressed."""

    channel: str
    pressed_above: FiniteFloat | None = None
    pressed_below: FiniteFloat | None = None
    settle_ms: Annotated[FiniteFloat, Field(ge=0, le=2_000)] = 40.0
    """Contacts bounce for some ms, a single wrong sample is none (common practice, no source)."""

    @property
    def threshold(self) -> float:
        """Where pressed begins, in the channel's unit."""
        said = self.pressed_above if self.pressed_above is not None else self.pressed_below
        return 0.0 if said is None else said

    def bound(self, plan: Plan, acts: Acts, act: Literal["mark", "acknowledge"], text: str = "") -> Switch:
        """Return the switch as it is watched; a press does `act`."""
        channel = plan.channel(self.channel)
        who = f"switch {self.channel}"[:64]
        return Switch(
            channel=channel.number,
            threshold=self.threshold,
            below=self.pressed_above is None,
            settle=round(self.settle_ms * NS_PER_MS),
            stale_after=channel.stale_after,
            press=(lambda: acts.mark(text, who)) if act == "mark" else (lambda: acts.acknowledge(None, who)),
        )


class MarkSwitch(OneSwitch):
    """A switch that marks the moment."""

    text: Sentence | None = None
    """What the mark says; None: nothing but that it was this switch."""


class SwitchSection(EquipmentSection):
    """What each switch is bound to."""

    mark: MarkSwitch | None = None
    acknowledge: OneSwitch | None = None

    def problems(self, plan: Plan) -> Iterator[tuple[str, str, str]]:
        """Yield a channel there is none of, no or two thresholds, and an acknowledgement asked of a driver."""
        for act in ACTS:
            switch: OneSwitch | None = getattr(self, act)
            if switch is None:
                continue
            channels = {channel.name: channel for channel in plan.channels}
            channel = channels.get(switch.channel)
            if channel is None:
                what = f'there is no channel "{switch.channel}"{nearest(switch.channel, channels)}.'
                yield act, what, "Name a channel that a feed gives."
            if (switch.pressed_above is None) is (switch.pressed_below is None):
                yield act, "does not say once when it is pressed.", "Write pressed_above or pressed_below, one of them."
            elif channel is not None and not channel.low <= switch.threshold <= channel.high:
                what = (
                    f"{channel.format(switch.threshold)} is beyond what is believed of {channel.name}: never pressed."
                )
                yield act, what, f"Write a number from {channel.low:g} to {channel.high:g}."
            if channel is not None and switch.settle_ms * NS_PER_MS >= channel.stale_after:
                yield (
                    act,
                    f"settle_ms = {switch.settle_ms:g} is longer than a value of {channel.name} is good.",
                    f"Write less than {channel.stale_after / NS_PER_MS:g}.",
                )
        if self.acknowledge is not None and plan.profile != "dyno":
            what = f"on the {plan.profile} the driver is alone, and a driver is never asked to acknowledge."
            yield (
                "acknowledge",
                what,
                "Take it out, or bind the switch to mark: the sound ends by itself after the lift.",
            )

    def bound(self, plan: Plan, acts: Acts) -> list[Switch]:
        """Return the switches as they are watched."""
        found = []
        if self.mark is not None:
            found.append(self.mark.bound(plan, acts, "mark", self.mark.text or ""))
        if self.acknowledge is not None:
            found.append(self.acknowledge.bound(plan, acts, "acknowledge"))
        return found
