"""The chain from cylinder to foot, against figures worked out by hand."""

from __future__ import annotations

import pytest

from pullwatch.channels import QUANTITIES, Channel, Delay
from pullwatch.feeds.options import OPTIONS
from pullwatch.setup.chain import Chain, chain, dose_ms, firings
from pullwatch.setup.feed_kinds import KINDS
from pullwatch.watchdog.conditions import Comparison, Lost, Term
from pullwatch.watchdog.rules import DOSE_PER_UNIT_SECOND, Rule

MS = 1_000_000


def channel(name: str, delay: Delay | None = None, stale_after: int = 250) -> Channel:
    """Return a catalogued channel."""
    quantity = QUANTITIES[name]
    return Channel(0, name, quantity.unit, quantity.dimension, stale_after=stale_after * MS, delay=delay or Delay())


def rule(*, on_delay: int = 0, dose: float = 0.0, samples: int = 1, lost: bool = False) -> Rule:
    """Return a rule about channel 0; `on_delay` in ms, `dose` in the unit times s."""
    trip = Lost(0) if lost else Comparison(0, ">", (Term(0.9),))
    return Rule(0, "r", trip, on_delay=on_delay * MS, dose=round(dose * DOSE_PER_UNIT_SECOND), at_least_samples=samples)


def links(found: Chain) -> dict[str, tuple[int, int]]:
    """Return each link's least and most in whole ms."""
    return {part.name: (round(part.least), round(part.most)) for part in found.parts}


@pytest.mark.parametrize(("ms", "count"), [(700, 32), (2_300, 105), (120_000 / 5_500, 1)])
def test_firings(ms: float, count: int) -> None:
    """At 5,500 rpm a cylinder of a four-stroke engine fires 32 times in 0.7 s and 105 times in 2.3 s.

    Source: kinematics, one firing in two turns (computed).
    """
    assert round(firings(ms)) == count


@pytest.mark.parametrize(("excess", "ms"), [(0.02, 400), (0.05, 160), (0.10, 80), (0.20, 40)])
def test_dose_curve(excess: float, ms: float) -> None:
    """A dose of 0.008 lambda s is full after 400 ms at 0.02 over and after 40 ms at 0.20 over (dose / excess)."""
    assert dose_ms(round(0.008 * DOSE_PER_UNIT_SECOND), excess) == pytest.approx(ms)


def test_chain_of_a_lean_rule() -> None:
    """The links of a lambda sensor at 20 Hz with a dose, at 5,500 rpm and 0.10 over.

    The cycle is one to two turns, 60/N to 120/N s = 10.9 to 21.8 ms (kinematics, computed).
    """
    delayed = channel("lambda", Delay(60 * MS, 180 * MS, per_cycle=True))
    found = chain(rule(dose=0.008, samples=2), delayed, 20.0, "serial-line")
    assert links(found) == {
        "cycle": (11, 22),
        "transport": (0, 0),
        "sensor and filter": (60, 180),
        "link": (1, 20),
        "sample period": (0, 50),
        "run-up": (80, 80),
        "judging": (0, 5),
        "sound": (10, 100),
        "person": (300, 1_500),
        "pedal and manifold": (200, 200),
    }
    assert found.before_person == pytest.approx((162.0, 456.8), abs=0.1)
    assert found.whole == pytest.approx((662.0, 2_156.8), abs=0.1)
    assert found.excess == 0.10


def test_transport_is_bounded_where_no_delay_holds_it() -> None:
    """Without a stated delay the way through the exhaust is told apart, as a bound: 2 to 10 ms at full load.

    Source: plug flow V·p/(ṁ·R·T), 1.5 l at 229 g/s and 900 °C: 2.14 ms (computed).
    """
    bare = chain(rule(dose=0.008), channel("lambda"), 20.0, "serial-line")
    assert links(bare)["transport"] == (2, 10)
    assert "transport" not in links(chain(rule(), channel("lambda_target"), 20.0, "can"))
    way = Delay(transport_least=5_500 * MS, transport_most=55_000 * MS)
    assert links(chain(rule(dose=0.008), channel("lambda", way), 20.0, "serial-line"))["transport"] == (1, 10)


def test_samples_lengthen_the_run_up() -> None:
    """A rule that wants four samples at 10 Hz waits 300 ms for them, whatever its on-delay is up to that."""
    found = chain(rule(on_delay=20, samples=4), channel("manifold_pressure"), 10.0, "can")
    assert links(found)["run-up"] == (300, 300)
    assert "cycle" not in links(found)


def test_unstated_rate_is_a_bound_and_no_statement() -> None:
    """A rate nobody stated is bounded by `stale_after`, and left out of what is stated."""
    found = chain(rule(on_delay=100, samples=3), channel("manifold_pressure"), None, "can")
    assert links(found)["sample period"] == (0, 250)
    assert links(found)["further samples"] == (0, 500)
    assert found.before_person[1] == pytest.approx(20 + 250 + 500 + 100 + 105)
    assert found.stated_before_person == pytest.approx(20 + 100 + 105)


@pytest.mark.parametrize(("rate", "silence"), [(20.0, (200, 250)), (2.0, (0, 250)), (None, (0, 250))])
def test_chain_of_a_lost_reading(rate: float | None, silence: tuple[int, int]) -> None:
    """A reading is lost `stale_after` after its last sample, which came up to one period before the cable did."""
    found = chain(rule(lost=True, on_delay=100), channel("lambda"), rate, "serial-line")
    assert links(found)["silence"] == silence
    assert links(found)["run-up"] == (100, 100)
    assert links(found)["link"] == (0, 20)  # what was on its way when the cable came off still arrives
    assert "sensor and filter" not in links(found)


def test_every_kind_of_feed_is_known_to_the_setup() -> None:
    """Every kind of feed has its page in the setup, and the time between wire and read is stated there."""
    assert set(KINDS) == set(OPTIONS)
    for name, kind in KINDS.items():
        least, most, says = kind.link_ms
        assert 0 < least < most or name == "table", "only what is read from a file has no link"
        assert says
