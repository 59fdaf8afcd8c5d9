"""What a right setup becomes: channels, limits, rules and the rules of ours, with every default filled in."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import pytest

from pullwatch.channels import Dimension, delay_window
from pullwatch.errors import SetupError
from pullwatch.setup import Plan, load
from pullwatch.watchdog.alarms import Priority
from pullwatch.watchdog.conditions import AnyOf, Comparison, Lost, Term

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

    Load = Callable[[str], Plan]

GATE = "manifold_pressure > barometric_pressure + 20 kPa deadband 10 kPa"
LEAN = f"""
[[rule]]
name = "lean under boost"
while = "{GATE}"
trip = "lambda > leanest"
dose = "0.008 s"
at_least_samples = 2
latch = true
priority = "critical"
says = "Lean under boost. Lift."

[limit.leanest]
along = "manifold_pressure"
at = [120, 160, 200, 240]
value = [0.90, 0.86, 0.84, 0.83]
"""


@pytest.fixture
def plan_of(write: Callable[[str], Path], right: str) -> Load:
    """Return a function that adds text to the small right setup and loads it."""
    return lambda more: load(write(right + more))


def test_channels_are_numbered_in_file_order(plan_of: Load) -> None:
    """Channels stand in the order of feeds and fields, and each one's number is its place."""
    plan = plan_of("")
    assert [channel.name for channel in plan.channels] == [
        "lambda", "engine_speed", "manifold_pressure", "barometric_pressure", "throttle", "fuel_differential_pressure",
    ]  # fmt: skip
    assert [channel.number for channel in plan.channels] == list(range(6))
    assert [feed.number for feed in plan.feeds] == [1]
    assert plan.rules.channels == plan.channels
    assert plan.rules.engine_speed == 1


def test_stale_after(plan_of: Load) -> None:
    """A value is stale after three stated periods and never before 250 ms, unless the file says otherwise."""
    plan = plan_of(
        "[channel.lambda]\nrate_hz = 6\n[channel.engine_speed]\nrate_hz = 100\n"
        "[channel.throttle]\nstale_after_ms = 80\n"
    )
    assert plan.channel("lambda").stale_after == 500_000_000
    assert plan.channel("engine_speed").stale_after == 250_000_000
    assert plan.channel("throttle").stale_after == 80_000_000
    assert plan.channel("manifold_pressure").stale_after == 250_000_000
    assert plan.rates == (6.0, 100.0, None, None, None, None)


def test_delay_of_a_lambda_sensor_has_the_cycle_in_it(plan_of: Load) -> None:
    """The fixed delay of a lambda sensor is lengthened by 60/N to 120/N s; that of another channel only on request."""
    plan = plan_of(
        "[channel.lambda]\ndelay_ms = [60, 180]\ntime_constant_ms = 100\n[channel.throttle]\ndelay_ms = [5, 10]\n"
    )
    delay = plan.channel("lambda").delay
    assert (delay.least, delay.most, delay.per_cycle, delay.time_constant) == (
        60_000_000,
        180_000_000,
        True,
        100_000_000,
    )
    assert delay_window(delay, 6000.0) == (70_000_000, 200_000_001)
    assert not plan.channel("throttle").delay.per_cycle
    assert plan.channel("engine_speed").delay.is_none
    fixed = plan_of("[channel.lambda]\ndelay_ms = [60, 180]\ndelay_per_cycle = false\n").channel("lambda").delay
    assert delay_window(fixed, 6000.0) == (60_000_000, 180_000_000)


def test_lambda_is_blind_during_cuts(plan_of: Load, write: Callable[[str], Path], right: str) -> None:
    """A lambda sensor is blind while the controller cuts and on the inferred overrun, from the channels there are."""
    overrun = "(throttle < 5 % and engine_speed > 1500 rpm and manifold_pressure < 45 kPa)"
    plan = plan_of("")
    assert plan.channel("lambda").blind_while == overrun
    assert set(plan.rules.blinds) == {0}
    assert plan.channel("throttle").blind_while == ""
    flag = '{ channel = "cut_active", key = "cut" },\n'
    both = load(
        write(right.replace('{ channel = "throttle", key = "tps" },\n', flag + '{channel="throttle", key = "tps"},\n'))
    )
    assert both.channel("lambda").blind_while == f"cut_active != 0 or {overrun}"
    assert isinstance(both.rules.blinds[0], AnyOf)
    one = load(write(right.replace('{ channel = "throttle", key = "tps" },\n', flag)))
    assert one.channel("lambda").blind_while == "cut_active != 0"
    none = load(write(right.replace('{ channel = "throttle", key = "tps" },\n', "")))
    assert none.rules.blinds == {}


