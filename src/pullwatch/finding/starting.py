"""A starting setup from what was heard. It loads, watches nothing yet, and marks everything a person must confirm.

A field whose channel and unit are clear is written as that channel and marked; one that could be several things, or an
air-fuel number of unknown scale, is written as a plain number under a name of its own, with the lines it could become
beside it as comments. So a wrong guess is never taken for a reading, and a wrong scale never for a number.
"""

from __future__ import annotations

import json
import math
import re
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Final

from pullwatch.channels import CHANNEL_NAME, QUANTITIES, UNITS, suits
from pullwatch.finding.guesses import AIR_FUEL, guess, words_in
from pullwatch.finding.telling import DELAYED, MARK, guesses_of, place_of, shown, tell_guess
from pullwatch.setup.defaults import RESERVED

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Sequence

    from pullwatch.finding.frames import Bus
    from pullwatch.finding.guesses import Guess
    from pullwatch.finding.lines import Column, Lines
    from pullwatch.finding.sentences import Sentences

FASTEST: Final = 10_000.0
MOST_FIXES: Final = 100
"""Hz: the setup takes no channel and no receiver that is faster."""
STATES: Final = frozenset({"state", "status", "ready", "mode", "heater", "flag"})
READY_WORDS: Final = frozenset({"ready", "ok", "run", "running", "valid", "good", "active", "lean"})
"""Words for a sensor that has proved itself, or is at its lean end (English, no source); others are not believed."""
LAMBDA_LINES: Final = (
    "delay_ms = [60, 180]              # common practice, no source: measure yours; the engine's cycle is added",
    "time_constant_ms = 100            # common practice, no source",
)
_SIGNAL: Final = re.compile(r'^[ \t]+SG_ (\w+)[^:\n]*:[^"\n]*"([^"\n]*)"')
_MESSAGE: Final = re.compile(r"^BO_ (\d+) (\w+) *: *(\d+) ")
_EXTENDED_IN_DBC: Final = 1 << 31
_CONTROL: Final = re.compile(r"[\x00-\x1f\x7f]")


@dataclass(frozen=True, slots=True)
class Begun:
    """A setup that is there already and gets one more feed: its channels, and the names of its feeds."""

    channels: frozenset[str] = frozenset()
    feeds: tuple[str, ...] = ()


ORDINALS: Final = ("first", "second", "third", "fourth", "fifth", "sixth", "seventh", "eighth")


@dataclass(slots=True)
class _Out:
    """What is being gathered: lines of the feed, [channel] sections, names taken."""

    fields: list[str] = field(default_factory=list)
    channels: list[str] = field(default_factory=list)
    names: set[str] = field(default_factory=set)

    def channel(self, name: str, *lines: str) -> None:
        if lines:
            self.channels += ["", f"[channel.{name}]", *lines]


def quoted(text: str) -> str:
    """Return a text as TOML writes it."""
    return json.dumps(text, ensure_ascii=False).replace("\x7f", "\\u007F")


def remark(text: str) -> str:
    """Return a comment: one line, whatever a device may have sent."""
    return "# " + _CONTROL.sub(" ", text)


def line_setup(lines: Lines, port: str, speed: int, told: str, begun: Begun | None = None) -> str:
    """Return the text of a setup that reads these lines from `port`; `begun`: of one more feed for a setup."""
    out = _Out(names=set(begun.channels) if begun else set())
    for column in lines.columns:
        if not column.numbers:
            words = ", ".join(column.words) or "nothing"
            out.fields.append(f"    {remark(f'{place_of(column)} held words: {words}')}")
            continue
        _field(out, column)
    head = [
        *_heading(told, begun),
        'kind = "serial-line"',
        f"port = {quoted(port)}",
        f"baud = {speed}",
        f"separator = {quoted(lines.separator)}",
    ]
    if lines.keyed and lines.assign != "=":
        head.append(f"assign = {quoted(lines.assign)}")
    if lines.decimal_comma:
        head.append("decimal_comma = true")
    if lines.doubtful_comma:
        head.append('# QUESTION: if the comma stands between two numbers, write separator = "," and')
        head.append("# decimal_comma = false, and a second field with column = 2.")
    if lines.comment:
        head.append(f"comment = {quoted(lines.comment)}")
    text = [*head, "fields = [", *out.fields, "]", *_ready(lines.columns), *out.channels]
    return "\n".join(text) + "\n"


