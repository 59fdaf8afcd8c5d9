"""A DBC file, read into the table of shifts that the decoder works by. The only place that imports cantools.

Two things keep the start short. `import cantools` brings along its command line, its tester and python-can (0.3 s);
only its database part is imported here (0.1 s). And of the file only the messages asked for are handed to it, as it
needs 1.5 ms a message; when anything is then found wrong, the whole file is read, so that what is said is true of it.
"""

from __future__ import annotations

import importlib
import importlib.util
import math
import re
import sys
from dataclasses import dataclass
from types import ModuleType
from typing import TYPE_CHECKING, Any, Final

from pullwatch.channels import UNITS, Dimension, Unit, suits, unit_named
from pullwatch.decoders.dbc import DbcTable, Entry, Place, Selector
from pullwatch.decoders.frames import HIGHEST_EXTENDED, HIGHEST_STANDARD
from pullwatch.decoders.screen import Bring
from pullwatch.errors import Problem, SetupError, UnitError, nearest

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Mapping
    from pathlib import Path

    from pullwatch.channels import Channel

_PRESSURES: Final = frozenset({Dimension.ABSOLUTE_PRESSURE, Dimension.GAUGE_PRESSURE, Dimension.PRESSURE_DIFFERENCE})
_BARE_PRESSURES: Final = frozenset({"kPa", "bar", "mbar", "hPa", "psi", "Pa", "MPa"})
"""Pressure units that do not say what the pressure is measured from."""

_ONLY_IN_DBC: Final = {
    "Pa": Unit("Pa", "kPa", 0.001, 0.0, _PRESSURES),
    "MPa": Unit("MPa", "kPa", 1000.0, 0.0, _PRESSURES),
    "K": Unit("K", "°C", 1.0, -273.15, frozenset({Dimension.TEMPERATURE})),
}
_SPELLINGS: Final[Mapping[str, tuple[str, ...]]] = {
    "rpm": ("1/min", "r/min", "rev/min", "min-1", "min^-1", "U/min"),
    "degC": ("deg C", "degrees C", "Celsius", "°C", "C"),
    "degF": ("deg F", "degrees F", "Fahrenheit", "°F", "F"),
    "K": ("Kelvin",),
    "lambda": ("λ",),
    "km/h": ("kph", "kmh", "km/hr"),
    "m/s": ("mps",),
    "%": ("percent", "pct"),
    "ms": ("msec",),
    "s": ("sec",),
    "us": ("µs", "μs", "usec"),
    "deg": ("°", "degree", "degrees", "deg CA", "°CA", "deg BTDC", "°BTDC"),
    "V": ("volt", "volts"),
    "m/s2": ("m/s^2", "m/s²", "m/s/s"),
    "Nm": ("N·m", "N*m", "N m"),
}
_KNOWN: Final[Mapping[str, Unit]] = {
    written.casefold(): unit
    for word, unit in {**UNITS, **_ONLY_IN_DBC}.items()
    for written in (word, *_SPELLINGS.get(word, ()))
}
_NO_UNIT: Final = frozenset({"", "-", "--", "1", "none", "n/a"})
_FLOAT_BITS: Final = (32, 64)


class _Refused(Exception):  # noqa: N818 - never leaves this module
    """One wanted signal cannot be used."""

    def __init__(self, what: str, todo: str = "") -> None:
        self.what = what
        self.todo = todo
        super().__init__(what)


class _Unreadable(Exception):  # noqa: N818 - never leaves this module
    """The text is no DBC, or one that makes no sense; `line` counts from 1, 0 if it is not known."""

    def __init__(self, line: int, what: str) -> None:
        self.line = line
        self.what = what
        super().__init__(what)


