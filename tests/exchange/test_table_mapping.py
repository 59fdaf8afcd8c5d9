"""What becomes of each column of a log: what is told, what is proved and by what, and what is asked, not guessed."""

from __future__ import annotations

import io
from typing import TYPE_CHECKING

import numpy as np
import pytest

from pullwatch.channels import QUANTITIES, bring, unit_named
from pullwatch.exchange.answers import Memory, read_said
from pullwatch.exchange.asking import NotConfirmed, ask_all, open_questions
from pullwatch.exchange.column_words import Answer, WrongAnswer, read_answer
from pullwatch.exchange.mapping import Decision, decide, speed_column
from pullwatch.exchange.survey import Survey, survey
from pullwatch.exchange.table_reader import read_table

from .table_logs import AFR, AIR, CLT, KR, MAP, OIL, RPM, THR, Log, evening

if TYPE_CHECKING:
    from pathlib import Path


def look(log: Log, tmp_path: Path) -> Survey:
    source = read_table(log.write(tmp_path / "log.csv"))
    return survey(source, speed_column(source.names, source.units))


def of(log: Log, tmp_path: Path, heading: str, answers: dict[str, Answer] | None = None) -> Decision:
    """Return what becomes of the column with a heading."""
    seen = look(log, tmp_path)
    name = heading.partition(" [")[0]
    return next(one for one in decide(seen, answers) if seen.columns[one.column].name == name)


# -- mixture


def test_an_air_fuel_number_is_asked_for_its_scale_and_never_guessed(tmp_path: Path) -> None:
    """Without an answer it stays a plain number that is no lambda; with one it is lambda on that scale."""
    open_one = of(evening(), tmp_path, AFR)
    assert (open_one.channel, open_one.plain) == ("raw_afr", True)
    assert "on which scale" in open_one.question
    answered = of(evening(), tmp_path, AFR, {"AFR": read_answer("lambda[AFR@14.7]")})
    assert (answered.channel, answered.unit, answered.question) == ("lambda", "AFR@14.7", "")


@pytest.mark.parametrize(
    ("heading", "factor", "unit", "asked"),
    [
        ("Lambda", 1.0, "", False),
        ("AFR", 1.0, "", False),  # called air-fuel, but the numbers are lambda's
        ("Lambda [AFR]", 14.7, "", True),
        ("Wideband [AFR]", 14.7, "", True),
        ("Air/Fuel Ratio", 14.7, "", True),
        ("Lambda", 14.7, "", True),
        ("AFR", 9.8, "", True),
        ("Wideband [AFR@14.7]", 14.7, "AFR@14.7", False),  # the file itself says its scale
    ],
)
def test_lambda_and_air_fuel_are_told_apart_by_their_numbers(
    tmp_path: Path, heading: str, factor: float, unit: str, asked: bool
) -> None:
    """Lambda has no scale and needs none; every air-fuel number is asked, E85's too."""
    base = evening()
    log = Log(base.hz, {RPM: base.columns[RPM], heading: base.columns[AFR] / 14.7 * factor})
    found = of(log, tmp_path, heading)
    assert bool(found.question) is asked
    assert found.plain is asked
    assert asked or (found.channel, found.unit) == ("lambda", unit)


def test_two_lambda_columns_are_banks_if_they_are_numbered_and_asked_else(tmp_path: Path) -> None:
    """Lambda 1 and Lambda 2 are the banks; two of one name are one question each, not a choice of ours."""
    base = evening()
    lam = base.columns[AFR] / 14.7
    banks = decide(look(Log(50, {"Lambda 1": lam, "Lambda 2": lam + 0.01}), tmp_path))
    assert [one.channel for one in banks] == ["lambda_bank1", "lambda_bank2"]
    same = decide(look(Log(50, {"Lambda front": lam, "Lambda rear": lam + 0.01}), tmp_path))
    assert all("which of them is lambda" in one.question for one in same)


# -- pressures


