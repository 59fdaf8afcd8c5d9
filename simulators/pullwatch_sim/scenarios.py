"""Scenarios: evenings as data, read from TOML. The format is described in simulators/README.md."""

from __future__ import annotations

import tomllib
from dataclasses import dataclass, replace
from difflib import get_close_matches
from pathlib import Path
from typing import TYPE_CHECKING, Any

from pullwatch_sim.driver import STAGES
from pullwatch_sim.faults import CONFOUNDERS, EVERYDAY, KINDS, Fault, When

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping

FOLDER = Path(__file__).with_name("scenarios")


class ScenarioError(ValueError):
    """A scenario cannot be played as it is written: says where, what was wrong and what was expected."""


@dataclass(frozen=True, slots=True)
class Stage:
    """One stage: what is `do`ne, under which `name`, with which options."""

    do: str
    name: str
    options: Mapping[str, float | str]


@dataclass(frozen=True, slots=True)
class Expected:
    """An alarm the evening should give: between `from_s` and `until_s` after the moment `after`, once.

    `after` names a fault or a mark of the run (`start of pull 1`, `lean in pull 3`, …). `required` is false for what
    may come but need not.
    """

    rule: str
    priority: str
    after: str
    from_s: float
    until_s: float
    says: str = ""
    required: bool = True


@dataclass(frozen=True, slots=True)
class Scenario:
    """One evening. Equal scenarios give equal evenings, to the last bit."""

    name: str
    says: str
    seed: int
    on: str
    place: Mapping[str, float]
    car: Mapping[str, float]
    confounders: frozenset[str]
    stages: tuple[Stage, ...]
    faults: tuple[Fault, ...]
    expected: tuple[Expected, ...]


PLACE: Mapping[str, float] = {"barometric_kpa": 98.9, "ambient_c": 21.0}
CAR: Mapping[str, float] = {
    "oil_c": 90.0,
    "coolant_c": 86.0,
    "fuelling_error": 0.003,
    "lambda_heats_s": 6.5,
}


def names() -> list[str]:
    """Names of the scenarios that come with the simulators."""
    return sorted(path.stem for path in FOLDER.glob("*.toml"))


def load(name: str, seed: int | None = None, confounders: Iterable[str] | None = None) -> Scenario:
    """Read a scenario by name or by path of a TOML file. Raises ScenarioError with the file and what is wrong."""
    path = Path(name) if name.endswith(".toml") else FOLDER / f"{name}.toml"
    if not path.is_file():
        message = f'there is no scenario "{name}"; there are {", ".join(names())}, or give the path of a .toml file'
        raise ScenarioError(message)
    try:
        scenario = read(tomllib.loads(path.read_text(encoding="utf-8")))
    except (tomllib.TOMLDecodeError, ScenarioError) as error:
        raise ScenarioError(f"{path}: {error}") from error
    if seed is not None:
        scenario = replace(scenario, seed=seed)
    if confounders is not None:
        scenario = replace(scenario, confounders=_confounders(list(confounders)))
    return scenario


def read(table: Mapping[str, Any]) -> Scenario:
    """Make a scenario of a parsed table. Raises ScenarioError."""
    known = ["name", "says", "seed", "on", "confounders", "place", "car", "stage", "fault", "expected"]
    _only("the scenario", table, known)
    for key in ("name", "stage"):
        if key not in table:
            raise ScenarioError(f'the scenario lacks "{key}"')
    on = str(table.get("on", "dyno"))
    if on not in ("dyno", "road"):
        raise ScenarioError(f'on = "{on}": expected "dyno" or "road"')
    stages = tuple(_stage(i, entry) for i, entry in enumerate(table["stage"], 1))
    twice = {stage.name for stage in stages if sum(other.name == stage.name for other in stages) > 1}
    if twice:
        raise ScenarioError(f"stages of one name cannot be told apart: {', '.join(sorted(twice))}; give each its name")
    faults = tuple(fault_from(f"fault {i}", entry) for i, entry in enumerate(table.get("fault", []), 1))
    for fault in faults:
        for when in (fault.start, fault.stop):
            if when is not None and when.stage:
                _one_of(f"stage of fault {fault.name}", when.stage, [stage.name for stage in stages])
    for stage in stages:
        named = str(stage.options.get("lift_after_fault", ""))
        if named:
            _one_of(f"lift_after_fault of {stage.name}", named, [fault.name for fault in faults])
    return Scenario(
        name=str(table["name"]),
        says=str(table.get("says", "")),
        seed=int(table.get("seed", 1)),
        on=on,
        place=_numbers("place", PLACE, table.get("place", {})),
        car=_numbers("car", CAR, table.get("car", {})),
        confounders=_confounders(table.get("confounders", sorted(EVERYDAY))),
        stages=stages,
        faults=faults,
        expected=tuple(_expected(i, entry) for i, entry in enumerate(table.get("expected", []), 1)),
    )


