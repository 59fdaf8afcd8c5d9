"""The digest: the same blocks give the same messages, and what is not to be told is not told."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING, Any

import pytest

from pullwatch.batch import Kind
from pullwatch.errors import BrokerError
from pullwatch.publish.digest import Digest, Message, Place
from pullwatch.publish.withheld import withheld
from pullwatch.recording.reader import Follower, Session
from pullwatch.setup import load
from pullwatch.setup.equipment.broker import BrokerSection

from .rig import Drive, line, plan_in

if TYPE_CHECKING:
    from pathlib import Path

    from pullwatch.recording.blocks import Block

AT = BrokerSection(host="127.0.0.1")


def everything(drive: Drive) -> list[Block]:
    """Return the blocks of the session as a follower gets them."""
    follower = Follower(drive.folder)
    out: list[Block] = []
    while blocks := follower.poll():
        out += blocks
    return out


def start_of(drive: Drive) -> dict[str, Any]:
    """Return the start record."""
    return Session(drive.folder).start


def all_of(digest: Digest, blocks: list[Block]) -> list[Message]:
    """Return what a digest makes of blocks."""
    return [message for block in blocks for message in digest.take(block)]


def eventful(drive: Drive) -> None:
    """Play some seconds in which all sorts of things happen."""
    drive.run(1.5, lean_at=lambda step: step in (3, 11))
    drive.block(50, line(), records=((Kind.LOST, b"unplugged"), (Kind.FOUND, b"again")))
    drive.block(50, line(0.99, oil=20), records=((Kind.ACT, b'{"act": "mark", "text": "tyres"}'),))
    drive.recorder.event({"event": "health", "t": drive.now, "feeds": {"gauge": {"open": True, "last_good": 5}}})
    drive.run(1.5, lean_at=lambda step: step == 7)
    drive.block(50, "lambda=9.9;oil=1;rpm=2;kmh=3;lat=4", line(2.5))
    drive.run(1.0)


def test_numbers_follow_each_other_and_nothing_repeats(drive: Drive) -> None:
    """Messages are numbered from 1 on; the first says what there is, then where every rule's alarm stands."""
    eventful(drive)
    made = all_of(Digest(start_of(drive), "x", AT), everything(drive))
    assert [message.seq for message in made] == list(range(1, len(made) + 1))
    assert made[0].kind == "birth"
    rules = [rule["name"] for rule in made[0].body["rules"]]
    assert [message.rule for message in made[1 : 1 + len(rules)]] == rules
    assert {message.kind for message in made} == {"birth", "alarm", "values", "event", "feeds"}
    for message in made:
        json.dumps(message.body, allow_nan=False)


def test_going_on_from_any_place_gives_the_same(drive: Drive) -> None:
    """Broken off anywhere and taken up from the place kept, through JSON: the same messages, number by number."""
    eventful(drive)
    blocks, start = everything(drive), start_of(drive)
    whole = {message.seq: message for message in all_of(Digest(start, "x", AT), blocks)}
    places: list[Place] = []
    first = Digest(start, "x", AT)
    for block in blocks:
        first.take(block)
        if first.place is not None and first.place not in places:
            places.append(first.place)
    assert len(places) >= 3
    for place in places:
        kept = Place(place.seq, place.after, json.loads(json.dumps(place.state)))
        again = all_of(Digest.resumed(start, "x", AT, kept), [block for block in blocks if block.seq > place.after])
        assert again
        assert {message.seq: message for message in again} == {n: m for n, m in whole.items() if n > place.seq}


def test_changed_rules_are_told_and_gone_on_from(tmp_path: Path, drive: Drive) -> None:
    """Rules changed while watching are a new birth; a publisher that goes on later knows them from its place."""
    drive.run(1.5)
    other = drive.plan.files["setup.toml"].replace("lambda > 0.95", "lambda > 0.80").replace('"too fast"', '"fast"')
    (tmp_path / "setup.toml").write_text(other)
    plan = load(tmp_path / "setup.toml")
    drive.block(50, line(), records=((Kind.ACT, json.dumps({"act": "reload", "plan": plan.to_dict()}).encode()),))
    drive.recorder.rules_are(drive.path.plan.rules)
    drive.run(3.0)
    blocks, start = everything(drive), start_of(drive)
    digest = Digest(start, "x", AT)
    made = all_of(digest, blocks)
    first, second = (message.body for message in made if message.kind == "birth")
    names = [[rule["name"] for rule in birth["rules"]] for birth in (first, second)]
    assert "fast" in names[1]
    assert "fast" not in names[0]
    assert "too fast" not in names[1]
    assert digest.alarms["lean"].body["state"] == "unacknowledged"
    assert digest.place is not None
    kept = Place(digest.place.seq, digest.place.after, json.loads(json.dumps(digest.place.state)))
    resumed = Digest.resumed(start, "x", AT, kept)
    assert resumed.birth is not None
    assert resumed.birth.body["rules"] == second["rules"]
    again = all_of(resumed, [block for block in blocks if block.seq > kept.after])
    assert again == [message for message in made if message.seq > kept.seq]