def read_table(path: Path, wanted: Mapping[str, str], channels: Mapping[str, Channel]) -> DbcTable:
    """Read the DBC file at `path` and return the table of the `wanted` signals (channel name to `Message.Signal`).

    Raises SetupError with every problem at once. Those of a wanted signal have the key `channels.NAME` and no line:
    they stand in the setup file; those of the DBC file itself have the key `dbc` and the line in the DBC file.
    """
    text = _read_text(path)
    try:
        return _table(path, text, _without_unwanted(text, wanted), wanted, channels)
    except (_Unreadable, SetupError):
        pass
    try:
        return _table(path, text, text, wanted, channels)
    except _Unreadable as why:
        todo = "Export it again, or mend the line."
        raise SetupError(
            path, [Problem(why.line, "dbc", f"this is not a DBC file that can be used: {why.what}.", todo)]
        ) from why


def _read_text(path: Path) -> str:
    try:
        raw = path.read_bytes()
    except OSError as why:
        try:
            beside = [file.name for file in path.parent.iterdir() if file.suffix.lower() == ".dbc"]
        except OSError:
            beside = []
        what = f"{path} cannot be read: {why.strerror or why}{nearest(path.name, beside)}."
        raise SetupError(
            path, [Problem(0, "dbc", what, "A path in the setup file counts from where that file is.")]
        ) from why
    try:
        text = raw.decode("utf-8-sig")
    except UnicodeDecodeError:
        text = raw.decode("cp1252", errors="replace")
    return text.replace("\r\n", "\n").replace("\r", "\n")


def _table(path: Path, whole: str, text: str, wanted: Mapping[str, str], channels: Mapping[str, Channel]) -> DbcTable:
    messages = _messages(text)
    entries: list[Entry] = []
    notes: list[str] = []
    problems: list[Problem] = []
    for name, signal in wanted.items():
        channel = channels.get(name)
        if channel is None:
            problems.append(Problem(0, f"channels.{name}", f'"{name}" is no channel{nearest(name, channels)}.'))
            continue
        try:
            entries.append(_entry(channel, signal, messages, path.name, notes))
        except _Refused as why:
            problems.append(Problem(0, f"channels.{name}", why.what, why.todo))
    if problems:
        raise SetupError(path, problems)
    return DbcTable(path.name, tuple(entries), _has_fd(whole), tuple(notes))


def _entry(channel: Channel, written: str, messages: Mapping[str, Any], file: str, notes: list[str]) -> Entry:
    message_name, dot, signal_name = written.partition(".")
    if not dot:
        holders = [name for name, message in messages.items() if any(it.name == written for it in message.signals)]
        example = f"{holders[0]}.{written}" if holders else "Engine.Speed"
        raise _Refused(
            f'"{written}" does not say which message the signal is in.', f"Write Message.Signal, as {example}."
        )
    message = messages.get(message_name)
    if message is None:
        raise _Refused(f'{file} has no message "{message_name}"{nearest(message_name, messages)}.')
    signals = {signal.name: signal for signal in message.signals}
    signal = signals.get(signal_name)
    if signal is None:
        raise _Refused(
            f'message {message_name} of {file} has no signal "{signal_name}"{nearest(signal_name, signals)}.'
        )
    if message.frame_id > (HIGHEST_EXTENDED if message.is_extended_frame else HIGHEST_STANDARD):
        raise _Refused(f"message {message_name} of {file} has an identifier that CAN does not have.")
    conversion = signal.conversion
    form = "float" if conversion.is_float else "signed" if signal.is_signed else "unsigned"
    scale, offset = conversion.scale, conversion.offset
    if not (math.isfinite(scale) and math.isfinite(offset)) or scale == 0:
        raise _Refused(
            f"{written} of {file} has the factor {scale} and offset {offset}: it can have one value at most."
        )
    if form != "float" and float(scale).is_integer() and float(offset).is_integer():
        scale, offset = int(scale), int(offset)
    if form == "float" and signal.length not in _FLOAT_BITS:
        raise _Refused(f"{written} of {file} is a float of {signal.length} bits; there are such of 32 and 64.")
    bring, note = _bring(signal.unit or "", channel, written, file)
    if note:
        notes.append(note)
    return Entry(
        channel=channel.number,
        signal=written,
        can_id=message.frame_id,
        extended=message.is_extended_frame,
        length=message.length,
        place=_place(message, signal, file),
        form=form,
        scale=scale,
        offset=offset,
        bring=bring,
        when=tuple(reversed(list(_selectors(message, signal, signals, file)))),
    )


