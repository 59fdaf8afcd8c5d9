"""A live session from beginning to end: what `pullwatch watch` puts around the station, and takes down again."""

from __future__ import annotations

import asyncio
import importlib.metadata
import json
import os
import shutil
import signal
import sys
import tempfile
import time
from contextlib import AsyncExitStack, suppress
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import platformdirs

from pullwatch.acts import Acts, Door, Keys, send
from pullwatch.annunciators.console import Console
from pullwatch.annunciators.driving import unknown
from pullwatch.annunciators.lamp import SPEEDS, Lamp, Level, Signal, car_stands
from pullwatch.annunciators.sound import Sound
from pullwatch.clock import NS_PER_MS, NS_PER_S, SessionClock, steady_name
from pullwatch.errors import ActError, SessionError, SetupError
from pullwatch.feeds.bus_health import BusHealth
from pullwatch.feeds.misfit import Misfit
from pullwatch.feeds.switches import Switches
from pullwatch.feeds.written import event_of
from pullwatch.recording.recorder import Recorder
from pullwatch.recording.session import bring_home, end_of, info, latest, new_folder
from pullwatch.sentinel.link import SentinelLink
from pullwatch.setup import Plan, decoders_for
from pullwatch.setup.equipment import of
from pullwatch.setup.equipment.lamp import LampSection
from pullwatch.setup.equipment.sound import SoundSection
from pullwatch.setup.equipment.switches import SwitchSection
from pullwatch.setup.reloading import reloaded
from pullwatch.setup.watcher_rules import watched
from pullwatch.station import Station
from pullwatch.watchdog.alarms import QUIET, STATE_WORDS, Priority

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping, Sequence

    from pullwatch.feeds.base import Feed

LAG_TOLD: Final = 250 * NS_PER_MS
"""A recording that is further than this behind the disk is told."""
CARRIED_FOR: Final = 12 * 3600 * NS_PER_S
"""Alarms left standing by the car's last session are carried over this long (common practice, no source)."""
RELOAD_PATIENCE: Final = 10.0
"""Seconds an answer is waited for when rules are handed over."""
KEEPING: Final = 0.25
"""Seconds between two looks at the sentinel and the recorder."""


def run_watch(
    plan: Plan,
    base: Path,
    root: Path,
    device: str | None,
    beside: Callable[[Path, Plan], Sequence[str]] | None = None,
    happened: Sequence[Mapping[str, Any]] = (),
) -> bool:
    """Watch until told to stop; return whether alarms stand at the end. Raises PullwatchError for what cannot work.

    `device` takes the place of the sound device that the setup names (None: it does not). `beside` starts what follows
    the session in processes of its own, once it is being recorded, and returns what is told of that. `happened` are
    events from before, which belong on this record.
    """
    _stand_in_for_closed()
    return asyncio.run(_watch(watched(plan), base, root, device, beside, happened))


