"""What is asked of control units, when, and when not: a talk driven through time, without a port or waiting."""

from __future__ import annotations

import itertools
from collections import Counter
from typing import Any

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from pullwatch.feeds.diagnostics_talk import FAST_HZ, FIND_MOST, LATE, N_CR, P2, SPEED_EVERY, SPEED_GOOD, Talk, asked_hz

from .rigs import diagnostics_options
from .units import ENGINE, ENGINE_29, GEARBOX, MS, Bus, ControlUnit, S

STANDS = b"\0"
USUAL = {0x0C: b"\x0f\xa0", 0x0B: b"\x65", 0x0D: STANDS, 0x05: b"\x5a", 0x11: b"\x33", 0x33: b"\x65"}
SPEED, UNITS = b"\x0d", b"\x00"


def talk_of(channels: dict[str, str] | None = None, **more: Any) -> Talk:
    """Return a talk that is not to go on while the car moves."""
    told = {"while_moving": False, "channels": channels or {"engine_speed": "0C"}, **more}
    return Talk(diagnostics_options("nowhere", **told))


def engine(**more: Any) -> ControlUnit:
    """Return the engine's control unit."""
    return ControlUnit(**{"answers": ENGINE, "has": USUAL, **more})


# -- while the car moves


def test_the_speed_is_the_first_question() -> None:
    """Before anything else the speed is asked for; then which PIDs there are, no further than needed; then these."""
    bus = Bus(talk_of(), [engine()])
    bus.until(S)
    pids = [pids for _, _, pids in bus.requests()]
    assert pids[:3] == [SPEED, UNITS, b"\x0c"]
    assert set(pids) == {SPEED, UNITS, b"\x0c"}
    assert bus.talk.state == "asking 7E8"
    assert [data.hex() for _, _, data in bus.sent[:3]] == ["02010d0000000000", "0201000000000000", "02010c0000000000"]


def test_a_car_that_moves_is_not_asked() -> None:
    """Found moving: nothing but one question for the speed each ten seconds, until the answer is 0."""
    speeds = iter([b"\x50", b"\x39", b"\x01", STANDS, STANDS, STANDS])
    unit = engine(has={**USUAL, 0x0D: lambda _: next(speeds, STANDS)})
    bus = Bus(talk_of(), [unit])
    bus.until(29 * S)
    assert unit.pids == [SPEED] * 3
    times = [t for t, _, _ in bus.requests()]
    assert all(10 * S <= later - t < 10 * S + 2 * P2 for t, later in itertools.pairwise(times))
    assert bus.talk.state == "paused because the car moves (1 km/h); asks for the speed again after 10 s"
    bus.until(32 * S)
    assert unit.pids[3:5] == [SPEED, UNITS]
    assert bus.talk.state == "asking 7E8"


def test_everything_stops_when_the_car_begins_to_move() -> None:
    """Within the time from one question for the speed to the next, plus its answer, nothing is asked any more."""
    begins = 5 * S
    unit = engine(has={**USUAL, 0x0D: lambda now: b"\x05" if now > begins else STANDS})
    bus = Bus(talk_of(again_s=30), [unit])
    bus.until(40 * S)
    last = max(t for t, _, pids in bus.requests() if pids != SPEED)
    assert begins - S // FAST_HZ <= last < begins + SPEED_EVERY + P2, "asked until then, and no longer"
    assert [pids for _, _, pids in bus.requests(last)] == [SPEED, SPEED]
    assert bus.talk.state.startswith("paused because the car moves (5 km/h)")


def test_a_speed_nobody_tells_is_a_car_that_may_move() -> None:
    """Without an answer only the speed is asked for, at both kinds of identifiers, at most ten seconds apart."""
    bus = Bus(talk_of(addressing="auto"), [])
    bus.until(60 * S)
    assert {pids for _, _, pids in bus.requests()} == {SPEED}
    assert {word for _, word, _ in bus.requests()} == {0x7DF, 1 << 31 | 0x18DB33F1}
    times = [t for t, _, _ in bus.requests()]
    waits = [later - t for t, later in itertools.pairwise(times)]
    assert waits == sorted(waits)
    assert waits[-1] < FIND_MOST + 2 * P2
    assert len(times) < 12, "a bus that sleeps is not kept awake"
    assert "not known whether the car stands" in bus.talk.state