@pytest.mark.parametrize(
    ("heading", "change", "channel", "unit", "proof"),
    [
        ("MAP [kPa]", lambda p: p, "manifold_pressure", "", "with the engine off"),
        ("MAP [kPa]", lambda p: p - AIR, "boost", "", "with the engine off"),
        ("Boost [psi]", lambda p: (p - AIR) / 6.894757, "boost", "psi", "with the engine off"),
        ("Boost [psi]", lambda p: p / 6.894757, "manifold_pressure", "psia", "with the engine off"),
        ("Boost [bar]", lambda p: p / 100, "manifold_pressure", "bara", "with the engine off"),
        ("MAP [psi]", lambda p: p / 6.894757, "manifold_pressure", "psia", "with the engine off"),
        ("MAP [mbar]", lambda p: p * 10, "manifold_pressure", "mbar", "with the engine off"),
        ("MAP", lambda p: p, "manifold_pressure", "", "with the engine off"),
        ("MAP", lambda p: p / 100, "manifold_pressure", "bara", "with the engine off"),
        ("MAP", lambda p: p / 6.894757, "manifold_pressure", "psia", "with the engine off"),
        ("Boost [bar]", lambda p: np.maximum(p - AIR, 0) / 100, "boost", "bar", "with the engine off"),
    ],
)
def test_key_on_engine_off_proves_a_manifold_pressure(
    tmp_path: Path, heading: str, change: object, channel: str, unit: str, proof: str
) -> None:
    """The air around or nothing, in one unit alone: what it is called does not matter, and the proof is told."""
    base = evening()
    log = Log(50, {RPM: base.columns[RPM], heading: change(base.columns[MAP])}, {RPM: 0})  # type: ignore[operator]
    found = of(log, tmp_path, heading)
    assert (found.channel, found.unit) == (channel, unit)
    assert proof in found.why
    assert ("absolute" if channel == "manifold_pressure" else "gauge") in found.why


def test_idle_alone_proves_it_too_and_a_log_of_a_pull_alone_proves_nothing(tmp_path: Path) -> None:
    """Under vacuum absolute is above 0 and gauge below; a log that begins under boost is asked."""
    base = evening(off=-5.0)
    running = base.only(RPM, MAP)
    assert "at idle" in of(running, tmp_path, MAP).why
    assert of(running, tmp_path, MAP).channel == "manifold_pressure"
    gauge = running.with_(**{"MAP [kPa]": base.columns[MAP] - AIR})
    assert of(gauge, tmp_path, MAP).channel == "boost"
    pull = slice(round(16.0 * 50), round(20.0 * 50))
    alone = Log(50, {RPM: base.columns[RPM][pull], MAP: base.columns[MAP][pull]}, {RPM: 0})
    found = of(alone, tmp_path, MAP)
    assert found.plain
    assert "gauge or absolute?" in found.question
    assert found.choices == ("manifold_pressure[kPa]", "boost[kPa]")
    answered = of(alone, tmp_path, MAP, {"map": read_answer("manifold_pressure[kPa]")})
    assert answered.channel == "manifold_pressure"


def test_the_engine_off_alone_proves_it(tmp_path: Path) -> None:
    """A log with the key on and then a pull, never at idle: what was read at the stand is enough, either way."""
    base = evening()
    rows = np.r_[0 : round(2.5 * 50), round(16.0 * 50) : round(20.0 * 50)]
    log = Log(50, {RPM: base.columns[RPM][rows], MAP: base.columns[MAP][rows]}, {RPM: 0})
    assert of(log, tmp_path, MAP).channel == "manifold_pressure"
    assert of(log.with_(**{MAP: log.columns[MAP] - AIR}), tmp_path, MAP).channel == "boost"


def test_without_an_engine_speed_only_vacuum_below_zero_proves_gauge(tmp_path: Path) -> None:
    """An absolute pressure is never below 0; one that never is below stays open."""
    base = evening()
    gauge = of(Log(50, {MAP: base.columns[MAP] - AIR}), tmp_path, MAP)
    assert gauge.channel == "boost"
    assert "never below 0" in gauge.why
    assert of(Log(50, {MAP: base.columns[MAP]}), tmp_path, MAP).question


