"""Every fault on every kind of feed: what must be known is known in time, and no silence gives an all-clear."""

from __future__ import annotations

from pathlib import Path

import pytest

from pullwatch.checks import report
from pullwatch.columns import Why
from pullwatch_sim.wire_faults import FRAMING, KINDS, PORT, TIMING, VALUE
from pullwatch_sim.wire_formats import FORMATS

from .bench import BENCHES
from .fault_table import LASTING, Cell, cell, table

NOTES = Path(__file__).parents[2] / "hardware_notes" / "faults.md"
CELLS = [(kind, name) for name in BENCHES for kind in KINDS]
WITHOUT_CHECK_SUM = frozenset({"serial-line", "can (slcan)"})
"""A turned bit may be a wrong number there, in a message that is whole."""
NO_HARM = frozenset({"duplicated", "counter_back", "flood", "brown_out"})
"""Faults that some feeds get over without a wrong sample and without being silent for too long."""


@pytest.fixture(params=CELLS, ids=lambda one: f"{one[0]} on {one[1]}")
def measured(request: pytest.FixtureRequest) -> Cell:
    """Measure one fault on one kind of feed. The bench itself holds every ledger at every step."""
    kind, name = request.param
    return cell(kind, name)


def test_every_fault_is_as_it_has_to_be(measured: Cell) -> None:
    """Known in time, or without harm, or listed as not detectable; and no other feed loses a byte."""
    if not measured.applies:
        pytest.skip("there can be no such fault on this kind of feed")
    family = KINDS[measured.fault].family
    bound = BENCHES[measured.kind].bound
    if family in (TIMING, FRAMING, PORT):
        _known_in_time(measured, bound)
    if family == VALUE and measured.fault == "impossible":
        assert measured.told
        assert measured.silence <= bound
    if measured.fault not in NO_HARM:
        assert measured.told or (family == VALUE and measured.believed), "seen or listed"
    if measured.fault != "swapped":
        assert measured.others_whole
    if KINDS[measured.fault].family != PORT:
        assert measured.damaged > 0, "the fault was there"


def _known_in_time(measured: Cell, bound: int) -> None:
    """Hold a fault of timing or framing to the bound: lost or at fault so soon after what was believed last."""
    assert not measured.cleared, "no alarm went, no gate opened, no rule was silenced"
    if measured.fault in NO_HARM and not any(found.told for found in measured.findings):
        assert not measured.believed
        return
    assert measured.told
    # Damage that looks like a number is a sample: the time until the silence is known counts anew from it.
    assert measured.silence <= bound
    if not measured.believed:
        return
    # Late readings look like any others; and where there is no check sum, some damage looks like a number.
    assert measured.fault == "delayed" or measured.kind in WITHOUT_CHECK_SUM
    if measured.fault != "delayed":
        assert measured.believed < 0.2 * measured.samples


@pytest.mark.parametrize("name", ["serial-line", "serial-packet", "nmea"])
def test_a_number_that_is_none_is_never_a_value(name: str) -> None:
    """NaN, in text, in a packet's fraction, in a sentence: a fault with the first message."""
    measured = cell("nan", name)
    assert measured.told
    assert not measured.believed
    assert {found.why for found in measured.findings} <= {Why.NOT_A_NUMBER, Why.GARBLED}


@pytest.mark.parametrize("name", [name for name in BENCHES if name != "nmea"])
def test_frozen_is_found_by_what_drives_it(name: str) -> None:
    """A reading that stays as it is, is found when the engine went where it must have moved, and not before."""
    (found,) = cell("stuck", name).findings
    assert found.why in (Why.FROZEN, Why.NOT_PROVED)
    assert found.told is not None
    assert found.after == 0, "once found it is not believed again while it stays"


def test_what_nothing_is_held_against_is_listed_by_check() -> None:
    """A channel whose stuck sensor would not be found stands among the unprotected ones of `check`."""
    for name, bench in BENCHES.items():
        (line,) = [caution for caution in report(bench.plan()).cautions if caution.startswith("Unprotected")] or [""]
        assert (bench.channel in line.split(": ", 1)[-1].rstrip(".").split(", ")) is not cell("stuck", name).told


def test_only_lies_can_give_an_all_clear() -> None:
    """An alarm goes by a fault only if a whole, believable, wrong message said so, never by silence or garbage."""
    clearing = {kind for kind, name in CELLS for _ in cell(kind, name).cleared}
    assert clearing <= {"wrong_value", "bias", "drift", "stuck_bit", "unit_swap"}
    assert clearing, "the lies are told in the direction in which the alarm would go"


def test_lasting_faults_last() -> None:
    """Stuck is left in place until the evening's end: both overruns lie in it."""
    assert frozenset({"stuck"}) == LASTING


def test_the_table_in_the_notes_is_what_is_measured() -> None:
    """The table of hardware_notes/faults.md is this one, cell by cell, measured anew at path time."""
    text = NOTES.read_text(encoding="utf-8")
    assert table() in text
    for kind in KINDS:
        assert f"`{kind}`" in text


def test_every_format_is_on_the_bench() -> None:
    """No format that can be falsified is left out."""
    assert {bench.form for bench in BENCHES.values()} == set(FORMATS)