def test_a_unit_without_a_speed_is_asked_nothing_else() -> None:
    """A controller that does not tell the speed gives nothing, unless the setup says that it may be asked moving."""
    unit = engine(has={0x0C: b"\x0f\xa0"})
    bus = Bus(talk_of(), [unit])
    bus.until(20 * S)
    assert set(unit.pids) == {SPEED}
    unit = engine(has={0x0C: b"\x0f\xa0"})
    bus = Bus(talk_of(while_moving=True), [unit])
    bus.until(2 * S)
    assert set(unit.pids) == {UNITS, b"\x0c"}


def test_a_speed_that_is_no_longer_told_stops_everything() -> None:
    """Some seconds after the last answer of 0 nothing but the speed is asked."""
    unit = engine(has={**USUAL})
    bus = Bus(talk_of(), [unit])
    bus.until(3 * S)
    unit.has = {pid: data for pid, data in USUAL.items() if pid != 0x0D}
    bus.until(3 * S + SPEED_GOOD + S)
    bus.until(30 * S)
    assert {pids for _, _, pids in bus.requests(3 * S + SPEED_GOOD)} == {SPEED}


def test_of_two_speeds_the_one_that_moves_is_believed() -> None:
    """A unit that says 0 does not outvote one that says the wheels turn."""
    for first, second in ((STANDS, b"\x09"), (b"\x09", STANDS)):
        units = [engine(has={**USUAL, 0x0D: first}), ControlUnit(GEARBOX, {0x0D: second}, delay=9 * MS)]
        bus = Bus(talk_of(), units)
        bus.until(9 * S)
        assert {pids for _, _, pids in bus.requests()} == {SPEED}


def test_moving_does_not_matter_if_the_setup_says_so() -> None:
    """With while_moving the speed is not asked for, and what it is does not matter."""
    unit = engine(has={**USUAL, 0x0D: b"\xff"})
    bus = Bus(talk_of({"engine_speed": "0C", "vehicle_speed": "0D"}, while_moving=True), [unit])
    bus.until(5 * S)
    assert Counter(unit.pids)[b"\x0c"] == pytest.approx(25, abs=2)
    assert bus.talk.state == "asking 7E8"


_SPEEDS = st.lists(st.tuples(st.integers(0, 8), st.sampled_from([0, 0, 0, 1, 40, None])), min_size=1, max_size=6)


@settings(deadline=None, max_examples=30)
@given(_SPEEDS, st.booleans(), st.integers(1, 6), st.booleans(), st.integers(1, 150))
@example(course=[(1, 1)], two=True, several=1, one=False, delay=101)
def test_nothing_but_the_speed_between_a_turning_and_a_standing_wheel(
    course: list[tuple[int, int | None]], two: bool, several: int, one: bool, delay: int
) -> None:
    """Whatever the car does: after an answer above 0 only the speed is asked, `again_s` apart, until an answer of 0.

    And no control unit is ever asked while a request to it is neither answered nor given up.
    """
    heard: list[tuple[int, int]] = []

    def speed(now: int) -> bytes | None:
        ends = itertools.accumulate(seconds * S for seconds, _ in course)
        value = next((value for end, (_, value) in zip(ends, course, strict=True) if now < end), 0)
        if value is None:
            return None
        heard.append((now + delay * MS, value))
        return bytes([value])

    unit = engine(has={**USUAL, 0x0D: speed}, delay=delay * MS)
    units = [unit, *([ControlUnit(GEARBOX, {0x0C: b"\1\1", 0x05: b"\1"}, delay=20 * MS)] if two else [])]
    channels = {"engine_speed": "0C", "manifold_pressure": "0B", "throttle": "11", "coolant_temperature": "05"}
    bus = Bus(talk_of(channels, again_s=2, pids_per_request=several, ask_one=one), units)
    bus.until(40 * S)
    for (t, value), (until, _) in itertools.pairwise([*heard, (41 * S, 0)]):
        if value and t <= 40 * S:
            between = [(when, pids) for when, _, pids in bus.requests(t) if when < until]
            assert {pids for _, pids in between} <= {SPEED}
            assert all(when >= t + 2 * S for when, _ in between)
    for each in units:
        answered = [(t, pids) for t, pids in each.asked if any(pid in each.has for pid in pids)]
        for (t, _), (later, _) in itertools.pairwise(answered):
            assert later - t >= min(each.delay, P2), "asked while a request was under way"


