"""Rules changed while a real watcher watches: at once, without a gap, on the record, and the same in every replay."""

from __future__ import annotations

import re
import subprocess
import sys
from contextlib import ExitStack
from dataclasses import replace
from typing import TYPE_CHECKING

import pytest

from pullwatch.batch import Kind
from pullwatch.errors import ActError, SetupError
from pullwatch.recording.reader import Session
from pullwatch.replaying import plan_of, replayed, verify
from pullwatch.setup import load
from pullwatch.setup.reloading import reloaded
from pullwatch.watching import send_act, send_reload

from .evening import Evening, interrupt

if TYPE_CHECKING:
    from pathlib import Path

    from pullwatch.recording.reader import Block
    from pullwatch.setup import Plan

OILY = '\n[[rule]]\nname = "oil is there"\ntrip = "oil_temperature > 0 °C"\npriority = "note"\n'
AWAKE = '\n[[rule]]\nname = "battery is there"\ntrip = "battery_voltage > 5 V"\npriority = "note"\n'


def change_setup(setup: Path, text: str) -> Plan:
    """Write the setup anew and read it."""
    setup.write_text(text, encoding="utf-8")
    return load(setup)


def test_rules_are_changed_while_watching(tmp_path: Path) -> None:
    """A wrong file changes nothing; a right one counts from its record on; the recording verifies to the nanosecond."""
    with ExitStack() as stack:
        evening = Evening(stack, tmp_path, "short-pull", lead_s=4.0)
        text = evening.setup.read_text(encoding="utf-8")
        change_setup(evening.setup, text + AWAKE)
        watcher = evening.watch(tmp_path / "log.txt")
        raised: list[str] = []

        def awake(block: Block) -> bool:
            raised.extend(change.name for change in block.changes)
            return "battery is there" in raised

        folder = evening.follow(awake, watcher)
        evening._followed.clear()  # the same session is followed again
        evening.setup.write_text(text + OILY.replace("°C", "kPa"), encoding="utf-8")
        refused = ask(evening)
        assert refused.returncode == 2
        assert "oil_temperature is in °C" in refused.stderr
        other_feed = load(evening.setup_with(text.replace("bitrate = 500_000", "bitrate = 250_000")))
        with pytest.raises(ActError, match="feed: is not the one being watched"):
            send_reload(evening.sessions, other_feed, "me")
        evening.setup.write_text(text + OILY, encoding="utf-8")
        taken = ask(evening)
        assert (taken.returncode, taken.stderr) == (0, "")
        assert "from now on" in taken.stdout

        def oily(block: Block) -> bool:
            raised.extend(change.name for change in block.changes)
            return "oil is there" in raised

        evening.follow(oily, watcher)
        assert send_act(evening.sessions, {"act": "acknowledge", "rule": "oil is there"})
        interrupt(watcher)
    session = Session(folder)
    acts = [r for block in session.blocks() for r in block.records if r.kind is Kind.ACT and b'"reload"' in r.data]
    assert len(acts) == 1
    found = verify(session)
    assert found.agree, (found.missing, found.added)
    assert not found.unverified
    names = [change.name for change in session.changes()]
    assert "battery is there" in names
    assert "oil is there" in names
    printed = (tmp_path / "log.txt").read_text(encoding="utf-8")
    assert re.search(r"act\s+reload who", printed)
    assert '"limits"' not in printed
    last = [step.path for step in replayed(plan_of(session), session.blocks())][-1]
    assert [facts.name for facts in last.plan.facts if facts.removed] == ["battery is there"]
    assert "oil is there" in [facts.name for facts in last.plan.facts]


def ask(evening: Evening) -> subprocess.CompletedProcess[str]:
    """Run `pullwatch reload` as a person would."""
    command = (sys.executable, "-m", "pullwatch", "reload", str(evening.setup), "--sessions", str(evening.sessions))
    return subprocess.run(command, capture_output=True, text=True, check=False, timeout=60)


def test_what_cannot_be_changed_is_named(tmp_path: Path) -> None:
    """Another car, profile or channel is refused whole, naming what differs."""
    path = tmp_path / "setup.toml"
    path.write_text(
        '[car]\nname = "copper hatch"\n[[feed]]\nname = "a"\nkind = "serial-line"\nport = "socket://127.0.0.1:47999"\n'
        'fields = [{ channel = "engine_speed", key = "n" }]\n',
        encoding="utf-8",
    )
    plan = load(path)
    assert reloaded(plan, plan) == plan
    faster = replace(plan.channels[0], stale_after=1)
    for other, said in (
        (replace(plan, profile="strip"), "profile: is not the one being watched"),
        (replace(plan, car=replace(plan.car, name="other")), "car: is not the one being watched"),
        (replace(plan, channels=(faster,)), "channel: engine_speed is not what is being read"),
        (replace(plan, rates=(50.0,)), "channel: engine_speed is not what is being read"),
    ):
        with pytest.raises(SetupError, match=said):
            reloaded(plan, other)
