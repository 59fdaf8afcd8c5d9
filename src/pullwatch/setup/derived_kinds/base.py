"""What every kind of derived channel has to say to the setup."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Protocol

from pullwatch.channels import suits, unit_named
from pullwatch.errors import UnitError
from pullwatch.setup.sections import Section

if TYPE_CHECKING:
    from collections.abc import Mapping

    from pullwatch.channels import Channel, Quantity
    from pullwatch.derived import Operator
    from pullwatch.setup.findings import Findings
    from pullwatch.setup.plan import Car


class DerivedSection(Section):
    """[derived.NAME]: common to every kind. Unknown keys are refused, with the nearest valid name."""

    kind: str


class KindOfDerived(Protocol):
    """One kind of derived channel, as the setup sees it. `section` is always of the kind's own class."""

    @property
    def section(self) -> type[DerivedSection]:
        """The shape of its section."""

    def inputs(self, section: Any) -> tuple[str, ...]:
        """Return the names of the channels it is made from, the trigger first. An amending kind has its own first."""

    def quantity(self, section: Any, channels: Mapping[str, Channel]) -> Quantity | None:
        """Return what a channel of a name that is not in the catalogue stands for; None: the setup must state it."""

    def check(self, checking: DerivedChecking, section: Any) -> None:
        """Refuse what the shape of the section cannot show. Every input is a channel by then."""

    def operator(self, section: Any, name: str, channels: Mapping[str, Channel], car: Car) -> Operator:
        """Return a new operator."""

    def describe(self, section: Any) -> str:
        """Return how it is made, in half a sentence: "manifold_pressure - barometric_pressure"."""


class DerivedChecking:
    """The derived channel in hand while its kind looks at it."""

    def __init__(self, findings: Findings, channels: Mapping[str, Channel], name: str, *, amends: bool) -> None:
        self.findings = findings
        self.channels = channels
        self.name = name
        self.channel = channels[name]
        self._table = "channel" if amends else "derived"

    def refuse(self, key: str, what: str, todo: str = "") -> None:
        """Note a problem with one key of the section in hand."""
        shown = f"{self._table}.{self.name} {key}".rstrip()
        self.findings.refuse((self._table, self.name, key), shown, what, todo)

    def unit(self, word: str, key: str, channel: Channel | None = None) -> None:
        """Refuse a unit (not empty) that `channel` (the one in hand if not given) cannot be in."""
        channel = channel or self.channel
        if not word:
            return
        try:
            unit = unit_named(word)
        except UnitError as error:
            self.refuse(key, f"{error.what.rstrip('.')}.")
            return
        if not suits(unit, channel.dimension):
            self.refuse(key, f"{unit.word} is not a unit of {channel.name}, which is {channel.dimension.value}.")
