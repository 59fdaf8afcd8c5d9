"""The hardware notes hold: every example loads, every table agrees with its source, every page warns first."""

from __future__ import annotations

import re
from pathlib import Path
from typing import TYPE_CHECKING

import pytest
from can.interfaces.slcan import slcanBus
from cantools.database import load_string
from cantools.database.can import Database

from pullwatch.columns import Why
from pullwatch.decoders.frames import Frame, pack
from pullwatch.decoders.j1939 import Codes
from pullwatch.feeds.slcan import bitrate_command
from pullwatch.setup import load
from pullwatch.setup.decoding import decoders_for

if TYPE_CHECKING:
    from pullwatch.columns import Sample
    from pullwatch.setup import Plan

NOTES = Path(__file__).resolve().parent.parent / "hardware_notes"
PAGES = sorted(page for page in NOTES.glob("*.md") if page.name != "README.md")

PSI_IN_KPA = 6.894757
"""NIST SP 811 conversion factors (computed)."""
SEA_LEVEL_KPA = 101.3
AT_1600_M_KPA = 83.5
"""US National Weather Service station pressure formula (from memory), 1013.25 hPa at 1,600 m: 835.2 hPa."""


def blocks(page: Path, language: str) -> list[str]:
    """Return the fenced blocks of one language of a page, in order."""
    return re.findall(rf"^```{language}\n(.*?)^```$", page.read_text(encoding="utf-8"), re.MULTILINE | re.DOTALL)


def rows(page: Path, first_heading: str) -> list[list[str]]:
    """Return the cells of the table whose first heading is given, without its heading and ruler."""
    lines = page.read_text(encoding="utf-8").splitlines()
    start = next(i for i, line in enumerate(lines) if line.startswith(f"| {first_heading} |"))
    found: list[list[str]] = []
    for line in lines[start + 2 :]:
        if not line.startswith("|"):
            return found
        found.append([cell.strip() for cell in line.strip("|").split("|")])
    return found


def example_dbcs() -> dict[str, str]:
    """Return the DBC files of the examples by the name the page says to save them under."""
    page = NOTES / "can-adapter.md"
    names = re.findall(r"Save it as\s`(\w+\.dbc)`", page.read_text(encoding="utf-8"))
    return dict(zip(names, blocks(page, "dbc"), strict=True))


def example_dbc() -> str:
    """Return the one DBC that most examples share."""
    return example_dbcs()["ecu.dbc"]


def loaded(folder: Path, setup: str) -> Plan:
    """Return the plan of an example, its DBC beside it. Everything that is wrong in it is raised."""
    for name, text in example_dbcs().items():
        (folder / name).write_text(text, encoding="utf-8")
    (folder / "setup.toml").write_text(setup, encoding="utf-8")
    return load(folder / "setup.toml")


def read_as(plan: Plan, feed: str, line: str, end: str = "\n") -> dict[str, tuple[float, Why]]:
    """Return what a line gives: channel name to value (the channel's unit, to six places) and why it is not good."""
    (number,) = [found.number for found in plan.feeds if found.options.name == feed]
    samples: list[Sample] = []
    decoder = decoders_for(plan)[number]
    decoder.few(0, (line + end).encode(), samples)
    assert decoder.ledger.bad_messages == 0
    return {plan.channels[channel].name: (round(value, 6), Why(why)) for _, channel, value, why in samples}


EXAMPLES = [(page.name, number, text) for page in PAGES for number, text in enumerate(blocks(page, "toml"), start=1)]


@pytest.mark.parametrize(("page", "number", "text"), EXAMPLES, ids=[f"{page}-{number}" for page, number, _ in EXAMPLES])
def test_every_setup_example_loads(tmp_path: Path, page: str, number: int, text: str) -> None:
    """A person who copies an example and the DBC beside it has a setup that is accepted whole."""
    plan = loaded(tmp_path, text)
    assert plan.facts
    assert not [facts.note for facts in plan.facts if facts.note], "a critical rule would come too late to be one"