def test_a_unit_that_says_from_where_it_counts_needs_no_proof(tmp_path: Path) -> None:
    """A psia is absolute and a psig gauge, however they are spelled."""
    base = evening(off=-5.0)
    pull = slice(round(16.0 * 50), round(20.0 * 50))
    psi = base.columns[MAP][pull] / 6.894757
    for written, channel, unit in (
        ("psia", "manifold_pressure", "psia"), ("psi(a)", "manifold_pressure", "psia"),
        ("kPa abs", "manifold_pressure", "kPaa"), ("psig", "boost", "psig"), ("bar(g)", "boost", "barg"),
    ):  # fmt: skip
        found = of(Log(50, {f"Boost [{written}]": psi}), tmp_path, "Boost")
        assert (found.channel, found.unit) == (channel, unit)


def test_an_absolute_oil_pressure_is_brought_to_gauge_by_what_it_read_with_the_engine_off(tmp_path: Path) -> None:
    """98.6 kPa with nothing to read is the air: it is taken off, and that is said. Gauge reads nothing there."""
    base = evening()
    gauge = of(base.only(RPM, OIL), tmp_path, OIL)
    assert (gauge.channel, gauge.offset) == ("oil_pressure", 0.0)
    assert "gauge, proved" in gauge.why
    absolute = of(base.only(RPM, OIL).with_(**{OIL: base.columns[OIL] + AIR}), tmp_path, OIL)
    assert absolute.channel == "oil_pressure"
    assert absolute.offset == pytest.approx(-AIR, abs=0.3)
    assert "absolute, proved" in absolute.why


def test_an_oil_pressure_that_nothing_proves_is_asked(tmp_path: Path) -> None:
    """With the engine running throughout nobody can tell; said to be absolute it is refused, for want of air."""
    base = evening(off=-5.0)
    log = base.only(RPM, OIL)
    assert of(log, tmp_path, OIL).question
    assert of(log, tmp_path, OIL, {"Oil Pressure": read_answer("oil_pressure[kPa]")}).channel == "oil_pressure"
    with pytest.raises(WrongAnswer, match="what the air around was is not in this log"):
        of(log, tmp_path, OIL, {"Oil Pressure": read_answer("oil_pressure[bara]")})


# -- others


@pytest.mark.parametrize(
    ("least", "most", "scale", "asked"),
    [(0, 3, 1.0, False), (-3, 0, -1.0, False), (-3, 3, 1.0, True), (0, 0, 1.0, False)],
)
def test_knock_retard_has_either_sign_and_both_are_a_question(
    tmp_path: Path, least: float, most: float, scale: float, asked: bool
) -> None:
    """Never above 0: what is taken out is written below, and turned; on both sides it is asked."""
    values = np.zeros(500)
    values[100:110], values[200:210] = least, most
    found = of(Log(50, {KR: values}), tmp_path, KR)
    assert bool(found.question) is asked
    assert found.scale == scale
    if asked:
        turned = of(Log(50, {KR: values}), tmp_path, KR, {"Knock Retard": read_answer("knock_retard[-deg]")})
        assert turned.scale == -1.0


def test_units_that_are_not_written_are_told_by_the_numbers_or_asked(tmp_path: Path) -> None:
    """An engine of 70 to 95 was warm in °C only, so the air is in °C too; road speed and a share of 1 are asked."""
    rng = np.random.default_rng(2)
    n = 2_000
    log = Log(
        50,
        {
            "Coolant Temp": np.round(np.linspace(70, 95, n)),
            "Intake Air Temp": np.round(np.linspace(20, 48, n)),
            "Vehicle Speed": np.linspace(0, 120, n),
            "Throttle": np.clip(rng.normal(0.5, 0.3, n), 0, 1),
            "Battery": 13.8 + rng.normal(0, 0.1, n),
            "Flux": rng.normal(0, 1, n),
        },
    )
    found = {one.channel: one for one in decide(look(log, tmp_path))}
    assert not found["coolant_temperature"].question
    assert not found["intake_air_temperature"].question
    assert not found["battery_voltage"].question
    assert "in which unit" in found["raw_vehicle_speed"].question
    assert "share of 1" in found["raw_throttle"].question
    assert found["raw_flux"].plain
    assert not found["raw_flux"].question
    share = of(log, tmp_path, "Throttle", {"Throttle": read_answer("throttle[1]")})
    assert (share.channel, share.scale) == ("throttle", 100.0)


