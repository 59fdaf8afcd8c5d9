"""The bytes between the watching process and the sentinel.

Towards the sentinel: a heartbeat is one byte; everything else is a short frame that begins with a byte of its own. A
write of a few bytes to a pipe is whole or not at all (POSIX, PIPE_BUF), so a frame is never cut by the writer; a reader
may still meet half of one at the end of what it read.

Back: lines of text, and between them one `.` for every `ANSWER_EVERY` heartbeats, by which the watching process knows
that the sentinel is awake.
"""

from __future__ import annotations

import struct
from enum import StrEnum
from typing import Final, NamedTuple, TypeAlias

from pullwatch.watchdog.alarms import Priority, State

BEAT: Final = b"."
BEAT_EVERY_MS: Final = 25
ANSWER: Final = b"."
ANSWER_EVERY: Final = 4

_BEAT = BEAT[0]
_BYE = ord("b")
_ALARM = ord("a")
_SILENCE = ord("s")
_PRIORITIES = frozenset(Priority)
_STATES = frozenset(State)
_ALARM_FRAME = struct.Struct("<BIBHBq")
_SILENCE_FRAME = struct.Struct("<BIB")


class Alarm(NamedTuple):
    """Sound the signal of `priority`, because `rule` (number in file order) is in `state`; sent at `t` (steady ns)."""

    seq: int
    priority: Priority
    rule: int
    state: State
    t: int


class Silence(NamedTuple):
    """Sound nothing; with `finish`, after the burst that is sounding."""

    seq: int
    finish: bool


class Bye(NamedTuple):
    """The watching process ends on purpose."""


Message: TypeAlias = Alarm | Silence | Bye

GOODBYE: Final = bytes([_BYE])


def pack(message: Alarm | Silence) -> bytes:
    """Return the frame of a message."""
    if isinstance(message, Alarm):
        return _ALARM_FRAME.pack(
            _ALARM, message.seq & 0xFFFFFFFF, message.priority, message.rule, message.state, message.t
        )
    return _SILENCE_FRAME.pack(_SILENCE, message.seq & 0xFFFFFFFF, message.finish)


class Listener:
    """Takes the bytes as they come and gives messages; keeps the half frame between two reads."""

    def __init__(self) -> None:
        self.beats = 0
        """Heartbeats heard so far."""
        self.strange = 0
        """Bytes that are no message of ours."""
        self._rest = b""

    def feed(self, data: bytes) -> list[Message]:
        """Return the messages that `data` completes."""
        data = self._rest + data
        messages: list[Message] = []
        at = 0
        end = len(data)
        while at < end:
            head = data[at]
            if head == _BEAT:
                self.beats += 1
                at += 1
            elif head == _ALARM:
                if end - at < _ALARM_FRAME.size:
                    break
                _, seq, priority, rule, state, t = _ALARM_FRAME.unpack_from(data, at)
                if priority in _PRIORITIES and state in _STATES:
                    messages.append(Alarm(seq, Priority(priority), rule, State(state), t))
                else:
                    self.strange += 1
                at += _ALARM_FRAME.size
            elif head == _SILENCE:
                if end - at < _SILENCE_FRAME.size:
                    break
                _, seq, finish = _SILENCE_FRAME.unpack_from(data, at)
                messages.append(Silence(seq, bool(finish)))
                at += _SILENCE_FRAME.size
            else:
                if head == _BYE:
                    messages.append(Bye())
                else:
                    self.strange += 1
                at += 1
        self._rest = data[at:]
        return messages


class What(StrEnum):
    """What a report is about."""

    READY = "ready"
    """The sentinel listens (`ns`: how long it took from the first line of its program)."""
    DEVICE_OPEN = "device open"
    DEVICE_NULL = "device null"
    """No sound will be heard, as asked for."""
    DEVICE_MISSING = "device missing"
    """No sound can be heard although it was asked for; tried again."""
    DEVICE_LOST = "device lost"
    """The device stopped taking sound; opened again."""
    DEVICE_SLOW = "device slow"
    """The device takes sound in large pieces: signals are heard `ns` later than they should."""
    FIRST_FRAME = "first frame"
    """The first frame of the signal for message `seq` was handed to the device, `ns` after the message was sent."""
    GONE = "monitor gone"
    BACK = "monitor back"
    SLEPT = "machine slept"
    SENTINEL_LOST = "sentinel lost"
    """Made by the link: the sentinel has died or hangs."""
    SENTINEL_STARTED = "sentinel started"
    """Made by the link: it was started (again)."""


TROUBLE: Final = frozenset(
    {What.DEVICE_MISSING, What.DEVICE_LOST, What.DEVICE_SLOW, What.GONE, What.SLEPT, What.SENTINEL_LOST}
)
"""What a person must be told of."""


class Report(NamedTuple):
    """Something the sentinel says, at `t` (steady ns). `seq` and `ns` are 0 where they say nothing."""

    what: What
    t: int
    words: str
    seq: int = 0
    ns: int = 0

    @property
    def trouble(self) -> bool:
        """Whether a person must be told."""
        return self.what in TROUBLE


def write_report(report: Report) -> bytes:
    """Return the report as one line, short enough to be written whole."""
    words = " ".join(report.words.split())
    line = f"{report.what}\t{report.t}\t{report.seq}\t{report.ns}\t{words}"
    return line.encode("utf-8", "replace")[:500] + b"\n"


def read_report(line: bytes) -> Report | None:
    """Return the report in `line`, or None if it is none of ours."""
    parts = line.decode("utf-8", "replace").split("\t", 4)
    if len(parts) != 5:
        return None
    try:
        return Report(What(parts[0]), int(parts[1]), parts[4], int(parts[2]), int(parts[3]))
    except ValueError:
        return None
