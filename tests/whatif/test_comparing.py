"""Alarms of then beside those of other rules: added, removed, moved, and the margin; refused where bytes differ."""

from __future__ import annotations

from itertools import pairwise
from typing import TYPE_CHECKING

import pytest
from typer.testing import CliRunner

from pullwatch.batch import ACTS_FEED, Kind, Record
from pullwatch.cli import app
from pullwatch.clock import NS_PER_MS, NS_PER_S
from pullwatch.errors import SetupError
from pullwatch.recording.reader import Session
from pullwatch.whatif.comparing import compare, lines
from pullwatch.whatif.sameness import same_reading, without_reloads

from .sessions import SETUP, act, damage, lines_with, plan_in, write

if TYPE_CHECKING:
    from pathlib import Path

HOT = 'trip = "coolant_temperature > hottest"'


def heard(*temperatures: tuple[float, float]) -> list[Record]:
    """Return lines of coolant temperature (s, °C), each again every 100 ms until the next."""
    out = []
    for (at, value), (until, _) in pairwise(temperatures):
        for place in range(round((until - at) * 10)):
            t = round(at * NS_PER_S) + place * 100 * NS_PER_MS
            out.append(Record(t, 1, Kind.DATA, f"n=1000;p=40;t={value}\n".encode()))
    return out


@pytest.fixture
def session(tmp_path: Path) -> Session:
    """Return a session hot three times: 107 °C for 5 s, 106 °C for 2 s, 112 °C for 3 s."""
    plan = plan_in(tmp_path)
    records = heard((0, 90), (10, 107), (15, 90), (30, 106), (32, 90), (50, 112), (53, 90), (60, 90))
    for at in (20, 40):
        records.append(act(at * NS_PER_S + 1000, act="acknowledge", rule=None))
        records.append(act(at * NS_PER_S + 2000, act="reset", rule=None))
    return Session(write(tmp_path / "session", plan, records))


def raised(found: list[tuple[str, object]]) -> list[tuple[str, int]]:
    """Return rule and whole seconds."""
    return [(name, change.t // NS_PER_S) for name, change in found]  # type: ignore[attr-defined]


def test_a_higher_limit_removes_and_a_longer_delay_comes_later(tmp_path: Path, session: Session) -> None:
    """The 106 °C are gone, the other two come 500 ms later; the lean rule stays as it was."""
    text = SETUP.replace("value = 105", "value = 106.5").replace("on_delay_ms = 200", "on_delay_ms = 700")
    found = compare(session, plan_in(tmp_path, text, "new.toml"))
    assert raised(list(found.removed)) == [("coolant hot", 30)]
    assert not found.added
    assert [(one.name, one.by) for one in found.moved] == [("coolant hot", 500 * NS_PER_MS)] * 2
    text_of = "\n".join(lines(session, found, texts=True))
    assert text_of.startswith("WHAT IF new.toml had judged session: 0 alarms added, 1 removed, 0 earlier, 2 later, ")
    assert lines_with(text_of, ["removed", "+0:30.2", "coolant hot", "106°C > limit 105°C"])
    assert lines_with(text_of, ["later", "+0:50.7", "coolant hot: by 500.0 ms"])
    assert "coolant hot: on_delay 200 ms then, 700 ms now" in text_of
    assert "limit hottest: 105 then, 106.5 °C now" in text_of
    assert "coolant hot: 7.0 °C beyond the limit then, 5.5 °C beyond the limit so" in text_of


def test_a_lower_limit_adds_and_a_shorter_delay_comes_earlier(tmp_path: Path, session: Session) -> None:
    """A new rule's alarms are added; the old one's come earlier by the whole difference."""
    text = SETUP.replace("on_delay_ms = 200", "on_delay_ms = 50")
    text += '\n[[rule]]\nname = "coolant warm"\ntrip = "coolant_temperature > 110 °C"\npriority = "note"\n'
    found = compare(session, plan_in(tmp_path, text, "new.toml"))
    assert raised(list(found.added)) == [("coolant warm", 50)]
    assert [(one.name, one.by) for one in found.moved] == [("coolant hot", -150 * NS_PER_MS)] * 3
    assert "only now: coolant warm (coolant_temperature > 110 °C)" in "\n".join(lines(session, found, texts=True))


def test_the_same_rules_change_nothing(tmp_path: Path, session: Session) -> None:
    """Exit code 0, and it says so; with another rule exit code 1."""
    plan_in(tmp_path, SETUP, "same.toml")
    said = CliRunner().invoke(app, ["whatif", str(session.folder), "--now", str(tmp_path / "same.toml")])
    assert said.exit_code == 0, said.output
    assert "0 alarms added, 0 removed, 0 earlier, 0 later" in said.output
    assert "margin" not in said.output
    plan_in(tmp_path, SETUP.replace("value = 105", "value = 111"), "new.toml")
    said = CliRunner().invoke(app, ["whatif", str(session.folder), "--rules", str(tmp_path / "new.toml")])
    assert said.exit_code == 1, said.output
    assert "2 removed" in said.output


def test_a_setup_with_fewer_channels_will_do(tmp_path: Path, session: Session) -> None:
    """Only what its rules rest on is needed; rules on what it leaves out are removed."""
    begin, end = SETUP.index('[[feed]]\nname = "wideband"'), SETUP.index("[limit.hottest]")
    text = SETUP[:begin] + SETUP[end:]
    lean = text.index('[[rule]]\nname = "lean under boost"')
    text = text[:lean] + text[text.index('[[rule]]\nname = "coolant hot"') :]
    found = compare(session, plan_in(tmp_path, text, "few.toml"))
    assert all(name.startswith("lambda") or name.endswith("lost") for name, _ in found.removed), found.removed
    assert not found.added
    assert not found.moved
    assert found.same >= 3


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        ('key = "t" }', 'key = "t", unit = "°F" }', "coolant_temperature is taken from ecu otherwise than it was"),
        ('key = "t" }', 'key = "x" }', "coolant_temperature is taken from ecu otherwise"),
        ("believable = [0.6, 1.9]", "believable = [0.6, 1.8]", "lambda has another high than it had"),
        ('name = "wideband"', 'name = "broadband"', 'no feed "broadband" was recorded'),
        ('{ channel = "coolant_temperature", key = "t" }',
         '{ channel = "coolant_temperature", key = "t" }, { channel = "oil_temperature", key = "o" }',
         '"oil_temperature" was no channel then'),
        ('port = "socket://127.0.0.1:47998"', 'port = "socket://127.0.0.1:47998"\nseparator = ","',
         "ecu is read otherwise (separator)"),
    ],
)  # fmt: skip
def test_what_reads_bytes_otherwise_is_refused(tmp_path: Path, session: Session, old: str, new: str, said: str) -> None:
    """Whole, naming what differs and what to do."""
    assert SETUP.count(old) == 1
    plan = plan_in(tmp_path, SETUP.replace(old, new), "other.toml")
    with pytest.raises(SetupError) as refused:
        compare(session, plan)
    assert said in str(refused.value)
    told = CliRunner().invoke(app, ["whatif", str(session.folder), "--rules", str(tmp_path / "other.toml")])
    assert told.exit_code == 2
    assert said in told.output


