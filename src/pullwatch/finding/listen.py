"""`pullwatch listen`: hear a port for some seconds, say what arrives, and write a starting setup if asked to."""

from __future__ import annotations

import asyncio
import os
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Final

from pullwatch.errors import PullwatchError
from pullwatch.feeds.kinds import build
from pullwatch.feeds.options import CanOptions
from pullwatch.feeds.ports import Device, list_ports, note, resolve
from pullwatch.finding.files import replace_whole, write_new
from pullwatch.finding.frames import Bus, read_bus
from pullwatch.finding.hearing import USUAL_SPEEDS, find_speed, hear, stream
from pullwatch.finding.lines import Lines
from pullwatch.finding.ports import identity
from pullwatch.finding.sentences import Sentences
from pullwatch.finding.sorting import Sort, sort
from pullwatch.finding.starting import Begun, Place, bus_setup, line_setup, sentence_setup, signal_guess, signals_of
from pullwatch.finding.telling import MARK, tell, tell_bus, tell_speeds
from pullwatch.setup import load
from pullwatch.setup.feed_kinds.can import dbc_text

if TYPE_CHECKING:
    from collections.abc import Sequence

    from pullwatch.feeds.ports import Lister
    from pullwatch.finding.heard import Heard
    from pullwatch.finding.starting import Signal

LONGEST: Final = 600.0
"""Seconds beyond which watching is the better way."""
READS_ONLY: Final = "It is only read: nothing is written to a serial line, and an slcan adapter is opened listen-only."


def run_listen(
    port: str,
    *,
    speed: int | None = None,
    adapter: str | None = None,
    bitrate: int | None = None,
    dbc: Path | None = None,
    seconds: float = 5.0,
    write: Path | None = None,
    add: Path | None = None,
    lister: Lister = list_ports,
) -> bool:
    """Hear `port` and print what arrives; return whether anything could be read.

    Without `adapter` the port is a serial line (`speed` in Bd; None: the usual ones are tried), with it a CAN bus
    (`bitrate` in bit/s; None: searched for, listening only). `write` names the starting setup to write,
    `add` one that is there and gets one more feed. Raises PullwatchError in words.
    """
    if not 0.0 < seconds <= LONGEST:
        raise PullwatchError(f"--seconds {seconds:g}: a number above 0 and up to {LONGEST:g} is expected.")
    if speed is not None and speed <= 0:
        raise PullwatchError(f"--baud {speed}: a speed above 0 is expected.")
    if write is not None and write.exists():
        raise PullwatchError(f"{write} is there already and is not overwritten. Name another file.")
    if write is not None and add is not None:
        raise PullwatchError("--write begins a setup and --add adds a feed to one: give one of them.")
    into = None if write is None else _Into(write, None)
    if add is not None:
        into = _Into(add, _begun(add))
    if adapter is None and (bitrate is not None or dbc is not None):
        raise PullwatchError("--bitrate and --dbc are for a CAN bus: name its --adapter too (slcan, socketcan, …).")
    if adapter is None:
        return _serial(port, speed, seconds, into, lister)
    return _can(port, adapter, speed, bitrate, dbc, seconds, into, lister)


@dataclass(frozen=True, slots=True)
class _Into:
    """The setup to write, and what is there of it if it is to be added to."""

    path: Path
    begun: Begun | None

    def put(self, text: str) -> None:
        """Write it, or not at all if it does not load. Raises PullwatchError."""
        if self.begun is None:
            write_new(self.path, text)
            words = "Written"
        else:
            replace_whole(self.path, self.path.read_text(encoding="utf-8").rstrip("\n") + "\n" + text)
            words = "Added to"
        _say([f"{words}: {self.path}. Confirm what it marks, then: pullwatch setup {self.path}"])


def _begun(path: Path) -> Begun:
    """Read the setup that is to be added to. Raises SetupError."""
    plan = load(path)
    given = {channel.name for channel in plan.channels}
    return Begun(frozenset(given), tuple(feed.options.name for feed in plan.feeds))


def _serial(port: str, speed: int | None, seconds: float, into: _Into | None, lister: Lister) -> bool:
    _say([f"Listening at {port}. {READS_ONLY}"])
    speed, heard = asyncio.run(_hear_serial(port, speed, seconds, lister))
    talk = sort(heard)
    _say(tell(heard, talk))
    written_as = identity(port, lister)
    _say([f'write port = "{written_as}"', *filter(None, [note(written_as)])])
    if into is not None:
        told, text = _told(heard, port), ""
        if isinstance(talk.found, Lines):
            text = line_setup(talk.found, written_as, speed, told, into.begun)
        elif isinstance(talk.found, Sentences):
            text = sentence_setup(talk.found, written_as, speed, told, into.begun)
        if not text:
            raise PullwatchError(
                f"{into.path} is not written: {talk.sort.value}, and a setup can be written of lines of text, of NMEA "
                "sentences with a speed that no other feed gives, or of a CAN bus with its DBC file (--adapter, --dbc)."
            )
        into.put(text)
    return talk.sort not in (Sort.NOTHING, Sort.UNREADABLE)


