"""A log becomes a session like any other: judged at its own times, verified, named as imported, never live."""

from __future__ import annotations

import csv
import hashlib
import io
import subprocess
import sys
from typing import TYPE_CHECKING

import numpy as np
import polars as pl
import pytest
from typer.testing import CliRunner

from pullwatch import watching
from pullwatch.batch import Kind
from pullwatch.cli import app
from pullwatch.errors import ActError, PortError, PullwatchError, SessionError
from pullwatch.exchange import exporting, importing, recording_log
from pullwatch.exchange.answers import Memory
from pullwatch.exchange.importing import NoAnswer, Wishes, read_said, run_import, session_of
from pullwatch.exchange.table_reader import read_table
from pullwatch.feeds.kinds import build
from pullwatch.keeping.listing import print_sessions
from pullwatch.recording.reader import Session
from pullwatch.recording.session import end_of, info, latest
from pullwatch.replaying import plan_of, replayed, verify
from pullwatch.watchdog.alarms import Event

from .table_logs import AFR, CLT, KR, MAP, OIL, RPM, THR, Log, evening

if TYPE_CHECKING:
    from pathlib import Path

SCALE = "AFR=lambda[AFR@14.7]"


@pytest.fixture
def root(tmp_path: Path) -> Path:
    return tmp_path / "sessions"


def wishes(tmp_path: Path, *said: str, **more: object) -> Wishes:
    """Return what a script would ask for; nothing is remembered beyond the test."""
    asked = {"yes": True, "memory": Memory(tmp_path / "memory"), "out": io.StringIO(), **more}
    return Wishes(said=read_said(said), **asked)  # type: ignore[arg-type] # as the caller says


def samples(folder: Path) -> dict[str, list[tuple[int, float, int]]]:
    """Return every sample of a session, (t, value, why) by channel."""
    session = Session(folder)
    plan = plan_of(session)
    out: dict[str, list[tuple[int, float, int]]] = {channel.name: [] for channel in plan.channels}
    for step in replayed(plan, session.blocks()):
        for channel in plan.channels:
            if step.batch.columns is not None:
                column = step.batch.columns.get(channel.number)
                if column is not None:
                    out[channel.name] += zip(column.t.tolist(), column.v.tolist(), column.why.tolist(), strict=True)
            else:
                out[channel.name] += [
                    (t, v, why) for t, number, v, why in step.batch.samples or () if number == channel.number
                ]
    return out


def test_a_log_becomes_a_session_that_verifies(tmp_path: Path, root: Path) -> None:
    """Its rows have their own times and values, its alarms are computed again, its file is named by its hash."""
    log = evening()
    path = log.write(tmp_path / "lastnight.csv")
    done = run_import(path, root, wishes(tmp_path, SCALE))
    session = Session(done.folder)
    assert session.check() == []
    assert session.ending.status == "stopped"
    assert verify(session).agree
    about = session.start["imported"]
    assert about["sha256"] == hashlib.sha256(path.read_bytes()).hexdigest()
    assert (about["file"], about["bytes"]) == ("lastnight.csv", path.stat().st_size)
    assert {one["column"]: one["channel"] for one in about["mapping"]}["AFR"] == "lambda"
    held = samples(done.folder)
    t = np.array([t for t, _, _ in held["engine_speed"]])
    assert np.abs(t - t[0] - np.arange(len(t)) * 20_000_000).max() == 0
    assert [v for _, v, _ in held["engine_speed"]] == np.round(log.columns[RPM]).tolist()
    assert len(held["lambda"]) == pytest.approx(len(t) / 4, rel=0.01)
    values = np.array([v for _, v, _ in held["lambda"]])
    assert np.abs(values * 14.7 - np.round(log.columns[AFR], 2)[::4]).max() < 1e-9