@pytest.mark.parametrize("page", PAGES, ids=lambda page: page.name)
def test_every_page_has_a_setup_example(page: Path) -> None:
    """No page leaves the reader to guess what to write in the setup."""
    assert blocks(page, "toml")


@pytest.mark.parametrize("page", PAGES, ids=lambda page: page.name)
def test_every_page_warns_before_it_explains(page: Path) -> None:
    """The caution is the first thing on a page, and says what pullwatch is not, who watches, where, and who decides."""
    opening = " ".join(page.read_text(encoding="utf-8").split("\n## ")[0].split())
    assert re.match(r"# [^*]+ \*\*Caution\.\*\* \* pullwatch is not a replacement for the ECU's protections\.", opening)
    for said in (
        "A helper watches the screen, never the driver.",
        "Closed course or dyno",
        "Local codes and licensed practice decide",
    ):
        assert said in opening


def test_the_index_names_every_page() -> None:
    """A page nobody can find might as well not exist."""
    index = (NOTES / "README.md").read_text(encoding="utf-8")
    assert set(re.findall(r"^\| \[([a-z-]+\.md)\]", index, re.MULTILINE)) == {page.name for page in PAGES}


def test_every_link_between_the_notes_leads_somewhere() -> None:
    """Links name pages that are there."""
    for page in NOTES.glob("*.md"):
        for target in re.findall(r"\]\(([^)]+)\)", page.read_text(encoding="utf-8")):
            assert (NOTES / target).is_file(), f"{page.name} names {target}"


def test_the_frame_worked_by_hand_is_right() -> None:
    """The line decoded on the page gives the figures the page gives, by cantools and the strict reading of the DBC."""
    page = (NOTES / "can-adapter.md").read_text(encoding="utf-8")
    database = load_string(example_dbc(), database_format="dbc", strict=True)
    assert isinstance(database, Database)
    (line,) = re.findall(r"`(t[0-9A-F]{20})`", page)
    identifier, length, data = int(line[1:4], 16), int(line[4]), bytes.fromhex(line[5:])
    assert length == len(data) == 8
    said = " ".join(page.split())
    assert "is 15,000; times 0.4 is 6,000 rpm" in said
    assert "is 12,000; times 0.02 is 240 kPa. Then 98.5 kPa, 100 %, 13.8 V, no cut." in said
    decoded = database.decode_message(identifier, data)
    assert isinstance(decoded, dict)
    expected = {
        "Speed": 6_000.0,
        "Map": 240.0,
        "Baro": 98.5,
        "Throttle": 100.0,
        "Battery": 13.8,
        "Cut": 0.0,
    }
    assert decoded == pytest.approx(expected)


def test_the_frame_worked_by_hand_reads_so_in_the_example(tmp_path: Path) -> None:
    """The adapter's line of the page gives the page's figures under the page's setup."""
    page = NOTES / "can-adapter.md"
    (line,) = re.findall(r"`(t[0-9A-F]{20})`", page.read_text(encoding="utf-8"))
    assert read_as(loaded(tmp_path, blocks(page, "toml")[0]), "ecu", line, "\r") == {
        "engine_speed": (6_000.0, Why.GOOD),
        "manifold_pressure": (240.0, Why.GOOD),
        "barometric_pressure": (98.5, Why.GOOD),
        "throttle": (100.0, Why.GOOD),
    }


