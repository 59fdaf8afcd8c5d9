"""The demo: an evening on the dyno with an invented car, watched for real. No hardware, no network beyond this machine.

Simulators are started as programs and speak over TCP what a CAN adapter and a lambda controller would. The watcher is a
program too, the very `pullwatch watch` of the track, and is killed once on purpose. What it recorded is then
replayed and compared.
"""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
import tempfile
import threading
import time
from contextlib import ExitStack, suppress
from pathlib import Path
from typing import IO, TYPE_CHECKING, Any, Final

from pullwatch.clock import NS_PER_S, steady_ns
from pullwatch.errors import ActError, PullwatchError
from pullwatch.recording.reader import Session
from pullwatch.recording.session import list_sessions
from pullwatch.replaying import describe, plan_of, replayed, verify
from pullwatch.reviewing.gather import gather
from pullwatch.reviewing.reading import reviewed
from pullwatch.reviewing.telling import told
from pullwatch.setup import Plan
from pullwatch.watchdog.alarms import Event, Priority
from pullwatch.watching import send_act

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping

SCENARIO: Final = "dyno-evening"
LEAD_S: Final = 6.0
"""Seconds the simulators get to work out the evening before it begins."""
KEY_ON_S: Final = 0.5
"""Scenario second at which the watcher is started: the key is on, the engine stands."""
PATIENCE_S: Final = 60.0
ACT_PATIENCE_S: Final = 4.0
GONE_WORDS: Final = "monitor gone"
ANSWERS_TOLD: Final = ("lean", "boost", "launch")
ASKED_DUTY: Final = 36.0
"""% of wastegate duty that the owner asks about: one step beyond the highest that was driven."""
BARE_RULE: Final = {
    "name": "bare rule",
    "while_": "manifold_pressure > barometric_pressure + 20 kPa",
    "trip": "lambda > 0.85 lambda",
    "on_delay": 0,
    "dose": 0,
    "at_least_samples": 1,
    "off_delay": 0,
    "latch": False,
    "priority": "critical",
    "asked": "critical",
    "group": "engine",
    "says": "Lean.",
    "automatic": False,
    "note": "",
}


def run_demo(root: Path, device: str) -> int:
    """Play the evening, watch it, replay it; return 0: as the scenario says, 1: not so, 2: it could not be played."""
    try:
        return 0 if _Demo(root, device).run() else 1
    except (PullwatchError, OSError, _CannotPlayError) as error:
        print(f"The demo could not be played: {error}", file=sys.stderr)
        return 2
    except KeyboardInterrupt:
        print("\nThe demo was stopped. What was recorded stays.", file=sys.stderr)
        return 2


class _CannotPlayError(Exception):
    """A program of the demo did not start or ended too early."""


class _Program:
    """A child program whose error lines are shown as they come, and kept."""

    def __init__(self, stack: ExitStack, module: str, *arguments: str, show: bool = False) -> None:
        self.name = module
        self.lines: list[str] = []
        self._heard = threading.Condition()
        self.process = subprocess.Popen(  # noqa: S603 - our own programs, no shell
            [sys.executable, "-m", module, *arguments],
            stdin=subprocess.DEVNULL,
            stdout=None if show else subprocess.PIPE,
            stderr=subprocess.PIPE if show else None,
            text=True,
        )
        stream = self.process.stderr if show else self.process.stdout
        assert stream is not None
        self._reader = threading.Thread(target=self._read, args=(stream, show), daemon=True)
        self._reader.start()
        stack.callback(self.end)

    def _read(self, stream: IO[str], show: bool) -> None:
        with stream:
            for line in stream:
                if show:
                    print(line, end="", file=sys.stderr, flush=True)
                with self._heard:
                    self.lines.append(line.rstrip("\n"))
                    self._heard.notify_all()
        with self._heard:
            self._heard.notify_all()

    def wait_for(self, words: str, seconds: float) -> str:
        """Return the first line that holds `words`, in capitals or not. Raises _CannotPlayError if none comes."""

        def found() -> str | None:
            return next((line for line in self.lines if words.lower() in line.lower()), None)

        with self._heard:
            self._heard.wait_for(lambda: found() is not None or not self._reader.is_alive(), seconds)
            line = found()
        if line is None:
            raise _CannotPlayError(
                f'{self.name} did not say "{words}" within {seconds:g} s. It said: {self.lines[-3:]}'
            )
        return line

    def end(self) -> None:
        """End the program if it still runs."""
        if self.process.poll() is None:
            self.process.terminate()
            with suppress(subprocess.TimeoutExpired):
                self.process.wait(5.0)
        if self.process.poll() is None:
            self.process.kill()
            self.process.wait()
        self._reader.join(5.0)


