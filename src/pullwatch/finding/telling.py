"""What was heard, in words for the person beside the car. Every figure is of these few seconds and says so."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Final

from pullwatch.finding.frames import Bus
from pullwatch.finding.guesses import AIR_FUEL, BY_NUMBERS, Guess, guess
from pullwatch.finding.lines import Lines
from pullwatch.finding.packets import Packets
from pullwatch.finding.sentences import Sentences
from pullwatch.finding.sorting import Sort, Talk

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from pullwatch.finding.heard import Heard
    from pullwatch.finding.hearing import AtSpeed
    from pullwatch.finding.lines import Column

MARK: Final = "guess, confirm"
"""Stands beside every guess, in print and in a file; nothing critical rests on a line of a setup that has it."""
CANNOT_PREVENT: Final = (
    "pullwatch shortens a lean moment; it cannot prevent the first half second. Only the controller's own cut can. "
    "Set it first."
)
"""The same words as `check` has."""
SEPARATOR_WORDS: Final = {
    ";": "a semicolon", ",": "a comma", "\t": "a tab", " ": "white space", "|": "a bar", ":": "a colon",
}  # fmt: skip
NOTHING: Final = (
    "Nothing arrives. Is the device powered, and the key on?",
    "Is its transmit wire on the adapter's receive wire, and ground on ground?",
    "Some devices speak only when asked: pullwatch never asks on a serial line. Set the device to send by itself.",
)
UNREADABLE: Final = (
    "Bytes arrive, but neither lines of text, sentences, CAN frames nor packets can be made out in them.",
    "Most often the speed is another: look in the device's manual, then say --baud N.",
    "Or the level is wrong: RS-232 on a logic-level adapter, or the other way round, reads rubbish.",
)
DELAYED: Final = ("lambda", "lambda_bank1", "lambda_bank2")
QUIETEST: Final = 10.0
"""Hz: less than this is late for a lambda rule (common practice, no source)."""


def tell(heard: Heard, talk: Talk) -> list[str]:
    """Return what was heard, sorted, in lines."""
    out = [f"{heard.size:,} bytes in {heard.seconds:.1f} s, {heard.size / heard.seconds:,.0f} a second"]
    if heard.lost:
        out.append(f"It ended before the time was over: {heard.lost}")
    match talk.found:
        case Lines():
            out += _lines(talk.found)
        case Sentences():
            out += _sentences(talk.found)
        case Packets():
            out += _packets(talk.found)
        case Bus():
            out += [*tell_bus(talk.found), "Read it as a CAN feed: pullwatch listen PORT --adapter slcan"]
        case None:
            out += NOTHING if talk.sort is Sort.NOTHING else UNREADABLE
    return out


def tell_speeds(tried: Sequence[AtSpeed]) -> list[str]:
    """Return what the search for the speed of a line came to; `tried` has the surest first."""
    best = tried[0]
    if best.talk.sort is Sort.NOTHING:
        return []
    others = ", ".join(f"{one.speed:,}: {one.talk.sort.value}" for one in tried[1:])
    beside = f" (tried as well: {others})" if others else ""
    if best.talk.sort is Sort.UNREADABLE:
        return [f"No usual speed gives anything that can be read{beside}."]
    if best.talk.sort is Sort.PACKETS:
        return [f"{best.speed:,} Bd is the likeliest speed, not a sure one{beside}: wrong speeds repeat too."]
    return [f"{best.speed:,} Bd: {best.talk.sort.value}{beside}."]


def shown(number: float) -> str:
    """Return a number as it is shown, "none" for no number."""
    return "none" if math.isnan(number) else f"{number:g}"


def _hz(rate: float) -> str:
    return "rate not known" if math.isnan(rate) else f"{rate:.3g} Hz"


def _often(rate: float) -> str:
    return "heard too shortly to tell how often" if math.isnan(rate) else f"about {rate:,.3g} a second"


def tell_guess(one: Guess) -> str:
    """Return a guess in words, marked as one."""
    mark = f"{MARK}, by its numbers alone" if one.why == BY_NUMBERS else MARK
    if one.question == AIR_FUEL:
        what = "lambda or an air-fuel number" if len(one.units) > 1 else "an air-fuel number"
        return f"{mark}: {one.channel} as {what}? On which scale (what does it show at lambda 1; often 14.7)?"
    units = " or ".join(unit or "a plain number" for unit in one.units)
    units = "" if one.channel in one.units else f" in {units}"
    return f"{mark}: {one.channel}{units}" + (f"; {one.question}" if one.question else "")


def guesses_of(column: Column) -> tuple[Guess, ...]:
    """Return what a column may be; nothing if it holds no numbers."""
    return guess(column.name, column.unit, column.least, column.most) if column.numbers else ()


def place_of(column: Column) -> str:
    """Return how a column is called: by its key, else by its number and its name in the heading."""
    if column.key:
        return column.key
    return f"column {column.number}" + (f' "{column.name}"' if column.name else "")


def _lines(lines: Lines) -> Iterator[str]:
    yield f"{lines.count:,} lines of text, {_often(lines.rate)}, for example"
    yield f"    {lines.sample}"
    if lines.share < 1:
        yield f"{1 - lines.share:.0%} of the lines are otherwise: damage, or lines of another kind"
    by = f"key{lines.assign}value" if lines.keyed else "column"
    yield f"fields by {by}, between them {SEPARATOR_WORDS[lines.separator]}"
    if lines.decimal_comma:
        yield "numbers have a decimal comma"
    if lines.doubtful_comma:
        yield "QUESTION: is the comma between two numbers, or is it the decimal comma of one?"
    if lines.comment:
        yield f'lines that begin with "{lines.comment}" look like comments'
    if lines.heading:
        yield f"heading: {', '.join(lines.heading)}"
    for column in lines.columns:
        yield from _column(column)


def _column(column: Column) -> Iterator[str]:
    held = f"{shown(column.least)} to {shown(column.most)}" if column.numbers else "no numbers"
    if column.still:
        held = f"always {shown(column.least)}"
    unit = f" [{column.unit}]" if column.unit else ""
    held += f" {column.suffix}" if column.suffix else ""
    words = f"; words: {', '.join(column.words)}" if column.words else ""
    yield f"  {place_of(column)}{unit}: {held}{words}; {_hz(column.rate)}"
    if column.is_state:
        yield "      QUESTION: does this word say whether the sensor is ready? Which words mean yes?"
    for one in guesses_of(column):
        yield f"      {tell_guess(one)}"
        if one.channel in DELAYED:
            late = f"; at {_hz(column.rate)} it is slow for a rule" if column.rate < QUIETEST else ""
            yield f"      a lambda sensor speaks late: it gets delay_ms and time_constant_ms in the setup{late}"


def _sentences(found: Sentences) -> Iterator[str]:
    yield f"{found.count:,} NMEA sentences with a right checksum ({found.share:.0%} of those that began)"
    for name, rate in sorted(found.rates.items()):
        yield f"  {name}: {_hz(rate)}"
    yield f"the receiver has {found.fix}" if found.fix else "no sentence tells whether there is a fix"


def _packets(found: Packets) -> Iterator[str]:
    begins = f" beginning {found.beginning.hex(' ').upper()}" if found.beginning else ", all of them the same"
    yield f"looks like packets of {found.length} bytes{begins}, {_often(found.rate)}"
    yield "What is in them stands in the device's manual; no more can be told from outside."


def tell_bus(bus: Bus) -> list[str]:
    """Return what came over a CAN bus."""
    out = [f"{bus.frames:,} frames, {_often(bus.rate)}, {len(bus.identifiers)} identifiers"]
    if bus.errors or bus.damaged:
        out.append(f"{bus.errors:,} error frames, {bus.damaged:,} damaged lines")
    for one in bus.identifiers:
        lengths = " or ".join(map(str, one.lengths))
        moving = f"bytes that change: {', '.join(map(str, one.moving))}" if one.moving else "always the same"
        remote = ", remote" if one.remote else ""
        out.append(f"  {one} ({one.can_id}){remote}: {_hz(one.rate)}, {lengths} bytes, {moving}")
    return out
