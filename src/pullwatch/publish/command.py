"""What the commands `publish` and `far` do, once their words are read."""

from __future__ import annotations

import asyncio
import os
import signal
import sys
from contextlib import suppress
from typing import TYPE_CHECKING, Any, Final

from pydantic import ValidationError

from pullwatch.errors import BrokerError
from pullwatch.publish.link import access
from pullwatch.publish.publisher import Publisher
from pullwatch.recording.session import parts_in, read_start
from pullwatch.setup.equipment import of
from pullwatch.setup.equipment.broker import BrokerSection

if TYPE_CHECKING:
    from pathlib import Path

    from pullwatch.setup import Plan

NICE: Final = 19


def run_publish(folder: Path, plan: Plan | None) -> bool:
    """Publish a session until it is over or Ctrl-C; return whether all of it was handed over.

    The [broker] is that of `plan`, or of the recorded setup (None). Raises BrokerError, SessionError or SetupError.
    """
    section = _recorded(folder) if plan is None else of(plan.equipment, "broker", BrokerSection)
    if section is None:
        where = "the recorded setup" if plan is None else plan.setup_file
        raise BrokerError(f"{where} has no [broker]. Give a setup that has one: pullwatch publish SESSION --setup FILE")
    with suppress(OSError, AttributeError):
        os.nice(max(0, NICE - os.nice(0)))  # whatever a broker asks for, the monitor goes first
    return asyncio.run(_publish(folder, section))


async def _publish(folder: Path, section: BrokerSection) -> bool:
    publisher = Publisher(folder, section, access(section), say=_say)
    loop = asyncio.get_running_loop()
    for number in (signal.SIGINT, signal.SIGTERM):
        with suppress(NotImplementedError):
            loop.add_signal_handler(number, publisher.stop)
    return await publisher.run()


def _say(words: str) -> None:
    print(words, flush=True)


def _recorded(folder: Path) -> BrokerSection | None:
    """Return the section of the recorded setup, None if it has none. Raises BrokerError if there is no session."""
    found = next((start for _, path in parts_in(folder) if (start := read_start(path)) is not None), None)
    if found is None:
        raise BrokerError(f"{folder} holds no recording yet.")
    recorded = found[1].get("plan")
    equipment = recorded.get("equipment") if isinstance(recorded, dict) else None
    try:
        return of(equipment or {}, "broker", BrokerSection)
    except ValidationError as error:
        raise BrokerError(f"{folder}: the recorded [broker] is of another version. Give --setup FILE.") from error


def section_of(host: str | None, said: dict[str, Any], plan: Plan | None) -> BrokerSection:
    """Return how a broker is reached for reading: as a setup says, or as `said` on the command line.

    Raises BrokerError for words that are not possible.
    """
    section = None if plan is None else of(plan.equipment, "broker", BrokerSection)
    if plan is not None and section is None:
        raise BrokerError(f"{plan.setup_file} has no [broker].")
    if section is None and host is None:
        raise BrokerError("Name a broker (its host or address), or a setup that has a [broker]: --setup FILE")
    facts = {} if section is None else section.model_dump()
    facts |= {key: value for key, value in said.items() if value is not None}
    if host is not None:
        facts["host"] = host
    try:
        return BrokerSection.model_validate(facts)
    except ValidationError as error:
        wrong = error.errors(include_url=False)[0]
        raise BrokerError(f"{' '.join(str(part) for part in wrong['loc'])}: {wrong['msg']}.") from error


def run_far(host: str | None, said: dict[str, Any], plan: Plan | None, car: str | None, seconds: float | None) -> bool:
    """Show remote cars in the terminal; return whether any was heard of. Raises BrokerError."""
    from pullwatch.publish.looking import run_far as look  # noqa: PLC0415 - the publisher has no use for it

    section = section_of(host, said, plan)
    if not section.encrypted and not section.on_this_machine:
        print(f"Not encrypted: what comes from {section.host} can be read and forged on the way.", file=sys.stderr)
    if car is None and plan is not None:
        car = plan.car.name
    return look(access(section), section.topic, car, seconds)


def whole(path: Path | None) -> str | None:
    """Return a path from the root on, as a section wants it."""
    return None if path is None else str(path.expanduser().resolve())
