"""From the bytes of a recording to a table: decoded again, samples of one read put apart, what is lost is told."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pytest
from tests.live_session import LiveSession
from tests.recording.sessions import WALL
from tests.review.evenings import table_of
from tests.reviewing.recorded import evening, record

from pullwatch.batch import Kind, Record
from pullwatch.clock import NS_PER_MS, NS_PER_S
from pullwatch.columns import column
from pullwatch.recording.reader import Session
from pullwatch.review.runs import runs
from pullwatch.reviewing.gather import Retiming, gather
from pullwatch.reviewing.reading import reviewed
from pullwatch.setup import load as load_setup

if TYPE_CHECKING:
    from pathlib import Path

    from pullwatch.setup import Plan

SETUP = """
[car]
name = "copper hatch"
mass_kg = 1240

[[feed]]
name = "dash"
kind = "serial-line"
port = "socket://127.0.0.1:47999"
baud = 9600
fields = [{ channel = "engine_speed", key = "n" }, { channel = "manifold_pressure", key = "map" },
          { channel = "throttle", key = "th" }, { channel = "barometric_pressure", key = "b" }]

[channel.manifold_pressure]
believable = [10, 250]
full_scale = 250

[review]
accuracy = { manifold_pressure = "2 kPa", engine_speed = "0.5 % of reading" }
rollout_m = [0.25, 0.30]

