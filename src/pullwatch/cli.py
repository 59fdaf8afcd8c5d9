"""The command line. Every command imports what it needs when it runs, so that `watch` is armed within a second."""

from __future__ import annotations

import sys
from enum import IntEnum
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, NoReturn

import typer

if TYPE_CHECKING:
    from pullwatch.setup import Plan

CAUTION = (
    "pullwatch watches and tells. It never controls the engine and never replaces the ECU's own protections. "
    "A helper watches the screen, never the driver. Closed course or dyno only; "
    "local codes and licensed practice decide."
)

app = typer.Typer(
    name="pullwatch",
    help=f"Watch a turbocharged engine live, alarm in time to lift, record every run whole.\n\n{CAUTION}",
    no_args_is_help=True,
    add_completion=False,
    rich_markup_mode=None,
    pretty_exceptions_enable=False,
)


class Exit(IntEnum):
    """What the process says when it ends."""

    FINE = 0
    STOOD = 1
    """Alarms stood at the end, or a verification differed, or the demo's evening did not go as its scenario says."""
    UNUSABLE = 2
    """A wrong setup file, or a recording that cannot be used."""


SetupFile = Annotated[Path, typer.Argument(metavar="SETUP", help="The setup file (TOML).")]
SessionName = Annotated[
    str, typer.Argument(metavar="SESSION", help="A session folder, its name in the sessions folder, or 'last'.")
]
Root = Annotated[
    Path | None,
    typer.Option("--sessions", metavar="FOLDER", help="Where sessions are kept.", envvar="PULLWATCH_SESSIONS"),
]


@app.command()
def demo(
    sessions: Root = None,
    device: Annotated[
        str, typer.Option(help="Sound device: 'default', 'null' (silent), or a part of its name.")
    ] = "default",
) -> None:
    """Watch an invented car on a dyno evening: no hardware, about a minute and a half.

    A clean pull, a pull in which the lambda cable comes off, a pull that goes lean as fuel pressure sags,
    and a killed watcher.
    Ends with the recordings replayed and verified. Exit code 0: the evening went as the scenario says.
    """
    from pullwatch.demo import run_demo

    raise typer.Exit(run_demo(_root(sessions), device))


@app.command()
def watch(
    setup: SetupFile,
    sessions: Root = None,
    device: Annotated[
        str, typer.Option(help="Sound device: 'default', 'null' (silent), or a part of its name.")
    ] = "default",
) -> None:
    """Watch the ports of a setup file: alarm, and record every byte.

    Keys while it runs: a acknowledges all alarms, r resets latched ones, m marks the moment, q ends the
    session. Exit code 1: alarms stood at the end.
    """
    from pullwatch.errors import PullwatchError
    from pullwatch.watching import run_watch

    plan = _plan(setup)
    try:
        stood = run_watch(plan, setup.resolve().parent, _root(sessions), device)
    except PullwatchError as error:
        _refuse(str(error))
    raise typer.Exit(Exit.STOOD if stood else Exit.FINE)


@app.command()
def replay(
    session: SessionName,
    sessions: Root = None,
    speed: Annotated[str, typer.Option(help="Times real time (1, 10, 0.5, …), or 'max'.")] = "max",
    verify: Annotated[
        bool, typer.Option("--verify", help="Compare the recorded alarms with those computed again, to the nanosecond.")
    ] = False,
) -> None:
    """Put a recording through the very same path again and print what it tells.

    Exit code 1: alarms stood at the end, or with --verify: the computed alarms differ from the recorded ones.
    """
    from pullwatch.errors import PullwatchError
    from pullwatch.replaying import run_replay

    try:
        factor = None if speed == "max" else float(speed)
    except ValueError:
        factor = -1.0
    if factor is not None and not 0.0 < factor <= 100_000.0:
        _refuse(f"--speed {speed}: a number above 0 is expected (1 is real time), or 'max'.")
    try:
        same = run_replay(_session(session, sessions), factor, verify=verify)
    except PullwatchError as error:
        _refuse(str(error))
    raise typer.Exit(Exit.FINE if same else Exit.STOOD)


@app.command()
def check(setup: SetupFile) -> None:
    """Say what a setup file will watch, what it leaves open, and how long each critical alarm takes.

    Exit code 2: the setup file is wrong; every problem is listed with its line.
    """
    from pullwatch.checks import check as run_check
    from pullwatch.errors import PullwatchError

    try:
        print(run_check(setup).text())
    except PullwatchError as error:
        _refuse(str(error))


