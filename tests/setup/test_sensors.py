"""Sensors read as volts or ohms in the setup file: written from a data sheet, recorded whole, refused in words."""

from __future__ import annotations

import json
import math
import re
from pathlib import Path
from typing import TYPE_CHECKING

import pytest
from thermocouple_its90 import TypeK

from pullwatch.columns import Why, to_columns, to_samples
from pullwatch.errors import SetupError
from pullwatch.setup import Plan, load
from pullwatch.setup.decoding import decoders_for
from pullwatch.setup.deriving import DerivedPlan, deriving_for

if TYPE_CHECKING:
    from pullwatch.columns import Sample

NOTES = Path(__file__).resolve().parents[2] / "hardware_notes"
PAGES = (NOTES / "thermocouples-and-thermistors.md", NOTES / "pressure-sensors.md")

FEED = """
[car]
name = "copper hatch"

[[feed]]
name = "volts"
kind = "serial-line"
port = "socket://127.0.0.1:47999"
fields = [{ channel = "raw", key = "a" }, { channel = "sensor_supply", key = "s" }, { channel = "ohms", key = "r" },
          { channel = "ambient_temperature", key = "t" }, { channel = "engine_speed", key = "rpm" }]

[channel.raw]
unit = "V"

[channel.sensor_supply]
unit = "V"

[channel.ohms]
unit = ""
"""
LINE = "volts = [0.5, 4.5]\nvalues = [0, 1000]\n"
POINTS = "points = [[-10, 9397], [40, 1175], [100, 186.6]]\n"
RAW = 'from = "raw"\n'
SHARE = f"{RAW}values = [0, 1]\n"
DIVIDER = f"{RAW}resistor = 1000\nsupply = 5\n"
AMPLIFIER = f"{RAW}gain = 100\noffset = 0.5\nfault_below = 0.05\nfault_above = 4.95\n"
COLD_25 = f"{AMPLIFIER}cold_junction = 25\n"
MEASURED = DIVIDER.replace("5", '"sensor_supply"')


def made(name: str, kind: str, more: str) -> str:
    """Return a [derived.NAME]."""
    return f'\n[derived.{name}]\nkind = "{kind}"\n{more}'


def plan_of(folder: Path, more: str) -> Plan:
    """Return the plan of the feed above and more."""
    (folder / "setup.toml").write_text(FEED + more, encoding="utf-8")
    return load(folder / "setup.toml")