def test_the_j1939_frames_worked_by_hand_read_so_in_the_example(tmp_path: Path) -> None:
    """The page's two lines give 6,000 rpm and an oil pressure that is not available, under the page's setup."""
    page = NOTES / "can-adapter.md"
    (setup,) = [text for text in blocks(page, "toml") if 'protocol = "j1939"' in text]
    plan = loaded(tmp_path, setup)
    speed, nothing = re.findall(r"`(T[0-9A-F]{25})`", page.read_text(encoding="utf-8"))
    # SAE J1939-71 / J1939DA, SPN 190 and SPN 100 (text seen).
    assert read_as(plan, "ecu", speed, "\r") == {"engine_speed": (6_000.0, Why.GOOD)}
    (told,) = read_as(plan, "ecu", nothing, "\r").values()
    assert told[1] is Why.NOT_AVAILABLE


def test_the_j1939_codes_of_the_page_are_those_of_the_decoder() -> None:
    """Each range of the page's table is what the decoder takes it for, at both ends."""
    for length, numbers, error, missing in rows(NOTES / "can-adapter.md", "length"):
        count, unit = length.split()
        codes = Codes.of(int(count) * (8 if unit.startswith("byte") else 1))
        base = 16 if unit.startswith("byte") else 10
        least, most = (int(end, base) for end in re.split(r" to |, ", numbers))
        assert (codes.why(least), codes.why(most)) == (0, 0)
        assert codes.why(most + 1) != 0
        for cell, why in ((error, Why.ERROR), (missing, Why.NOT_AVAILABLE)):
            for end in re.findall(r"[0-9A-Fx]+\b", cell.replace("and", "").replace("to", "")):
                assert {codes.why(int(end.replace("x", fill), base)) for fill in "0F"} == {why}


def test_the_can_fd_frame_of_the_page_is_read(tmp_path: Path) -> None:
    """The example with CAN FD reads a frame of 64 bytes to its last bytes."""
    (setup,) = [text for text in blocks(NOTES / "can-adapter.md", "toml") if "long.dbc" in text]
    plan = loaded(tmp_path, setup)
    data = bytes.fromhex("983A") + bytes(58) + bytes.fromhex("E02E") + bytes(2)
    samples: list[Sample] = []
    decoders_for(plan)[1].few(0, pack(Frame(707, data, fd=True)), samples)
    named = {plan.channels[channel].name: (round(value, 6), Why(why)) for _, channel, value, why in samples}
    assert named == {"engine_speed": (6_000.0, Why.GOOD), "manifold_pressure": (240.0, Why.GOOD)}


def test_the_lambda_lines_of_the_page_are_read_as_it_says(tmp_path: Path) -> None:
    """Both forms of line give lambda 0.853; a word that is not ready makes it a fault, a lean rail does not."""
    page = NOTES / "wideband-controller.md"
    by_name, by_column = (loaded(tmp_path, text) for text in blocks(page, "toml"))
    text = page.read_text(encoding="utf-8")
    named, columns = "lambda=0.853;state=ready", "12.54,4,13.9"
    assert f"\n{named}\n" in text
    assert f"\n{columns}\n" in text
    assert read_as(by_name, "wideband", named) == {"lambda": (0.853, Why.GOOD)}
    assert read_as(by_name, "wideband", "lambda=1.600;state=lean") == {"lambda": (1.6, Why.GOOD)}
    assert read_as(by_name, "wideband", "lambda=0.650;state=ready")["lambda"][1] is Why.IMPLAUSIBLE
    assert read_as(by_name, "wideband", "lambda=0.853;state=heating")["lambda"][1] is Why.NOT_READY
    # 12.54 on a scale of 14.7 (definition, computed: lambda = air-fuel number / scale)
    assert read_as(by_column, "wideband", columns) == {"lambda": (round(12.54 / 14.7, 6), Why.GOOD)}
    assert read_as(by_column, "wideband", "12.54,1,13.9")["lambda"][1] is Why.NOT_READY


def test_another_devices_line_gives_no_lambda(tmp_path: Path) -> None:
    """A line whose fields have other names gives no reading at all, as the page promises of named lines."""
    plan = loaded(tmp_path, blocks(NOTES / "wideband-controller.md", "toml")[0])
    assert read_as(plan, "wideband", "oil=3.9;fuel=4.42;map=231.4;baro=98.6") == {}


