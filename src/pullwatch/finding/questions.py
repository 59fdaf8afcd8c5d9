"""`pullwatch setup`: asks the five numbers, and writes them into a setup with the rules that rest on them.

An existing file is only added to: nothing that stands in it is changed but the marks of guesses that were confirmed. A
new file gets a feed to be filled in, every field of it a guess until it is confirmed. What is written loads, or the
file stays as it was.
"""

from __future__ import annotations

import re
import tomllib
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Final

from pullwatch.errors import PullwatchError, nearest
from pullwatch.feeds.ports import list_ports, parse
from pullwatch.finding.arming import FUEL_FROM, LAMBDAS, Given, arm, protection
from pullwatch.finding.files import replace_whole, write_new
from pullwatch.finding.numbers import BAROMETRIC, CUTS, FIVE, KEYS, Nonsense, Numbers, is_unknown
from pullwatch.finding.ports import identity
from pullwatch.finding.starting import quoted
from pullwatch.finding.telling import CANNOT_PREVENT, MARK
from pullwatch.setup import load, read_setup
from pullwatch.watchdog.alarms import Priority

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping
    from pathlib import Path

    from pullwatch.feeds.ports import Lister
    from pullwatch.finding.arming import Armed
    from pullwatch.setup import Plan, Setup

    Ask = Callable[[str], str]

CONFIRMED: Final = "confirmed"
OTHER_KEYS: Final = ("car", "port", CONFIRMED)
NEEDS: Final[Mapping[str, tuple[str, ...]]] = {
    "highest_manifold_pressure": (),
    "lambda_limit": LAMBDAS,
    "oil_pressure": ("oil_pressure",),
    "highest_engine_speed": ("engine_speed",),
    "base_fuel_pressure": ("fuel_differential_pressure",),
}
"""The channels of which a number needs one; without any it is not asked for."""
PLACEHOLDER_PORT: Final = "serial:WRITE-ITS-NUMBER"
PLACEHOLDERS: Final = (
    ("lambda", "rate_hz, delay_ms and time_constant_ms: yours"),
    ("manifold_pressure", "kPa absolute"),
    ("barometric_pressure", "kPa absolute"),
    ("engine_speed", "rpm"),
    ("oil_pressure", "kPa gauge"),
    ("fuel_pressure", "kPa gauge"),
)
_PROTECTION: Final = re.compile(r"^[ \t]*\[[ \t]*protection[ \t]*\][^\n]*$", re.MULTILINE)


@dataclass(slots=True)
class Answers:
    """What was answered, by key, as text; `confirmed` are channels whose guess is right ("all": every one)."""

    said: dict[str, str] = field(default_factory=dict)
    confirmed: frozenset[str] = frozenset()
    car: str = ""
    port: str = ""


def run_setup(
    path: Path,
    *,
    answers: Path | None = None,
    said: tuple[str, ...] = (),
    ask: Ask | None = None,
    lister: Lister = list_ports,
) -> None:
    """Ask for the numbers, or take them from a file (`answers`) and from KEY=VALUE (`said`), and write `path`.

    `ask` shows a question and returns the answer; None: nobody can be asked. Raises PullwatchError in words.
    """
    given = _scripted(answers, said)
    scripted = answers is not None or bool(said)
    if not scripted and ask is None:
        raise PullwatchError(
            "Nobody is there to be asked (this is no terminal). Give the answers by --answers FILE or --set KEY=VALUE. "
            f"Keys: {', '.join((*KEYS, *OTHER_KEYS))}."
        )
    asking = None if scripted else ask
    if path.exists():
        _merge(path, given, asking)
    else:
        _begin(path, given, asking, lister)


# -- answers


def _scripted(file: Path | None, said: tuple[str, ...]) -> Answers:
    """Read the answers of a file and of KEY=VALUE. Raises PullwatchError with all that is wrong with their shape."""
    found: dict[str, object] = {}
    if file is not None:
        try:
            found = tomllib.loads(file.read_text(encoding="utf-8"))
        except OSError as error:
            raise PullwatchError(f"{file} cannot be read: {error.strerror or error}.") from error
        except (tomllib.TOMLDecodeError, UnicodeDecodeError) as error:
            raise PullwatchError(f'{file} is no TOML: {error}. Write KEY = "VALUE", one a line.') from error
    for one in said:
        key, equals, text = one.partition("=")
        if not equals:
            raise PullwatchError(f'--set "{one}": write KEY=VALUE, for example --set "highest_engine_speed=7000 rpm".')
        key, text = key.strip(), text.strip()
        found[key] = [part.strip() for part in text.split(",")] if key == CONFIRMED else text
    problems: list[str] = []
    answers = Answers()
    for key, value in found.items():
        if key == CONFIRMED:
            names = [value] if isinstance(value, str) else value
            if isinstance(names, list) and all(isinstance(name, str) for name in names):
                answers.confirmed = frozenset(names)
            else:
                problems.append(f'{key}: write a list of channels, ["lambda", "oil_pressure"], or "all".')
        elif key not in KEYS and key not in OTHER_KEYS:
            known = (*KEYS, *OTHER_KEYS)
            problems.append(f"{key}: this is not asked{nearest(key, known)}. Known: {', '.join(known)}.")
        elif not isinstance(value, str):
            problems.append(f'{key}: {value} is not in quotes. Write it with its unit, {key} = "{value} …".')
        elif key == "car":
            answers.car = value
        elif key == "port":
            answers.port = value
        else:
            answers.said[key] = value
    _raise(problems)
    return answers