def read(plan: Plan, *lines: str) -> list[dict[str, tuple[float | None, Why]]]:
    """Return what each line gives, decoded and derived: channel name to value, to three places, and why not."""
    samples: list[Sample] = []
    decoder = decoders_for(plan)[1]
    for number, line in enumerate(lines):
        decoder.few(number * 1_000_000, f"{line}\n".encode(), samples)
    found: list[dict[str, tuple[float | None, Why]]] = [{} for _ in lines]
    few = deriving_for(plan).few(list(samples))
    many = to_samples(deriving_for(plan).many(to_columns(samples)))
    assert [repr(sample) for sample in sorted(few, key=lambda s: s[:2])] == [repr(sample) for sample in many]
    for t, channel, value, why in few:
        found[t // 1_000_000][plan.channels[channel].name] = (None if math.isnan(value) else round(value, 3), Why(why))
    return found


def how(plan: Plan, name: str) -> DerivedPlan:
    """Return what makes a channel, whatever amends it besides."""
    (found,) = (derived for derived in plan.derived if derived.channel == name and not derived.amends)
    return found


def test_the_raw_volts_stay_and_the_measured_channel_is_beside_them(tmp_path: Path) -> None:
    """0.5 to 4.5 V for 0 to 10 bar: 2.5 V is 5 bar, 500 kPa; 0.1 V is an open circuit, and 0.1 V all the same."""
    line = made("oil_pressure", "linear", 'from = "raw"\nvolts = [0.5, 4.5]\nvalues = [0, 10]\nunit = "bar"\n')
    good, broken, shorted = read(plan_of(tmp_path, line), "a=2.5", "a=0.1", "a=4.9")
    assert good == {"raw": (2.5, Why.GOOD), "oil_pressure": (500.0, Why.GOOD)}
    assert broken["raw"] == (0.1, Why.GOOD)
    assert broken["oil_pressure"][1] is Why.OPEN
    assert shorted["oil_pressure"][1] is Why.SHORT


def test_the_plan_from_the_record_reads_the_same(tmp_path: Path) -> None:
    """Every kind survives the record, defaults and all, and gives the same samples bit for bit after it."""
    everything = [
        made("oil_pressure", "linear", f'from = "raw"\n{LINE}'),
        made("fuel_pressure", "ratiometric", 'from = "raw"\nsupply = "sensor_supply"\nvalues = [0, 10]\nunit = "bar"'),
        made("fuel_level", "table", 'from = "raw"\nvolts = [4, 2.5, 0.7]\nvalues = [0, 40, 100]\npulled = "up"'),
        made("coolant_temperature", "thermistor", DIVIDER + POINTS),
        made(
            "oil_temperature",
            "thermistor",
            f"{DIVIDER.replace('5', chr(34) + 'sensor_supply' + chr(34))}r25 = 2200\nbeta = 3600\n",
        ),
        made("gearbox_temperature", "thermistor-ohms", f'from = "ohms"\n{POINTS}'),
        made("exhaust_gas_temperature", "thermocouple", f'{AMPLIFIER}cold_junction = "ambient_temperature"\n'),
        made("inlet_of_turbine", "thermocouple", f"{AMPLIFIER}cold_junction = 40\n"),
    ]
    plan = plan_of(tmp_path, "".join(everything))
    again = Plan.from_dict(json.loads(json.dumps(plan.to_dict())))
    assert again == plan
    lines = [f"a={volts};s=4.9;r={volts * 1000};t=31" for volts in (0.01, 0.3, 1.7, 2.2, 3.3, 4.4, 4.9)]
    assert read(again, *lines) == read(plan, *lines)
    assert len(read(plan, lines[2])[0]) == 4 + len(everything)
    assert all(derived.describe() for derived in plan.derived)
    assert how(again, "fuel_pressure").section.model_dump()["shares"] == [0.1, 0.9]
    assert plan.channel("inlet_of_turbine").unit == "°C"


def test_a_supply_that_is_not_known_leaves_nothing_known(tmp_path: Path) -> None:
    """2.45 V is half of full scale on 4.90 V (common practice, computed); without a supply it is nothing."""
    plan = plan_of(
        tmp_path, made("oil_pressure", "ratiometric", 'from = "raw"\nsupply = "sensor_supply"\nvalues = [0, 100]\n')
    )
    before, known, nought = read(plan, "a=2.45", "a=2.45;s=4.9", "a=2.45;s=0")
    assert before["oil_pressure"][1] is Why.SOURCE
    assert known["oil_pressure"] == (50.0, Why.GOOD)
    assert nought["oil_pressure"][1] is Why.SOURCE


def test_air_fuel_numbers_of_a_wideband_output_become_lambda(tmp_path: Path) -> None:
    """A straight line in air-fuel numbers is one in lambda: 0 to 5 V for 10 to 20 on 14.7; 2.35 V is 14.7, lambda 1."""
    wide = 'from = "raw"\nvolts = [0, 5]\nvalues = [10, 20]\nunit = "AFR@14.7"\nfault_below = -0.1\nfault_above = 5.1\n'
    assert read(plan_of(tmp_path, made("lambda", "linear", wide)), "a=2.35")[0]["lambda"] == (1.0, Why.GOOD)


def test_a_table_reaches_as_far_as_its_points_and_not_further(tmp_path: Path) -> None:
    """Beyond a point at 4.9 V the circuit is broken; beyond one at 4 V it is first not believed, then broken."""
    for volts, whys in (
        ("[0.5, 4.9]", [Why.GOOD, Why.GOOD, Why.OPEN]),
        ("[0.5, 4]", [Why.IMPLAUSIBLE, Why.OPEN, Why.OPEN]),
    ):
        plan = plan_of(
            tmp_path, made("fuel_level", "table", f'from = "raw"\nvolts = {volts}\nvalues = [9, 1]\npulled = "up"\n')
        )
        assert [line["fuel_level"][1] for line in read(plan, "a=4.5", "a=4.85", "a=4.95")] == whys


def test_what_a_cylinders_thermocouple_can_see_is_said(tmp_path: Path) -> None:
    """The description names the hottest the amplifier can show: (4.95 − 0.5) V / 100 is 44.5 mV, and 1.0 mV at 25 °C.

    How hot 45.5 mV is, is asked of thermocouple-its90 1.0.2.
    """
    hottest = TypeK.temperature(44.5, reference=25.0)
    plan = plan_of(tmp_path, made("exhaust_gas_temperature", "thermocouple", f"{AMPLIFIER}cold_junction = 25\n"))
    assert how(plan, "exhaust_gas_temperature").describe().endswith(f"cold junction 25 °C, up to {hottest:.0f} °C")


WRONG = {
    "oil_pressure linear": [
        (LINE, "from: is missing."),
        (f'from = "row"\n{LINE}', 'it rests on "row", which no feed gives (did you mean "raw"?)'),
        (f'from = "engine_speed"\n{LINE}', "from: what is converted here is volts; engine_speed is rotational speed."),
        (f"{RAW}volts = [2, 2]\nvalues = [0, 1]", "volts: both points are at 2 V."),
        (f"{RAW}volts = [1, 2]\nvalues = [3, 3]", "values: both points mean 3"),
        (f"{RAW}volts = [1, 2, 3]\nvalues = [3, 4]", "volts: has 3 elements"),
        (f'{RAW}{LINE}unit = "bara"', "unit: bara is not a unit of oil_pressure, which is gauge pressure."),
        (f'{RAW}{LINE}unit = "furlong"', 'unit: unit "furlong" is not known'),
        (f"{RAW}{LINE}fault_below = 5", "fault_below: 5 V is not below fault_above, 4.75 V"),
        (f"{RAW}volts = [0, 4.5]\nvalues = [0, 1]", "volts: 0 V is below fault_below, 0.25 V, and would be told as"),
        (f"{RAW}volts = [0.5, 5]\nvalues = [0, 1]", "Set fault_above beyond every good reading"),
        (f'{RAW}{LINE}pulled = "sideways"', 'pulled: "sideways" is not a choice'),
    ],
    "manifold_pressure linear": [(f'{RAW}{LINE}unit = "psig"', "unit: psig is not a unit of manifold_pressure")],
    "squish linear": [(f"{RAW}{LINE}", '"squish" is not in the catalogue of channels')],
    "oil_pressure ratiometric": [
        (SHARE, "supply: is missing."),
        (f"{SHARE}supply = true", "supply: true: write a number, or the name of a channel in quotes."),
        (f"{SHARE}supply = 0", "supply: 0 V is no supply of a sensor."),
        (f"{SHARE}supply = 5000", "supply: 5000 V is no supply of a sensor."),
        (f'{SHARE}supply = "suply"', 'it rests on "suply", which no feed gives'),
        (f'{SHARE}supply = "engine_speed"', "supply: engine_speed is rotational speed, not voltage."),
        (f'{SHARE}supply = "raw"', "supply: raw is what is converted, and cannot be its own supply."),
        (f"{SHARE}supply = 5\nshares = [0.5, 4.5]", "shares: 0.5 and 4.5 are not shares of the supply, 0 to 1."),
        (f"{SHARE}supply = 5\nshares = [0, 0.9]", "shares: 0 is below fault_below, 0.05,"),
    ],
    "fuel_level table": [
        (f"{RAW}volts = [1, 2, 3]\nvalues = [0, 1]", "values: has 2 values for 3 volts."),
        (f"{RAW}volts = [1, 3, 2]\nvalues = [0, 1, 2]", "volts: after 3 comes 2: a table rises all the way"),
        (f"{RAW}volts = [1, 2, 3]\nvalues = [2, 1, 1]", "values: after 1 comes 1: a table rises all the way"),
        (f"{RAW}volts = [1]\nvalues = [2]", "volts: has 1 elements"),
        (f"{RAW}volts = [1, 2]\nvalues = [2, 3]\nfault_above = 1.5", "volts: 2 V is above fault_above, 1.5 V"),
    ],
    "oil_temperature thermistor": [
        (f"{RAW}supply = 5\nresistor = 0\n{POINTS}", "resistor: 0 is not possible: it must be above 0."),
        (
            f"{RAW}supply = 5\nresistor = 2.49\n{POINTS}",
            "resistor: with 2.49 ohms 20 °C would be told as a broken circuit, reads 90 to",
        ),
        (
            f"{RAW}supply = 5\nresistor = 1e9\n{POINTS}",
            "resistor: with 1e+09 ohms 20 °C would be told as a broken circuit, reads nothing",
        ),
        (f"{RAW}supply = 5\nresistor = 1e-300\n{POINTS}", "resistor: with 1e-300 ohms the divider cannot tell"),
        (DIVIDER, "nothing says how ohms and temperature go together."),
        (f"{DIVIDER}{POINTS}r25 = 10\nbeta = 3000", "r25: points and r25 and beta say the same thing"),
        (f"{DIVIDER}r25 = 10", "r25: beta is missing beside it."),
        (f"{DIVIDER}points = [[0, 100], [50, 200], [100, 300]]", "points: each is [°C, ohms]: the hotter must have"),
        (f"{DIVIDER}steinhart_hart = [1.1e-3, -2.3e-4, 9e-8]", "steinhart_hart: they are those of no thermistor"),
        (f"{DIVIDER}{POINTS}fault_above = 4.9", "fault_above: 4.9 is not a share of the supply, 0 to 1."),
    ],
    "oil_pressure thermistor": [(f"{DIVIDER}{POINTS}", "kind: makes a temperature; oil_pressure is gauge pressure.")],
    "oil_temperature thermistor-ohms": [
        (f"{RAW}{POINTS}", "from: what is converted here is ohms, a plain number; raw is voltage."),
        (f'from = "ohms"\n{POINTS}fault_below = 1e9', "fault_below: 1e+09 ohms is not below fault_above"),
        (f'from = "ohms"\n{POINTS}fault_above = 900', "fault_below: at these ohms 20 °C would be told as a broken"),
    ],
    "exhaust_gas_temperature thermocouple": [
        (f"{RAW}gain = 100\ncold_junction = 25", "fault_above: is missing."),
        (AMPLIFIER, "cold_junction: is missing."),
        (f"{AMPLIFIER}cold_junction = 298", "cold_junction: 298 °C is not between -60 and 150 °C."),
        (f'{AMPLIFIER}cold_junction = "engine_speed"', "cold_junction: engine_speed is rotational speed, not temp"),
        (f"{COLD_25}".replace("offset = 0.5", "offset = 0"), "offset: with both ends equally warm the amplifier"),
        (f"{COLD_25}".replace("gain = 100", "gain = -1"), "gain: -1 is not possible"),
    ],
}


@pytest.mark.parametrize(
    ("section", "more", "said"), [(section, *case) for section, cases in WRONG.items() for case in cases]
)
def test_what_is_wrong_is_said(tmp_path: Path, section: str, more: str, said: str) -> None:
    """Every wrong option is refused with its key and what to do."""
    name, kind = section.split()
    with pytest.raises(SetupError) as found:
        plan_of(tmp_path, made(name, kind, more))
    assert said in str(found.value)
    assert f"derived.{name}" in str(found.value)


def test_one_wrong_key_is_one_problem(tmp_path: Path) -> None:
    """A wrong beta is not told a second time as one that is missing, nor rules that rest on the channel."""
    rule = '\n[[rule]]\nname = "hot"\ntrip = "oil_temperature > 120 °C"\n'
    for wrong in ('r25 = 10\nbeta = "x"', "points = [[1, 2], [3, 4]]", 'r25 = 10\nbeta = 3000\nsupply = "nothing"'):
        divider = DIVIDER.replace("supply = 5\n", "") if "supply" in wrong else DIVIDER
        with pytest.raises(SetupError) as found:
            plan_of(tmp_path, made("oil_temperature", "thermistor", f"{divider}{wrong}\n") + rule)
        assert len(found.value.problems) == 1, str(found.value)


def blocks(page: Path, language: str) -> list[str]:
    """Return the fenced blocks of one language of a page, in order."""
    return re.findall(rf"^```{language}\n(.*?)^```$", page.read_text(encoding="utf-8"), re.MULTILINE | re.DOTALL)


def page_reads(folder: Path, setup: str, line: str) -> dict[str, tuple[float | None, Why]]:
    """Return what one line gives under an example of a page."""
    (folder / "setup.toml").write_text(setup, encoding="utf-8")
    return read(load(folder / "setup.toml"), line)[0]


def good_within(found: tuple[float | None, Why], wanted: float, off: float) -> bool:
    """Whether a reading is good and within `off` of what is wanted."""
    return found[1] is Why.GOOD and found[0] is not None and abs(found[0] - wanted) <= off


def test_the_line_of_the_temperature_page_reads_as_it_says(tmp_path: Path) -> None:
    """The page's line gives the page's temperatures, and its broken wires give the faults it names."""
    (setup,) = blocks(PAGES[0], "toml")
    text = PAGES[0].read_text(encoding="utf-8")
    line = "egt=3.861;cj=31.5;clt=480;sup=4980"
    assert f"\n{line}\n" in text
    assert "831 °C of exhaust gas and 87 °C of coolant" in text
    found = page_reads(tmp_path, setup, line)
    assert good_within(found["exhaust_gas_temperature"], 831, 0.5)
    assert good_within(found["coolant_temperature"], 87, 0.5)
    broken = page_reads(tmp_path, setup, "egt=4.98;cj=31.5;clt=4975;sup=4980")
    assert (broken["exhaust_gas_temperature"][1], broken["coolant_temperature"][1]) == (Why.OPEN, Why.OPEN)
    shorted = page_reads(tmp_path, setup, "egt=0.01;cj=31.5;clt=3;sup=4980")
    assert (shorted["exhaust_gas_temperature"][1], shorted["coolant_temperature"][1]) == (Why.OPEN, Why.SHORT)


def table_of(page: Path, second_heading: str) -> list[list[float]]:
    """Return the rows of the table whose second heading is given, as numbers."""
    lines = page.read_text(encoding="utf-8").splitlines()
    start = next(i for i, line in enumerate(lines) if line.startswith(f"| °C | {second_heading} "))
    found: list[list[float]] = []
    for line in lines[start + 2 :]:
        if not line.startswith("|"):
            break
        found.append([float(cell) for cell in line.strip("|").split("|")])
    return found


def test_the_tables_of_the_temperature_page_agree_with_what_is_read(tmp_path: Path) -> None:
    """Each row of both tables is what thermocouple-its90 1.0.2 says, or what the thermistor of the page reads."""
    rows = table_of(PAGES[0], "mV,")
    assert len(rows) >= 5
    for celsius, millivolts, volts in rows:
        assert millivolts == pytest.approx(TypeK.emf(celsius), abs=0.00051)
        assert volts == pytest.approx(0.5 + 101 * TypeK.emf(celsius) / 1000, abs=0.00051)
    rows = table_of(PAGES[0], "ohms")
    assert len(rows) >= 5
    divided = plan_of(tmp_path, made("oil_temperature", "thermistor", DIVIDER.replace("1000", "2490") + POINTS))
    sent = plan_of(tmp_path, made("oil_temperature", "thermistor-ohms", f'from = "ohms"\n{POINTS}'))
    for celsius, ohms, volts in rows:
        assert volts == pytest.approx(5 * ohms / (ohms + 2490), abs=0.0015)
        for plan, line in ((divided, f"a={volts}"), (sent, f"r={ohms}")):
            assert good_within(read(plan, line)[0]["oil_temperature"], celsius, 0.25)


def test_the_raw_line_of_the_pressure_page_reads_as_it_says(tmp_path: Path) -> None:
    """The page's volts give the page's pressures; a wire that is off is told as open and gives no number."""
    setup = blocks(PAGES[1], "toml")[1]
    text = PAGES[1].read_text(encoding="utf-8")
    line = "oil=2.06;map=2510;sup=4.90"
    assert f"\n{line}\n" in text
    assert "400 kPa of oil pressure" in text
    assert "206 kPa absolute in the manifold" in text
    found = page_reads(tmp_path, setup, line)
    assert good_within(found["oil_pressure"], 400, 1)
    assert good_within(found["manifold_pressure"], 206, 1)
    assert found["oil_pressure_volts"] == (2.06, Why.GOOD)
    off = page_reads(tmp_path, setup, "oil=0.02;map=12;sup=4.90")
    assert (off["oil_pressure"], off["manifold_pressure"]) == ((None, Why.OPEN), (None, Why.OPEN))