@app.command()
def cases(
    setup: Annotated[
        Path | None, typer.Argument(metavar="[SETUP]", help="The setup file whose rules are tried (TOML).")
    ] = None,
    files: Annotated[
        list[Path] | None,
        typer.Argument(metavar="[CASES]...", help="Files of cases (TOML); none: SETUP with .cases.toml beside it."),
    ] = None,
    shipped: Annotated[
        bool, typer.Option("--shipped", help="Run the cases of the catalogue's own rules, by its starting values.")
    ] = False,
) -> None:
    """Try rules without an engine: what the channels say is written down, and which alarms that must raise.

    Exit code 1: something came otherwise than expected. Exit code 2: a file is wrong; nothing is run then.
    """
    from pullwatch.cases import run_cases
    from pullwatch.errors import PullwatchError

    if shipped == (setup is not None):
        _refuse("Name a setup file, or say --shipped." if setup is None else "--shipped needs no setup file.")
    try:
        fine = run_cases(setup, files or ())
    except PullwatchError as error:
        _refuse(str(error))
    raise typer.Exit(Exit.FINE if fine else Exit.STOOD)


@app.command()
def repair(
    session: SessionName,
    sessions: Root = None,
    into: Annotated[Path | None, typer.Option(metavar="FOLDER", help="Where the repaired session goes.")] = None,
) -> None:
    """Write what is whole of a cut or damaged session as a clean one beside it. The original is never touched."""
    from pullwatch.errors import PullwatchError
    from pullwatch.recording.repair import repair as run_repair

    try:
        print(run_repair(_session(session, sessions), into))
    except PullwatchError as error:
        _refuse(str(error))


@app.command(name="sessions")
def list_sessions(sessions: Root = None) -> None:
    """List the recorded sessions, the newest last."""
    from pullwatch.listing import print_sessions

    print_sessions(_root(sessions))


@app.command()
def alarms(session: SessionName = "last", sessions: Root = None) -> None:
    """Print what the alarms of a session amount to: how often, how long, how bad, and whether they were too many."""
    from pullwatch.alarm_record import print_record
    from pullwatch.errors import PullwatchError
    from pullwatch.recording.reader import Session

    try:
        print_record(Session(_session(session, sessions)))
    except PullwatchError as error:
        _refuse(str(error))


@app.command()
def lag(session: SessionName = "last", sessions: Root = None) -> None:
    """Measure from a session how late a lambda sensor speaks, by overrun fuel cuts and commanded mixture steps.

    Exit code 1: it cannot be told from this session; it says why.
    """
    from pullwatch.errors import PullwatchError
    from pullwatch.lag import print_lag
    from pullwatch.recording.reader import Session

    try:
        told = print_lag(Session(_session(session, sessions)))
    except PullwatchError as error:
        _refuse(str(error))
    raise typer.Exit(Exit.FINE if told else Exit.STOOD)


@app.command()
def acknowledge(
    rule: Annotated[str | None, typer.Argument(metavar="[RULE]", help="Name of the rule; none: all of them.")] = None,
    sessions: Root = None,
) -> None:
    """Acknowledge alarms of the session being watched: seen, by you. The sound stops."""
    _act({"act": "acknowledge", "rule": rule}, sessions)


@app.command()
def reset(
    rule: Annotated[str | None, typer.Argument(metavar="[RULE]", help="Name of the rule; none: all of them.")] = None,
    sessions: Root = None,
) -> None:
    """Reset latched alarms that are acknowledged and whose condition is gone."""
    _act({"act": "reset", "rule": rule}, sessions)


@app.command()
def shelve(
    rule: Annotated[str, typer.Argument(metavar="RULE", help="Name of the rule; a critical one cannot be shelved.")],
    minutes: Annotated[float, typer.Option(help="For how long, up to half an hour.")] = 10.0,
    sessions: Root = None,
) -> None:
    """Hide a rule for a time. It is told again, if it still stands, when the time is over."""
    _act({"act": "shelve", "rule": rule, "minutes": minutes}, sessions)


@app.command()
def unshelve(
    rule: Annotated[str, typer.Argument(metavar="RULE", help="Name of the rule.")], sessions: Root = None
) -> None:
    """Show a shelved rule again before its time is over."""
    _act({"act": "unshelve", "rule": rule}, sessions)


@app.command("out-of-service")
def out_of_service(
    rule: Annotated[str, typer.Argument(metavar="RULE", help="Name of the rule.")], sessions: Root = None
) -> None:
    """Take a rule out, by name, until it is put back: its sensor is known to be broken. Later sessions keep it out."""
    _act({"act": "out-of-service", "rule": rule}, sessions)


@app.command("in-service")
def in_service(
    rule: Annotated[str, typer.Argument(metavar="RULE", help="Name of the rule.")], sessions: Root = None
) -> None:
    """Put a rule back that was taken out of service."""
    _act({"act": "in-service", "rule": rule}, sessions)


@app.command()
def reload(setup: SetupFile, sessions: Root = None) -> None:
    """Judge by the rules of a changed setup from now on, without a gap. Feeds and channels must be the same.

    A wrong file changes nothing. A rule that is no longer in it leaves its latch standing until acknowledged and reset.
    """
    import getpass

    from pullwatch.errors import ActError
    from pullwatch.watching import send_reload

    plan = _plan(setup)
    try:
        print(send_reload(_root(sessions), plan, getpass.getuser()))
    except ActError as error:
        _refuse(str(error))