def test_how_a_port_is_opened_and_how_late_it_speaks_may_differ(tmp_path: Path, session: Session) -> None:
    """Port, baud and a delay decide no value; a delay that decides verdicts is told."""
    text = SETUP.replace("47998", "47000").replace("delay_ms = [40, 100]", "delay_ms = [60, 180]")
    found = compare(session, plan_in(tmp_path, text, "new.toml"))
    assert "lambda has another delay than it had." in found.notes
    assert found.same >= 3


def test_rules_changed_while_it_was_recorded_are_not_those_asked_about(tmp_path: Path) -> None:
    """The new rules count from begin to end; then counts what was told then, the change included."""
    plan = plan_in(tmp_path)
    mild = plan_in(tmp_path, SETUP.replace("value = 105", "value = 120"), "mild.toml")
    records = heard((0, 90), (10, 107), (15, 90), (30, 107), (35, 90), (40, 90))
    records += [
        act(16 * NS_PER_S + 1000, act="acknowledge", rule=None),
        act(16 * NS_PER_S + 2000, act="reset", rule=None),
        act(20 * NS_PER_S + 1000, act="reload", plan=mild.to_dict(), who="me"),
    ]
    session = Session(write(tmp_path / "session", plan, records))
    found = compare(session, plan)
    assert raised(list(found.added)) == [("coolant hot", 30)]
    assert not found.removed
    assert any("rules were changed while it was recorded" in note for note in found.notes)
    emptied, count = without_reloads(records)
    assert count == 1
    assert [r.t for r in emptied] == [r.t for r in records]
    assert not any(r.feed == ACTS_FEED and b"reload" in r.data for r in emptied)


def test_a_gap_is_told_and_does_not_stop_it(tmp_path: Path) -> None:
    """Judging begins anew behind it, on both sides; silence of what is lost raises nothing."""
    plan = plan_in(tmp_path)
    folder = write(tmp_path / "session", plan, heard((0, 90), (10, 107), (15, 90), (30, 106), (35, 90), (40, 90)))
    damage(folder, 0.55)
    session = Session(folder)
    assert session.gaps
    found = compare(session, plan_in(tmp_path, SETUP.replace("on_delay_ms = 200", "on_delay_ms = 400"), "new.toml"))
    assert any("something is lost before" in note for note in found.notes)
    assert [(one.name, one.by) for one in found.moved] == [("coolant hot", 200 * NS_PER_MS)] * 2
    assert not found.added
    assert not found.removed


def test_the_same_reading_is_numbered_as_recorded(tmp_path: Path) -> None:
    """Feeds in another order are known by their names."""
    plan = plan_in(tmp_path)
    first, second = SETUP.index("[[feed]]"), SETUP.index('[[feed]]\nname = "wideband"')
    end = SETUP.index("[channel.lambda]")
    other = plan_in(tmp_path, SETUP[:first] + SETUP[second:end] + SETUP[first:second] + SETUP[end:], "other.toml")
    numbered = {feed.options.name: feed.number for feed in same_reading(plan, other).feeds}
    assert numbered == {"ecu": 1, "wideband": 2}