def _told(heard: Heard, port: str) -> str:
    return f"what was heard in {heard.seconds:.0f} s on {heard.place or port}"


async def _hear_serial(port: str, speed: int | None, seconds: float, lister: Lister) -> tuple[int, Heard]:
    async def hear_at(speed: int, seconds: float) -> Heard:
        return await hear(stream(port, speed, lister), port, seconds)

    if speed is None and isinstance(resolve(port, lister), Device):
        tried = await find_speed(hear_at, seconds)
        _say(tell_speeds(tried))
        best = tried[0]
        if best.talk.sort is Sort.NOTHING:
            return best.speed, best.heard
        return best.speed, await hear_at(best.speed, seconds)
    speed = speed or USUAL_SPEEDS[0]  # over TCP there is none
    return speed, await hear_at(speed, seconds)


def _signals(dbc: Path) -> list[Signal]:
    try:
        text = dbc_text(dbc)
    except OSError as error:
        raise PullwatchError(f"{dbc} cannot be read: {error.strerror or error}.") from error
    signals = signals_of(text)
    if not signals:
        raise PullwatchError(f"{dbc} names no message with signals: is it a DBC file?")
    return signals


def _can(
    port: str,
    adapter: str,
    speed: int | None,
    bitrate: int | None,
    dbc: Path | None,
    seconds: float,
    into: _Into | None,
    lister: Lister,
) -> bool:
    if into is not None and dbc is None:
        raise PullwatchError(
            "A CAN bus does not say what its numbers mean: name the controller's DBC file with --dbc. Who sells or "
            "sets up the controller has one; a setup without it would read nothing."
        )
    signals = [] if dbc is None else _signals(dbc)
    _say([f"Listening at {port}. {READS_ONLY}"])
    if bitrate is None:
        bitrate = asyncio.run(_bitrate(port, adapter, speed, lister))
        if bitrate is None:
            return False
    options = {"name": "heard", "kind": "can", "adapter": adapter, "port": port, "bitrate": bitrate}
    options |= {"dbc": "", "channels": {}, **({} if speed is None else {"baud": speed})}
    feed = build(CanOptions.model_validate(options), 1, Path())
    _say(feed.notes)
    heard = asyncio.run(hear(feed, port, seconds))
    bus = read_bus(heard, slcan=adapter == "slcan") if heard.size else None
    if bus is None:
        _say([f"No frame in {heard.seconds:.1f} s at {bitrate:,} bit/s.", *_SILENT])
        return False
    _say([f"{bitrate:,} bit/s", *tell_bus(bus), *_known(bus, signals)])
    written_as = identity(port, lister) if adapter == "slcan" else port
    _say([f'write adapter = "{adapter}", port = "{written_as}", bitrate = {bitrate}'])
    if into is not None and dbc is not None:
        where = Place(written_as, adapter, bitrate, os.path.relpath(dbc.resolve(), into.path.resolve().parent))
        text = bus_setup(bus, signals, where, _told(heard, port), into.begun)
        if not text:
            raise PullwatchError(
                f"{into.path} is not written: no signal of {dbc} that was heard has a name that tells something new."
            )
        into.put(text)
    return True


_SILENT: Final = (
    "Is the key on? Is the bus ended by its two resistors (60 Ω between its wires, power off)?",
    "Is the bit rate right? Without --bitrate it is searched for, listening only.",
)


async def _bitrate(port: str, adapter: str, speed: int | None, lister: Lister) -> int | None:
    # Imported here because only a bus whose bit rate nobody knows needs the search.
    from pullwatch.feeds.bitrate import search_bitrate  # noqa: PLC0415 - as above

    _say(["Searching for the bit rate, listening only: some seconds."])
    found = await search_bitrate(port, adapter, baud=speed or CanOptions.model_fields["baud"].default, lister=lister)
    _say(list(found.reasons))
    return found.rate


def _known(bus: Bus, signals: Sequence[Signal]) -> list[str]:
    """Return what the DBC says of the identifiers that were heard, and which of its messages were not."""
    if not signals:
        return []
    heard = {(one.can_id, one.extended) for one in bus.identifiers}
    out = []
    for signal in signals:
        if (signal.can_id, signal.extended) in heard:
            one = signal_guess(signal)
            says = f"{MARK}: {one.channel}" + (f"; {one.question}" if one.question else "") if one else "no guess"
            out.append(f"  {signal.message}.{signal.name} [{signal.unit}]: {says}")
    missing = sorted({one.message for one in signals if (one.can_id, one.extended) not in heard})
    if missing:
        out.append(f"in the DBC, but not heard: {', '.join(missing)}")
    strangers = heard - {(one.can_id, one.extended) for one in signals}
    if strangers:
        out.append(f"{len(strangers)} identifiers are not in the DBC")
    return out


def _say(lines: Sequence[str]) -> None:
    for line in lines:
        print(line, flush=True)