def _heading(told: str, begun: Begun | None) -> list[str]:
    """Return the lines up to the name of the feed; `told` says what was heard, where and for how long."""
    name = next(name for name in (*ORDINALS, "another") if begun is None or name not in begun.feeds)
    feed = ["[[feed]]", f"name = {quoted(name)}"]
    if begun is not None:
        return ["", remark(f"Added by pullwatch from {told}. Guesses are marked."), *feed]
    return [
        remark(f"A starting setup, written by pullwatch from {told}."),
        f'# Lines marked "{MARK}" are guesses. Hold each against what the device is known to send, correct it,',
        "# and take the mark away; until then no critical rule rests on it.",
        "# Then: pullwatch setup FILE asks the five numbers.",
        "",
        "[car]",
        'name = "my car"                   # recordings are called by it',
        "",
        *feed,
    ]


def sentence_setup(found: Sentences, port: str, speed: int, told: str, begun: Begun | None = None) -> str:
    """Return the text of a setup that takes the speed of a satellite receiver; empty if it sends or takes none."""
    every = {name[-3:]: rate for name, rate in found.rates.items()}
    kinds = [kind for kind in WITH_SPEED if kind in every]
    if not kinds or (begun and "vehicle_speed" in begun.channels):
        return ""
    text = [
        *_heading(told, begun),
        'kind = "nmea"',
        f"port = {quoted(port)}",
        f"baud = {speed}",
        *([f"rate_hz = {rate:g}"] if (rate := _fixes(every[kinds[0]])) else []),
        f"sentences = [{', '.join(quoted(kind) for kind in kinds)}]",
        f'channels = {{ vehicle_speed = "speed" }}  # {MARK}: is there no better source of road speed?',
    ]
    return "\n".join(text) + "\n"


def _fixes(rate: float) -> float:
    """Return the whole number of fixes a second nearest to what was heard; 0: not known."""
    return 0 if math.isnan(rate) or rate > MOST_FIXES else max(round(rate), 1)


WITH_SPEED: Final = ("RMC", "VTG")
"""Sentences that tell the speed over ground (IEC 61162-1)."""


def _where(column: Column) -> str:
    return f"key = {quoted(column.key)}" if column.key else f"column = {column.number}"


def _field(out: _Out, column: Column) -> None:
    """Write one field: as the channel it clearly may be, else as a plain number with its possibilities beside it."""
    guesses = guesses_of(column)
    saw = f"{shown(column.least)}{'' if column.still else f' to {shown(column.most)}'} seen"
    where = _where(column) + (f", suffix = {quoted(column.suffix)}" if column.suffix else "")
    rate = _rate_line(column.rate)
    if column.name and len(guesses) == 1 and guesses[0].clear and guesses[0].channel not in out.names:
        (one,) = guesses
        stored = QUANTITIES[one.channel].unit
        unit = f", unit = {quoted(one.units[0])}" if one.units[0] != stored else ""
        asked = f" {one.question}" if one.question else ""
        out.names.add(one.channel)
        out.fields.append(f"    {{ channel = {quoted(one.channel)}, {where}{unit} }},  # {MARK}; {saw}.{asked}")
        out.channel(one.channel, *rate, *(LAMBDA_LINES if one.channel in DELAYED else ()))
        return
    name = _own_name(column, out.names)
    out.names.add(name)
    out.fields.append(f"    {{ channel = {quoted(name)}, {where} }},  {remark(f'{saw}; a plain number so far')}")
    for one in guesses:
        out.fields.append(f"    {remark(tell_guess(one))}")
        for word in one.units:
            unit = f", unit = {quoted(word)}" if word and word != QUANTITIES[one.channel].unit else ""
            scale = "  # your gauge's own scale" if one.question == AIR_FUEL and word.startswith("AFR") else ""
            out.fields.append(f"    #     {{ channel = {quoted(one.channel)}, {where}{unit} }},{scale}")
    after = f"    # when it is one of these, take [channel.{name}] out below" if guesses else ""
    out.fields += [after] if after else []
    out.channel(name, 'unit = ""', *rate)


def _own_name(column: Column, taken: Iterable[str]) -> str:
    """Return a name for a column that nobody knows, one that means nothing in the catalogue."""
    words = "_".join(word for word in words_in(column.name) if word.isalnum()) or f"column_{column.number}"
    name = f"raw_{words}" if not words.startswith("column_") else words
    while name in taken or name in QUANTITIES or name in RESERVED or not CHANNEL_NAME.fullmatch(name):
        name = f"{name}_" + str(column.number or len(list(taken)))
        if not CHANNEL_NAME.fullmatch(name):
            name = f"raw_{len(list(taken))}"
    return name