def test_a_place_of_other_settings_is_refused(drive: Drive) -> None:
    """Numbers count within one way of thinning: another rate is another stream, with another name."""
    drive.run(3.0)
    digest = Digest(start_of(drive), "x", AT)
    all_of(digest, everything(drive))
    assert digest.place is not None
    other = BrokerSection(host="127.0.0.1", rate_hz=5.0)
    assert Digest(start_of(drive), "x", other).session != digest.session
    with pytest.raises(ValueError, match="other settings"):
        Digest.resumed(start_of(drive), "x", other, digest.place)


def test_what_is_missing_is_told_and_alarms_are_set_right(drive: Drive) -> None:
    """Blocks lost from a recording are a gap; what the alarms did in it is found at the next checkpoint."""
    drive.run(1.2, lean_at=lambda step: step >= 9)
    lost_from = len(everything(drive))
    drive.run(3.0)  # the alarm returns to normal at the beginning of this, and nobody hears of it
    blocks = everything(drive)
    after = next(place for place, block in enumerate(blocks) if place > lost_from + 10 and block.checkpoint is not None)
    blocks[after].gap_before = True
    digest = Digest(start_of(drive), "x", AT)
    all_of(digest, blocks[:lost_from])
    assert digest.alarms["lean"].body["state"] == "unacknowledged"
    made = all_of(digest, blocks[after:])
    (gap,) = [message.body for message in made if message.body.get("what") == "gap"]
    assert (gap["from_ns"], gap["t_ns"]) == (blocks[lost_from - 1].now, blocks[after].now)
    (found,) = [message.body for message in made if message.rule == "lean"]
    assert (found["event"], found["state"]) == ("found so after a gap", "returned to normal, unacknowledged")
    assert found["value"] is None, "what it was then is not known"


@pytest.mark.parametrize(
    ("profile", "asked", "hidden"),
    [
        ("dyno", {}, {"latitude"}),
        ("street", {}, {"latitude", "vehicle_speed", "hurry"}),
        ("street", {"street_speed": True}, {"latitude"}),
        ("street", {"position": True}, {"vehicle_speed", "hurry"}),
        ("dyno", {"position": True, "leave_out": ["lambda"]}, {"lambda"}),
    ],
)
def test_position_and_street_speed_are_not_told_unless_asked(
    tmp_path: Path, profile: str, asked: dict[str, Any], hidden: set[str]
) -> None:
    """No message holds such a channel's value or name, what is made of it, or an alarm that compares it."""
    more = '[derived.hurry]\nkind = "time-beyond"\nof = "vehicle_speed"\nabove = "100 km/h"\nover_ms = 500\n'
    plan = plan_in(tmp_path, profile, more)
    section = BrokerSection(host="127.0.0.1", **asked)
    found = withheld(plan, section)
    assert {plan.channels[number].name for number in found.channels} == hidden
    drive = Drive(tmp_path, plan)
    drive.run(1.0)
    drive.block(100, line(kmh=187.25, lat=51.987654))
    drive.run(1.0)
    text = json.dumps([dict(m.body) for m in all_of(Digest(start_of(drive), "x", section), everything(drive))])
    drive.close()
    for name, number in (("latitude", "51.98765"), ("vehicle_speed", "187.2")):
        assert (number in text) is (name not in hidden)
    values = [
        m.body["values"] for m in all_of(Digest(start_of(drive), "x", section), everything(drive)) if m.kind == "values"
    ]
    assert not hidden & {name for each in values for name in each}
    assert ("too fast" in text) is ("vehicle_speed" not in hidden)


def test_a_session_without_a_setup_is_refused() -> None:
    """Nothing can be told of bytes whose meaning is not known."""
    with pytest.raises(BrokerError, match="no setup"):
        Digest({"recording": {}}, "old", AT)
