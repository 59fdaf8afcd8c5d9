"""What changed between two runs beside what it did, and which slip is of which pass."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import pytest
from tests.review.tables import pull, table
from tests.review.test_runs import launched

from pullwatch.review.given import Changed, Given, Slip
from pullwatch.review.table import S
from pullwatch.reviewing.between import Side, between
from pullwatch.reviewing.matching import match
from pullwatch.reviewing.reading import reviewed

if TYPE_CHECKING:
    from pullwatch.review.answer import Reviewed

WALL = 1_764_000_000 * S
MINUTE = 60 * S
DUTY = Changed("1", WALL + 14 * S, "wastegate_duty", "37", "35", "%")
FUEL = Changed("2", WALL + 14 * S + 1, "fuel", "2", "0", "%", (5_200.0, 6_400.0), (160.0, 200.0))


def two_pulls(*changes: Changed, slips: tuple[Slip, ...] = ()) -> Reviewed:
    """Return a session of two pulls, at 2 and at 20 s."""
    foot = [(0, 10), (2, 10), (2, 100), (8, 100), (8, 0), (20, 0), (20, 100), (26, 100), (26, 0)]
    speed = [(0, 2_000), (2, 2_000), (8, 6_500), (10, 2_000), (20, 2_000), (26, 6_500), (28, 2_000)]
    pressure = [(0, 60), (2, 60), (3, 185), (8, 185), (8.1, 40), (20, 60), (21, 192), (26, 192), (26.1, 40)]
    road = [(0, 53), (2, 53), (8, 172), (10, 53), (20, 53), (26, 172), (28, 53)]
    curves = pull(pedal=foot, engine_speed=speed, manifold_pressure=pressure, vehicle_speed=road)
    made = table(30, curves, wall=WALL, session="evening")
    return reviewed(made, Given(changes=changes, slips=slips))


def sides(session: Reviewed) -> tuple[Side, Side]:
    """Return its two runs."""
    one, two = session.cards
    return Side(session, one), Side(session, two)


def test_one_change_stands_beside_what_it_did() -> None:
    """The change, whether the runs compare, the differences; two runs are only two runs."""
    told = between(*sides(two_pulls(DUTY)))
    text = "\n".join(told.lines())
    assert told.separable
    assert "changed: wastegate duty: 35 to 37 %" in text
    assert "the runs: comparable" in text
    assert "peak boost +7.0 kPa" in text
    assert "may be chance too" in text


def test_two_changes_at_once_are_not_separable() -> None:
    """Marked so, whatever the runs did; one thing changed twice is one."""
    told = between(*sides(two_pulls(DUTY, FUEL)))
    assert not told.separable
    assert told.lines()[-1].startswith("NOT SEPARABLE: 2 things were changed at once")
    assert "fuel: 0 to 2 % (5,200 to 6,400 rpm, 160 to 200 kPa absolute)" in "\n".join(told.lines())
    twice = between(*sides(two_pulls(DUTY, replace(DUTY, uid="3", at=DUTY.at + 5, now="38"))))
    assert twice.separable


def test_changes_before_and_after_are_not_between() -> None:
    """Only what was changed after the one run's end and before the other's begin counts."""
    early, late = replace(DUTY, at=WALL + S), replace(FUEL, at=WALL + 40 * S)
    told = between(*sides(two_pulls(early, late)))
    assert told.changes == ()
    assert "changed: nothing that was written down" in told.lines()


def test_without_a_time_of_day_it_cannot_tell() -> None:
    """A session whose wall clock is not known has no place among the changes."""
    session = two_pulls(DUTY)
    unknown = replace(session, table=replace(session.table, wall=None))
    told = between(*sides(unknown))
    assert told.changes is None
    assert not told.separable
    assert "cannot tell, the time of day" in told.lines()[1]


def test_slips_of_both_runs_are_held_against_each_other() -> None:
    """Point by point that both have."""
    slips = (
        Slip("a", WALL, {"60 ft": 1.95, "660 ft": 8.30}, session="evening", run=1),
        Slip("b", WALL, {"60 ft": 1.91, "1320 ft": 12.9}, session="evening", run=2),
    )
    assert "by the slips: 60 ft -0.040 s" in between(*sides(two_pulls(DUTY, slips=slips))).lines()


def passes(*walls: int) -> list[Reviewed]:
    """Return sessions of one pass of 6.5 s each, which began at these wall times."""
    return [
        reviewed(table(16, launched(9.5), profile="strip", wall=wall, session=f"session {number}"))
        for number, wall in enumerate(walls)
    ]


def test_a_slip_belongs_to_the_only_pass_that_fits() -> None:
    """By the time of day and by how long it lasted; a pull is no pass."""
    slip = Slip("a" * 32, WALL + 3 * MINUTE, {"60 ft": 2.1, "330 ft": 5.1, "660 ft": 6.4})
    (found,) = match([slip], passes(WALL, WALL + 90 * MINUTE))
    assert (found.session, found.run, found.why_not) == ("session 0", 1, "")
    (none,) = match([slip], passes(WALL + 90 * MINUTE))
    assert none.why_not == "no pass was then"
    (long,) = match([replace(slip, times={"1320 ft": 14.0})], passes(WALL))
    assert long.why_not == "no pass lasted as long"
    pulled = reviewed(table(11, pull(), wall=WALL))
    (of_a_pull,) = match([slip], [pulled])
    assert of_a_pull.why_not == "no pass was then"


def test_a_slip_that_fits_two_passes_is_not_guessed() -> None:
    """It names both, and how to say which; what is matched already takes its pass out."""
    slip = Slip("a" * 32, WALL + 10 * MINUTE, {"660 ft": 6.4})
    both = passes(WALL, WALL + 6 * MINUTE)
    (found,) = match([slip], both)
    assert "fits run 1 of session 0, run 1 of session 1" in found.why_not
    other = Slip("b" * 32, WALL, {"660 ft": 6.4}, session="session 0", run=1)
    (rest,) = match([slip, other], both)
    assert (rest.session, rest.run) == ("session 1", 1)
    assert match([other], both) == []


@pytest.mark.parametrize("unset", ["session", "wall"])
def test_a_session_without_a_time_takes_no_slip(unset: str) -> None:
    """Nothing is matched by the length alone."""
    slip = Slip("a" * 32, WALL, {"660 ft": 6.4})
    (one,) = passes(WALL)
    session = replace(one, table=replace(one.table, wall=None)) if unset == "wall" else one
    (found,) = match([slip], [session])
    assert bool(found.why_not) is (unset == "wall")