@pytest.mark.parametrize("one", [False, True])
def test_a_unit_that_answers_late_is_waited_for(one: bool) -> None:
    """An answer after P2 is not taken for the next one's: no request before it came; and a silent unit costs LATE."""
    unit = engine(delay=P2 + LATE // 2)
    bus = Bus(talk_of({"engine_speed": "0C", "throttle": "11"}, while_moving=True, ask_one=one), [unit])
    bus.until(5 * S)
    times = [t for t, pids in unit.asked if pids[0] % 32]
    assert all(unit.delay <= later - t < unit.delay + 20 * MS for t, later in itertools.pairwise(times))
    assert "does not answer" not in bus.talk.state
    unit.mute = True
    bus.until(7 * S)
    assert "7E8 does not answer" in bus.talk.state


# -- who there is, and what they have


@pytest.mark.parametrize("addressing", ["auto", "29-bit"])
def test_29_bit_identifiers_are_found(addressing: str) -> None:
    """A car with 29-bit identifiers is found, and asked with those from then on."""
    unit = engine(answers=ENGINE_29)
    bus = Bus(talk_of(addressing=addressing), [unit])
    bus.until(5 * S)
    assert bus.talk.state == "asking 18DAF110"
    assert {word & 0x1FFFFFFF for t, word, _ in bus.requests(2 * S)} == {0x18DB33F1}
    assert Counter(unit.pids)[b"\x0c"] > 15


def test_ranges_are_asked_for_as_far_as_needed() -> None:
    """The ranges that lead to the highest PID wanted are asked for, once each."""
    unit = engine(has={**USUAL, 0x70: bytes([1, 16, 0, *bytes(7)])})
    bus = Bus(talk_of({"boost_target": "70.commanded_a"}), [unit])
    bus.until(2 * S)
    assert [pids[0] for pids in unit.pids if pids[0] % 32 == 0] == [0x00, 0x20, 0x40, 0x60]


def test_what_no_unit_has_is_not_asked_for_and_said() -> None:
    """A PID that nobody has is never asked for; the feed says which it is."""
    unit = engine()
    bus = Bus(talk_of({"engine_speed": "0C", "lambda": "34", "oil_temperature": "5C@7E9"}), [unit])
    bus.until(2 * S)
    assert set(unit.pids) == {SPEED, UNITS, b"\x20", b"\x0c"}
    assert bus.talk.state == "asking 7E8; no control unit has PID 34, 5C of 7E9"


def test_a_scale_is_asked_for_first_and_once() -> None:
    """A unit that has 4F is asked for it before the pressure it scales, and then no more."""
    unit = engine(has={**USUAL, 0x4F: bytes([0, 0, 0, 40])})
    bus = Bus(talk_of({"manifold_pressure": "0B"}), [unit])
    bus.until(4 * S)
    asked = [pids[0] for pids in unit.pids]
    assert asked.count(0x4F) == 1
    assert asked.index(0x4F) < asked.index(0x0B)
    assert bus.talk.knowledge.maxima(ENGINE).manifold == 40


def test_ignition_off_and_on_again() -> None:
    """Units that fall silent are looked for anew, slowly, and asked again when they return."""
    unit = engine()
    bus = Bus(talk_of(), [unit])
    bus.until(5 * S)
    unit.mute = True
    bus.until(65 * S)
    assert len(bus.requests(15 * S)) < 10
    unit.mute = False
    bus.until(77 * S)
    assert unit.pids[-1] == b"\x0c"
    assert Counter(unit.pids)[UNITS] == 2


# -- the schedule

TEN = {
    "engine_speed": "0C",
    "manifold_pressure": "0B",
    "throttle": "11",
    "pedal": "49",
    "ignition_advance": "0E",
    "coolant_temperature": "05",
    "barometric_pressure": "33",
    "intake_air_temperature": "0F",
    "fuel_correction_short": "06",
    "fuel_level": "2F",
}
TEN_HAS = {**USUAL, **dict.fromkeys((0x49, 0x0E, 0x0F, 0x06, 0x2F), b"\x40")}


def test_rates_are_kept_when_there_is_time() -> None:
    """Each PID comes as often as its channel asks for; slow ones at the slow default."""
    unit = engine(has=TEN_HAS)
    talk = talk_of(TEN, rates={"engine_speed": 10, "fuel_level": 0.1})
    bus = Bus(talk, [unit])
    bus.until(21 * S)
    count = Counter(pids[0] for t, pids in unit.asked if t > S)
    assert count[0x0C] == pytest.approx(200, rel=0.25)
    assert count[0x0B] == pytest.approx(100, rel=0.15)
    assert count[0x05] == pytest.approx(10, abs=2)
    assert count[0x2F] == pytest.approx(2, abs=1)
    options = diagnostics_options("nowhere", channels=TEN, rates={"engine_speed": 10})
    assert [asked_hz(options, name) for name in ("engine_speed", "throttle", "fuel_level")] == [10, 5, 0.5]


def test_a_slow_unit_is_shared_out_fairly() -> None:
    """A unit that manages ten answers a second: every PID gets about the same share of its rate, none none."""
    unit = engine(has=TEN_HAS, delay=90 * MS)
    bus = Bus(talk_of(TEN), [unit])
    bus.until(60 * S)
    count = Counter(pids[0] for t, pids in unit.asked if t > 5 * S)
    fast = [count[pid] for pid in (0x0C, 0x0B, 0x11, 0x49, 0x0E, 0x06)]
    slow = [count[pid] for pid in (0x05, 0x33, 0x0F, 0x2F)]
    assert max(fast) - min(fast) <= 2
    assert max(slow) - min(slow) <= 2
    assert min(slow) >= 5
    assert min(fast) > 5 * max(slow)
    times = [t for t, pids in unit.asked if pids == b"\x0c" and t > 5 * S]
    assert max(later - t for t, later in itertools.pairwise(times)) < 2 * S


def test_a_pause_between_answer_and_request() -> None:
    """`gap_ms` passes between an answer and the next request."""
    unit = engine(has=TEN_HAS, delay=5 * MS)
    bus = Bus(talk_of(TEN, gap_ms=40), [unit])
    bus.until(5 * S)
    waits = [later - t for (t, _), (later, _) in itertools.pairwise(unit.asked)]
    assert min(waits) >= 45 * MS


def test_two_units_asked_by_themselves() -> None:
    """With `ask_one` each unit gets its own requests, and a silent one holds up nobody."""
    channels = {"engine_speed": "0C", "coolant_temperature": "05@7E9"}
    gearbox = ControlUnit(GEARBOX, {0x05: b"\x5a"})
    unit = engine()
    bus = Bus(talk_of(channels, ask_one=True, rates={"coolant_temperature": 5}), [unit, gearbox])
    bus.until(3 * S)
    gearbox.mute = True
    bus.until(20 * S)
    assert {word for _, word, pids in bus.requests() if pids == b"\x0c"} == {0x7E0}
    assert {word for _, word, pids in bus.requests() if pids == b"\x05"} == {0x7E1}
    assert len([t for t, pids in unit.asked if pids == b"\x0c" and t > 10 * S]) == pytest.approx(50, abs=5)
    late = [t for t, word, _ in bus.requests(10 * S) if word == 0x7E1]
    assert len(late) <= 4, "asked less and less often"
    assert "7E9 does not answer" in bus.talk.state


def test_a_silent_unit_is_not_waited_for_by_those_who_ask_all() -> None:
    """A second unit that has the PID too and no longer answers costs three waits, and then none."""
    gearbox = ControlUnit(GEARBOX, {0x0C: b"\x0f\xa0"})
    unit = engine()
    bus = Bus(talk_of(rates={"engine_speed": 20}, gap_ms=0), [unit, gearbox])
    bus.until(2 * S)
    gearbox.mute = True
    bus.until(6 * S)
    waits = [later - t for (t, _), (later, _) in itertools.pairwise(unit.asked) if t > 4 * S]
    assert max(waits) < P2


# -- answers of all sorts


def test_several_pids_in_one_request() -> None:
    """Up to six PIDs go into one request, and its long answer is waited for frame by frame."""
    unit = engine(has=TEN_HAS)
    bus = Bus(talk_of(TEN, pids_per_request=6), [unit])
    bus.until(3 * S)
    assert max(len(pids) for pids in unit.pids) == 6
    assert bus.talk.unanswered == bus.talk.refused == 0
    assert unit.controls
    assert all(control == bytes([0x30, 0, 0, 0, 0, 0, 0, 0]) for control in unit.controls)
    assert {word for _, word, data in bus.sent if data[0] == 0x30} == {0x7E0}


@pytest.mark.parametrize("how", [{"singly": True}, {"first_only": True}])
def test_a_unit_that_takes_one_pid_is_asked_singly(how: dict[str, bool]) -> None:
    """A unit that refuses several PIDs, or answers the first only, is asked for one at a time from then on."""
    unit = engine(has=TEN_HAS, **how)
    bus = Bus(talk_of(TEN, pids_per_request=6), [unit])
    bus.until(5 * S)
    assert sum(len(pids) > 1 for pids in unit.pids) == 1
    assert {pids[0] for pids in unit.pids} >= {int(pid, 16) for pid in TEN.values()}


def test_block_size_and_separation_are_asked_for() -> None:
    """Each block of a long answer is let through by a flow control of its own, with the separation asked for."""
    has = {0x0D: STANDS, 0x0C: b"\1\2", **dict.fromkeys((0x34, 0x35, 0x24, 0x25, 0x26), b"\x80\0\x80\0")}
    unit = engine(has=has)
    channels = {"a": "34", "b": "35", "c": "24", "d": "25", "e": "26"}
    bus = Bus(talk_of(channels, pids_per_request=5, block_size=1, separation_ms=10), [unit])
    bus.until(S)
    whole = [pids for pids in unit.pids if len(pids) == 5]
    # 1 + 5 × 5 = 26 bytes: a first frame of 6 and three of 7 (computed), so three flow controls.
    assert len(unit.controls) == 3 * len(whole)
    assert {control[:3] for control in unit.controls} == {bytes([0x30, 1, 10])}
    assert bus.talk.unanswered == 0


def test_a_long_answer_nobody_asked_for_is_not_helped_on() -> None:
    """A first frame that is no answer to us is another tester's: no flow control is sent."""
    bus = Bus(talk_of(), [engine()])
    bus.until(S)
    sent = len(bus.sent)
    assert bus.talk.heard(bus.now, GEARBOX, bytes.fromhex("100A410C1AF80B65"))
    assert list(bus.talk.due(bus.now)) == []
    assert len(bus.sent) == sent
    assert not bus.talk.heard(bus.now, 0x123, b"\x10\x0a")


def test_pending_is_waited_for() -> None:
    """A unit that says the answer is pending is asked nothing more until it comes, seconds later."""
    unit = engine(pending=3 * S)
    bus = Bus(talk_of(while_moving=True), [unit])
    bus.until(40 * S)
    waits = [later - t for (t, _), (later, _) in itertools.pairwise(unit.asked)]
    assert min(waits[1:]) >= 3 * S
    assert bus.talk.answers >= 9


def test_a_pid_that_is_refused_rests() -> None:
    """A PID that the unit has and says no to is asked for each ten seconds, the others go on."""
    unit = engine(denies=frozenset({0x0B}))
    bus = Bus(talk_of({"engine_speed": "0C", "manifold_pressure": "0B"}), [unit])
    bus.until(31 * S)
    count = Counter(unit.pids)
    assert count[b"\x0b"] in (3, 4)
    assert count[b"\x0c"] > 100
    assert bus.talk.refused == count[b"\x0b"]


def test_an_answer_that_breaks_off_is_given_up() -> None:
    """A long answer whose rest does not come is waited for as long as a frame may take, and then asked for anew."""
    unit = engine(has={**USUAL, 0x34: b"\x80\0\x80\0", 0x24: b"\x80\0\x80\0"})
    unit._go_on = lambda _: []  # type: ignore[assignment,method-assign] # the fault under test
    bus = Bus(talk_of({"a": "34", "b": "24"}, pids_per_request=2), [unit])
    bus.until(3 * S)
    assert bus.talk.unanswered >= 2
    broken = [t for t, pids in unit.asked if len(pids) == 2]
    after = min(t for t, _ in unit.asked if t > broken[0])
    assert after - broken[0] == pytest.approx(unit.delay + N_CR, abs=2 * MS)
    assert {pids for pids in unit.pids if len(pids) == 1} >= {b"\x34", b"\x24"}, "asked singly in the end"


def test_opened_anew_it_begins_anew() -> None:
    """After a lost adapter nothing is taken for known: the speed is asked first again."""
    unit = engine()
    bus = Bus(talk_of(), [unit])
    bus.until(2 * S)
    bus.talk.closed()
    assert bus.talk.state == "not open"
    bus.talk.opened(bus.now)
    (first,) = bus.talk.due(bus.now)
    assert first[1][2] == 0x0D


def test_nothing_to_ask() -> None:
    """Without channels nothing is sent at all."""
    bus = Bus(Talk(diagnostics_options("nowhere", channels={})), [engine()])
    bus.until(30 * S)
    assert bus.sent == []
    assert bus.talk.state == "nothing to ask"