def test_own_and_no_blind_condition(plan_of: Load) -> None:
    """The file's own condition takes the place of the usual one, and an empty one means never."""
    own = plan_of('[channel.lambda]\nblind_while = "throttle < 3 %"\n')
    assert own.channel("lambda").blind_while == "throttle < 3 %"
    never = plan_of('[channel.lambda]\nblind_while = ""\n')
    assert never.rules.blinds == {}


def test_what_blinds_cannot_be_blind_itself(plan_of: Load) -> None:
    """A condition that rests on a channel that is blinded is refused."""
    with pytest.raises(SetupError, match="throttle is itself blind at times and cannot say when lambda is"):
        plan_of('[channel.throttle]\nblind_while = "engine_speed < 500 rpm"\n')


def test_channels_beyond_the_catalogue(write: Callable[[str], Path], right: str) -> None:
    """A channel the catalogue does not know says its unit, and of a pressure what it is measured from."""
    fields = "".join(f'  {{ channel = "{name}", key = "{name}" }},\n' for name in ("plenum", "rack", "stage", "sump"))
    plan = load(
        write(
            right.replace("fields = [\n", "fields = [\n" + fields)
            + '[channel.plenum]\nunit = "kPa"\nkind = "absolute"\nbelievable = [5, 500]\n'
            + '[channel.rack]\nunit = "kPa"\nkind = "difference"\n'
            + '[channel.stage]\nunit = ""\n[channel.sump]\nunit = "°C"\n'
        )
    )
    dimensions = [plan.channel(name).dimension for name in ("plenum", "rack", "stage", "sump")]
    assert dimensions == [
        Dimension.ABSOLUTE_PRESSURE, Dimension.PRESSURE_DIFFERENCE, Dimension.NUMBER, Dimension.TEMPERATURE,
    ]  # fmt: skip
    assert (plan.channel("plenum").low, plan.channel("plenum").high) == (5.0, 500.0)
    assert (plan.channel("stage").low, plan.channel("stage").high) == (-math.inf, math.inf)
    assert plan.channel("plenum").format(101.325) == "101.3 kPa absolute"


def test_rule_as_the_watchdog_takes_it(plan_of: Load) -> None:
    """Texts, delays and doses of a rule arrive in whole ns and whole dose units."""
    plan = plan_of(LEAN)
    rule = plan.rules.rules[0]
    assert (rule.number, rule.name, rule.dose, rule.on_delay) == (0, "lean under boost", 8_000 * 1_000_000_000, 0)
    assert (rule.at_least_samples, rule.latch, rule.priority, rule.off_delay) == (
        2,
        True,
        Priority.CRITICAL,
        500_000_000,
    )
    assert (rule.trip_text, rule.while_text, rule.group) == ("lambda > leanest", GATE, "engine")
    assert rule.trip == Comparison(0, ">", (Term(1.0, curve="leanest"),))
    assert plan.rules.curves["leanest"].along == plan.channel("manifold_pressure").number
    assert plan.rules.curves["leanest"].one(180.0) == pytest.approx(0.85)


def test_air_fuel_limits_name_their_scale(plan_of: Load) -> None:
    """12.5 and 13.2 on a 14.7 gauge are lambda 0.85034 and 0.89796 (definition lambda = AFR / AFR at lambda 1)."""
    text = LEAN.replace("at = [120, 160, 200, 240]", "at = [1.2, 2.0]\nat_unit = 'bara'\nunit = 'AFR@14.7'")
    plan = plan_of(text.replace("value = [0.90, 0.86, 0.84, 0.83]", "value = [13.2, 12.5]"))
    assert plan.limits[0].value == pytest.approx((0.89796, 0.85034), abs=1e-5)
    assert plan.limits[0].at == (120.0, 200.0)


def test_limit_that_is_one_number(plan_of: Load) -> None:
    """A limit without `along` is one number, put in the place of its name; it takes the dimension of what it limits."""
    plan = plan_of(
        '[limit.base]\nvalue = 300\n[limit.top]\nvalue = 29.5\nunit = "psia"\n'
        '[[rule]]\nname = "pump"\ntrip = "fuel_differential_pressure < 0.90 * base"\n'
        '[[rule]]\nname = "over"\ntrip = "manifold_pressure > top + 10 kPa"\n'
    )
    assert plan.rules.rules[0].trip == Comparison(5, "<", (Term(270.0),))
    over = plan.rules.rules[1].trip
    assert isinstance(over, Comparison)
    # 29.5 psi x 6.894757 kPa (NIST SP 811) = 203.395 kPa
    assert over.right[0].factor == pytest.approx(203.395, abs=1e-3)
    assert over.right[1] == Term(10.0)
    assert plan.rules.curves == {}