async def _watch(
    plan: Plan,
    base: Path,
    root: Path,
    device: str | None,
    beside: Callable[[Path, Plan], Sequence[str]] | None,
    happened: Sequence[Mapping[str, Any]],
) -> bool:
    clock = SessionClock()
    pair = clock.pair()
    carried, kept = _carried(plan, root, pair.wall)
    folder = new_folder(root, plan.car.name, pair.wall)
    fallback = _memory()
    names = {0: "acts", **{feed.number: feed.options.name for feed in plan.feeds}}
    start: dict[str, Any] = {
        "pullwatch": importlib.metadata.version("pullwatch"),
        "car": plan.car.name,
        "profile": plan.profile,
        "boot_id": _boot_id(),
        "clock": {"name": steady_name(), "zero": clock.zero, "wall": pair.wall, "uncertainty": pair.uncertainty},
        "plan": plan.to_dict(),
    }
    rules = [rule.name for rule in plan.rules.rules]
    async with AsyncExitStack() as stack:
        recorder = Recorder(folder, start, names, rules, clock, fallback)
        ending = ["failed", "pullwatch ended by a fault of its own"]
        stack.callback(lambda: _end(recorder, folder, *ending))
        console = Console(plan.rules, pair, sys.stdout, feeds=names)
        stack.callback(console.close)
        hearing = of(plan.equipment, "sound", SoundSection) or SoundSection()
        link = SentinelLink(device=device or hearing.device, volume=hearing.volume, lock=root / "watching.lock")
        link.start()
        stack.callback(link.close)
        driver = hearing.for_driver(plan.profile)
        sound = Sound(plan.rules, link, driver=driver)
        misfit = Misfit(partial(decoders_for, plan))
        station = Station(
            plan,
            (sound, recorder, console, misfit),
            clock=clock,
            base=base,
            recorder=recorder,
            sentinel=link,
            carried=carried,
            kept=kept,
        )
        live = _live(folder)
        acts = Acts(station.intake, priorities(plan), partial(_new_rules, station, live))
        misfit.looks_at(station.feeds, station.path.decoders)
        lamp = _lamp(plan, station, recorder)
        keeper = _Keeper(console, recorder, link, clock, BusHealth(station.feeds, station.path.decoders), misfit)
        keeper.keeps_ledger_of(station.feeds, lamp)
        stack.callback(keeper.stop)
        if lamp is not None:
            station.also_tells(lamp)
            lamp.start()
            stack.push_async_callback(lamp.stop)
        if (switches := of(plan.equipment, "switch", SwitchSection)) is not None:
            station.also_tells(Switches(switches.bound(plan, acts)))
        keeper.start()
        live.mkdir(parents=True, exist_ok=True, mode=0o700)
        stack.callback(lambda: shutil.rmtree(live, ignore_errors=True))
        door = Door(acts, live)
        await door.open()
        stack.push_async_callback(door.close)
        say = lambda words: console.say(clock.now(), words)  # noqa: E731 - a word to who typed
        stack.enter_context(Keys(acts, lambda: station.stop("q was pressed"), say=say))
        _stop_on_signals(station)
        console.say(clock.now(), _first_words(plan, folder))
        for event in happened:
            recorder.event({"t": clock.now(), **event})
            console.say(clock.now(), str(event.get("says", "")))
        for words in beside(folder, plan) if beside is not None else ():
            console.say(clock.now(), words)
        for words in [*hearing.cautions(device), *(unknown(plan.channels) if driver else ())]:
            console.say(clock.now(), f"sound: {words}", worse=True)
        for feed in station.feeds:
            for note in feed.notes:
                console.say(clock.now(), f"{feed.name}: {note}")
        reason = await station.run()
        ending[:] = ["stopped", reason]
        all_left = [
            (rule, state)
            for rule, state in zip(station.path.plan.rules.rules, station.standing(), strict=True)
            if state
        ]
        left = [(rule, state) for rule, state in all_left if state not in QUIET]
        hidden = [f"{rule.name} ({STATE_WORDS[state]})" for rule, state in all_left if state in QUIET]
        if hidden:
            console.say(clock.now(), f"not told of at the end: {', '.join(hidden)}")
        for rule, state in left:
            if rule.priority is Priority.CRITICAL:
                console.say(clock.now(), f"still standing: {rule.name} ({STATE_WORDS[state]})", worse=True)
        others = [rule.name for rule, _ in left if rule.priority is not Priority.CRITICAL]
        if others:
            console.say(clock.now(), f"still standing too: {', '.join(others)}")
        console.say(clock.now(), f"stopped: {reason}. The session lies in {folder}")
    return bool(left)


def send_act(root: Path, act: dict[str, Any]) -> str:
    """Hand an act to the session being watched in `root`. Raises ActError when there is none or it refuses."""
    folder = latest(root)
    if folder is not None:
        with suppress(FileNotFoundError):
            return send(_live(folder), act)
    raise ActError(f"nothing is being watched in {root}. Start it with: pullwatch watch SETUP")


def send_reload(root: Path, plan: Plan, who: str) -> str:
    """Hand other rules to the session being watched in `root`. Raises ActError when there is none or it refuses.

    They were read and checked here, in this process; the one that watches reads plain JSON.
    """
    folder = latest(root)
    live = None if folder is None else _live(folder)
    if live is None or not live.is_dir():
        raise ActError(f"nothing is being watched in {root}. Start it with: pullwatch watch SETUP")
    file = live / f"rules-{os.getpid()}.json"
    try:
        file.write_text(json.dumps(watched(plan).to_dict()), encoding="utf-8")
        return send(live, {"act": "reload", "file": file.name, "who": who}, patience=RELOAD_PATIENCE)
    except OSError as error:
        raise ActError(f"{live}: the rules could not be handed over: {error.strerror or error}.") from error
    finally:
        file.unlink(missing_ok=True)


def priorities(plan: Plan) -> dict[str, Priority]:
    """Return the priority of every rule by name."""
    return {rule.name: rule.priority for rule in plan.rules.rules}


