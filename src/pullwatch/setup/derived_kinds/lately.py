"""kind = "lately": whether a channel is, or was a moment ago, beyond a constant, held through not knowing."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated, Final, Literal

from pydantic import Field, FiniteFloat

from pullwatch.channels import Dimension, Quantity
from pullwatch.clock import NS_PER_MS
from pullwatch.derived.lately import Lately
from pullwatch.errors import ExpressionError
from pullwatch.setup.derived_kinds.base import DerivedSection
from pullwatch.setup.derived_kinds.statistics import difference_of
from pullwatch.watchdog.conditions import quantity as read_quantity

if TYPE_CHECKING:
    from collections.abc import Mapping

    from pullwatch.channels import Channel
    from pullwatch.derived import Operator
    from pullwatch.setup.derived_kinds.base import DerivedChecking, KindOfDerived
    from pullwatch.setup.plan import Car


class LatelySection(DerivedSection):
    """A yes or no that outlasts its channel: 1 or 0."""

    kind: Literal["lately"] = "lately"
    of: str
    above: str | None = None
    below: str | None = None
    deadband: str | None = None
    within_ms: Annotated[FiniteFloat, Field(ge=0, le=60_000)] = 2_000.0
    """How long it still counts after it was known to be no more so."""
    held_ms: Annotated[FiniteFloat, Field(ge=0, le=60_000)] = 2_000.0
    """How long the answer stands after the channel has fallen silent: by then its loss was told."""


def _of(channel: Channel) -> Quantity:
    return Quantity(channel.dimension, channel.unit, float("-inf"), float("inf"))


class LatelyKind:
    """Whether something was so a moment ago."""

    section = LatelySection

    def inputs(self, section: LatelySection) -> tuple[str, ...]:
        """Return the name of the channel."""
        return (section.of,)

    def quantity(self, section: LatelySection, channels: Mapping[str, Channel]) -> Quantity | None:  # noqa: ARG002 - the same for all
        """Return that of a yes or no."""
        return Quantity(Dimension.NUMBER, "", 0.0, 1.0)

    def check(self, checking: DerivedChecking, section: LatelySection) -> None:
        """Refuse amounts that are none of the channel's, and a name that is something else."""
        if checking.channel.dimension is not Dimension.NUMBER:
            what = f"it is yes or no, 1 or 0, and {checking.name} is {checking.channel.dimension.value}."
            checking.refuse("kind", what, "Give it another name.")
        source = _of(checking.channels[section.of])
        given = [key for key in ("above", "below") if getattr(section, key) is not None]
        if len(given) != 1:
            what = "is missing." if not given else "a channel is beyond one side only."
            checking.refuse("above", what, "Write above = … or below = …, with its unit.")
        for key, wanted in (("above", source), ("below", source), ("deadband", difference_of(source))):
            text = getattr(section, key)
            if text is None:
                continue
            try:
                amount = read_quantity(text, wanted.dimension, wanted.unit)
            except ExpressionError as error:
                checking.refuse(key, f"{str(error).rstrip('.')}.")
                continue
            if key == "deadband" and amount < 0.0:
                checking.refuse(key, f'"{text}" is not possible: it must be at least 0.')

    def operator(self, section: LatelySection, name: str, channels: Mapping[str, Channel], car: Car) -> Operator:  # noqa: ARG002 - the protocol's
        """Return a new operator."""
        channel = channels[section.of]
        source = _of(channel)
        apart = difference_of(source)
        text = section.above if section.above is not None else section.below
        assert text is not None
        limit = read_quantity(text, source.dimension, source.unit)
        deadband = 0.0 if section.deadband is None else read_quantity(section.deadband, apart.dimension, apart.unit)
        within = round(section.within_ms * NS_PER_MS)
        return Lately(limit, deadband, within, channel.stale_after, above=section.above is not None)

    def describe(self, section: LatelySection) -> str:
        """Return it in words."""
        side, text = ("below", section.below) if section.above is None else ("above", section.above)
        held = f"and for {section.held_ms:g} ms of silence"
        return f"1 if {section.of} was {side} {text} within the last {section.within_ms:g} ms, held in doubt {held}"


LATELY: Final[dict[str, KindOfDerived]] = {"lately": LatelyKind()}