def test_limit_unknown_beyond_its_ends(plan_of: Load) -> None:
    """`beyond` decides whether a limit is held or not known outside its points."""
    held = plan_of(LEAN).rules.curves["leanest"]
    unknown = plan_of(LEAN.replace("[limit.leanest]", '[limit.leanest]\nbeyond = "unknown"')).rules.curves["leanest"]
    assert held.one(90.0) == 0.90
    assert math.isnan(unknown.one(90.0))


def test_silence_is_always_an_alarm_of_its_own(plan_of: Load) -> None:
    """Every channel a rule rests on gets a rule for its loss, after the file's own: a caution in a group of its own."""
    plan = plan_of(LEAN + "[channel.lambda]\ndelay_ms = [60, 180]\n")
    ours = [facts for facts in plan.facts if facts.automatic]
    assert [facts.name for facts in ours] == [
        "lambda lost", "engine_speed lost", "manifold_pressure lost", "barometric_pressure lost", "throttle lost",
    ]  # fmt: skip
    assert plan.facts[1:] == tuple(ours)
    assert ours[2].trip == "manifold_pressure is lost"
    assert ours[2].says == "No manifold pressure."
    assert {(facts.priority, facts.off_delay, facts.group) for facts in ours} == {
        (Priority.CAUTION, 500_000_000, "readings")
    }
    assert [rule.trip for rule in plan.rules.rules[1:]] == [Lost(n) for n in range(5)]


def test_delay_that_follows_engine_speed_rests_on_it(plan_of: Load) -> None:
    """A lambda sensor whose delay follows the engine rests on engine speed even when nothing blinds it."""
    seeing = LEAN + '[channel.lambda]\nblind_while = ""\n'
    assert "engine_speed lost" not in [facts.name for facts in plan_of(seeing).facts]
    delayed = plan_of(seeing + "delay_ms = [60, 180]\n")
    assert "engine_speed lost" in [facts.name for facts in delayed.facts]
    assert "throttle lost" not in [facts.name for facts in delayed.facts]


def test_own_rule_for_a_loss_takes_the_place_of_ours(plan_of: Load) -> None:
    """Where a rule of the file trips on the loss of a channel, none is added; a gate alone does not count."""
    lost = f'[[rule]]\nname = "lambda lost"\nwhile = "{GATE}"\ntrip = "lambda is lost"\n'
    plan = plan_of(LEAN + lost)
    assert [facts.name for facts in plan.facts if "lambda" in facts.trip] == ["lean under boost", "lambda lost"]
    gate = '[[rule]]\nname = "throttle lost"\nwhile = "throttle is lost"\ntrip = "engine_speed > 7000 rpm"\n'
    assert "throttle lost (automatic)" in [facts.name for facts in plan_of(gate).facts]


def test_loss_of_a_flag_is_not_a_statement_about_it(write: Callable[[str], Path], right: str) -> None:
    """The loss of `cut_active` says that the reading is gone, not that there is no cut."""
    flag = '{ channel = "cut_active", key = "cut" },\n'
    plan = load(write(right.replace("fields = [\n", "fields = [\n" + flag) + LEAN))
    assert [facts.says for facts in plan.facts if facts.name == "cut_active lost"] == ["No cut active reading."]


def test_late_critical_rules_are_told_for_the_record(plan_of: Load) -> None:
    """A critical rule that cannot be heard within 500 ms becomes a caution without its act, and says so."""
    slow = LEAN + "[channel.lambda]\nrate_hz = 2\n"
    facts = plan_of(slow).facts[0]
    assert (facts.asked, facts.priority, facts.says) == (Priority.CRITICAL, Priority.CAUTION, "Lean under boost.")
    assert "for the record" in facts.note
    fast = plan_of(LEAN + "[channel.lambda]\nrate_hz = 50\n").facts[0]
    assert (fast.priority, fast.note) == (Priority.CRITICAL, "")


