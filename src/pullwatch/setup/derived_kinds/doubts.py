"""Doubts, asked for by keys of [channel.NAME]: how fast it may change, what it must follow, how it is proved."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final, Literal, NamedTuple

from pydantic import FiniteFloat  # noqa: TC002 - pydantic reads it

from pullwatch.clock import NS_PER_MS
from pullwatch.derived.doubts import AIR, FAILS, MOVED, Between, Frozen, ManifoldByThrottle, OilBySpeed, Proof, Slew
from pullwatch.setup.defaults import is_lambda_sensor
from pullwatch.setup.derived_kinds.base import DerivedSection

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping

    from pullwatch.channels import Channel, Quantity
    from pullwatch.derived import Operator
    from pullwatch.derived.doubts import Excitation
    from pullwatch.setup.derived_kinds.base import DerivedChecking, KindOfDerived
    from pullwatch.setup.plan import Car
    from pullwatch.setup.sections import ChannelSection

    There = Callable[[str], bool]
    """Says whether the setup has a channel of that name that the doubt may rest on."""

USUAL_SLEW: Final[Mapping[str, tuple[float, float]]] = {
    "manifold_pressure": (-2_500.0, 800.0),
    "engine_speed": (-20_000.0, 20_000.0),
}
"""Units a second, by themselves (common practice, no source). Lambda has none by itself: one doubted sample under boost
is a lost mixture reading, which is a critical alarm, and air in a cut comes near the 20 a second that are usual."""

PERIODS_APART: Final = 2.0
"""Samples are taken to be this many periods apart at least: one may have been lost, and bundles hide the time."""
APART_MS: Final = 50.0
"""The same where no rate is stated: an adapter or a busy machine hands over that much at once."""
SETTLE_MS: Final = 1_000.0
"""How long a partner must stay at either end before anything is asked, where that is not stated."""


@dataclass(frozen=True, slots=True)
class Partner:
    """What a kind of reading is held against by itself."""

    channels: tuple[str, ...]
    excitation: Callable[[], Excitation]
    says: str


USUAL_PARTNERS: Final[Mapping[str, Partner]] = {
    "manifold_pressure": Partner(
        ("throttle", "engine_speed"),
        ManifoldByThrottle,
        "throttle shut on a turning engine, and open or standing, and it moved by less than 5 kPa",
    ),
    "oil_pressure": Partner(
        ("engine_speed",),
        OilBySpeed,
        "engine standing and running, or idling and above 3,000 rpm, and it moved by less than 30 kPa",
    ),
}


class SlewSection(DerivedSection):
    """Asked for by slew_per_s: TOO_FAST beyond it."""

    kind: Literal["slew"] = "slew"
    fall: FiniteFloat
    rise: FiniteFloat
    apart_ms: FiniteFloat


class FrozenSection(DerivedSection):
    """Asked for by frozen_with and its companions: FROZEN when what drives it moved and it did not."""

    kind: Literal["frozen"] = "frozen"
    usual: str = ""
    """The channel whose usual partner is taken; empty: the four keys below count."""
    partner: str = ""
    between: tuple[FiniteFloat, ...] | None = None
    moves: FiniteFloat | None = None
    settle_ms: FiniteFloat = SETTLE_MS


class ProofSection(DerivedSection):
    """Asked for by proof: NOT_PROVED until it is."""

    kind: Literal["proof"] = "proof"
    wanted: bool = True
    """False: only its companion keys stand there."""
    cuts: bool = False
    """Whether overrun fuel cuts can be told, by cut_active and throttle."""
    lean_rail: FiniteFloat | None = None


class Asked(NamedTuple):
    """A doubt that is asked for; `automatic`: by nobody, it is the usual one."""

    section: DerivedSection
    automatic: bool


def ask_slew(name: str, section: ChannelSection | None, there: There) -> Asked | None:  # noqa: ARG001 - it rests on nothing
    """Return the doubt of what changes too fast."""
    asked = None if section is None else section.slew_per_s
    if asked is not None and not asked:
        return None
    # One number alone is refused like two that leave no room.
    limits = USUAL_SLEW.get(name) if asked is None else (asked[0], asked[-1])
    if limits is None:
        return None
    rate = None if section is None else section.rate_hz
    apart = APART_MS if rate is None else PERIODS_APART * 1e3 / rate
    return Asked(SlewSection(fall=limits[0], rise=limits[1], apart_ms=apart), automatic=asked is None)


def ask_frozen(name: str, section: ChannelSection | None, there: There) -> Asked | None:
    """Return the doubt of what does not follow what drives it."""
    usual = USUAL_PARTNERS.get(name)
    partner = None if section is None else section.frozen_with
    own = section is not None and not (
        section.frozen_between is None and section.frozen_moves is None and section.frozen_settle_ms is None
    )
    if section is None or (partner is None and not own):
        there_are = [] if usual is None else [there(channel) for channel in usual.channels]
        if not there_are or not all(there_are):
            return None
        return Asked(FrozenSection(usual=name), automatic=True)
    if partner == "":
        return None
    if not own and usual is not None and partner == usual.channels[0]:
        return Asked(FrozenSection(usual=name), automatic=False)
    between = None if section.frozen_between is None else tuple(section.frozen_between)
    settle = SETTLE_MS if section.frozen_settle_ms is None else section.frozen_settle_ms
    asked = FrozenSection(partner=partner or "", between=between, moves=section.frozen_moves, settle_ms=settle)
    return Asked(asked, automatic=False)


def ask_proof(name: str, section: ChannelSection | None, there: There) -> Asked | None:  # noqa: ARG001 - by its keys alone
    """Return the doubt of a lambda sensor that has not proved itself."""
    if section is None or not (section.proof or section.lean_rail is not None):
        return None
    cuts = section.proof and there("cut_active") and there("throttle")
    return Asked(ProofSection(wanted=section.proof, cuts=cuts, lean_rail=section.lean_rail), automatic=False)


class SlewKind:
    """A reading that changes faster than what it measures can."""

    section = SlewSection

    def inputs(self, section: SlewSection) -> tuple[str, ...]:  # noqa: ARG002 - the same for every section
        """Return nothing: it is held against itself."""
        return ()

    def quantity(self, section: SlewSection, channels: Mapping[str, Channel]) -> Quantity | None:  # noqa: ARG002 - it makes none
        """Return None: it makes no channel."""
        return None

    def check(self, checking: DerivedChecking, section: SlewSection) -> None:
        """Refuse limits that leave no room."""
        if not section.fall < 0 < section.rise:
            what = f"[{section.fall:g}, {section.rise:g}] leaves the channel no way to change."
            checking.refuse("slew_per_s", what, "Write [fastest fall, fastest rise], the first below 0: [-2500, 800].")

    def operator(self, section: SlewSection, name: str, channels: Mapping[str, Channel], car: Car) -> Operator:  # noqa: ARG002 - the protocol's
        """Return a new operator."""
        return Slew(section.fall, section.rise, round(section.apart_ms * NS_PER_MS), channels[name].stale_after)

    def describe(self, section: SlewSection) -> str:
        """Return it in words."""
        return f"if it changes faster than {section.fall:,g} or +{section.rise:,g} a second"


class FrozenKind:
    """A reading that does not follow what drives it."""

    section = FrozenSection

    def inputs(self, section: FrozenSection) -> tuple[str, ...]:
        """Return its partners."""
        if section.usual:
            return USUAL_PARTNERS[section.usual].channels
        return (section.partner,) if section.partner else ()

    def quantity(self, section: FrozenSection, channels: Mapping[str, Channel]) -> Quantity | None:  # noqa: ARG002 - it makes none
        """Return None: it makes no channel."""
        return None

    def check(self, checking: DerivedChecking, section: FrozenSection) -> None:
        """Refuse a partner that is the channel itself, and numbers that are missing or the wrong way about."""
        if section.usual:
            return
        name = checking.name
        if not section.partner:
            checking.refuse("frozen_with", "is missing.", "Name the channel that drives it.")
        elif section.partner == name:
            checking.refuse("frozen_with", f"{name} cannot be held against itself.", "Name the channel that drives it.")
        between = section.between
        if between is None:
            todo = (
                "Write [low, high] of the partner: from at most the one to at least the other, this channel must move."
            )
            checking.refuse("frozen_between", "is missing.", todo)
        elif not between[0] < between[1]:
            checking.refuse(
                "frozen_between", f"from {between[0]:g} to {between[1]:g} nothing rises.", "Write [low, high]."
            )
        if section.moves is None:
            checking.refuse("frozen_moves", "is missing.", "Write by how much this channel must move at least.")

    def operator(self, section: FrozenSection, name: str, channels: Mapping[str, Channel], car: Car) -> Operator:  # noqa: ARG002 - the protocol's
        """Return a new operator."""
        if section.usual:
            return Frozen(USUAL_PARTNERS[section.usual].excitation())
        assert section.between is not None
        assert section.moves is not None
        settle = round(section.settle_ms * NS_PER_MS)
        return Frozen(Between(section.between[0], section.between[1], section.moves, settle))

    def describe(self, section: FrozenSection) -> str:
        """Return it in words."""
        if section.usual:
            return f"if {USUAL_PARTNERS[section.usual].says}"
        assert section.between is not None
        low, high = section.between
        return (
            f"if {section.partner} went from at most {low:g} to at least {high:g} or back, "
            f"{section.settle_ms:g} ms each, and it moved by less than {section.moves:g}"
        )


class ProofKind:
    """A lambda sensor that has shown nothing that proves it."""

    section = ProofSection

    def inputs(self, section: ProofSection) -> tuple[str, ...]:
        """Return engine speed, and what tells of cuts."""
        return ("engine_speed", "cut_active", "throttle") if section.cuts else ("engine_speed",)

    def quantity(self, section: ProofSection, channels: Mapping[str, Channel]) -> Quantity | None:  # noqa: ARG002 - it makes none
        """Return None: it makes no channel."""
        return None

    def check(self, checking: DerivedChecking, section: ProofSection) -> None:
        """Refuse what is no lambda sensor, and a rail without a proof."""
        channel = checking.channel
        if not is_lambda_sensor(channel.name, channel.dimension):
            key = "proof" if section.wanted else "lean_rail"
            checking.refuse(key, f"{channel.name} is no lambda sensor.", "Take the key out.")
        elif not section.wanted:
            checking.refuse("lean_rail", "it says nothing without a proof.", "Write proof = true too, or take it out.")

    def operator(self, section: ProofSection, name: str, channels: Mapping[str, Channel], car: Car) -> Operator:  # noqa: ARG002 - the protocol's
        """Return a new operator."""
        rail = math.inf if section.lean_rail is None else section.lean_rail
        return Proof(channels[name].delay, rail, cuts=section.cuts)

    def describe(self, section: ProofSection) -> str:
        """Return it in words."""
        cuts = f", and again after {FAILS} overrun cuts on which it did not pass {AIR:g}" if section.cuts else ""
        rail = "" if section.lean_rail is None else f"; from {section.lean_rail:g} on it is believed all the same"
        return f"until it moved by {MOVED:g} since the engine was started{cuts}{rail}"


DOUBTS: Final[dict[str, KindOfDerived]] = {"slew": SlewKind(), "frozen": FrozenKind(), "proof": ProofKind()}
ASKED_DOUBTS: Final = {"slew": ask_slew, "frozen": ask_frozen, "proof": ask_proof}