def test_a_slow_channel_is_stale_by_its_own_rate(tmp_path: Path, root: Path) -> None:
    """Three periods of what it showed: a coolant temperature of one sample a second is good for three seconds."""
    path = evening(20).write(tmp_path / "log.csv")
    plan = plan_of(Session(run_import(path, root, wishes(tmp_path, SCALE)).folder))
    rates = dict(zip((channel.name for channel in plan.channels), plan.rates, strict=True))
    assert (rates["engine_speed"], rates["lambda"], rates["coolant_temperature"]) == (50.0, 12.0, 1.0)
    assert plan.channel("coolant_temperature").stale_after == 3_000_000_000
    assert plan.channel("lambda").delay.most > 0


def test_the_rows_in_the_session_are_the_file_s_by_two_other_readers(tmp_path: Path, root: Path) -> None:
    """The readers of polars and of Python find the same numbers in the file as stand in the records, bit for bit."""
    path = evening(12.0).only(RPM, MAP, OIL).write(tmp_path / "log.csv")
    folder = run_import(path, root, wishes(tmp_path)).folder
    records = [r for b in Session(folder).blocks() for r in b.records if r.kind is Kind.DATA]
    rows = np.frombuffer(b"".join(r.data for r in records), dtype="<f8").reshape(len(records), -1)
    frame = pl.read_csv(path.read_bytes())
    columns = [frame[name].to_numpy() for name in frame.columns[1:]]
    assert np.array_equal(rows, np.column_stack(columns))
    with path.open() as file:
        again = [[float(cell) for cell in row[1:]] for row in list(csv.reader(file))[1:]]
    assert np.array_equal(rows, np.array(again))


def test_without_the_scale_there_is_no_lambda_and_no_rule_on_it(tmp_path: Path, root: Path) -> None:
    """It is told by name what cannot be judged, and how it would be answered."""
    asked = wishes(tmp_path)
    folder = run_import(evening().write(tmp_path / "log.csv"), root, asked).folder
    plan = plan_of(Session(folder))
    assert "lambda" not in [channel.name for channel in plan.channels]
    assert not any("lambda" in rule.trip_text for rule in plan.rules.rules)
    said = asked.out.getvalue()  # type: ignore[attr-defined] # a StringIO
    assert f"--set '{SCALE}'" in said
    assert "no lambda: lean under boost" in said
    assert "no fuel_pressure: " in said


def test_rules_of_a_setup_judge_at_the_log_s_own_times(tmp_path: Path, root: Path) -> None:
    """Engine speed passes 5,000 rpm in one row: the alarm is raised there. What lacks a column is named."""
    log = evening()
    setup = tmp_path / "car.toml"
    setup.write_text(
        '[car]\nname = "copper hatch"\n\n[[feed]]\nname = "ecu"\nkind = "serial-line"\nport = "socket://127.0.0.1:9"\n'
        'fields = [{ channel = "engine_speed", key = "n" }, { channel = "fuel_pressure", key = "f" }]\n\n'
        '[channel.fuel_pressure]\nrate_hz = 10\n\n[limit.most]\nlimits = "engine_speed"\nvalue = 5000\n\n'
        '[[rule]]\nname = "fast"\ntrip = "engine_speed > most"\nlatch = true\n'
        'priority = "critical"\nsays = "Too fast. Lift."\n\n'
        '[[rule]]\nname = "fuel"\ntrip = "fuel_pressure < 200 kPa"\nsays = "Fuel."\n'
    )
    asked = wishes(tmp_path, rules=setup)
    folder = run_import(log.write(tmp_path / "log.csv"), root, asked).folder
    session = Session(folder)
    assert info(folder).car == "copper hatch"
    (raised,) = [c.change for c in session.changes() if c.event is Event.RAISE and c.name == "fast"]
    first = int(np.flatnonzero(log.columns[RPM] > 5_000)[0])
    t = [t for t, _, _ in samples(folder)["engine_speed"]]
    assert raised.t == t[first]
    assert raised.value == log.columns[RPM][first]
    assert "no fuel_pressure: fuel" in asked.out.getvalue()  # type: ignore[attr-defined] # a StringIO
    assert verify(session).agree


