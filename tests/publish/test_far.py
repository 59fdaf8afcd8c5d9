"""What a reader makes of messages: those of ours, those that came twice or never, and everybody else's."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING, Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pullwatch.clock import NS_PER_S
from pullwatch.publish.digest import Digest, Message
from pullwatch.publish.far import Far
from pullwatch.publish.shape import LONGEST_MESSAGE, read
from pullwatch.publish.showing import Link, lines
from pullwatch.publish.topics import topic

from .test_digest import AT, all_of, eventful, everything, start_of

if TYPE_CHECKING:
    from collections.abc import Sequence

    from .rig import Drive

CAR = "copper hatch"
OURS = 7 * 3600 * NS_PER_S
"""Our clock reads this when the car's session begins."""


def sent(message: Message, late_ns: int = 0) -> tuple[str, bytes]:
    """Return a message as it is sent, `late_ns` after the instant it tells of."""
    body = {**message.body, "sent_ns": max(0, message.body.get("t_ns", 0)) + late_ns}
    return topic("pullwatch", CAR, message.kind, message.rule), json.dumps(body).encode()


def state(session: str, word: str, **more: Any) -> tuple[str, bytes]:
    """Return a word about how the session stands."""
    return topic("pullwatch", CAR, "state"), json.dumps({"session": session, "state": word, **more}).encode()


def give(far: Far, messages: Sequence[Message], *, kept: bool = False, transit_ns: int = 0) -> list[str]:
    """Give messages to a reader at the times they would come; return the news."""
    news = []
    for message in messages:
        where, payload = sent(message)
        took = far.take(where, payload, kept=kept, clock=OURS + max(0, message.body.get("t_ns", 0)) + transit_ns)
        news += [one.words for one in took[1]] if took else ["RUBBISH"]
    return news


def shown(far: Far, clock: int, *, up: bool = True) -> str:
    """Return what the terminal shows."""
    return "\n".join(line.text for line in lines(far, Link(up, OURS, "broker:1883", "" if up else "refused"), clock))


@pytest.fixture
def made(drive: Drive) -> list[Message]:
    """Make the messages of an eventful session that ends with a standing alarm."""
    eventful(drive)
    drive.run(0.5, lean_at=lambda _: True)
    return all_of(Digest(start_of(drive), "2026-05-01_18-00-00_copper", AT), everything(drive))


def test_every_message_of_ours_is_read(made: list[Message]) -> None:
    """Nothing that we send is rubbish to our own reader, and nothing is missing or double."""
    far = Far("pullwatch")
    assert "RUBBISH" not in give(far, made)
    car = far.cars[CAR]
    assert (far.rubbish, car.missing, car.doubles) == (0, 0, 0)
    assert [alarm["rule"] for alarm in car.standing()][-1] == "lean"
    assert car.values["lambda"].value == 0.99
    assert car.feeds["gauge"]["open"]


def test_doubles_change_nothing(made: list[Message]) -> None:
    """All of it a second time, from the beginning: no news, the same alarms, the same values."""
    far = Far("pullwatch")
    give(far, made)
    before = repr((far.cars[CAR].alarms, far.cars[CAR].values, far.cars[CAR].margins))
    assert give(far, made) == []
    assert repr((far.cars[CAR].alarms, far.cars[CAR].values, far.cars[CAR].margins)) == before
    assert far.cars[CAR].missing == 0


def test_what_never_came_is_counted_and_shown(made: list[Message]) -> None:
    """A jump of the numbers is a gap that can be seen."""
    far = Far("pullwatch")
    give(far, made[:20] + made[25:])
    assert far.cars[CAR].missing == 5
    assert "5 messages never came" in shown(far, OURS + made[-1].body["t_ns"])


def test_kept_messages_may_come_in_any_order(made: list[Message]) -> None:
    """A broker hands over what it kept as it likes, alarms before the birth too; then what is live follows on."""
    far = Far("pullwatch")
    last: dict[tuple[str, str | None], Message] = {}
    for message in made:
        if message.retained:
            last[message.kind, message.rule] = message
    give(far, sorted(last.values(), key=lambda message: message.kind), kept=True)
    car = far.cars[CAR]
    assert [alarm["rule"] for alarm in car.standing()][-1] == "lean"
    assert car.missing == 0
    assert "NOT HEARD YET" in shown(far, OURS + made[-1].body["t_ns"])