def test_the_pressure_line_of_the_page_is_read_as_it_says(tmp_path: Path) -> None:
    """Bar become kPa, kPa stay, and a broken wire's nonsense, -10 % or 110 % of full scale, is a fault."""
    page = NOTES / "pressure-sensors.md"
    plan = loaded(tmp_path, blocks(page, "toml")[0])
    line = "oil=3.9;fuel=4.42;map=231.4;baro=98.6"
    assert f"\n{line}\n" in page.read_text(encoding="utf-8")
    assert read_as(plan, "pressures", line) == {
        "oil_pressure": (390.0, Why.GOOD),
        "fuel_pressure": (442.0, Why.GOOD),
        "manifold_pressure": (231.4, Why.GOOD),
        "barometric_pressure": (98.6, Why.GOOD),
    }
    broken = read_as(plan, "pressures", "oil=-1.0;fuel=11.0;map=440;baro=98.6")
    assert [why for _, why in broken.values()] == [Why.IMPLAUSIBLE, Why.IMPLAUSIBLE, Why.IMPLAUSIBLE, Why.GOOD]
    at_ceiling = read_as(plan, "pressures", "oil=10.0;fuel=10.0;map=400;baro=98.6")
    assert {why for _, why in at_ceiling.values()} == {Why.GOOD}


def test_the_bit_rate_commands_are_those_of_the_protocol() -> None:
    """The table is that of the published ASCII protocol of serial CAN adapters (text seen), and what pullwatch sends.

    python-can 4.6.1 agrees but for S7, which it takes for 750 kbit/s; the page says so.
    """
    published = {10: "S0", 20: "S1", 50: "S2", 100: "S3", 125: "S4", 250: "S5", 500: "S6", 800: "S7", 1000: "S8"}
    page = (NOTES / "can-adapter.md").read_text(encoding="utf-8")
    (rates,) = re.findall(r"^\| bit rate, kbit/s \|(.+)\|$", page, re.MULTILINE)
    (commands,) = re.findall(r"^\| command \|((?: `S\d` \|)+)$", page, re.MULTILINE)
    told = dict(zip([int(rate) for rate in rates.split("|")], re.findall(r"S\d", commands), strict=True))
    assert told == published
    theirs = {command: rate // 1000 for rate, command in slcanBus._BITRATES.items()}
    for rate, command in told.items():
        assert bitrate_command("a port", rate * 1000) == f"{command}\r".encode()
        assert theirs[command] == (750 if command == "S7" else rate)


def test_the_pressure_table_agrees_with_the_published_factor() -> None:
    """Every row of the psi table follows from 1 psi = 6.894757 kPa (NIST SP 811), to the last digit shown."""
    table = rows(NOTES / "pressure-sensors.md", "psi")
    assert len(table) >= 5
    for row in table:
        psi, bar, kpa, at_sea_level, at_1600_m = map(float, row)
        exact = psi * PSI_IN_KPA
        assert bar == pytest.approx(exact / 100, abs=0.00501)
        assert kpa == pytest.approx(exact, abs=0.0501)
        assert at_sea_level == pytest.approx(exact + SEA_LEVEL_KPA, abs=0.0501)
        assert at_1600_m == pytest.approx(exact + AT_1600_M_KPA, abs=0.0501)


def test_the_cycle_table_is_arithmetic() -> None:
    """One turn at least and two at most: 60/N and 120/N seconds (kinematics, computed)."""
    table = rows(NOTES / "wideband-controller.md", "rpm")
    assert table
    for speed, least, most in table:
        rpm = float(speed.replace(",", ""))
        assert float(least.removesuffix(" ms")) == pytest.approx(60_000 / rpm, abs=0.501)
        assert float(most.removesuffix(" ms")) == pytest.approx(120_000 / rpm, abs=0.501)
