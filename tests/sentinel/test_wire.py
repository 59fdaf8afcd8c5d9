"""The bytes between watching process and sentinel."""

from __future__ import annotations

from hypothesis import given
from hypothesis import strategies as st

from pullwatch.sentinel.wire import (
    BEAT,
    GOODBYE,
    Alarm,
    Bye,
    Listener,
    Message,
    Report,
    Silence,
    What,
    pack,
    read_report,
    write_report,
)
from pullwatch.watchdog.alarms import Priority, State

alarms = st.builds(
    Alarm,
    st.integers(0, 2**32 - 1),
    st.sampled_from(Priority),
    st.integers(0, 65535),
    st.sampled_from(State),
    st.integers(0, 2**62),
)
silences = st.builds(Silence, st.integers(0, 2**32 - 1), st.booleans())


def packed(message: Message | None) -> bytes:
    if message is None:
        return BEAT
    return GOODBYE if isinstance(message, Bye) else pack(message)


@given(st.lists(st.one_of(alarms, silences, st.none(), st.just(Bye()))), st.data())
def test_messages_survive_any_split(messages: list[Message | None], data: st.DataObject) -> None:
    """However the bytes are cut into reads, the messages and the number of heartbeats are what was sent."""
    stream = b"".join(packed(message) for message in messages)
    listener, got = Listener(), []
    while stream:
        cut = data.draw(st.integers(1, len(stream)))
        got += listener.feed(stream[:cut])
        stream = stream[cut:]
    assert got == [message for message in messages if message is not None]
    assert listener.beats == messages.count(None)
    assert listener.strange == 0


@given(st.binary(max_size=200))
def test_bytes_of_nobody_are_counted_not_raised(noise: bytes) -> None:
    """Whatever comes through the pipe, the sentinel goes on listening."""
    listener = Listener()
    listener.feed(noise)
    listener.feed(bytes(64))
    beats = listener.beats
    listener.feed(BEAT * 2)
    assert listener.beats == beats + 2


def test_an_alarm_of_no_known_priority_is_counted() -> None:
    """A priority or state that does not exist is a strange message, not a crash."""
    frame = bytearray(pack(Alarm(1, Priority.NOTE, 2, State.NORMAL, 3)))
    frame[5] = 9
    listener = Listener()
    assert listener.feed(bytes(frame)) == []
    assert listener.strange == 1


@given(
    st.sampled_from(What), st.integers(0, 2**62), st.text(max_size=100), st.integers(0, 2**32), st.integers(0, 2**40)
)
def test_reports_come_back_as_sent(what: What, t: int, words: str, seq: int, ns: int) -> None:
    """A report is one line whatever its words contain, and is read back with white space in them made plain."""
    line = write_report(Report(what, t, words, seq, ns))
    assert line.count(b"\n") == 1
    back = read_report(line[:-1])
    assert back is not None
    assert back[:2] == (what, t)
    assert back[3:] == (seq, ns)
    assert len(line) <= 501


def test_a_line_that_is_no_report_is_none() -> None:
    """Words of a library, or half a line, are not taken for a report."""
    assert read_report(b"ALSA lib says hello") is None
    assert read_report(b"ready\tsoon\t0\t0\twords") is None
    assert read_report(b"fine\t1\t0\t0\twords") is None


def test_trouble_is_what_a_person_must_know() -> None:
    """A missing device and a lost monitor are trouble; an open device is not."""
    assert Report(What.DEVICE_MISSING, 0, "").trouble
    assert Report(What.GONE, 0, "").trouble
    assert not Report(What.DEVICE_OPEN, 0, "").trouble