def test_a_unit_that_is_not_known_is_asked_and_not_passed_over(tmp_path: Path) -> None:
    """Inches of mercury are no unit of ours: the numbers are not taken for kPa."""
    found = of(Log(50, {"MAP [inHg]": evening().columns[MAP] / 3.386}), tmp_path, "MAP")
    assert found.plain
    assert '"inHg"' in found.question


def test_a_name_of_ours_is_taken_at_its_word(tmp_path: Path) -> None:
    """A log we exported comes back as it went."""
    base = evening()
    names = {
        RPM: "engine_speed [rpm]",
        MAP: "manifold_pressure [kPa]",
        THR: "throttle [%]",
        CLT: "coolant_temperature [°C]",
    }
    found = decide(look(base.renamed(names).only(*names.values()), tmp_path))
    assert [one.channel for one in found] == [name.partition(" ")[0] for name in names.values()]
    assert not any(one.question for one in found)


@pytest.mark.parametrize(
    ("heading", "factor", "said", "outcome"),
    [
        ("MAP [inHg]", 0.2953, "manifold_pressure", "which is no unit of manifold_pressure here"),
        ("MAP", 0.01, "manifold_pressure", "in no unit that is written"),
        ("MAP", 0.01, "manifold_pressure[bara]", "bara"),
        ("MAP [psi]", 0.145, "manifold_pressure", "psia"),
        ("MAP [kPa]", 1.0, "boost", ""),
        ("Wideband", 0.147, "lambda", r"say the unit too, as in lambda\[AFR@14.7\]"),
        ("Speedo", 1.0, "vehicle_speed", "say the unit too"),
        ("Speedo", 1.0, "vehicle_speed[mph]", "mph"),
    ],
)
def test_an_answer_without_a_unit_has_that_of_the_file_or_is_refused(
    tmp_path: Path, heading: str, factor: float, said: str, outcome: str
) -> None:
    """Numbers in a unit nobody wrote are never taken for ours."""
    log = Log(50, {heading: evening().columns[MAP] * factor})
    answers = {heading.partition(" [")[0]: read_answer(said)}
    if " " in outcome:
        with pytest.raises(WrongAnswer, match=outcome):
            of(log, tmp_path, heading, answers)
    else:
        assert of(log, tmp_path, heading, answers).unit == outcome


def test_what_is_remembered_of_a_column_means_the_same_in_the_next_file(tmp_path: Path) -> None:
    """Turned signs, shares of one, scales, absolute oil pressure: decided again from its own answer, the same."""
    base = evening()
    retard = np.zeros(len(base.t))
    retard[500:520] = -2.0
    log = base.with_(**{OIL: base.columns[OIL] + AIR, KR: retard}).renamed({THR: "Throttle", MAP: "MAP [psi]"})
    log = log.with_(**{"Throttle": base.columns[THR] / 100, "MAP [psi]": base.columns[MAP] / 6.894757})
    seen = look(log, tmp_path)
    first = decide(seen, {"AFR": read_answer("lambda[AFR@14.7]"), "Throttle": read_answer("throttle[1]")})
    assert not any(one.question for one in first)
    answers = {seen.columns[one.column].name: read_answer(str(one.answer)) for one in first}
    again = decide(seen, None, answers)
    for one, other in zip(first, again, strict=True):
        assert (one.channel, one.scale) == (other.channel, other.scale)
        assert one.offset == pytest.approx(other.offset)
        own = QUANTITIES[one.channel].unit
        assert bring(10.0, unit_named(one.unit or own)) == bring(10.0, unit_named(other.unit or own))