def _rate_line(rate: float) -> tuple[str, ...]:
    """Return the line for a rate: two figures, and hardly above what was heard. None for one that is not known."""
    if not 0.1 < rate <= FASTEST:
        return ()
    step = 10 ** (math.floor(math.log10(rate)) - 1)
    return (f"rate_hz = {math.floor(rate / step + 0.05) * step:.6g}",)


def _ready(columns: Sequence[Column]) -> Iterator[str]:
    """Yield the word that says whether the sensor is ready: what was heard of it that is believed, and what was not."""
    for column in columns:
        named = not STATES.isdisjoint(words_in(column.name))
        if not column.is_state:
            continue
        good = [word for word in column.words if word.lower() in READY_WORDS] or ["ready"]
        others = [word for word in column.words if word not in good]
        also = f"; heard as well: {', '.join(others)}" if others else ""
        line = f"ready = {{ {_where(column)}, good = [{', '.join(map(quoted, good))}] }}"
        if named:
            yield f"{line}  {remark(f'{MARK}: with any other word the numbers are not believed{also}')}"
            return
        yield remark(f"{place_of(column)} holds words. If they say whether the sensor is ready, write:")
        yield remark(line)


# -- CAN


@dataclass(frozen=True, slots=True)
class Signal:
    """A signal of a DBC file, as its text names it."""

    message: str
    name: str
    unit: str
    can_id: int
    extended: bool


def signals_of(dbc: str) -> list[Signal]:
    """Return the signals a DBC's text names; what they mean is read by the DBC reader when the setup loads."""
    found: list[Signal] = []
    head = None
    for line in dbc.splitlines():
        begins = _MESSAGE.match(line)
        signal = _SIGNAL.match(line)
        if begins:
            head = begins
        elif signal and head is not None:
            number = int(head[1])
            extended = bool(number & _EXTENDED_IN_DBC)
            found.append(Signal(head[2], signal[1], signal[2], number & ~_EXTENDED_IN_DBC, extended))
    return found


def signal_guess(signal: Signal) -> Guess | None:
    """Return what a signal may be, by its own name, else together with its message's. Its unit is the DBC's own."""
    for name, loose in ((signal.name, True), (f"{signal.message} {signal.name}", False)):
        found = guess(name, signal.unit, math.nan, math.nan, loose=loose)
        if len(found) == 1 and (found[0].question != AIR_FUEL):
            return found[0]
    return None


@dataclass(frozen=True, slots=True)
class Place:
    """Where a bus is read: the port as it is written, the adapter, bit/s, the DBC as the setup names it."""

    port: str
    adapter: str
    bitrate: int
    dbc: str


def bus_setup(bus: Bus, signals: Sequence[Signal], where: Place, told: str, begun: Begun | None = None) -> str:
    """Return the text of a setup that reads the signals of a DBC that were heard and have a name that tells something.

    Empty if there is none.
    """
    heard = {(one.can_id, one.extended): one for one in bus.identifiers}
    out = _Out(names=set(begun.channels) if begun else set())
    for signal in signals:
        identifier = heard.get((signal.can_id, signal.extended))
        one = signal_guess(signal)
        if identifier is None or one is None or one.channel in out.names:
            continue
        if signal.unit in UNITS and not suits(UNITS[signal.unit], QUANTITIES[one.channel].dimension):
            continue
        out.names.add(one.channel)
        asked = f"; {one.question}" if one.question else ""
        source = quoted(f"{signal.message}.{signal.name}")
        out.fields.append(f"{one.channel} = {source}  {remark(MARK + asked)}")
        lambda_lines = LAMBDA_LINES if one.channel in DELAYED else ()
        out.channel(one.channel, *_rate_line(identifier.rate), *lambda_lines)
    if not out.fields:
        return ""
    text = [
        *_heading(told, begun),
        'kind = "can"',
        f"adapter = {quoted(where.adapter)}",
        f"port = {quoted(where.port)}",
        f"bitrate = {where.bitrate}",
        "listen_only = true",
        f"dbc = {quoted(where.dbc)}",
        "",
        "[feed.channels]",
        *out.fields,
        *out.channels,
    ]
    return "\n".join(text) + "\n"