def _new_rules(station: Station, live: Path, file: str) -> tuple[dict[str, Any], dict[str, Priority]]:
    """Return the plan left in `file` and the priorities it leads to. Raises ActError if it cannot be used."""
    if file != Path(file).name or not file:
        raise ActError(f'"{file[:80]}" is no file beside the socket.')
    try:
        plan = Plan.from_dict(json.loads((live / file).read_text(encoding="utf-8")))
        merged = reloaded(station.path.plan, plan)
    except (OSError, ValueError) as error:
        raise ActError(f"the rules cannot be read: {error}.") from error
    except SetupError as error:
        raise ActError(str(error)) from error
    return plan.to_dict(), priorities(merged)


class _Keeper:
    """Looks after what runs beside the path: tells what sentinel, buses and ports report, and when the disk lags."""

    def __init__(
        self,
        console: Console,
        recorder: Recorder,
        link: SentinelLink,
        clock: SessionClock,
        buses: BusHealth,
        misfit: Misfit,
    ) -> None:
        self._console = console
        self._recorder = recorder
        self._link = link
        self._clock = clock
        self._buses = buses
        self._misfit = misfit
        self._loop = asyncio.get_running_loop()
        self._timer: asyncio.TimerHandle | None = None
        self._lagging = False
        self._error = ""
        self._feeds: Sequence[Feed] = ()
        self._lamp: Lamp | None = None

    def keeps_ledger_of(self, feeds: Sequence[Feed], lamp: Lamp | None) -> None:
        """Record what is written to these ports, and what happens to the lamp."""
        self._feeds, self._lamp = feeds, lamp

    def start(self) -> None:
        self._loop.add_reader(self._link.fileno(), self._reports)
        self._look()

    def stop(self) -> None:
        if self._timer is not None:
            self._timer.cancel()
        self._loop.remove_reader(self._link.fileno())
        self._keep_ledger(self._clock.now())

    def _keep_ledger(self, now: int) -> None:
        """Record every byte written to a port since the last time."""
        ports = [(feed.name, feed.port, feed.written) for feed in self._feeds]
        if self._lamp is not None:
            ports.append(("lamp", self._lamp.port, self._lamp.written))
        for to, port, written in ports:
            event = event_of(now, to, port, written.take_off())
            if event is not None:
                self._recorder.event(event)

    def _look(self) -> None:
        self._timer = self._loop.call_later(KEEPING, self._look)
        self._reports()
        now = self._clock.now()
        lag = self._recorder.sync_lag_ns
        if (lag > LAG_TOLD) is not self._lagging:
            self._lagging = lag > LAG_TOLD
            words = (
                f"the recording is {lag / NS_PER_MS:.0f} ms behind the disk"
                if self._lagging
                else "the disk keeps up again"
            )
            self._console.say(now, words, worse=self._lagging)
        self._keep_ledger(now)
        lamp = self._lamp.news() if self._lamp is not None else ()
        for event, news in (("bus", self._buses.news(now)), ("misfit", self._misfit.news(now)), ("lamp", lamp)):
            for words, worse in news:
                self._recorder.event({"event": event, "t": now, "says": words})
                self._console.say(now, words, worse=worse)
        error = self._recorder.health.last_error
        if error != self._error:
            self._error = error
            self._console.say(now, f"recording: {error}", worse=True)

    def _reports(self) -> None:
        for report in self._link.poll():
            self._recorder.event({"event": "sentinel", "says": report.words, "what": str(report.what)})
            if report.trouble:
                self._console.say(self._clock.now(), f"sentinel: {report.words}", worse=True)


def _lamp(plan: Plan, station: Station, recorder: Recorder) -> Lamp | None:
    """Return the lamp of the setup, None if it has none."""
    section = of(plan.equipment, "lamp", LampSection)
    if section is None:
        return None
    board = section.board()
    speeds = [channel for channel in plan.channels if channel.name in SPEEDS]

    def stands() -> bool:
        """Say whether the car is known to stand, by what is good and fresh just now."""
        watchdog = station.path.watchdog
        latest = {channel: watchdog.latest(channel.number) for channel in speeds}
        return car_stands(
            {
                channel.name: said[1]
                for channel, said in latest.items()
                if said is not None and not said[2] and watchdog.now - said[0] < channel.stale_after
            }
        )

    signal = Signal(
        plan.rules,
        stands=stands,
        recording=lambda: not recorder.in_memory and recorder.sync_lag_ns < NS_PER_S,
        by_hand=plan.profile == "dyno",
        has_caution=Level.CAUTION in board.lines,
    )
    return Lamp(board, signal, station.clock)