def _raise(problems: list[str]) -> None:
    if problems:
        count = "1 answer" if len(problems) == 1 else f"{len(problems)} answers"
        raise PullwatchError(f"Nothing is written: {count} cannot be used.\n" + "\n".join(f"  {p}" for p in problems))


def _numbers(answers: Answers, asking: Ask | None, channels: frozenset[str]) -> Numbers:
    """Return the numbers: asked for one by one, or taken from the answers, all that is wrong with these at once."""
    numbers = Numbers()
    if asking is not None:
        _ask_all(numbers, asking, channels)
        return numbers
    problems = []
    for key in KEYS:  # the barometric pressure is first among them
        try:
            numbers.take(key, answers.said.get(key, ""))
        except Nonsense as error:
            problems.append(f"{key}: {error}")
    _raise(problems)
    return numbers


def _ask_all(numbers: Numbers, ask: Ask, channels: frozenset[str]) -> None:
    print("What does the controller itself cut at? Enter alone: not known, or it has no such cut.")
    print(f"{CANNOT_PREVENT}\n")
    _ask(numbers, ask, BAROMETRIC.key, BAROMETRIC.asks)
    for question in CUTS:
        _ask(numbers, ask, question.key, question.asks)
    print("\nThe five numbers. What you do not know, leave: its rules stand as cautions until you do.\n")
    for question in FIVE:
        needed = NEEDS[question.key]
        if needed and not channels.intersection(needed):
            print(f"({question.key.replace('_', ' ')}: not asked, no feed gives {needed[0]})")
            continue
        _ask(numbers, ask, question.key, f"{question.asks}.\n  A starting value: {question.start} ({question.why})")


def _ask(numbers: Numbers, ask: Ask, key: str, words: str) -> None:
    """Ask until the answer makes sense, or nobody knows."""
    while True:
        try:
            numbers.take(key, ask(f"{words}\n  Enter alone: not known. > "))
        except Nonsense as error:
            print(f"  {error}")
        else:
            return


# -- an existing file


def _merge(path: Path, answers: Answers, asking: Ask | None) -> None:
    plan = load(path)
    setup = read_setup(path)
    guesses = guesses_in(setup)
    if asking is not None:
        for name, line in guesses.items():
            shown = setup.text.splitlines()[line - 1].strip()
            if (
                asking(f"Line {line}: {shown}\n  Is {name} really that, unit and all? yes or no > ").strip().lower()
                in _YES
            ):
                answers.confirmed |= {name}
    confirmed = frozenset(guesses) if "all" in answers.confirmed else answers.confirmed
    strangers = confirmed - set(guesses)
    known = {channel.name for channel in plan.channels}
    _raise([f"confirmed: no channel is called {name}{nearest(name, known)}." for name in sorted(strangers - known)])
    given = _given(plan, setup, frozenset(guesses) - confirmed)
    numbers = _numbers(answers, asking, given.channels)
    armed = arm(numbers, given)
    text = _without_marks(setup.text, [guesses[name] for name in confirmed & set(guesses)])
    text, notes = _with_protection(text, setup, protection(numbers, _pressure(given.channels)))
    text = text.rstrip("\n") + "\n" + "\n".join(armed.text) + "\n"
    replace_whole(path, text)
    _report(path, armed, [*notes, *numbers.doubts()])


_YES: Final = frozenset({"y", "yes"})


def _pressure(channels: frozenset[str]) -> str:
    return "boost" if "boost" in channels and "manifold_pressure" not in channels else "manifold_pressure"


def guesses_in(setup: Setup) -> dict[str, int]:
    """Return the channels whose line in the file still bears the mark of a guess, and that line (from 1)."""
    lines = setup.text.splitlines()
    found: dict[str, int] = {}
    for index, feed in enumerate(setup.feeds):
        for number, name in enumerate(feed.gives or ()):
            for where in (("feed", index, "channels", name), ("feed", index, "fields", number, "channel")):
                line = setup.lines.get(where)
                if line is not None and MARK in lines[line - 1]:
                    found[name] = line
    return found