def _place(message: Any, signal: Any, file: str) -> Place:
    place = Place.of_dbc(signal.start, signal.length, motorola=signal.byte_order == "big_endian")
    if not 1 <= signal.length <= 64:
        raise _Refused(f"{message.name}.{signal.name} of {file} has {signal.length} bits; 1 to 64 can be read.")
    if place.need > message.length:
        raise _Refused(
            f"{message.name}.{signal.name} of {file} needs {place.need} bytes, but its message has {message.length}."
        )
    return place


def _selectors(message: Any, signal: Any, signals: Mapping[str, Any], file: str) -> Iterator[Selector]:
    """Yield the multiplexing conditions of a signal, innermost first."""
    seen = {signal.name}
    while signal.multiplexer_signal is not None:
        selector = signals.get(signal.multiplexer_signal)
        if selector is None or selector.name in seen or not signal.multiplexer_ids:
            raise _Refused(f"{message.name}.{signal.name} of {file} is multiplexed in a way that never selects it.")
        seen.add(selector.name)
        yield Selector(_place(message, selector, file), _ranges(signal.multiplexer_ids))
        signal = selector


def _ranges(numbers: list[int]) -> tuple[tuple[int, int], ...]:
    """Return the numbers as ranges, both ends included."""
    ranges: list[tuple[int, int]] = []
    for number in sorted(set(numbers)):
        if ranges and number == ranges[-1][1] + 1:
            ranges[-1] = (ranges[-1][0], number)
        else:
            ranges.append((number, number))
    return tuple(ranges)


def _bring(written: str, channel: Channel, signal: str, file: str) -> tuple[Bring, str]:
    """Return how a number in the DBC's unit is brought to the channel's, and what was assumed, in words or empty.

    A DBC says kPa or bar, but not from where; there the channel's name rules. A unit that does say it (psia, barg) must
    agree.
    """
    word = written.strip()
    own = channel.unit or "no unit"
    if word.casefold() in _NO_UNIT:
        return Bring(), f"{channel.name}: {signal} has no unit in {file}; {own} assumed." if channel.unit else ""
    unit = _KNOWN.get(word.casefold())
    if unit is None:
        try:
            unit = unit_named("AFR" if word.upper() in ("AFR", "A/F", "A/F RATIO") else word)
        except UnitError as why:
            if channel.unit == "":
                return Bring(), f'{channel.name}: {signal} is in "{word}" in {file}; taken as a plain number.'
            if word.upper().startswith("A"):
                raise _Refused(
                    f'{signal} is in "{word}" in {file}: {why.what}', 'Write "AFR@14.7" as its unit there.'
                ) from why
            raise _Refused(
                f'{signal} is in "{word}" in {file}, and {channel.name} is in {own}: {why.what}.',
                f"Correct the unit in {file}; an empty one means {own}.",
            ) from why
    by_name = channel.dimension in _PRESSURES and unit.word in _BARE_PRESSURES
    if not (by_name or suits(unit, channel.dimension)) or unit.stored != channel.unit:
        raise _Refused(
            f'{signal} is in "{word}" in {file}; {channel.name} is {channel.dimension.value} in {own}.',
            "Take another signal, another channel, or correct the unit in the DBC file.",
        )
    taken = f"taken as {channel.dimension.value}, by the channel's name"
    return Bring.of(unit), f"{channel.name}: {signal} is in {unit.word} in {file}; {taken}." if by_name else ""


