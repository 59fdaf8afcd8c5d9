"""Doubts and engine channels in the setup file: the usual ones, one's own, and everything that is refused in words."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING, Any

import pytest

from pullwatch.checks import report
from pullwatch.errors import SetupError
from pullwatch.setup import Plan, load

if TYPE_CHECKING:
    from pathlib import Path

    from pullwatch.setup.deriving import DerivedPlan

NAMES = (
    "manifold_pressure", "throttle", "engine_speed", "lambda", "oil_pressure", "vehicle_speed", "driveshaft_speed",
    "wheel_speed_fl", "wheel_speed_rl", "injector_pulse_width", "coolant_temperature",
)  # fmt: skip
GEAR = '[derived.gear]\nkind = "gear"\n'
RULE = '\n[[rule]]\nname = "r"\ntrip = "{}"\n'


def feed(*names: str) -> str:
    """Return a setup that is fed these channels."""
    fields = ", ".join(f'{{ channel = "{name}", key = "{name}" }}' for name in names)
    return (
        '[car]\nname = "copper hatch"\n[[feed]]\nname = "ecu"\nkind = "serial-line"\n'
        f'port = "socket://127.0.0.1:47999"\nfields = [{fields}]\n'
    )


def plan_of(folder: Path, more: str = "", names: tuple[str, ...] = NAMES) -> Plan:
    """Return the plan of a setup."""
    path = folder / "setup.toml"
    path.write_text(feed(*names) + more, encoding="utf-8")
    return load(path)


def problems(folder: Path, more: str, names: tuple[str, ...] = NAMES) -> str:
    """Return everything that is wrong."""
    with pytest.raises(SetupError) as found:
        plan_of(folder, more, names)
    return str(found.value)


def amended(plan: Plan) -> dict[tuple[str, str], DerivedPlan]:
    """Return the doubts of a plan by channel and kind."""
    return {(made.channel, made.section.kind): made for made in plan.derived if made.amends}


def options(made: DerivedPlan) -> dict[str, Any]:
    """Return the options of a derived channel or doubt."""
    return made.section.model_dump()


def test_the_usual_doubts_come_by_themselves(tmp_path: Path) -> None:
    """Manifold and engine speed have limits of change, manifold and oil pressure a partner; nothing else has."""
    plan = plan_of(tmp_path)
    found = amended(plan)
    usual = {"manifold_pressure": ("slew", "frozen"), "engine_speed": ("slew",), "oil_pressure": ("frozen",)}
    assert set(found) == {(name, kind) for name, kinds in usual.items() for kind in kinds}
    assert all(made.automatic for made in found.values())
    assert found["manifold_pressure", "frozen"].inputs == ("manifold_pressure", "throttle", "engine_speed")
    assert Plan.from_dict(json.loads(json.dumps(plan.to_dict()))) == plan


def test_without_a_partner_there_is_no_usual_doubt(tmp_path: Path) -> None:
    """No throttle: nothing drives the manifold that is known. Nobody asked, so nobody is told it is missing."""
    found = amended(
        plan_of(tmp_path, "[channel.manifold_pressure]\nrate_hz = 50\n", ("manifold_pressure", "oil_pressure"))
    )
    assert set(found) == {("manifold_pressure", "slew")}


def test_limits_of_change_follow_the_rate(tmp_path: Path) -> None:
    """Samples are taken to be two periods apart at least, 50 ms where no rate is stated."""
    more = "[channel.manifold_pressure]\nrate_hz = 50\n[channel.lambda]\nslew_per_s = [-20, 20]\n"
    found = amended(plan_of(tmp_path, more))
    assert options(found["manifold_pressure", "slew"])["apart_ms"] == 40.0
    assert options(found["engine_speed", "slew"])["apart_ms"] == 50.0
    assert options(found["lambda", "slew"]) == {"kind": "slew", "fall": -20.0, "rise": 20.0, "apart_ms": 50.0}
    assert not found["lambda", "slew"].automatic


def test_usual_doubts_can_be_taken_out(tmp_path: Path) -> None:
    """Empty: never, as with blind_while."""
    more = '[channel.manifold_pressure]\nslew_per_s = []\nfrozen_with = ""\n[channel.oil_pressure]\nfrozen_with = ""\n'
    assert set(amended(plan_of(tmp_path, more))) == {("engine_speed", "slew")}


def test_a_partner_of_ones_own(tmp_path: Path) -> None:
    """Four keys say what must have moved and by how much; the usual partner may be named without numbers."""
    more = (
        '[channel.coolant_temperature]\nfrozen_with = "oil_pressure"\nfrozen_between = [10, 300]\nfrozen_moves = 5\n'
        'frozen_settle_ms = 60_000\n[channel.oil_pressure]\nfrozen_with = "engine_speed"\n'
    )
    found = amended(plan_of(tmp_path, more))
    own = found["coolant_temperature", "frozen"]
    assert own.inputs == ("coolant_temperature", "oil_pressure")
    assert "oil_pressure went from at most 10 to at least 300 or back, 60000 ms each" in own.describe()
    assert options(found["oil_pressure", "frozen"])["usual"] == "oil_pressure"
    assert not found["oil_pressure", "frozen"].automatic


def test_proof_uses_what_there_is(tmp_path: Path) -> None:
    """Without cut_active the sensor must move; with it, inferred or fed, it has a free proof on the overrun."""
    more = "[channel.lambda]\nproof = true\nlean_rail = 1.8\n"
    bare = amended(plan_of(tmp_path, more))["lambda", "proof"]
    assert bare.inputs == ("lambda", "engine_speed")
    cuts = plan_of(tmp_path, more + '[derived.cut_active]\nkind = "cut"\n')
    assert amended(cuts)["lambda", "proof"].inputs == ("lambda", "engine_speed", "cut_active", "throttle")
    # The usual condition is the same for a car that has the flag and one whose cuts are inferred.
    assert cuts.channel("lambda").blind_while.startswith("cut_active != 0 or (throttle < 5 %")
    assert Plan.from_dict(json.loads(json.dumps(cuts.to_dict()))) == cuts


@pytest.mark.parametrize(
    ("more", "said"),
    [
        ("[channel.throttle]\nslew_per_s = [800, -2500]\n", "[800, -2500] leaves the channel no way to change"),
        ("[channel.throttle]\nslew_per_s = [800]\n", "Write [fastest fall, fastest rise]"),
        ("[channel.throttle]\nslew_per_s = [-1, 2, 3]\n", "has 3 elements, at most 2 are wanted"),
        ('[channel.throttle]\nfrozen_with = "pedal"\n', 'it rests on "pedal", which no feed gives'),
        ('[channel.throttle]\nfrozen_with = "vehicle_speed"\n', "channel.throttle frozen_between: is missing."),
        ('[channel.throttle]\nfrozen_with = "vehicle_speed"\n', "channel.throttle frozen_moves: is missing."),
        ("[channel.throttle]\nfrozen_moves = 3\nfrozen_between = [1, 2]\n", "frozen_with: is missing"),
        ("[channel.throttle]\nfrozen_moves = -3\n", "it must be above 0"),
        ('[channel.throttle]\nfrozen_with = "throttle"\n', "throttle cannot be held against itself"),
        (
            '[channel.oil_pressure]\nfrozen_with = "throttle"\nfrozen_moves = 1\nfrozen_between = [2, 1]\n',
            "from 2 to 1 nothing rises",
        ),
        (
            '[channel.throttle]\nfrozen_with = "manifold_pressure"\nfrozen_moves = 1\nfrozen_between = [1, 2]\n',
            "which itself rests on",
        ),
        ("[channel.throttle]\nproof = true\n", "channel.throttle proof: throttle is no lambda sensor"),
        ("[channel.lambda]\nlean_rail = 1.8\n", "lean_rail: it says nothing without a proof"),
        ('[channel.lambda]\nproof = "yes"\n', 'channel.lambda proof: "yes" is not true or false'),
        ('[derived.gear]\nkind = "gear"\n', "derived.gear ratios: is missing."),
        ('[derived.gear]\nkind = "gear"\nratios = [3, 2.9]\n', "3 and 2.9 are not apart by twice the tolerance of 4%"),
        ('[derived.gear]\nkind = "gear"\nratios = [2, 3]\n', "Write first gear first"),
        ('[derived.gear]\nkind = "gear"\nratios = [3]\nspeed = "lambda"\n', "lambda is no speed of the driveline"),
        ('[derived.gear]\nkind = "gear"\nratios = [3]\nspeed = "vehicle_speed"\n', "final_drive: is missing."),
        ('[derived.gear]\nkind = "gear"\nratios = [3]\nfinal_drive = 4\n', "turns with the gearbox: this is not used"),
        ('[derived.boost]\nkind = "gear"\nratios = [3]\n', "a gear is a plain number, and boost is gauge pressure"),
        ('[derived.boost]\nkind = "cut"\n', "what this makes is plain number, and boost is gauge pressure"),
        (
            f'{GEAR}ratios = [3]\n[derived.converter_slip]\nkind = "converter-slip"\nratios = [3]\n',
            "the slip would always be about nought",
        ),
        (
            '[derived.slip]\nkind = "wheel-slip"\ndriven = ["wheel_speed_fl"]\nundriven = ["wheel_speed_fl"]\n',
            "wheel_speed_fl stands here twice",
        ),
        (
            '[derived.slip]\nkind = "wheel-slip"\ndriven = ["wheel_speed_fl"]\nundriven = ["throttle"]\n',
            "throttle is no road speed",
        ),
        ('[derived.cut_active]\nkind = "cut"\noverrun = false\n', "there is no cut to look for"),
        ('[derived.cut_active]\nkind = "cut"\nlimit_cuts = "spark"\n', '"spark" is not a choice'),
        ('[derived.air]\nkind = "slew"\n', '"slew" is no kind of derived channel'),
        ("[channel.throttle]\nfull_scale = 0\n", "it must be above 0"),
        ("[channel.manifold_pressure]\nfull_scale = 600\n", "one at the ceiling would be a fault"),
    ],
)
def test_what_is_wrong_is_said(tmp_path: Path, more: str, said: str) -> None:
    """Each with its key, and what to write instead."""
    assert said in problems(tmp_path, more)


@pytest.mark.parametrize("names", [NAMES, NAMES[::-1]])
def test_a_circle_is_refused_whichever_way_it_is_read(tmp_path: Path, names: tuple[str, ...]) -> None:
    """Each of two channels held against the other; taking one out is right again."""
    more = '[channel.throttle]\nfrozen_with = "manifold_pressure"\nfrozen_moves = 1\nfrozen_between = [1, 2]\n'
    assert 'Write frozen_with = "" for one of the two' in problems(tmp_path, more, names)
    right = more + '[channel.manifold_pressure]\nfrozen_with = ""\n'
    assert ("throttle", "frozen") in amended(plan_of(tmp_path, right, names))


# -- engine channels


def test_engine_channels_have_what_they_need_and_no_more(tmp_path: Path) -> None:
    """A cut reads only what its signs need; a gear by road speed its final drive and tyre."""
    more = (
        '[derived.cut_active]\nkind = "cut"\noverrun = false\nlimit_rpm = 7_000\n'
        '[derived.gear]\nkind = "gear"\nspeed = "vehicle_speed"\nratios = [3.36, 2.09]\nfinal_drive = 3.94\n'
        "tyre_circumference_m = 1.916\n"
        '[derived.slip]\nkind = "wheel-slip"\ndriven = ["wheel_speed_rl"]\nundriven = ["wheel_speed_fl"]\n'
    )
    plan = plan_of(tmp_path, more + RULE.format("slip > 15 %"))
    made = {each.channel: each for each in plan.derived if not each.amends}
    assert made["cut_active"].inputs == ("engine_speed", "throttle")
    assert made["cut_active"].describe() == "inferred from limiter at 7,000 rpm"
    assert made["gear"].inputs == ("vehicle_speed", "engine_speed")
    assert plan.channel("slip").unit == "%"
    assert Plan.from_dict(json.loads(json.dumps(plan.to_dict()))) == plan


def test_a_latched_barometer_tells_when_it_changed(tmp_path: Path) -> None:
    """Its change comes with it, and a rule that stands until it is reset; nobody need ask."""
    plan = plan_of(tmp_path, '[derived.barometric_pressure]\nkind = "barometric-latch"\n')
    made = {each.channel: each.inputs for each in plan.derived if not each.amends}
    assert made["barometric_pressure"] == ("manifold_pressure", "engine_speed")
    assert made["barometric_change"] == ("barometric_pressure", "engine_speed")
    (rule,) = [facts for facts in plan.facts if "barometric" in facts.name]
    assert (rule.trip, rule.says) == ("barometric_change > 3 kPa", "Barometric pressure changed.")
    assert rule.latch
    assert rule.automatic


def test_a_fed_barometer_has_no_such_rule(tmp_path: Path) -> None:
    """A sensor of its own follows the weather."""
    assert plan_of(tmp_path, names=(*NAMES, "barometric_pressure")).facts == ()


# -- ceilings

CEILING = "[channel.manifold_pressure]\nfull_scale = 250\n"


def test_a_sensor_at_its_ceiling_is_told(tmp_path: Path) -> None:
    """From 98 % of full scale on, by a rule of ours; that the sensor is lost is told too."""
    plan = plan_of(tmp_path, CEILING)
    rules = {facts.name: facts for facts in plan.facts}
    assert rules["manifold_pressure at ceiling"].trip == "manifold_pressure >= 245 kPa"
    assert rules["manifold_pressure at ceiling"].says == "Manifold pressure at ceiling."
    assert "manifold_pressure lost" in rules
    assert all(facts.automatic for facts in plan.facts)
    assert not [line for line in report(plan).cautions if "ceiling" in line]


@pytest.mark.parametrize(
    ("rule", "refused"),
    [
        # 1.4 bar at sea level is 241 kPa, 96.5 % of a 250 kPa sensor (computed).
        ('trip = "manifold_pressure > 241 kPa"', "trip"),
        ('trip = "manifold_pressure > 237.5 kPa"', ""),
        ('trip = "manifold_pressure > top + 10 kPa"', "trip"),
        ('trip = "manifold_pressure > top"', ""),
        ('trip = "engine_speed > 7000 rpm"\nwhile = "manifold_pressure > 241 kPa"', "while"),
        ('trip = "manifold_pressure > along"', "trip"),
        ('trip = "engine_speed > 7000 rpm"', ""),
    ],
)
def test_a_limit_the_sensor_cannot_answer_is_refused(tmp_path: Path, rule: str, refused: str) -> None:
    """Above 95 % of full scale, however it is written: at the ceiling it would say "no" for want of a reading."""
    more = CEILING + f'[limit.top]\nlimits = "manifold_pressure"\nvalue = 230\n[[rule]]\nname = "far"\n{rule}\n'
    more += '[limit.along]\nlimits = "manifold_pressure"\nalong = "engine_speed"\nat = [1, 2]\nvalue = [100, 240]\n'
    if not refused:
        plan_of(tmp_path, more)
        return
    said = problems(tmp_path, more)
    assert f'rule "far" {refused}: the limit 24' in said or f'rule "far" {refused}: the limit 25' in said
    assert "is above 95% of what the sensor can say (250.0 kPa absolute): at its ceiling it could not tell." in said


# -- check


def test_check_names_what_is_unprotected(tmp_path: Path) -> None:
    """One line with every channel that is believed whatever it says; a doubt, a vote or a proof takes it off."""
    lines = [line for line in report(plan_of(tmp_path)).cautions if line.startswith("Unprotected")]
    (line,) = lines
    assert line.endswith(
        ": throttle, lambda, vehicle_speed, driveshaft_speed, wheel_speed_fl, wheel_speed_rl, injector_pulse_width, "
        "coolant_temperature."
    )
    more = (
        "[channel.lambda]\nproof = true\n[channel.throttle]\nslew_per_s = [-1000, 1000]\n"
        '[derived.wheels]\nkind = "apart"\nof = ["wheel_speed_fl", "wheel_speed_rl"]\n'
    )
    (line,) = [line for line in report(plan_of(tmp_path, more)).cautions if line.startswith("Unprotected")]
    assert line.endswith(": vehicle_speed, driveshaft_speed, injector_pulse_width, coolant_temperature.")


def test_check_says_what_is_doubted_and_how(tmp_path: Path) -> None:
    """Under each channel, in words."""
    text = report(plan_of(tmp_path)).text()
    assert "doubted: if it changes faster than -2,500 or +800 a second" in text
    assert "doubted: if throttle shut on a turning engine, and open or standing" in text