class _Demo:
    def __init__(self, root: Path, device: str) -> None:
        self._root = root
        self._device = device
        self._begin = 0
        """Steady ns at which the scenario begins."""
        self._outcomes: list[tuple[bool, str]] = []

    def run(self) -> bool:
        print(
            "pullwatch demo: a dyno evening with the copper hatch, an invented car. About a minute and a half;\n"
            "nothing is connected to anything. pullwatch watches and tells: it never controls the engine and never\n"
            "replaces the ECU's own protections. It shortens a lean moment; it cannot prevent the first half second.\n"
        )
        before = {info.folder for info in list_sessions(self._root)}
        with ExitStack() as stack:
            story = self._story()
            setup = self._start_simulators(stack)
            self._evening(stack, story, setup)
        sessions = [Session(info.folder) for info in list_sessions(self._root) if info.folder not in before]
        print("\nThe recordings, through the very same path again:")
        for session in sessions:
            self._verify(session)
        self._judge(story, sessions)
        self._bare(story, sessions)
        self._answers(sessions)
        print("\nDid the evening go as its scenario says?")
        for good, words in self._outcomes:
            print(f"  {'yes' if good else 'NO ':<4} {words}")
        for session in sessions:
            print(f"The session lies in {session.folder}")
        print(f'Look at it again: pullwatch replay "{sessions[-1].folder if sessions else self._root}"')
        return all(good for good, _ in self._outcomes)

    # -- the evening --------------------------------------------------------------------------------------------------

    def _story(self) -> dict[str, Any]:
        done = subprocess.run(  # noqa: S603 - our own program, no shell
            [sys.executable, "-m", "pullwatch_sim.truth", "--scenario", SCENARIO, "--expected"],
            stdin=subprocess.DEVNULL, capture_output=True, text=True, check=False,
        )  # fmt: skip
        if done.returncode:
            raise _CannotPlayError(f"the simulators cannot be started: {done.stderr.strip()}")
        story: dict[str, Any] = json.loads(done.stdout)
        return story

    def _start_simulators(self, stack: ExitStack) -> Path:
        lead = int(LEAD_S * NS_PER_S)
        self._begin = steady_ns() + lead
        start_at = ("--start-at", str(time.monotonic_ns() + lead))
        ports = []
        programs = [
            _Program(stack, f"pullwatch_sim.{name}", "--scenario", SCENARIO, "--listen", "127.0.0.1:0", *start_at)
            for name in ("can_node", "serial_lambda")
        ]
        for program in programs:
            host, port = program.wait_for("listening", PATIENCE_S).split()[1:3]
            ports.append(f"socket://{host}:{port}")
        folder = Path(stack.enter_context(tempfile.TemporaryDirectory(prefix="pullwatch-demo-")))
        writing = _Program(
            stack, "pullwatch_sim.evening", "--into", str(folder), "--can", ports[0], "--wideband", ports[1]
        )
        setup = Path(writing.wait_for(".toml", PATIENCE_S))
        print(f"A CAN adapter speaks on {ports[0]}, a lambda controller on {ports[1]}.")
        print(f"pullwatch watch {setup}\n", flush=True)
        return setup

    def _evening(self, stack: ExitStack, story: Mapping[str, Any], setup: Path) -> None:
        time.sleep(max(0.0, (self._begin - steady_ns()) / NS_PER_S + KEY_ON_S))
        watcher = self._watcher(stack, setup)
        kill_at = next(stage["from_s"] for stage in story["stages"] if stage["name"] == "idle 5") + 3.0
        happenings: list[tuple[float, Callable[[], None]]] = [
            (float(stage["from_s"]), self._telling(f"{stage['name']}")) for stage in story["stages"]
        ]
        happenings += [(float(fault["from_s"]), self._telling(f"fault: {fault['name']}")) for fault in story["faults"]]
        for at, happening in sorted(happenings, key=lambda one: one[0]):
            if at > kill_at:
                break
            self._wait_until(at, watcher)
            happening()
        self._wait_until(kill_at, watcher)
        self._tell("the watcher is killed (kill -9), as a crash would")
        killed = steady_ns()
        os.kill(watcher.process.pid, signal.SIGKILL)
        try:
            watcher.wait_for(GONE_WORDS, 5.0)
            took = (steady_ns() - killed) / 1e6
            self._outcomes.append((True, f'the sentinel said "monitor gone" {took:.0f} ms after the kill'))
        except _CannotPlayError:
            self._outcomes.append((False, "the sentinel noticed the killed watcher"))
        self._tell("it is started again: armed, with what stood still standing")
        second = self._watcher(stack, setup)
        self._wait_until(kill_at + 4.0, second)
        for act in ("acknowledge", "reset"):
            self._act(act)
        self._wait_until(next(stage["from_s"] for stage in story["stages"] if stage["name"] == "key off"), second)
        self._tell("the evening ends")
        second.process.send_signal(signal.SIGINT)
        try:
            second.process.wait(10.0)
        except subprocess.TimeoutExpired:
            self._outcomes.append((False, "the watcher ended when asked to"))

    def _act(self, act: str) -> None:
        """Hand an act to the watcher. On a busy machine it may be armed late: it is asked again for a while."""
        until = time.monotonic() + ACT_PATIENCE_S
        while True:
            try:
                self._tell(send_act(self._root, {"act": act, "rule": None, "who": "demo"}))
            except ActError as error:
                if time.monotonic() < until:
                    time.sleep(0.2)
                    continue
                self._outcomes.append((False, f"{act} was taken: {error}"))
            return

    def _watcher(self, stack: ExitStack, setup: Path) -> _Program:
        return _Program(
            stack, "pullwatch", "watch", str(setup), "--sessions", str(self._root), "--device", self._device, show=True
        )

    def _wait_until(self, scenario_s: float, watcher: _Program) -> None:
        """Wait for a moment of the evening. Raises _CannotPlayError if the watcher ends meanwhile."""
        seconds = (self._begin - steady_ns()) / NS_PER_S + scenario_s
        try:
            watcher.process.wait(max(0.0, seconds))
        except subprocess.TimeoutExpired:
            return
        raise _CannotPlayError(f"the watcher ended too early, with exit code {watcher.process.returncode}")

    def _telling(self, words: str) -> Callable[[], None]:
        return lambda: self._tell(words)

    def _tell(self, words: str) -> None:
        at = (steady_ns() - self._begin) / NS_PER_S
        print(f"                        evening {at:5.1f} s: {words}", flush=True)

    # -- afterwards -----------------------------------------------------------------------------------------------

    def _verify(self, session: Session) -> None:
        plan = plan_of(session)
        found = verify(session, plan)
        for line in describe(session, plan, found):
            print(f"  {line}")
        self._outcomes.append((found.agree, f"{session.folder.name}: {found.changes} alarm changes verified"))

    def _scenario_s(self, session: Session, t: int) -> float:
        """Return the scenario second of session time `t`."""
        return (int(session.start["clock"]["zero"]) + t - self._begin) / NS_PER_S

    def _judge(self, story: Mapping[str, Any], sessions: list[Session]) -> None:
        """Compare the alarms with those the scenario expects."""
        raised: list[tuple[float, str, Priority, str]] = []
        stood = False
        for session in sessions:
            rules = plan_of(session).rules.rules
            for block in session.blocks():
                for change in block.changes:
                    rule = rules[change.rule]
                    if change.event is Event.RAISE:
                        raised.append((self._scenario_s(session, change.t), rule.name, rule.priority, rule.says))
                    stood = stood or (change.event is None and rule.name == "lean under boost")
        moments = {**story["marks"], **{fault["name"]: fault["from_s"] for fault in story["faults"]}}
        explained: set[str] = set()
        for alarm in story["expected"]:
            explained.add(alarm["rule"])
            times = [
                at for at, name, _, _ in raised if name == alarm["rule"] and alarm["from_s"] <= at <= alarm["until_s"]
            ]
            if times:
                after = times[0] - moments[alarm["after"]]
                self._outcomes.append(
                    (True, f"{alarm['rule']}: {after * 1e3:.0f} ms after {alarm['after']} (the simulator's truth)")
                )
            elif alarm["required"]:
                self._outcomes.append(
                    (False, f"{alarm['rule']}: expected within {alarm['until_s']:.1f} s, did not come")
                )
        false = [
            f"{says} at {at:.1f} s"
            for at, name, priority, says in raised
            if priority is Priority.CRITICAL and name not in explained
        ]
        self._outcomes.append(
            (not false, "no critical alarm that the scenario does not explain" + "".join(f"; {x}" for x in false))
        )
        self._outcomes.append((stood, "after the restart the latched alarm still stood"))

    def _answers(self, sessions: list[Session]) -> None:
        """Tell three answers from the first recording: a cause, an interval, and one that cannot be told."""
        if not sessions:
            return
        print("\nThree of the questions between two runs, answered from that recording:")
        table = gather(sessions[0])
        for line in told(reviewed(table, duty=ASKED_DUTY), ANSWERS_TOLD):
            print(f"  {line}" if line else "")
        self._outcomes.append((bool(table.series), "the recording was reviewed"))

    def _bare(self, story: Mapping[str, Any], sessions: list[Session]) -> None:
        """Put the first recording under the rule many would write first, and say how it would have done."""
        if not sessions:
            return
        recorded = plan_of(sessions[0]).to_dict()
        recorded["rules"] = [BARE_RULE]
        for channel in recorded["channels"]:
            channel["blind_while"] = ""
            channel["delay"] = {}
        bare = Plan.from_dict(recorded)
        times = [
            self._scenario_s(sessions[0], change.t)
            for step in replayed(bare, sessions[0].blocks(join_ns=NS_PER_S))
            for change in step.changes
            if change.event is Event.RAISE
        ]

        def near(rule: str, at: float) -> bool:
            return any(
                alarm["from_s"] - 1.0 <= at <= alarm["until_s"] + 1.0
                for alarm in story["expected"]
                if alarm["rule"] == rule
            )

        false = [at for at in times if not near("lean under boost", at)]
        where: dict[str, int] = {}
        for at in false:
            stage = [stage["name"] for stage in story["stages"] if stage["from_s"] <= at][-1]
            where[stage] = where.get(stage, 0) + 1
        cable = sum(near("no mixture reading", at) for at in times)
        print(
            f'\nThe same recording under a bare rule ("{BARE_RULE["trip"]}" with boost, nothing else): '
            f"{len(times)} alarms, {len(false)} of them false\n"
            f"({', '.join(f'{stage}: {count}' for stage, count in where.items())}), "
            f"and {cable or 'none'} for the pulled cable."
        )
