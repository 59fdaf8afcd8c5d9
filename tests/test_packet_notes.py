"""The pages on lines and packets hold: what is worked by hand there is what the examples read."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING

import pytest
from crccheck.crc import Crc16Ibm3740
from tests.test_hardware_notes import NOTES, PSI_IN_KPA, blocks, loaded, read_as, rows

from pullwatch.columns import Why
from pullwatch.decoders.checksums import SIMPLE, named
from pullwatch.setup.decoding import decoders_for

if TYPE_CHECKING:
    from pathlib import Path

    from pullwatch.columns import Sample
    from pullwatch.setup import Plan

LINES, PACKETS = NOTES / "text-lines.md", NOTES / "serial-packets.md"


def decoded(plan: Plan, data: bytes) -> dict[str, tuple[float, Why]]:
    """Return what bytes of the plan's only feed give: channel name to value (six places) and reason."""
    samples: list[Sample] = []
    (decoder,) = decoders_for(plan).values()
    decoder.few(0, data, samples)
    assert decoder.ledger.bad_messages == 0
    return {plan.channels[channel].name: (round(value, 6), Why(why)) for _, channel, value, why in samples}


def test_the_lines_with_a_colon(tmp_path: Path) -> None:
    """The line of the page gives its figures; the gauge switched to psi is a fault, and so is one not ready."""
    plan = loaded(tmp_path, blocks(LINES, "toml")[0])
    line = "lambda:0.853 oil:3.9bar state:ok"
    assert f"`{line}`" in LINES.read_text(encoding="utf-8")
    assert read_as(plan, "gauge", line) == {"lambda": (0.853, Why.GOOD), "oil_pressure": (390.0, Why.GOOD)}
    assert read_as(plan, "gauge", "lambda:0.853 oil:56.6psi state:ok")["oil_pressure"][1] is Why.GARBLED
    psi = 3.9 * 100 / PSI_IN_KPA
    assert psi == pytest.approx(56.6, abs=0.05)
    assert read_as(plan, "gauge", "lambda:0.853 oil:3.9bar state:cold")["lambda"][1] is Why.NOT_READY


@pytest.mark.parametrize("code", ["utf-8", "latin-1"])
def test_the_loggers_table(tmp_path: Path, code: str) -> None:
    """The table of the page is read under its header, whichever way the degree sign is sent."""
    plan = loaded(tmp_path, blocks(LINES, "toml")[1])
    (table,) = re.findall(r"^```\n(time\t.*?)^```$", LINES.read_text(encoding="utf-8"), re.MULTILINE | re.DOTALL)
    assert decoded(plan, table.encode(code)) == {
        "engine_speed": (6_012.0, Why.GOOD),
        "exhaust_gas_temperature": (873.0, Why.GOOD),
        "fuel_pressure": (429.0, Why.GOOD),
    }


def test_the_time_of_a_line_is_arithmetic() -> None:
    """40 characters of ten bits each take so long (computed)."""
    said = " ".join(LINES.read_text(encoding="utf-8").split())
    assert f"At 9,600 Bd a line of 40 characters takes {40 * 10 / 9_600 * 1e3:.0f} ms" in said
    assert f"at 115,200 Bd {40 * 10 / 115_200 * 1e3:.1f} ms" in said


def test_the_packet_worked_by_hand(tmp_path: Path) -> None:
    """The packet of the page gives the page's figures, and its checksum is that of the library (crccheck 1.3)."""
    text = PACKETS.read_text(encoding="utf-8")
    (shown,) = re.findall(r"^Packet: `([0-9A-F ]+)`", text, re.MULTILINE)
    data = bytes.fromhex(shown)
    assert int.from_bytes(data[-2:], "big") == Crc16Ibm3740.calc(data[2:-2])
    said = " ".join(text.split())
    for words in (
        "that is 24,000; times 0.25 is 6,000 rpm",
        "12,000; times 0.02 is 240 kPa",
        "is lambda 0.85",
        "370 kPa",
    ):
        assert words in said
    assert decoded(loaded(tmp_path, blocks(PACKETS, "toml")[0]), data) == {
        "engine_speed": (6_000.0, Why.GOOD),
        "manifold_pressure": (240.0, Why.GOOD),
        "lambda": (0.85, Why.GOOD),
        "cut_active": (0.0, Why.GOOD),
        "throttle": (100.0, Why.GOOD),
        "oil_pressure": (370.0, Why.GOOD),
        "coolant_temperature": (90.0, Why.GOOD),
        "battery_voltage": (14.0, Why.GOOD),
        "barometric_pressure": (98.48, Why.GOOD),
    }


def test_the_packet_with_a_sum(tmp_path: Path) -> None:
    """The second example reads a packet made by hand from the words beside it."""
    body = bytes.fromhex("C201 1B03 00 000000")  # 450 tenths of a psi, 79.5 °C
    data = b"\xaa\x55" + body + bytes([sum(body) & 0xFF, 0x0D])
    assert decoded(loaded(tmp_path, blocks(PACKETS, "toml")[1]), data) == {
        "fuel_pressure": (pytest.approx(45 * PSI_IN_KPA, abs=1e-4), Why.GOOD),
        "oil_temperature": (79.5, Why.GOOD),
    }


def test_the_check_figures_of_the_page() -> None:
    """Every figure of the table is what the CRC of that name gives, and every plain checksum is named."""
    table = rows(PACKETS, "kind | CRC of 123456789")
    assert len(table) == 5
    for name, figure in table:
        crc = named(name.strip("`"))
        assert crc is not None
        assert crc.one(b"123456789") == int(figure, 16)
    text = PACKETS.read_text(encoding="utf-8")
    assert all(f"`{name}`" in text for name in SIMPLE)