[[rule]]
name = "overboost"
trip = "manifold_pressure > 205 kPa"
near = "15 kPa"
"""


@pytest.fixture
def plan(tmp_path: Path) -> Plan:
    """Return the plan of a line at 9,600 baud."""
    (tmp_path / "setup.toml").write_text(SETUP, encoding="utf-8")
    return load_setup(tmp_path / "setup.toml")


def test_a_recorded_evening_gives_the_runs_that_were_driven(evening_recorded: Path) -> None:
    """From bytes: the same runs as from what the sensors said, all of it recorded whole, each alarm in its run."""
    table = gather(Session(evening_recorded))
    found, straight = runs(table).runs, runs(table_of(evening())).runs
    assert [(run.kind, run.gears, run.ended) for run in found] == [(run.kind, run.gears, run.ended) for run in straight]
    for run, other in zip(found, straight, strict=True):
        assert run.begin == pytest.approx(other.begin, abs=60 * NS_PER_MS)
        assert run.end == pytest.approx(other.end, abs=60 * NS_PER_MS)
    cards = reviewed(table).cards
    assert [str(card.told[-1]) for card in cards] == ["recorded whole: yes"] * 4
    tripped = [next(line.value for line in card.told if line.label.startswith("tripped")) for card in cards]
    assert tripped[:2] == ["nothing", "nothing"]
    assert tripped[2].startswith("no mixture reading at +5.")
    assert "then lean under boost" in tripped[3]
    assert (table.wall, table.session, table.live) == (WALL, "2026-11-25_20-00-00_copper-hatch", False)
    assert table.car.mass_kg == 1240
    assert table.profile == "dyno"


def test_what_the_setup_says_for_the_review_is_taken(plan: Plan, tmp_path: Path) -> None:
    """Accuracy, rollout, the owner's near band, ceilings; pullwatch's own rules are known as such."""
    session = LiveSession(tmp_path / "session", SETUP)
    session.drive(1.0, n=2_000, map=100, th=20, b=99)
    session.act("mark", text="here")
    session.pass_ms(100)
    session.recorder.close("stopped", "the test is over")
    table = gather(Session(session.folder))
    assert table.accuracy["manifold_pressure"].at(180.0) == 2.0
    assert table.accuracy["engine_speed"].at(6_000.0) == 30.0
    assert table.rollout == (0.25, 0.30)
    assert table.near == {"overboost": 15.0}
    assert table.ceilings == {"manifold_pressure": pytest.approx(245.0)}
    assert "overboost" not in table.automatic
    assert any("is lost" in name or "ceiling" in name for name in table.automatic)
    assert [mark.text for mark in table.marks] == ["here"]
    assert table.get("boost") is not None
    assert plan.car.name == table.car.name


def test_lines_of_one_read_are_put_apart_at_the_lines_own_rate(plan: Plan) -> None:
    """Three lines handed over at once: each comes the time of the bytes behind it before the read."""
    line = b"n=2000\n"
    read = Record(NS_PER_S, 1, Kind.DATA, line * 3)
    speed = plan.channel("engine_speed").number
    times = [NS_PER_S + len(line) * (i + 1) - 1 for i in range(3)]
    retiming = Retiming(plan)
    apart = retiming.apply({speed: column(times, [1.0, 2.0, 3.0])}, [read])[speed]
    per_line = len(line) * 10 * NS_PER_S / 9_600  # ten bits a byte
    assert np.diff(apart.t).tolist() == pytest.approx([per_line, per_line], abs=10)
    assert apart.t[-1] == NS_PER_S + len(line) * 3 - 1
    # What came before stays before, however close the reads are.
    soon = Record(NS_PER_S + 30, 1, Kind.DATA, line * 3)
    later = retiming.apply({speed: column([t + 30 for t in times], [4.0, 5.0, 6.0])}, [soon])[speed]
    assert later.t[0] > apart.t[-1]
    assert (np.diff(later.t) > 0).all()
    assert later.v.tolist() == [4.0, 5.0, 6.0]


def test_what_is_missing_in_a_recording_is_a_gap_in_the_table(tmp_path: Path) -> None:
    """A damaged stretch is told as not recorded, and a run in it is not recorded whole."""
    folder = record(tmp_path / "session", evening("short-pull"))
    part = next(folder.glob("*.mcap"))
    data = bytearray(part.read_bytes())
    middle = len(data) // 2
    data[middle : middle + 2_000] = bytes(2_000)
    part.write_bytes(data)
    table = gather(Session(folder))
    assert len(table.gaps) >= 1
    assert table.notes
    gap = table.gaps[0]
    assert table.missing(gap.begin, gap.end) == [gap]
    inside = [run for run in runs(table).runs if run.begin < gap.end and run.end > gap.begin]
    for card in reviewed(table).cards:
        if card.run in inside:
            assert card.told[-1].value == "no"


def test_a_port_that_went_away_is_an_event_of_the_table(tmp_path: Path) -> None:
    """Lost and found, with the feed's name; the words of the port are kept."""
    session = LiveSession(tmp_path / "session", SETUP)
    session.drive(0.5, n=2_000, map=100, th=20, b=99)
    session._put(Record(session.now + 1, 1, Kind.LOST, b"the cable"), 9)
    session.pass_ms(500)
    session._put(Record(session.now + 1, 1, Kind.FOUND, b"there"), 5)
    session.drive(0.5, n=2_000, map=100, th=20, b=99)
    session.recorder.close("stopped", "the test is over")
    table = gather(Session(session.folder))
    assert [(one.feed, one.what, one.text) for one in table.events] == [
        ("dash", "lost", "the cable"),
        ("dash", "found", "there"),
    ]


@pytest.mark.parametrize(
    ("written", "word"),
    [
        ('accuracy = { lambda = "2 kPa" }', '"lambda" is no channel of this car'),
        ('accuracy = { engine_speed = "2 kPa" }', "kPa is no unit of engine_speed"),
        ('accuracy = { engine_speed = "much" }', "a number with its unit is expected"),
        ('accuracy = { engine_speed = "5" }', "engine_speed"),
        ("rollout_m = [0.4, 0.2]", "is no rollout"),
        ("rollout = 3", "rollout"),
    ],
)
def test_a_wrong_review_section_stops_the_start_in_words(tmp_path: Path, written: str, word: str) -> None:
    """With the line, what is wrong, and what to write."""
    text = SETUP.replace('accuracy = { manifold_pressure = "2 kPa", engine_speed = "0.5 % of reading" }', written)
    text = text.replace("rollout_m = [0.25, 0.30]", "") if written.startswith("rollout") else text
    (tmp_path / "setup.toml").write_text(text, encoding="utf-8")
    with pytest.raises(Exception, match="problem") as told:
        load_setup(tmp_path / "setup.toml")
    assert word in str(told.value)
