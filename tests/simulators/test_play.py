"""Tapes, cursors and the loop that plays them, on time that only jumps."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from pullwatch_sim.can_frames import record_bus
from pullwatch_sim.play import MS, Cursor, RealClock, serve
from pullwatch_sim.scenarios import load
from pullwatch_sim.serial_lambda import LambdaController, record_lambda
from pullwatch_sim.tape import Tape, damage, record, record_lines
from pullwatch_sim.truth import simulate

from .fakes import Sink, SteppedClock


def tape_of(times_ms: list[int]) -> Tape:
    """Make a tape of numbered lines of uneven lengths."""
    lines = [b"%d%s\n" % (i, b"." * (i % 3)) for i in range(len(times_ms))]
    return record_lines(np.array(times_ms, dtype=np.int64) * MS, lines)


@given(
    st.lists(st.integers(0, 99), max_size=60).map(sorted),
    st.integers(1, 4),
    st.lists(st.integers(-5, 450), max_size=40).map(sorted),
)
def test_a_cursor_gives_every_line_once_in_order(times: list[int], repeats: int, looks: list[int]) -> None:
    """However often it is asked, each line comes once, in order, never before its time, evening after evening."""
    tape = tape_of(times)
    cursor = Cursor(tape, 100 * MS, repeats)
    got = b""
    for look in looks:
        data, lines = cursor.take(look * MS)
        assert lines == data.count(b"\n")
        got += data
        due = sum(lap * 100 + t <= look for lap in range(repeats) for t in times)
        assert got.count(b"\n") == due
    got += cursor.take(repeats * 100 * MS)[0]
    assert got == tape.blob * repeats
    assert cursor.next_due() == cursor.end


def test_a_cursor_knows_what_is_next_and_can_skip() -> None:
    """The next moment is that of the next line, over the border of evenings too."""
    cursor = Cursor(tape_of([10, 20]), 100 * MS, 2)
    assert cursor.next_due() == 10 * MS
    cursor.skip_to(15 * MS)
    assert cursor.take(15 * MS) == (b"", 0)
    assert cursor.next_due() == 20 * MS
    cursor.take(20 * MS)
    assert cursor.next_due() == 110 * MS
    cursor.skip_to(150 * MS)
    cursor.skip_to(0)
    assert cursor.next_due() == 10 * MS


def test_record_sorts_parts_of_different_lengths() -> None:
    """Parts are merged by time; lines of one instant keep the order of the parts."""
    a = (np.array([3, 5], dtype=np.int64), np.frombuffer(b"aaAA", dtype=np.uint8).reshape(2, 2))
    b = (np.array([1, 3, 9], dtype=np.int64), np.frombuffer(b"xyz", dtype=np.uint8).reshape(3, 1))
    tape = record([a, b])
    assert tape.blob == b"xaayAAz"
    assert list(tape.times) == [1, 3, 3, 5, 9]
    assert [tape.slice(i, i + 1) for i in range(5)] == [b"x", b"aa", b"y", b"AA", b"z"]
    assert list(record([a, b], bundle_ns=4).times) == [4, 4, 4, 8, 12]


def test_damage_always_changes_a_line() -> None:
    """A damaged line is never the line it was."""
    random = np.random.default_rng(1)
    for _ in range(500):
        assert damage(b"lambda=0.853;state=ready\r\n", random) != b"lambda=0.853;state=ready\r\n"


def test_serve_sends_each_line_at_its_time() -> None:
    """Lines leave when they fall due, in bursts of no less than 1 ms."""
    times = [5, 6, 40, 41, 41, 90]
    port, clock = Sink(), SteppedClock()
    sent: list[tuple[int, int]] = []
    clock.each = lambda t: sent.append((t // MS, sum(data.count(b"\n") for data in port.got)))
    serve(port, LambdaController(tape_of(times), 100 * MS), clock, 100 * MS)
    assert all(count == sum(moment <= t for moment in times) for t, count in sent)
    assert b"".join(port.got) == tape_of(times).blob
    assert clock.steps < 10


def test_serve_counts_what_finds_no_room() -> None:
    """A client that does not read loses whole lines, and they are counted."""
    port = Sink()
    port.room = 9
    device = LambdaController(tape_of([1, 2, 3, 50, 51]), 100 * MS)
    serve(port, device, SteppedClock(), 100 * MS)
    got = b"".join(port.got)
    assert got.endswith(b"\n")
    assert got.count(b"\n") + device.lines_lost == 5
    assert device.lines_lost > 0


def test_nobody_there_loses_nothing_countable() -> None:
    """What is sent while no client is there is not lost, it was never asked for."""
    port = Sink()
    port.connected, port.clients = False, 0
    device = LambdaController(tape_of([1, 2, 3]), 100 * MS)
    serve(port, device, SteppedClock(), 100 * MS)
    assert port.got == []
    assert device.lines_lost == 0


def test_serve_unplugs_and_plugs() -> None:
    """The port goes and comes at the device's times."""
    port, clock = Sink(), SteppedClock()
    device = LambdaController(tape_of(list(range(0, 100, 5))), 100 * MS, away=[(20 * MS, 40 * MS)])
    states: list[tuple[int, bool]] = []
    clock.each = lambda t: states.append((t // MS, port.plugged))
    serve(port, device, clock, 100 * MS)
    assert port.history == ["unplugged", "plugged"]
    assert all(plugged is not (20 <= t < 40) for t, plugged in states)


def test_the_evening_can_wait_for_its_client() -> None:
    """With the start left to the client, time stands until one comes."""
    port, clock = Sink(), SteppedClock(waits_for_client=True)
    port.connected, port.clients = False, 0

    def come(_: int) -> None:
        if clock.steps == 5:
            port.connected, port.clients = True, 1

    clock.each = come
    serve(port, LambdaController(tape_of([0, 10, 20]), 100 * MS), clock, 100 * MS)
    # The line of the very first moment has passed when the client is met.
    assert b"".join(port.got) == tape_of([0, 10, 20]).slice(1, 3)


def test_real_clock_runs_at_its_speed() -> None:
    """Scenario time is real time from the start, times the speed; before the start it is below zero."""
    import time

    zero = time.monotonic_ns()
    fast = RealClock(zero, 100.0)
    before = time.monotonic_ns()
    now = fast.now()
    after = time.monotonic_ns()
    assert 100 * (before - zero) <= now <= 100 * (after - zero) + 100
    assert RealClock(zero + 10**12).now() < 0
    waiting = RealClock(None)
    assert waiting.now() == -1
    waiting.begin()
    assert waiting.now() >= 0


def is_cut(line: bytes) -> bool:
    """Whether a line shows the cut: the flag in the engine's frame, or lambda above 1.2."""
    if line.startswith(b"t2A18"):
        return int.from_bytes(bytes.fromhex(line[5:].decode()), "little") >> 27 & 7 == 1
    return line.startswith((b"lambda=1.2", b"lambda=1.3", b"lambda=1.4", b"lambda=1.5", b"lambda=1.8"))


def test_two_programs_agree_without_talking() -> None:
    """Each works out the evening by itself: on the lift the bus says cut, and lambda goes lean a delay later."""
    moments = []
    for build in (record_bus, record_lambda):
        truth = simulate(load("short-pull"))
        port, clock = Sink(), SteppedClock()
        tape = build(truth)
        device = LambdaController(tape, round(truth.duration_s * 1e9))
        lift = truth.moment("end of pull 1")
        found: list[float] = []

        def look(t: int, port: Sink = port, found: list[float] = found, lift: float = lift) -> None:
            if t / 1e9 > lift and not found and any(map(is_cut, b"".join(port.got[-1:]).splitlines())):
                found.append(t / 1e9 - lift)

        clock.each = look
        serve(port, device, clock, device.end)
        moments.append(found[0])
    cut_at, lean_at = moments
    assert cut_at == pytest.approx(0.25, abs=0.03)
    assert 0.1 < lean_at - cut_at < 0.2


def test_lambda_controller_does_not_listen() -> None:
    """Whatever is typed to it, it says nothing."""
    assert LambdaController(tape_of([1]), 100 * MS).answer(b"hello\r\n", 0) == b""


@pytest.mark.parametrize("n", [0, 1])
def test_empty_tapes_are_fine(n: int) -> None:
    """A tape with nothing on it plays to its end."""
    cursor = Cursor(tape_of([5] * n), 100 * MS)
    assert cursor.take(100 * MS)[1] == n
    assert cursor.next_due() == 100 * MS