def test_the_age_of_a_value_is_always_known(made: list[Message]) -> None:
    """While values come they are current; when none come the age grows, and no old number is shown as now."""
    far = Far("pullwatch")
    give(far, made)
    far.take(*state(made[0].body["session"], "live"), kept=False, clock=OURS + made[-1].body["t_ns"])
    clock = OURS + made[-1].body["t_ns"]
    now = shown(far, clock)
    assert "lambda  0.990, limit 0.950  [lean]" in now
    assert "Lean." in now
    assert "no data" not in now
    later = shown(far, clock + 2 * NS_PER_S)
    assert "no data for 2." in later
    assert "0.990, limit" not in later
    assert "SILENT for 5.0 s" in shown(far, clock + 5 * NS_PER_S)
    assert "(as last heard)" in shown(far, clock + 5 * NS_PER_S)


def test_a_slow_link_makes_values_old(made: list[Message]) -> None:
    """What lay in a queue on the way is as old as it is, whatever the two clocks say."""
    far = Far("pullwatch")
    give(far, made[:-10])
    give(far, made[-10:], transit_ns=4 * NS_PER_S)
    clock = OURS + made[-1].body["t_ns"] + 4 * NS_PER_S
    far.take(*state(made[0].body["session"], "live"), kept=False, clock=clock)
    seen = shown(far, clock)
    assert "BEHIND" in seen
    assert "no data for 4." in seen


@pytest.mark.parametrize(
    ("word", "shows"),
    [("monitor gone", "MONITOR GONE"), ("gone", "GONE"), ("ended", "ended"), ("catching up", "catching up")],
)
def test_how_it_stands_is_the_first_line(made: list[Message], word: str, shows: str) -> None:
    """Gone, ended or behind: said before anything else, and then no value counts as current."""
    far = Far("pullwatch")
    give(far, made)
    clock = OURS + made[-1].body["t_ns"]
    far.take(*state(made[0].body["session"], word, says="why"), kept=False, clock=clock)
    seen = shown(far, clock)
    assert shows in seen.splitlines()[0]
    assert "no alarm stands." not in seen


def test_a_replay_says_so(made: list[Message]) -> None:
    """The first line of a replay says REPLAY and that it is not live."""
    far = Far("pullwatch")
    for message in made:
        body = {**message.body, "replay": True}
        far.take(topic("pullwatch", CAR, message.kind, message.rule), json.dumps(body).encode(), kept=False, clock=OURS)
    assert "REPLAY of 2026-05-01_18-00-00_copper. This is not live." in shown(far, OURS).splitlines()[0]


def test_without_a_link_it_says_so_first(made: list[Message]) -> None:
    """What is below the first line is old, and since when."""
    far = Far("pullwatch")
    give(far, made)
    first = shown(far, OURS + 90 * NS_PER_S, up=False).splitlines()[0]
    assert first == "NO LINK to broker:1883 for 1 min 30 s: refused. What is below is old."


def test_another_session_begins_anew(made: list[Message]) -> None:
    """Nothing of the session before is left, and what still comes of it is not taken for the new one."""
    far = Far("pullwatch")
    give(far, made)
    body = {**made[0].body, "session": "other", "name": "later", "seq": 1}
    where = topic("pullwatch", CAR, "birth")
    far.take(where, json.dumps(body).encode(), kept=False, clock=OURS)
    car = far.cars[CAR]
    assert (car.session, car.alarms, car.values, car.missing) == ("other", {}, {}, 0)
    give(far, made[1:])
    assert (car.alarms, car.values) == ({}, {})


JUNK = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=20),
    lambda inner: st.lists(inner, max_size=4) | st.dictionaries(st.text(max_size=12), inner, max_size=4),
    max_leaves=12,
)