def fault_from(where: str, entry: Mapping[str, Any]) -> Fault:
    """Make a fault of a parsed table. Raises ScenarioError."""
    if "kind" not in entry or "start" not in entry:
        raise ScenarioError(f"{where} needs kind and start")
    kind = str(entry["kind"])
    _one_of(f"kind of {where}", kind, KINDS)
    options = dict(KINDS[kind].options)
    for key, value in entry.items():
        if key in ("kind", "name", "start", "stop"):
            continue
        _one_of(f"option of {where} ({kind})", key, [*options, "name", "start", "stop"])
        options[key] = _like(f"{key} of {where}", options[key], value)
    stop = entry.get("stop")
    return Fault(
        kind,
        str(entry.get("name", kind)),
        _when(f"start of {where}", entry["start"]),
        None if stop is None else _when(f"stop of {where}", stop),
        options,
    )


def fault_on_command_line(text: str) -> Fault:
    """Make a fault of `KIND FROM_S UNTIL_S [option=value …]`. Raises ScenarioError."""
    words = text.split()
    try:
        kind, begin, end = words[0], float(words[1]), float(words[2])
        pairs = dict(word.split("=", 1) for word in words[3:])
    except (IndexError, ValueError):
        raise ScenarioError(f'--fault "{text}": expected "KIND FROM_S UNTIL_S option=value …"') from None
    _one_of("kind of --fault", kind, KINDS)
    options: dict[str, Any] = {}
    for key, value in pairs.items():
        numeric = not isinstance(KINDS[kind].options.get(key, ""), str)
        try:
            options[key] = float(value) if numeric else value
        except ValueError:
            raise ScenarioError(f'--fault "{text}": {key} should be a number, not {value}') from None
    start, stop = {"at_s": begin}, {"at_s": end}
    return fault_from("--fault", {"kind": kind, "name": text, "start": start, "stop": stop, **options})


def _stage(number: int, entry: Mapping[str, Any]) -> Stage:
    do = str(entry.get("do", ""))
    _one_of(f"do of stage {number}", do, STAGES)
    options = dict(STAGES[do][1])
    for key, value in entry.items():
        if key in ("do", "name"):
            continue
        _one_of(f"option of stage {number} ({do})", key, [*options, "do", "name"])
        options[key] = _like(f"{key} of stage {number} ({do})", options[key], value)
    if "cut" in options:
        _one_of(f"cut of stage {number}", str(options["cut"]), ["fuel", "ignition", "throttle"])
    return Stage(do, str(entry.get("name", do)), options)


def _expected(number: int, entry: Mapping[str, Any]) -> Expected:
    where = f"expected {number}"
    _only(where, entry, ["rule", "priority", "after", "from_s", "until_s", "says", "required"])
    for key in ("rule", "after", "until_s"):
        if key not in entry:
            raise ScenarioError(f'{where} lacks "{key}"')
    priority = str(entry.get("priority", "critical"))
    _one_of(f"priority of {where}", priority, ["critical", "caution", "note"])
    return Expected(
        str(entry["rule"]),
        priority,
        str(entry["after"]),
        float(entry.get("from_s", 0.0)),
        float(entry["until_s"]),
        str(entry.get("says", "")),
        bool(entry.get("required", True)),
    )


def _when(where: str, entry: Any) -> When:
    if not isinstance(entry, dict):
        raise ScenarioError(f'{where} should be a table such as {{ stage = "pull 1", rpm_above = 4_800 }}')
    _only(where, entry, ["stage", "rpm_above", "at_s", "after_s"])
    number = {key: float(value) for key, value in entry.items() if key != "stage"}
    return When(stage=str(entry.get("stage", "")), **number)


def _confounders(wanted: Iterable[str]) -> frozenset[str]:
    for name in wanted:
        _one_of("confounder", str(name), CONFOUNDERS)
    return frozenset(str(name) for name in wanted)


def _numbers(where: str, defaults: Mapping[str, float], given: Mapping[str, Any]) -> Mapping[str, float]:
    _only(where, given, defaults)
    return {**defaults, **{key: float(value) for key, value in given.items()}}


def _like(where: str, default: float | str, value: Any) -> float | str:
    if isinstance(default, str):
        return str(value)
    if isinstance(value, bool) or not isinstance(value, int | float):
        raise ScenarioError(f"{where} should be a number, not {value!r}")
    return float(value)


def _only(where: str, table: Mapping[str, Any], known: Iterable[str]) -> None:
    for key in table:
        _one_of(f"key of {where}", key, known)


def _one_of(what: str, word: str, known: Iterable[str]) -> None:
    known = list(known)
    if word not in known:
        near = get_close_matches(word, known, 1)
        hint = f'; did you mean "{near[0]}"?' if near else f"; expected one of {', '.join(known)}"
        raise ScenarioError(f'{what}: "{word}" is not known{hint}')