def _first_words(plan: Plan, folder: Path) -> str:
    rules = plan.rules.rules
    critical = sum(rule.priority is Priority.CRITICAL for rule in rules)
    since = time.clock_gettime_ns(time.CLOCK_BOOTTIME) - _born() if hasattr(time, "CLOCK_BOOTTIME") else 0
    took = f", {since / NS_PER_S:.2f} s after its start" if since > 0 else ""
    return (
        f"armed{took}: {plan.car.name}, {len(plan.feeds)} feeds, {len(rules)} rules, {critical} of them critical; "
        f"profile {plan.profile}; recording to {folder}"
    )


def _born() -> int:
    """Return when this process began (ns of the boot-time clock), 0 where the system does not say."""
    with suppress(OSError, ValueError, IndexError):
        fields = Path("/proc/self/stat").read_text(encoding="ascii").rpartition(")")[2].split()
        return int(fields[19]) * NS_PER_S // os.sysconf("SC_CLK_TCK")
    return time.clock_gettime_ns(time.CLOCK_BOOTTIME)


def _carried(plan: Plan, root: Path, wall: int) -> tuple[Sequence[dict[str, Any]], dict[str, float]]:
    """Return what the car's last session left, if that was not too long ago: alarms standing, and values kept.

    How old a kept value is counts from the begin of that session: it is at most as old as that.
    """
    folder = latest(root)
    if folder is None:
        return [], {}
    last = info(folder)
    if last.car != plan.car.name or wall - (last.start + last.length) > CARRIED_FOR:
        return [], {}
    end = end_of(folder)
    known = {rule.name for rule in plan.rules.rules}
    alarms = [{"rule": alarm.rule, "state": int(alarm.state)} for alarm in end.standing if alarm.rule in known]
    return alarms, end.kept if wall - last.start <= CARRIED_FOR else {}


def _end(recorder: Recorder, folder: Path, status: str, reason: str) -> None:
    """Close the recording; what stands in memory only, because the disk failed, is brought home if possible."""
    recorder.close(status, reason)
    if recorder.in_memory:
        try:
            brought = bring_home(folder)
        except (OSError, SessionError) as error:
            print(f"Part of the recording stands in memory only, under {_memory()}: {error}.")
            print("Copy it before the power goes.")
        else:
            print(f"Brought home from memory: {', '.join(path.name for path in brought)}")


def _live(folder: Path) -> Path:
    """Return where the socket for acts of a session lies: not in its folder, which people copy to sticks."""
    runtime = os.environ.get("XDG_RUNTIME_DIR")
    base = Path(runtime, "pullwatch") if runtime else platformdirs.user_cache_path("pullwatch")
    return base / "live" / folder.resolve().as_posix().replace("/", "_")[-80:]


def _memory() -> Path:
    """Return where the recording goes on when the disk fails: memory where there is such a folder."""
    shared = Path("/dev/shm")  # noqa: S108 - only where the system offers it, in a folder of this user's own
    return (shared if shared.is_dir() else Path(tempfile.gettempdir())) / f"pullwatch-{os.getuid()}"


def _stand_in_for_closed() -> None:
    """Put the null device where standard input or output is closed.

    A port opened later would else get its number, and be taken for a keyboard or written lines meant for a terminal.
    """
    for number in range(3):
        try:
            os.fstat(number)
        except OSError:
            os.open(os.devnull, os.O_RDWR)  # the system gives the lowest number that is free, which is this one
    if sys.stdout is None:
        sys.stdout = open(os.devnull, "w", encoding="utf-8")  # noqa: SIM115, PTH123 - for as long as the process lives


def _stop_on_signals(station: Station) -> None:
    loop = asyncio.get_running_loop()
    for number, words in ((signal.SIGINT, "Ctrl-C"), (signal.SIGTERM, "asked to end (SIGTERM)")):
        loop.add_signal_handler(number, station.stop, words)
    with suppress(AttributeError, ValueError):
        loop.add_signal_handler(signal.SIGHUP, station.stop, "the terminal was closed")


def _boot_id() -> str:
    with suppress(OSError):
        return Path("/proc/sys/kernel/random/boot_id").read_text(encoding="ascii").strip()
    return ""