@settings(max_examples=100)
@given(st.data())
def test_no_message_can_break_the_reader(data: st.DataObject) -> None:
    """A good message with any field replaced by anything is either read or counted, and can always be shown."""
    birth = {
        "session": "s", "seq": 1, "schema": 1, "name": "n", "car": CAR, "profile": "dyno",
        "channels": [{"name": "lambda", "unit": "lambda", "digits": 3, "stale_ms": 300, "interval_ms": 500}],
        "rules": [{"name": "lean", "priority": "caution", "says": "Lean.", "channel": "lambda", "op": ">"}],
    }  # fmt: skip
    bodies: dict[str, dict[str, Any]] = {
        "birth": birth,
        "state": {"session": "s", "state": "live", "says": ""},
        "alarm": {"session": "s", "seq": 2, "t_ns": 5, "rule": "lean", "priority": "caution", "says": "Lean.",
                  "state": "unacknowledged", "event": "raise", "value": 1.0, "limit": 0.9, "unit": "lambda",
                  "first_out": True},
        "values": {"session": "s", "seq": 3, "t_ns": 9, "sent_ns": 9,
                   "values": {"lambda": {"age_ms": 0, "v": 1.0, "lo": 0.9, "hi": 1.0}},
                   "margins": [{"rule": "lean", "armed": True, "v": 1.0, "limit": 0.9, "margin": -0.1}]},
        "feeds": {"session": "s", "seq": 4, "t_ns": 9,
                  "feeds": {"gauge": {"open": False, "age_ms": None, "lost": 0, "dropped": 0, "bad": 0}}},
        "event": {"session": "s", "seq": 5, "t_ns": 9, "what": "lost", "feed": "gauge"},
    }  # fmt: skip
    far = Far("pullwatch")
    which = data.draw(st.sampled_from(sorted(bodies)))
    for kind, body in bodies.items():
        spoilt = dict(body)
        if kind == which:
            name = data.draw(st.sampled_from(sorted(body)))
            inside = isinstance(body[name], dict) and data.draw(st.booleans())
            spoilt[name] = {key: data.draw(JUNK) for key in body[name]} if inside else data.draw(JUNK)
        where = topic("pullwatch", CAR, kind, "lean" if kind == "alarm" else None)
        far.take(where, json.dumps(spoilt).encode(), kept=False, clock=OURS)
    for one in lines(far, Link(True, OURS, "x"), OURS + NS_PER_S):
        assert one.text.isprintable()


@pytest.mark.parametrize(
    "payload",
    [b"", b"\xff\xfe", b"{", b"[" * 200_000, b"null", b"[]", b'{"session": "s", "state": "fine"}',
     b'{"session": "s", "state": "live", "seq": ' + b"9" * 5000 + b"}", b'{"session": NaN, "state": "live"}',
     b'{"session": "s", "state": "live", "seq": 1e999}', b"x" * (LONGEST_MESSAGE + 1)],
)  # fmt: skip
def test_rubbish_is_counted_and_left(payload: bytes) -> None:
    """No text, no JSON, too deep, too long, no number: no message."""
    assert read("state", payload) is None
    far = Far("pullwatch")
    assert far.take("pullwatch/v1/car/state", payload, kept=True, clock=0) is None
    assert far.rubbish == 1
    assert "none of ours" in shown(far, OURS)


def test_words_that_steer_a_terminal_are_taken_out() -> None:
    """An escape sequence in a name or a sentence reaches no terminal."""
    far = Far("pullwatch")
    body = {"session": "s", "state": "gone", "says": "\x1b[2J\x07fine\r\n"}
    far.take("pullwatch/v1/a%1B%5B2J/state", json.dumps(body).encode(), kept=False, clock=0)
    text = shown(far, OURS)
    assert "\x1b" not in text
    assert "fine" in text


def test_a_thousand_cars_of_somebody_fill_no_memory() -> None:
    """Twenty cars are kept; beyond that it is rubbish."""
    far = Far("pullwatch")
    for number in range(1000):
        far.take(f"pullwatch/v1/car{number}/state", b'{"session": "s", "state": "live"}', kept=False, clock=0)
    assert len(far.cars) == 20
    assert far.rubbish == 980


def test_nothing_says_that_all_is_well(made: list[Message]) -> None:
    """Where no alarm stands the words say what that means and what it does not."""
    far = Far("pullwatch")
    give(far, made[:6])
    far.take(*state(made[0].body["session"], "live"), kept=False, clock=OURS)
    text = shown(far, OURS).lower()
    assert "no alarm stands. that says what was judged, not that all is well." in text
    for word in ("safe", "all clear", " ok"):
        assert word not in text