def test_a_standing_latch_of_an_import_is_never_carried_into_a_live_session(tmp_path: Path, root: Path) -> None:
    """Of the same car, and as new as can be: a live session takes nothing from it, and no act goes to it."""
    setup = tmp_path / "car.toml"
    setup.write_text(
        '[car]\nname = "copper hatch"\n\n[[feed]]\nname = "ecu"\nkind = "serial-line"\nport = "socket://127.0.0.1:9"\n'
        'fields = [{ channel = "engine_speed", key = "n" }]\n\n'
        '[[rule]]\nname = "fast"\ntrip = "engine_speed > 5000 rpm"\nlatch = true\n'
        'priority = "critical"\nsays = "Too fast. Lift."\n'
    )
    folder = run_import(evening().write(tmp_path / "log.csv"), root, wishes(tmp_path, rules=setup)).folder
    plan = plan_of(Session(folder))
    one = info(folder)
    assert [alarm.rule for alarm in end_of(folder).standing] == ["fast"]
    assert one.imported == "log.csv"
    assert watching._carried(plan, root, one.start + one.length) == ([], {})
    assert latest(root) is None
    assert latest(root, imports=True) == folder
    with pytest.raises(ActError, match="nothing is being watched"):
        watching.send_act(root, {"act": "acknowledge"})