# -- answers


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("lamda", "did you mean"),
        ("lambda[AFR]", "says nothing without its scale"),
        ("manifold_pressure[bar]", "is no unit of manifold_pressure"),
        ("engine_speed[kPa]", "is no unit"),
        ("engine_speed[rpm", "is no answer"),
        ("AFR", "is no answer"),
    ],
)
def test_a_wrong_answer_is_refused_in_words(text: str, says: str) -> None:
    """It says what is wrong, and what would be right."""
    with pytest.raises(WrongAnswer, match=says):
        read_answer(text)


def test_answers_come_by_option_and_by_file_and_all_faults_at_once(tmp_path: Path) -> None:
    """A heading may hold an equals sign; the option stands before the file."""
    file = tmp_path / "answers.toml"
    file.write_text('"MAP" = "boost[kPa]"\nTime = "time[ms]"\n"a=b" = "-"\n')
    said = read_said(["MAP=manifold_pressure[kPa]"], file)
    assert said.columns == {"MAP": Answer("manifold_pressure", "kPa"), "a=b": Answer("-")}
    assert said.time == {"Time": "ms"}
    with pytest.raises(WrongAnswer, match=r"(?s)3 answers.*--set.*lamda.*furlong"):
        read_said(["nothing", "A=lamda", "B=boost[furlong]"])


def test_an_answer_to_a_column_that_is_not_there_is_refused(tmp_path: Path) -> None:
    """With the nearest name."""
    with pytest.raises(WrongAnswer, match='did you mean "Throttle"'):
        decide(look(evening(), tmp_path), {"Throtle": Answer("throttle")})


def test_a_person_is_asked_what_is_open_and_then_for_a_yes(tmp_path: Path) -> None:
    """A bare number answers for a scale, a choice by its number, a correction before the yes."""
    seen = look(evening(off=-5.0).only(RPM, MAP, AFR, OIL, THR), tmp_path)
    asked: list[str] = []
    answers = iter(["14.7", "1", "nonsense", "Throttle=pedal[%]", "yes"])

    def ask(words: str) -> str:
        asked.append(words)
        return next(answers)

    decisions, said = ask_all(seen, {}, ask, io.StringIO())
    assert "on which scale" in asked[0]
    assert "oil_pressure: gauge or absolute" in asked[1]
    channels = {one.channel: one.unit for one in decisions}
    assert channels["lambda"] == "AFR@14.7"
    assert "oil_pressure" in channels
    assert "pedal" in channels
    assert said["Throttle"] == Answer("pedal", "%")
    assert open_questions(seen, decisions) == []


def test_a_no_imports_nothing_and_enter_leaves_a_question_open(tmp_path: Path) -> None:
    """Who does not know says so: the column stays a plain number."""
    seen = look(evening().only(RPM, AFR), tmp_path)
    answers = iter(["", "no"])
    with pytest.raises(NotConfirmed):
        ask_all(seen, {}, lambda _: next(answers), io.StringIO())
    answers = iter(["", "y"])
    decisions, _ = ask_all(seen, {}, lambda _: next(answers), io.StringIO())
    (words,) = open_questions(seen, decisions)
    assert "--set 'AFR=lambda[AFR@14.7]'" in words


def test_answers_are_remembered_by_the_whole_heading(tmp_path: Path) -> None:
    """A file with the same columns has them; one with a column more does not; what is damaged is asked again."""
    memory = Memory(tmp_path / "memory")
    source = read_table(evening().write(tmp_path / "a.csv"))
    said = {"AFR": Answer("lambda", "AFR@14.7"), "Knock Retard": Answer("knock_retard", "deg", turned=True)}
    memory.keep(source, said)
    assert memory.recall(read_table(evening(20).write(tmp_path / "b.csv"))) == said
    other = read_table(evening().with_(More=np.zeros(2_000)).write(tmp_path / "c.csv"))
    assert memory.recall(other) == {}
    (file,) = (tmp_path / "memory").iterdir()
    file.write_text(file.read_text()[:30])
    assert memory.recall(source) == {}