_MESSAGE: Final = re.compile(r"^BO_ (\d+) (\w+) *: *(\d+) .*\n(?:[ \t]+SG_ .*\n)*", re.MULTILINE)
_TEXTS: Final = re.compile(r'^(?:CM_ [^"\n]*"[^"]*"|VAL_ \d+ \w+(?:\s+-?\d+\s+"[^"]*")*)\s*;[ \t]*$', re.MULTILINE)
_BY_MESSAGE: Final = re.compile(
    r'^(?:BA_ "[^"\n]*" (?:BO_|SG_)|SIG_VALTYPE_|SG_MUL_VAL_) (\d+) [^"\n]*(?:"[^"\n]*")?\s*;[ \t]*$', re.MULTILINE
)
_FD_MARKS: Final = re.compile(
    r'^BA_ "VFrameFormat" BO_ \d+ (?:14|15|"\w+CAN_FD") *;'
    r'|^BA_DEF_DEF_ +"VFrameFormat" +"\w+CAN_FD"'
    r'|^BA_ "BusType" "CAN FD"',
    re.MULTILINE,
)
_NO_MESSAGE: Final = "VECTOR__INDEPENDENT_SIG_MSG"
"""The name under which the format keeps signals that are in no message."""


def _without_unwanted(text: str, wanted: Mapping[str, str]) -> str:
    """Blank out, line for line, comments, value names and every message that is not wanted, with what is said of it.

    Only what is written in the plainest way is taken out; the rest stays and costs time.
    """
    names = {signal.partition(".")[0] for signal in wanted.values()}
    numbers = {found[1] for found in _MESSAGE.finditer(text) if found[2] in names}

    def blank(found: re.Match[str]) -> str:
        return "\n" * found[0].count("\n")

    def unless(group: int, kept: set[str]) -> Callable[[re.Match[str]], str]:
        return lambda found: found[0] if found[group] in kept else blank(found)

    text = _TEXTS.sub(blank, text)
    text = _MESSAGE.sub(unless(2, names), text)
    return _BY_MESSAGE.sub(unless(1, numbers), text)


def _has_fd(text: str) -> bool:
    """Whether any message of the DBC is a CAN FD frame, by its length or by what is said of it."""
    lengths = (int(found[3]) for found in _MESSAGE.finditer(text) if found[2] != _NO_MESSAGE)
    return any(length > 8 for length in lengths) or _FD_MARKS.search(text) is not None


def _messages(text: str) -> dict[str, Any]:
    """Return cantools' messages by name."""
    library = _library()
    try:
        # Not strict: signals that overlap in a message are common, and no business of ours.
        messages = library.load_string(text, strict=False).messages
    except Exception as why:  # the library raises whatever it stumbles over, and each means a wrong file
        offset = getattr(why, "offset", None)
        if isinstance(offset, int):
            line = text.count("\n", 0, offset) + 1
            raise _Unreadable(line, f'"{text.splitlines()[line - 1].strip()[:60]}" is not understood') from why
        raise _Unreadable(0, " ".join(str(why).split()) or type(why).__name__) from why
    return {message.name: message for message in messages}


@dataclass(slots=True)
class _Loaded:
    """The part of cantools that reads DBC files, once it is loaded."""

    library: Any = None


_LOADED: Final = _Loaded()
_DATABASE_PART: Final = "cantools.database.can.formats.dbc"


def _library() -> Any:
    """Import the database part of cantools, without the rest if it can be had so."""
    if _LOADED.library is None:
        spec = importlib.util.find_spec("cantools") if "cantools" not in sys.modules else None
        if spec is None or spec.submodule_search_locations is None:
            _LOADED.library = importlib.import_module(_DATABASE_PART)
        else:
            # A bare module stands in for the package while its parts are imported, so that its __init__ is not run.
            bare = ModuleType("cantools")
            bare.__path__ = list(spec.submodule_search_locations)
            sys.modules["cantools"] = bare
            try:
                _LOADED.library = importlib.import_module(_DATABASE_PART)
            except (ImportError, AttributeError):  # another version may need its __init__
                del sys.modules["cantools"]
                _LOADED.library = importlib.import_module(_DATABASE_PART)
            else:
                del sys.modules["cantools"]
    return _LOADED.library