def test_what_never_demotes_a_rule(write: Callable[[str], Path], right: str) -> None:
    """A rate nobody stated, a temperature and a lost reading leave a critical rule critical."""
    critical = 'priority = "critical"\nsays = "Too hot. Lift."\n'
    text = right.replace("fields = [\n", 'fields = [\n{ channel = "coolant_temperature", key = "clt" },\n')
    text += f'{LEAN}[[rule]]\nname = "hot"\ntrip = "coolant_temperature > 110 °C"\non_delay_ms = 3000\n{critical}'
    text += f'[[rule]]\nname = "gone"\ntrip = "lambda is lost"\non_delay_ms = 1000\n{critical}'
    assert {facts.priority for facts in load(write(text)).facts if not facts.automatic} == {Priority.CRITICAL}


@pytest.mark.parametrize(
    ("says", "good"),
    [
        ("Lean under boost. Lift.", True),
        ("No mixture reading. Lift.", True),
        ("Oil pressure is gone. Shut down!", True),
        ("Boost over 1.3 bar. Lift.", True),
        ("The oil pressure is gone. Lift.", False),
        ("Lift.", False),
        ("Lean under boost", False),
        ("Lean. Lift. Now.", False),
        ("Lean. Lift off the pedal.", False),
    ],
)
def test_sentence_of_a_critical_rule(plan_of: Load, says: str, good: bool) -> None:
    """A critical alarm says at most four words and one act."""
    text = LEAN.replace("Lean under boost. Lift.", says)
    if good:
        assert plan_of(text).facts[0].says == says
    else:
        with pytest.raises(SetupError, match="cannot be taken in at speed"):
            plan_of(text)


def test_alarm_without_a_sentence_says_its_name(plan_of: Load) -> None:
    """A caution or note without a sentence says its name."""
    assert plan_of('[[rule]]\nname = "throttle high"\ntrip = "throttle > 105 %"\n').facts[0].says == "Throttle high."


def test_protection_in_the_unit_of_the_channel(plan_of: Load) -> None:
    """What the controller cuts at is brought to the channel's unit, also for a channel that is not read."""
    plan = plan_of('[protection]\nmanifold_pressure = "30 psia"\noil_pressure = "1 bar"\n')
    assert plan.protection == pytest.approx({"manifold_pressure": 206.84, "oil_pressure": 100.0}, abs=0.01)


@pytest.mark.parametrize(("dose", "whole"), [("0.008 s", 8_000 * 10**9), ("8 ms", 8_000 * 10**9), ("0.0001 s", 10**11)])
def test_doses_are_read_exactly(plan_of: Load, dose: str, whole: int) -> None:
    """A dose is read as a decimal number, so that 0.008 is 8000 millionths and nothing beside it."""
    assert plan_of(LEAN.replace("0.008 s", dose)).facts[0].dose == whole


def test_defaults_of_the_car_and_profile(plan_of: Load) -> None:
    """The air-fuel scale is 14.7 whatever the fuel, and the profile a dyno, unless the file says otherwise."""
    plan = plan_of("")
    assert (plan.car.air_fuel_scale, plan.profile, plan.car.cylinders) == (14.7, "dyno", None)
    assert plan_of('[profile]\nkind = "strip"\n').profile == "strip"


WAY = "[channel.lambda]\ndelay_ms = [0, 0]\ndelay_per_cycle = false\nexhaust_litres = 1.5\n"


@pytest.mark.parametrize(("rpm", "way_ms"), [(900.0, 83.0), (2_500.0, 10.0), (6_000.0, 1.8)])
def test_the_gas_needs_time_to_the_sensor(write: Callable[[str], Path], right: str, rpm: float, way_ms: float) -> None:
    """2.0 l of engine and 1.5 l of exhaust: idle at 35 kPa, 100 kPa, and 240 kPa all lie within the interval.

    Source: V·p/(ṁ·R·T) for these three points (computed with a small model, not measured on a car).
    """
    delay = load(write(right.replace("[car]", "[car]\ndisplacement_cc = 1998") + WAY)).channel("lambda").delay
    least, most = delay_window(delay, rpm)
    assert least / 1e6 < way_ms < most / 1e6
    assert most < 11 * least


def test_a_way_to_the_sensor_needs_an_engine_and_an_exhaust(plan_of: Load) -> None:
    """Without a displacement, or for a channel that is not in the exhaust, it is refused."""
    with pytest.raises(SetupError, match="needs the engine's displacement"):
        plan_of(WAY)
    with pytest.raises(SetupError, match="is for a sensor in the exhaust gas"):
        plan_of("[channel.throttle]\nexhaust_litres = 1.5\n")
