"""Is this computer fit: its clock, room and speed of its disk, its sound, the sentinel."""

from __future__ import annotations

import os
import shutil
import time
from contextlib import suppress
from datetime import UTC, datetime
from typing import TYPE_CHECKING, Final

from pullwatch.clock import NS_PER_MS, NS_PER_S
from pullwatch.ready.items import Item, Outcome
from pullwatch.recording.session import info, latest
from pullwatch.sentinel.link import SentinelLink
from pullwatch.sentinel.wire import What
from pullwatch.watchdog.alarms import Priority, State

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

TRIED: Final = 1 << 20
"""Bytes written and synced to try the disk."""
SLOWEST_SYNC: Final = NS_PER_S // 2
"""ns that megabyte may take: what is on the disk lags the engine by about as much."""
USUAL_RATE: Final = 150_000
"""Bytes a second of a busy recording, where no session of this folder tells."""
LEAST_HOURS: Final = 2.0
EARLIEST: Final = datetime(2025, 1, 1, tzinfo=UTC)
"""A clock before this was never set."""
SENTINEL_S: Final = 3.0


def machine_items(root: Path, device: str, *, volume: float = 0.0) -> list[Item]:
    """Return what this computer came to. `volume` 0: the device is opened and played silence."""
    return [clock_item(root, time.time_ns()), *disk_items(root), *sound_items(device, volume)]


def clock_item(root: Path, wall: int) -> Item:
    """Return whether the wall clock (ns since the Unix epoch) can be right: sessions are named and ordered by it."""
    said = datetime.fromtimestamp(wall / NS_PER_S).astimezone()
    words = f"{said:%Y-%m-%d %H:%M:%S %z}"
    if said < EARLIEST:
        return Item("clock", Outcome.NOT_SO, f"{words}: it was never set. Sessions would be named and ordered wrong.")
    last = latest(root)
    if last is not None and last.is_dir():
        with suppress(OSError):
            if (begun := info(last).start) > wall:
                hours = (begun - wall) / NS_PER_S / 3600
                return Item(
                    "clock", Outcome.NOT_SO, f"{words}: the last session began {hours:.1f} h after that. Set it."
                )
    return Item("clock", Outcome.FINE, f"{words}.")


def disk_items(root: Path) -> Iterator[Item]:
    """Yield whether there is room where sessions are kept, and whether the disk keeps up."""
    try:
        root.mkdir(parents=True, exist_ok=True)
        free = shutil.disk_usage(root).free
        took = _tried(root)
    except OSError as error:
        yield Item(
            "disk", Outcome.NOT_SO, f"{root} cannot be written: {error.strerror}. Watching would record to memory."
        )
        return
    rate = _rate(root)
    hours = free / rate / 3600
    words = f"{free / 1e9:.1f} GB free in {root}, {hours:,.0f} h at {rate / 1000:.0f} kB/s"
    yield Item("room", Outcome.FINE if hours >= LEAST_HOURS else Outcome.NOT_SO, f"{words}.")
    speed = TRIED / took * NS_PER_S / 1e6
    words = f"1 MiB written and synced in {took / NS_PER_MS:.0f} ms ({speed:.0f} MB/s)"
    if took <= SLOWEST_SYNC:
        yield Item("disk speed", Outcome.FINE, f"{words}.")
    else:
        yield Item("disk speed", Outcome.NOT_SO, f"{words}: a power cut would cost that much of a run. Another card.")


def _tried(root: Path) -> int:
    path = root / f".try-{os.getpid()}"
    begun = time.perf_counter_ns()
    try:
        fd = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
        try:
            os.write(fd, os.urandom(TRIED))
            os.fsync(fd)
        finally:
            os.close(fd)
    finally:
        path.unlink(missing_ok=True)
    return time.perf_counter_ns() - begun


def _rate(root: Path) -> float:
    """Return bytes a second of the last session, if it was long enough to tell."""
    last = latest(root)
    if last is not None:
        with suppress(OSError):
            facts = info(last)
            if facts.length > 30 * NS_PER_S:
                return max(1_000.0, facts.size / (facts.length / NS_PER_S))
    return USUAL_RATE


def sound_items(device: str, volume: float, *, for_s: float = 0.0) -> Iterator[Item]:
    """Yield whether a sentinel of our own starts, answers, and gets a sound to the device. The one on watch is left.

    The signal goes on for `for_s` seconds after its first frame went out.
    """
    with open(os.devnull, "wb") as nowhere:  # noqa: PTH123 - a name of the system's
        link = SentinelLink(device=device, volume=volume, stderr=nowhere.fileno())
        link.start()
        try:
            reports = _reports(link, for_s)
        finally:
            link.close()
    if What.READY not in reports:
        words = reports.get(What.SENTINEL_LOST, ("it did not answer in time.", 0))[0]
        yield Item("sentinel", Outcome.NOT_SO, words)
        return
    yield Item("sentinel", Outcome.FINE, "it starts, listens and answers.")
    for what in (What.DEVICE_MISSING, What.DEVICE_LOST):
        if what in reports:
            todo = "Without sound only lamp and screen tell. List devices with: pullwatch sound-check"
            yield Item("sound", Outcome.NOT_SO, f"{reports[what][0]} {todo}")
            return
    if What.DEVICE_NULL in reports:
        yield Item("sound", Outcome.CANNOT_TELL, "the null device was asked for: nothing will be heard.")
        return
    if What.FIRST_FRAME not in reports:
        yield Item("sound", Outcome.NOT_SO, "the device took no sound in time.")
        return
    took = reports[What.FIRST_FRAME][1] / NS_PER_MS
    slow = " but it takes sound in large pieces" if What.DEVICE_SLOW in reports else ""
    yield Item("sound", Outcome.FINE, f"the device takes sound, the first of it after {took:.0f} ms{slow}.")


def _reports(link: SentinelLink, for_s: float) -> dict[What, tuple[str, int]]:
    """Beat, ask for a sound, and return what was reported until the first of it went out, or time is up."""
    import select  # noqa: PLC0415 - only who tries the sound waits like this

    found: dict[What, tuple[str, int]] = {}
    until = time.monotonic() + SENTINEL_S
    asked = False
    while time.monotonic() < until:
        link.beat()
        select.select([link.fileno()], [], [], 0.02)
        for report in link.poll():
            if report.what is What.FIRST_FRAME and report.what not in found:
                until = time.monotonic() + for_s
            found.setdefault(report.what, (report.words, report.ns))
        silent = What.DEVICE_NULL in found and What.READY in found
        if silent or What.DEVICE_MISSING in found or What.SENTINEL_LOST in found:
            break
        if not asked and What.READY in found:
            asked = True
            link.alarm(Priority.CRITICAL, 0, State.UNACKNOWLEDGED)
    return found