def test_the_list_names_an_import_as_one(tmp_path: Path, root: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """With the name of its file."""
    run_import(evening(10).write(tmp_path / "log.csv"), root, wishes(tmp_path))
    print_sessions(root)
    assert "whole, imported from log.csv" in capsys.readouterr().out


def test_a_table_cannot_be_watched(tmp_path: Path, root: Path) -> None:
    """The plan of an import names no port: there is nothing to open."""
    folder = run_import(evening(10).write(tmp_path / "log.csv"), root, wishes(tmp_path)).folder
    feed = plan_of(Session(folder)).feeds[0]
    with pytest.raises(PortError, match="nothing to watch"):
        build(feed.options, feed.number, tmp_path)


def test_runs_stand_in_one_session_with_silence_between_them(tmp_path: Path, root: Path) -> None:
    """The file's time begins again: everything is stale before the second run, and the border is in the recording."""
    log = evening(12.0).only(RPM, MAP, THR)
    path = tmp_path / "log.csv"
    text = log.text()
    path.write_text(text + text.split("\n", 1)[1])
    asked = wishes(tmp_path)
    folder = run_import(path, root, asked).folder
    session = Session(folder)
    assert verify(session).agree
    records = [r for b in session.blocks() for r in b.records]
    assert [r.kind for r in records if r.kind is not Kind.DATA] == [Kind.FOUND, Kind.LOST, Kind.FOUND]
    t = np.array([t for t, _, _ in samples(folder)["engine_speed"]])
    assert np.diff(t).max() > 10_000_000_000
    assert [run["row"] for run in session.start["imported"]["runs"]] == [0, 600]
    assert "2 runs" in asked.out.getvalue()  # type: ignore[attr-defined] # a StringIO


def test_the_very_same_is_imported_once(tmp_path: Path, root: Path) -> None:
    """Same bytes, answers and rules: the session is there. Another answer makes another; so does --again."""
    path = evening(10).write(tmp_path / "log.csv")
    first = run_import(path, root, wishes(tmp_path))
    second = run_import(path, root, wishes(tmp_path))
    assert (second.before, second.folder) == (True, first.folder)
    assert run_import(path, root, wishes(tmp_path, SCALE)).folder != first.folder
    assert run_import(path, root, wishes(tmp_path, again=True)).folder not in (first.folder, second.folder)
    assert len(list(root.iterdir())) == 3


def test_other_commands_find_the_session_of_a_file_by_its_bytes(tmp_path: Path, root: Path) -> None:
    """Whatever it is called now; one that was never imported is imported."""
    path = evening(10).write(tmp_path / "log.csv")
    folder = session_of(path, root, wishes(tmp_path))
    renamed = path.rename(tmp_path / "renamed.csv")
    assert session_of(renamed, root, wishes(tmp_path)) == folder
    renamed.write_text(renamed.read_text() + "10.000,900,36.0,0,14.70,200.0,82,0.0\n")
    assert session_of(renamed, root, wishes(tmp_path)) != folder


def test_columns_are_confirmed_once_for_all_files_with_the_heading(tmp_path: Path, root: Path) -> None:
    """Asked at the first file; the second is taken without a question, and the table is shown all the same."""
    asked: list[str] = []

    def ask(words: str) -> str:
        asked.append(words)
        return "14.7" if "on which scale" in words else "yes"

    first = evening(12).write(tmp_path / "a.csv")
    run_import(first, root, wishes(tmp_path, yes=False, ask=ask))
    assert len(asked) == 2
    second = evening(14).write(tmp_path / "b.csv")
    later = wishes(tmp_path, yes=False, ask=None)
    folder = run_import(second, root, later).folder
    assert "lambda" in samples(folder)
    assert "confirmed before" in later.out.getvalue()  # type: ignore[attr-defined] # a StringIO


def test_what_is_remembered_never_stands_against_what_the_numbers_prove(tmp_path: Path, root: Path) -> None:
    """Said to be absolute once: refused in a file where it reads 0 with the engine off, and nothing is imported."""
    log = evening(12)
    pull_only = Log(50, {RPM: log.columns[RPM][400:], MAP: log.columns[MAP][400:]}, log.digits)
    run_import(pull_only.write(tmp_path / "a.csv"), root, wishes(tmp_path, "MAP=manifold_pressure[kPa]"))
    gauge = log.only(RPM, MAP).with_(**{MAP: log.columns[MAP] - 98.6})
    with pytest.raises(PullwatchError, match=r"MAP.*manifold_pressure.*gauge.*with the engine off"):
        run_import(gauge.write(tmp_path / "b.csv"), root, wishes(tmp_path))
    assert len(list(root.iterdir())) == 1


def test_nobody_there_to_ask_imports_nothing(tmp_path: Path, root: Path) -> None:
    """It says how to answer without a person."""
    with pytest.raises(NoAnswer, match="--yes"):
        run_import(evening(10).write(tmp_path / "log.csv"), root, wishes(tmp_path, yes=False))
    assert not root.exists()


def test_an_import_that_fails_leaves_nothing_behind(
    tmp_path: Path, root: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A disk that fills up in the middle: the error is told, and no half session stands anywhere."""
    path = evening(30).write(tmp_path / "log.csv")
    records_of = recording_log.records_of
    calls = []

    def failing(*arguments: object) -> list[object]:
        calls.append(1)
        if len(calls) > 1:
            raise SessionError(root, "the disk is full.")
        return records_of(*arguments)  # type: ignore[arg-type,return-value] # handed on as they came

    monkeypatch.setattr(importing, "records_of", failing)
    monkeypatch.setattr("pullwatch.exchange.table_reader.BLOCK", 10_000)
    with pytest.raises(SessionError, match="disk is full"):
        run_import(path, root, wishes(tmp_path))
    assert list(root.iterdir()) == []


def test_the_command_line_imports_without_a_prompt(tmp_path: Path, root: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """--yes and --set take the place of a person; without them and a terminal nothing is done; exit codes say so."""
    path = str(evening(20).write(tmp_path / "lastnight.csv"))
    monkeypatch.setenv("PULLWATCH_SESSIONS", str(root))
    monkeypatch.setenv("XDG_DATA_HOME", str(tmp_path / "data"))
    runner = CliRunner()
    for arguments, says in (
        ((path,), "--yes"),
        ((path, "--yes", "--set", "AFR=lambda[AFR]"), "scale"),
        ((path, "--yes", "--dbc", "bus.dbc"), "no log of CAN frames"),
        ((str(tmp_path / "nowhere.csv"), "--yes"), "cannot be read"),
        ((path, "--yes", "--rules", str(tmp_path / "nowhere.toml")), "cannot be read"),
    ):
        refused = runner.invoke(app, ["import", *arguments])
        assert refused.exit_code == 2
        assert says in refused.output
    done = subprocess.run(
        [sys.executable, "-m", "pullwatch", "import", path, "--yes", "--set", SCALE, "--car", "copper hatch"],
        capture_output=True, text=True, check=False, stdin=subprocess.DEVNULL,
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    assert "as you said" in done.stdout
    (folder,) = root.iterdir()
    assert folder.name.endswith("_copper-hatch")
    checked = runner.invoke(app, ["replay", "last", "--verify"])
    assert checked.exit_code == 0, checked.output
    assert list((tmp_path / "data" / "pullwatch" / "imports").iterdir())


def test_what_is_read_at_a_time_is_bounded(tmp_path: Path, root: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """However long the file, no chunk is larger than a block of it, and the session does not depend on the blocks."""
    path = evening(40).write(tmp_path / "log.csv")
    whole = samples(run_import(path, root, wishes(tmp_path)).folder)
    monkeypatch.setattr("pullwatch.exchange.table_reader.BLOCK", 8_192)
    assert max(len(chunk.times_ns) for chunk in read_table(path).chunks(None)) < 8_192 / 20
    parts = samples(run_import(path, root, wishes(tmp_path, again=True)).folder)
    assert repr(parts) == repr(whole)  # NaN and all


def test_knock_retard_and_temperatures_arrive_as_the_channels_have_them(tmp_path: Path, root: Path) -> None:
    """Written below 0, kept above; °F in the unit row is brought to °C."""
    log = evening(10)
    retard = np.zeros(len(log.t))
    retard[200:220] = -2.5
    changed = Log(50, {RPM: log.columns[RPM], KR: retard, "Coolant Temp [°F]": log.columns[CLT] * 1.8 + 32}, log.digits)
    held = samples(run_import(changed.write(tmp_path / "log.csv"), root, wishes(tmp_path)).folder)
    assert max(v for _, v, _ in held["knock_retard"]) == 2.5
    assert min(v for _, v, _ in held["knock_retard"]) == 0.0
    assert held["coolant_temperature"][0][1] == pytest.approx(82.0)


def test_what_we_export_comes_back_the_same(tmp_path: Path, root: Path) -> None:
    """A session written as CSV, one row for each instant, and taken in again: the same times and values by channel."""
    first = run_import(evening(12).only(RPM, MAP, OIL).write(tmp_path / "log.csv"), root, wishes(tmp_path)).folder
    names = ("engine_speed", "manifold_pressure", "oil_pressure")
    out = tmp_path / "out.csv"
    exporting.export(first, out, exporting.Wanted(kind="csv", channels=names))
    second = run_import(out, root, wishes(tmp_path)).folder
    before, after = samples(first), samples(second)
    for name in names:
        t0, t1 = (np.array([t for t, _, _ in held[name]]) for held in (before, after))
        assert np.abs((t0 - t0[0]) - (t1 - t1[0])).max() <= 1_000
        assert [v for _, v, _ in before[name]] == pytest.approx([v for _, v, _ in after[name]], abs=1e-9)


@pytest.mark.long
def test_memory_does_not_grow_with_the_file(tmp_path: Path) -> None:
    """A file four times as long takes no more than 40 MB more at its peak; prints both, and MB/s."""
    peaks = []
    for seconds in (1_800, 7_200):
        path = evening(seconds, 100, pulls=tuple(range(20, seconds - 10, 60))).write(tmp_path / f"{seconds}.csv")
        script = (
            "import re, io; from pathlib import Path; from pullwatch.exchange.importing import *; "
            "from pullwatch.exchange.answers import Memory; "
            f"done = run_import(Path({str(path)!r}), Path({str(tmp_path / 'sessions')!r}), "
            f"Wishes(yes=True, memory=Memory(Path({str(tmp_path / 'memory')!r})), out=io.StringIO())); "
            "print(done.size, done.seconds, re.search(r'VmHWM:\\s+(\\d+)', Path('/proc/self/status').read_text())[1])"
        )
        done = subprocess.run([sys.executable, "-c", script], capture_output=True, text=True, check=True)
        size, took, peak = done.stdout.split()
        print(
            f"{int(size) / 1e6:.1f} MB in {float(took):.1f} s: {int(size) / 1e6 / float(took):.1f} MB/s, "
            f"{int(peak) / 1e3:.0f} MB of memory at the most"
        )
        peaks.append(int(peak))
    assert peaks[1] - peaks[0] < 40_000