@app.command()
def mark(text: Annotated[str, typer.Argument(help="What to note.")] = "", sessions: Root = None) -> None:
    """Mark this moment in the session being watched."""
    _act({"act": "mark", "text": text}, sessions)


@app.command()
def ports() -> None:
    """List serial ports and CAN adapters, and how to write each in the setup file so that it stays the same one."""
    from pullwatch.finding.ports import list_all

    print(list_all())


@app.command()
def listen(
    port: Annotated[str, typer.Argument(help="As in a setup file: /dev/ttyUSB0, serial:NUMBER, socket://HOST:PORT.")],
    baud: Annotated[int | None, typer.Option(help="Speed of the serial line; none: the usual ones are tried.")] = None,
    adapter: Annotated[
        str | None, typer.Option(help="It is a CAN bus: slcan, or a python-can interface (socketcan, …).")
    ] = None,
    bitrate: Annotated[int | None, typer.Option(help="Of the CAN bus; none: it is searched for, listening.")] = None,
    dbc: Annotated[Path | None, typer.Option(help="The controller's DBC file: names what is on the bus.")] = None,
    seconds: Annotated[float, typer.Option(help="How long to listen.")] = 5.0,
    write: Annotated[
        Path | None, typer.Option(metavar="FILE", help="Write a starting setup; never over a file that is there.")
    ] = None,
    add: Annotated[
        Path | None, typer.Option(metavar="FILE", help="Add what is heard to a setup, as one more feed.")
    ] = None,
) -> None:
    """Listen at a port, only reading, and say what arrives: text, sentences, CAN frames, packets, or rubbish.

    What a column may be is guessed, and called a guess. Exit code 1: nothing arrived that could be read.
    """
    from pullwatch.errors import PullwatchError
    from pullwatch.finding.listen import run_listen

    try:
        readable = run_listen(
            port, speed=baud, adapter=adapter, bitrate=bitrate, dbc=dbc, seconds=seconds, write=write, add=add
        )
    except PullwatchError as error:
        _refuse(str(error))
    raise typer.Exit(Exit.FINE if readable else Exit.STOOD)


@app.command(name="setup")
def set_up(
    file: Annotated[Path, typer.Argument(metavar="[FILE]", help="The setup file, there or to be begun.")] = Path(
        "setup.toml"
    ),
    answers: Annotated[
        Path | None, typer.Option(metavar="FILE", help="A TOML file of answers: nobody is asked.")
    ] = None,
    said: Annotated[
        list[str] | None,
        typer.Option("--set", metavar="KEY=VALUE", help="One answer; may be given again. Nobody is asked."),
    ] = None,
) -> None:
    """Ask the five numbers and what the controller cuts at, and write the rules that rest on them.

    A rule whose number is not known, or whose channel is still a guess, stands as a caution.
    """
    from pullwatch.errors import PullwatchError
    from pullwatch.finding.questions import run_setup

    try:
        run_setup(file, answers=answers, said=tuple(said or ()), ask=input if sys.stdin.isatty() else None)
    except EOFError:
        _refuse("The questions ended before they were answered: nothing is written.")
    except PullwatchError as error:
        _refuse(str(error))


def _root(sessions: Path | None) -> Path:
    if sessions is not None:
        return sessions
    from pullwatch.recording.session import default_root

    return default_root()


def _session(name: str, sessions: Path | None) -> Path:
    """Find a session by folder, by name, or the latest. Raises NotASession in words."""
    from pullwatch.errors import NotASession, nearest
    from pullwatch.recording.session import latest

    if Path(name).exists():
        return Path(name)
    root = _root(sessions)
    if name == "last":
        found = latest(root)
        if found is None:
            raise NotASession(root, "holds no session yet.", "Record one with: pullwatch watch SETUP")
        return found
    if (root / name).exists():
        return root / name
    names = [folder.name for folder in root.iterdir() if folder.is_dir()] if root.is_dir() else []
    raise NotASession(
        name, f"is no folder here and no session in {root}{nearest(name, names)}.", "List them with: pullwatch sessions"
    )


def _plan(setup: Path) -> Plan:
    from pullwatch.errors import PullwatchError
    from pullwatch.setup import read_setup, resolve

    try:
        return resolve(read_setup(setup))
    except PullwatchError as error:
        _refuse(str(error))


def _act(act: dict[str, object], sessions: Path | None) -> None:
    import getpass

    from pullwatch.errors import ActError
    from pullwatch.watching import send_act

    try:
        print(send_act(_root(sessions), {**act, "who": getpass.getuser()}))
    except ActError as error:
        _refuse(str(error))


def _refuse(words: str) -> NoReturn:
    print(words, file=sys.stderr)
    raise typer.Exit(Exit.UNUSABLE)


def main() -> None:
    """Run the command line."""
    app()