def _given(plan: Plan, setup: Setup, unconfirmed: frozenset[str]) -> Given:
    channels = {channel.name for channel in plan.channels}
    made = {derived.channel: derived.inputs for derived in plan.derived if not derived.amends}
    if channels.issuperset(FUEL_FROM) and "fuel_differential_pressure" not in channels:
        channels.add("fuel_differential_pressure")
        made["fuel_differential_pressure"] = FUEL_FROM
    doubtful = set(unconfirmed)
    for name, inputs in made.items():
        if doubtful & set(inputs):
            doubtful.add(name)
    rules = frozenset(rule.name for rule in setup.rules if rule is not None)
    return Given(frozenset(channels), frozenset(doubtful), frozenset(setup.limits), rules)


def _without_marks(text: str, lines: list[int]) -> str:
    """Return the text with the marks of these lines (from 1) turned into `confirmed`."""
    every = text.splitlines(keepends=True)
    for line in lines:
        every[line - 1] = every[line - 1].replace(MARK, CONFIRMED, 1)
    return "".join(every)


def _with_protection(text: str, setup: Setup, cuts: Mapping[str, str]) -> tuple[str, list[str]]:
    """Return the text with what is not in [protection] yet, and what is to be said about it."""
    notes = [
        f"[protection] has {name} already, line {setup.line('protection', name)}: left as it is."
        for name in cuts
        if name in setup.protection
    ]
    lines = [f'{name} = "{value}"' for name, value in cuts.items() if name not in setup.protection]
    if not lines:
        return text, notes
    header = _PROTECTION.search(text)
    if header is not None:
        at = header.end()
        return text[:at] + "\n" + "\n".join(lines) + text[at:], notes
    if setup.protection:
        return text, [
            *notes,
            f"[protection] is written another way than as a section: add {', '.join(lines)} yourself.",
        ]
    section = ["", "[protection]                      # what the controller itself cuts at", *lines]
    return text.rstrip("\n") + "\n" + "\n".join(section) + "\n", notes


# -- a new file


def _begin(path: Path, answers: Answers, asking: Ask | None, lister: Lister) -> None:
    if asking is not None:
        print(
            f"{path} is not there yet. If a device is plugged in, this is better: pullwatch listen PORT --write {path}"
        )
        answers.car = asking("The name of the car > ").strip()
        answers.port = asking("The port of the device (pullwatch ports lists them; Enter alone: not known) > ").strip()
    port = answers.port
    if port and not is_unknown(port):
        parse(port)
        port = identity(port, lister)
    else:
        port = PLACEHOLDER_PORT
    names = frozenset(name for name, _ in PLACEHOLDERS)
    given = Given(names | {"fuel_differential_pressure"}, names | {"fuel_differential_pressure"})
    numbers = _numbers(answers, asking, given.channels)
    armed = arm(numbers, given)
    lines = [
        f'# A setup begun by pullwatch setup. Lines marked "{MARK}" are to be filled in: hold each against what the',
        "# device sends (pullwatch listen PORT), correct key and unit, and take the mark away. Then: pullwatch setup.",
        "",
        "[car]",
        f"name = {quoted(answers.car or 'my car')}",
        "",
        "[[feed]]",
        'name = "first"',
        'kind = "serial-line"',
        f"port = {quoted(port)}",
        "baud = 115_200",
        "fields = [                        # a line like lambda=0.853;manifold_pressure=98.6;…",
        *(f'    {{ channel = "{name}", key = "{name}" }},  # {MARK}: {says}' for name, says in PLACEHOLDERS),
        "]",
        "",
        "[channel.lambda]",
        "delay_ms = [60, 180]              # common practice, no source",
        "time_constant_ms = 100            # common practice, no source",
    ]
    cuts = protection(numbers, "manifold_pressure")
    if cuts:
        lines += ["", "[protection]                      # what the controller itself cuts at"]
        lines += [f'{name} = "{value}"' for name, value in cuts.items()]
    write_new(path, "\n".join([*lines, *armed.text]) + "\n")
    _report(path, armed, numbers.doubts())


def _report(path: Path, armed: Armed, notes: list[str]) -> None:
    plan = load(path)
    late = {facts.name: facts.note for facts in plan.facts if facts.asked is Priority.CRITICAL and facts.note}
    print(f"\nWritten: {path}")
    for name in armed.critical:
        print(f"  critical  {name}" + (f"; told as a caution, {late[name]}" if name in late else ""))
    for name, why in armed.cautions:
        print(f"  caution   {name}: {why}")
    for words in armed.left_out:
        print(f"  -         {words}")
    if armed.kept:
        print(f"  stands in the file already, left as it is: {', '.join(armed.kept)}")
    for note in notes:
        print(f"  ! {note}")
    if not plan.protection:
        print("  ! What the controller itself cuts at is not stated. Set its own cuts first, then say them here.")
    print(f"{CANNOT_PREVENT}\nNext: pullwatch check {path}")
