"""DBC files: cantools as a second opinion on every layout, units, and what is said when something is wrong."""

from __future__ import annotations

import json
import math
import struct
import subprocess
import sys
from random import Random
from typing import TYPE_CHECKING, Any

import cantools
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pullwatch.batch import Kind, Record
from pullwatch.channels import QUANTITIES, Channel, Dimension
from pullwatch.columns import Why, to_samples
from pullwatch.decoders.dbc import CanDecoder, DbcTable
from pullwatch.decoders.frames import Frame, pack
from pullwatch.errors import SetupError
from pullwatch.feeds import dbc_file
from pullwatch.feeds.dbc_file import read_table

if TYPE_CHECKING:
    from pathlib import Path

    from pullwatch.columns import Sample

CATALOGUE = {
    name: Channel(number, name, it.unit, it.dimension, it.low, it.high, says=it.says)
    for number, (name, it) in enumerate(QUANTITIES.items())
}
PLAIN = {f"c{n}": Channel(n, f"c{n}", "", Dimension.NUMBER) for n in range(8)}

HEAD = 'VERSION ""\n\nNS_ :\n\nBS_:\n\nBU_: ECU\n\n'
ENGINE = (
    HEAD
    + """BO_ 256 Engine: 8 ECU
 SG_ Speed : 0|16@1+ (0.25,0) [0|16383.75] "rpm" Vector__XXX
 SG_ Map : 23|16@0+ (0.1,0) [0|0] "kPa" Vector__XXX
 SG_ Boost : 32|8@1+ (0.01,0) [0|0] "bar" Vector__XXX
 SG_ Coolant : 40|8@1+ (1,-40) [0|0] "degC" Vector__XXX
 SG_ Gear : 48|4@1+ (1,0) [0|0] "" Vector__XXX
 SG_ Lam : 52|10@1+ (0.001,0.5) [0|0] "" Vector__XXX

BO_ 2566844672 Fuel: 8 ECU
 SG_ Ratio : 0|8@1+ (0.1,0) [0|0] "AFR" Vector__XXX

CM_ SG_ 256 Speed "of the crankshaft;
over two lines";
VAL_ 256 Gear 0 "neutral" 1 "first" ;
"""
)


def written(folder: Path, text: str, encoding: str = "utf-8") -> Path:
    path = folder / "ecu.dbc"
    path.write_bytes(text.encode(encoding))
    return path


def table_of(folder: Path, text: str, wanted: dict[str, str], channels: dict[str, Channel] | None = None) -> DbcTable:
    return read_table(written(folder, text), wanted, channels or CATALOGUE)


def decoded(table: DbcTable, channels: dict[str, Channel], frames: list[Frame]) -> list[Sample]:
    """Decode frames both ways; few and many must agree to the last bit."""
    data = b"".join(pack(frame) for frame in frames)
    few, many = CanDecoder(table, channels, "frames"), CanDecoder(table, channels, "frames")
    out: list[Sample] = []
    few.few(0, data, out)
    columns = to_samples(many.many([Record(0, 1, Kind.DATA, data)]))
    assert [(*it[:2], bits(it[2]), it[3]) for it in columns] == [(*it[:2], bits(it[2]), it[3]) for it in out]
    assert few.ledger == many.ledger
    assert few.ledger.balances
    return out


def bits(value: float) -> bytes:
    return struct.pack("<d", value)


# cantools decodes what random DBC files describe; so do we, to the last bit.


def by_cantools(text: str) -> Any:
    return cantools.database.load_string(text, "dbc", strict=False)


NUMBERS = st.one_of(
    st.integers(-1000, 1000),
    st.sampled_from([0.1, 0.25, 0.001, 0.5, -40, 1e-05, 0.03125, 100, 10**15]),
    st.floats(-1e12, 1e12, allow_nan=False).map(lambda value: value + 0.0),
)
FACTORS = NUMBERS.filter(lambda value: value != 0)


@st.composite
def signals(draw: st.DrawFn, name: str, size: int, can_id: int, mark: str = "", first_byte: int = 0) -> str:
    """Return the SG_ line, and the SIG_VALTYPE_ line of a float."""
    form = draw(st.sampled_from(["+", "-", "float", "double"]))
    space = 8 * (size - first_byte)
    if space < {"float": 32, "double": 64}.get(form, 0):
        form = "-"
    length = {"float": 32, "double": 64}.get(form) or draw(st.integers(1, min(64, space)))
    first = 8 * first_byte + draw(st.integers(0, space - length))
    motorola = draw(st.booleans())
    start = 8 * (first // 8) + 7 - first % 8 if motorola else first
    sign = form if form in "+-" else "-"
    line = f" SG_ {name} {mark}: {start}|{length}@{int(not motorola)}{sign} "
    line += f'({draw(FACTORS)!r},{draw(NUMBERS)!r}) [0|0] "" Vector__XXX\n'
    if form in ("float", "double"):
        line += f"\x00SIG_VALTYPE_ {can_id} {name} : {1 if form == 'float' else 2};\n"
    return line


def assembled(blocks: list[str]) -> str:
    """Lay the blocks out in the order a DBC has them: messages first, then what is said of them."""
    messages, said = "", ""
    for block in blocks:
        for line in block.splitlines(keepends=True):
            if "\x00" in line:
                said += line.replace("\x00", "")
            else:
                messages += line
        messages += "\n"
    return HEAD + messages + said


@settings(deadline=None, max_examples=60)
@given(st.data())
def test_cantools_reads_the_same_values_from_any_layout(
    tmp_path_factory: pytest.TempPathFactory, data: st.DataObject
) -> None:
    """Intel and Motorola, signed, unsigned, floats, 1 to 64 bits, 11 and 29 bits, 8 and 64 bytes: bit for bit alike."""
    blocks, ids, wanted = [], [], {}
    for n in range(data.draw(st.integers(1, 3))):
        extended = data.draw(st.booleans())
        can_id = 8 * data.draw(st.integers(0, (0x1FFF_FFFF if extended else 0x7FF) // 8)) + n
        size = data.draw(st.sampled_from([1, 2, 8, 8, 8, 12, 64]))
        in_dbc = can_id | (1 << 31 if extended else 0)
        block = f"BO_ {in_dbc} M{n}: {size} ECU\n" + data.draw(signals("S", size, in_dbc))
        blocks.append(block)
        ids.append((can_id, extended, size))
        wanted[f"c{n}"] = f"M{n}.S"
    if len({(can_id, extended) for can_id, extended, _ in ids}) < len(ids):
        return
    text = assembled(blocks)
    table = table_of(tmp_path_factory.mktemp("dbc"), text, wanted, PLAIN)
    assert table.fd == any(size > 8 for _, _, size in ids)
    again = DbcTable.from_dict(json.loads(json.dumps(table.to_dict())))
    for n, (can_id, extended, size) in enumerate(ids):
        reference = by_cantools(text).get_message_by_name(f"M{n}")
        for payload in data.draw(st.lists(st.binary(min_size=size, max_size=size), min_size=1, max_size=4)):
            # cantools 45.1.0: Message.decode.
            value = float(reference.decode(payload, decode_choices=False)["S"])
            (sample,) = decoded(again, PLAIN, [Frame(can_id, payload, extended=extended, fd=size > 8)])
            assert sample[1] == n
            if math.isfinite(value):
                assert (bits(sample[2]), sample[3]) == (bits(value), Why.GOOD)
            else:
                assert sample[3] == Why.NOT_A_NUMBER
        # Cut short, cantools gives the signals that still are whole; there is one here.
        cut = data.draw(
            st.integers(0, size - 1).filter(lambda length: length <= 8 or length in (12, 16, 20, 24, 32, 48))
        )
        short = bytes(cut)
        left = reference.decode(short, decode_choices=False, allow_truncated=True)
        assert len(decoded(again, PLAIN, [Frame(can_id, short, extended=extended, fd=size > 8)])) == len(left)


@pytest.mark.parametrize(
    ("factor", "offset"),
    [("3", "7"), ("3.0", "7.0"), ("3", "0.1"), ("3.0", "0.1"), ("0.1", "7"), ("1", "0"), ("1", "7")],
)
@pytest.mark.parametrize("sign", ["+", "-"])
@pytest.mark.parametrize("read_whole", [False, True])
def test_wide_signals_are_rounded_as_by_cantools(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, factor: str, offset: str, sign: str, read_whole: bool
) -> None:
    """Beyond 53 bits it matters whether the product is made in whole numbers; cantools does so for a whole factor."""
    text = HEAD + f'BO_ 1 M: 8 ECU\n SG_ S : 0|64@1{sign} ({factor},{offset}) [0|0] "" ECU\n\nVAL_ 1 S 0 "off" ;\n'
    if read_whole:
        monkeypatch.setattr(dbc_file, "_without_unwanted", lambda given, _: given)
    table = table_of(tmp_path, text, {"c0": "M.S"}, PLAIN)
    library = by_cantools(text)
    random = Random(3)
    for payload in [b"\xff" * 8, b"\x01" + bytes(6) + b"\x80", *(random.randbytes(8) for _ in range(200))]:
        # cantools 45.1.0: Database.decode_message.
        value = float(library.decode_message(1, payload, decode_choices=False)["S"])
        (sample,) = decoded(table, PLAIN, [Frame(1, payload)])
        assert bits(sample[2]) == bits(value)


@settings(deadline=None, max_examples=60)
@given(st.data())
def test_cantools_selects_the_same_pages(tmp_path_factory: pytest.TempPathFactory, data: st.DataObject) -> None:
    """Simple and nested multiplexing, with single pages and ranges, show the same signals as cantools does."""
    pages = data.draw(st.lists(st.integers(0, 5), min_size=2, max_size=2, unique=True))
    nested = data.draw(st.booleans())
    block = 'BO_ 291 M: 8 ECU\n SG_ Page M : 0|4@1+ (1,0) [0|0] "" Vector__XXX\n'
    block += data.draw(signals("A", 8, 291, f"m{pages[0]} ", 2))
    block += data.draw(signals("B", 8, 291, f"m{pages[1]} ", 2))
    wanted = {"c0": "M.Page", "c1": "M.A", "c2": "M.B"}
    if nested:
        low = data.draw(st.integers(0, 12))
        block = block.replace("SG_ A m", "SG_ A_ m").replace(" A ", " A_ ")
        block += f' SG_ Sub m{pages[0]}M : 15|4@0+ (1,0) [0|0] "" Vector__XXX\n'
        block += data.draw(signals("C", 8, 291, f"m{low} ", 2))
        block += f"\x00SG_MUL_VAL_ 291 Sub Page {pages[0]}-{pages[0]};\n"
        block += f"\x00SG_MUL_VAL_ 291 B Page {pages[1]}-{pages[1]};\n"
        block += f"\x00SG_MUL_VAL_ 291 C Sub {low}-{low + 2}, {low + 3}-{low + 3};\n"
        block = "".join(line for line in block.splitlines(keepends=True) if " A_ " not in line)
        wanted = {"c0": "M.Page", "c2": "M.B", "c3": "M.C", "c4": "M.Sub"}
    text = assembled([block])
    table = table_of(tmp_path_factory.mktemp("dbc"), text, wanted, PLAIN)
    reference = by_cantools(text)
    for payload in data.draw(st.lists(st.binary(min_size=8, max_size=8), min_size=1, max_size=6)):
        for page in range(8):
            shown = bytes([payload[0] & 0xF0 | page]) + payload[1:]
            got = {sample[1]: sample for sample in decoded(table, PLAIN, [Frame(291, shown)])}
            try:
                # cantools 45.1.0: Database.decode_message; it refuses a page it has no signals for.
                expected = reference.decode_message(291, shown, decode_choices=False)
            except cantools.database.DecodeError:
                assert set(got) <= {0, 4}
                continue
            named = {f"M.{name}": float(value) for name, value in expected.items()}
            assert {signal for name, signal in wanted.items() if PLAIN[name].number in got} == set(named) & set(
                wanted.values()
            )
            for name, signal in wanted.items():
                if signal in named and math.isfinite(named[signal]):
                    assert bits(got[PLAIN[name].number][2]) == bits(named[signal])


@settings(deadline=None, max_examples=60)
@given(st.data())
def test_cantools_selects_the_same_pages_of_can_fd_frames(
    tmp_path_factory: pytest.TempPathFactory, data: st.DataObject
) -> None:
    """29 bits, 64 bytes, pages within pages, in ranges with gaps, anywhere in the frame: the same signals and bits."""
    can_id = data.draw(st.integers(0x800, 0x1FFF_FFFF))  # cantools takes a smaller number for one of 11 bits
    in_dbc = can_id | 1 << 31
    outer = data.draw(st.integers(0, 63 * 8).map(lambda bit: bit // 8 * 8))
    inner_bit = data.draw(st.integers(0, 60 * 8))
    outer_ranges = data.draw(st.sampled_from(["2-2", "0-1, 4-4", "3-7, 9-12, 14-14"]))
    inner_ranges = data.draw(st.sampled_from(["1-1", "0-2, 5-6", "0-15"]))
    first_page = int(outer_ranges.split("-")[0])
    block = f"BO_ {in_dbc} M: 64 ECU\n"
    block += f' SG_ Page M : {outer}|4@1+ (1,0) [0|0] "" Vector__XXX\n'
    block += f' SG_ Sub m{first_page}M : {inner_bit}|4@1+ (1,0) [0|0] "" Vector__XXX\n'
    block += data.draw(signals("Deep", 64, in_dbc, f"m{int(inner_ranges.split('-')[0])} "))
    block += data.draw(signals("Always", 64, in_dbc))
    block += f"\x00SG_MUL_VAL_ {in_dbc} Sub Page {outer_ranges};\n"
    block += f"\x00SG_MUL_VAL_ {in_dbc} Deep Sub {inner_ranges};\n"
    text = assembled([block])
    wanted = {"c0": "M.Page", "c1": "M.Sub", "c2": "M.Deep", "c3": "M.Always"}
    table = table_of(tmp_path_factory.mktemp("dbc"), text, wanted, PLAIN)
    assert table.fd
    reference = by_cantools(text)
    for payload in data.draw(st.lists(st.binary(min_size=64, max_size=64), min_size=1, max_size=3)):
        for page in range(16):
            shown = bytearray(payload)
            shown[outer // 8] = shown[outer // 8] & 0xF0 | page
            frame = Frame(can_id, bytes(shown), extended=True, fd=True)
            got = {sample[1]: sample for sample in decoded(table, PLAIN, [frame])}
            refused = ""
            try:
                # cantools 45.1.0: Database.decode_message; it refuses a page it has no signals for.
                expected = reference.decode_message(can_id, bytes(shown), decode_choices=False)
            except cantools.database.DecodeError as error:
                refused = str(error)
            if refused:
                # "unpacking failed" is a limit of its own: it cannot unpack signals that lie over each other.
                assert 2 not in got or refused == "unpacking failed"
                continue
            named = {
                PLAIN[name].number: float(expected[signal[2:]])
                for name, signal in wanted.items()
                if signal[2:] in expected
            }
            assert set(got) == set(named)
            for number, value in named.items():
                if math.isfinite(value):
                    assert bits(got[number][2]) == bits(value)


# Units and what is assumed.


@pytest.mark.parametrize(
    ("unit", "channel", "sent", "value"),
    [
        ("rpm", "engine_speed", 3000, 3000.0),
        ("1/min", "engine_speed", 3000, 3000.0),
        ("RPM", "engine_speed", 3000, 3000.0),
        ("kPa", "manifold_pressure", 101, 101.0),
        ("bar", "manifold_pressure", 2, 200.0),
        ("bar", "oil_pressure", 4, 400.0),
        ("hPa", "barometric_pressure", 1000, 100.0),
        ("kPa", "fuel_differential_pressure", 300, 300.0),
        ("MPa", "oil_pressure", 1, 1000.0),
        ("Pa", "boost", 1000, 1.0),
        # 1 psi = 6.894757 kPa. Source: NIST SP 811, appendix B.8 (from memory).
        ("psi", "fuel_pressure", 60, pytest.approx(413.685, abs=0.001)),
        ("psig", "fuel_pressure", 60, pytest.approx(413.685, abs=0.001)),
        ("bara", "manifold_pressure", 1, 100.0),
        ("degC", "coolant_temperature", 90, 90.0),
        ("°C", "coolant_temperature", 90, 90.0),
        ("C", "coolant_temperature", 90, 90.0),
        # 212 °F is 100 °C, 373.15 K is 100 °C. Source: definitions of the scales.
        ("degF", "coolant_temperature", 212, pytest.approx(100.0)),
        ("K", "coolant_temperature", 373, pytest.approx(99.85)),
        ("%", "throttle", 50, 50.0),
        ("V", "battery_voltage", 12, 12.0),
        ("mV", "battery_voltage", 12000, 12.0),
        ("ms", "injector_pulse_width", 5, 5.0),
        ("us", "injector_pulse_width", 5000, 5.0),
        ("µs", "injector_pulse_width", 5000, 5.0),
        ("deg", "ignition_advance", 20, 20.0),
        ("°CA", "ignition_advance", 20, 20.0),
        ("km/h", "vehicle_speed", 100, 100.0),
        ("kph", "vehicle_speed", 100, 100.0),
        ("mph", "vehicle_speed", 100, pytest.approx(160.9344)),
        ("AFR@14.7", "lambda", 12, 12 / 14.7),
        ("lambda", "lambda", 1, 1.0),
        ("", "lambda", 1, 1.0),
        ("-", "lambda", 1, 1.0),
        ("", "gear", 3, 3.0),
        ("gear", "gear", 3, 3.0),
        ("Nm", "roller_torque", 300, 300.0),
        ("m/s²", "acceleration", 1, 1 / 9.80665),
    ],
)
@pytest.mark.parametrize("encoding", ["utf-8", "cp1252"])
def test_units_are_brought_to_the_channel_s(
    tmp_path: Path, unit: str, channel: str, sent: int, value: float, encoding: str
) -> None:
    """What a DBC writes as a unit is understood in its usual spellings, in either of the encodings that occur."""
    text = HEAD + f'BO_ 1 M: 8 ECU\n SG_ S : 0|16@1+ (1,0) [0|0] "{unit}" Vector__XXX\n'
    table = read_table(written(tmp_path, text, encoding), {channel: "M.S"}, CATALOGUE)
    (sample,) = decoded(table, CATALOGUE, [Frame(1, struct.pack("<Q", sent))])
    assert sample[2] == value


def test_what_was_assumed_is_said(tmp_path: Path) -> None:
    """Gauge or absolute and a missing unit cannot be known from a DBC; what is taken for true is stated."""
    wanted = {"boost": "Engine.Boost", "manifold_pressure": "Engine.Map", "lambda": "Engine.Lam", "gear": "Engine.Gear"}
    assert table_of(tmp_path, ENGINE, wanted).notes == (
        "boost: Engine.Boost is in bar in ecu.dbc; taken as gauge pressure, by the channel's name.",
        "manifold_pressure: Engine.Map is in kPa in ecu.dbc; taken as absolute pressure, by the channel's name.",
        "lambda: Engine.Lam has no unit in ecu.dbc; lambda assumed.",
    )
    assert (
        table_of(tmp_path, ENGINE, {"engine_speed": "Engine.Speed", "coolant_temperature": "Engine.Coolant"}).notes
        == ()
    )


# What is wrong, all of it at once.


def problems(path: Path, wanted: dict[str, str]) -> dict[str, str]:
    with pytest.raises(SetupError) as caught:
        read_table(path, wanted, CATALOGUE)
    return {problem.key: f"{problem.line}: {problem.what} {problem.todo}" for problem in caught.value.problems}


def test_every_wrong_name_is_told_with_the_nearest_right_one(tmp_path: Path) -> None:
    """Unknown messages, signals and channels are all told at once, each with what was probably meant."""
    wanted = {
        "engine_speed": "Engin.Speed",
        "coolant_temperature": "Engine.Coolnat",
        "manifold_pressure": "Map",
        "lamda": "Engine.Lam",
        "battery_voltage": "Engine.Map",
        "lambda": "Fuel.Ratio",
        "boost": "Engine.Boost",
    }
    said = problems(written(tmp_path, ENGINE), wanted)
    assert set(said) == {f"channels.{name}" for name in wanted} - {"channels.boost"}
    assert 'no message "Engin" (did you mean "Engine"?)' in said["channels.engine_speed"]
    assert 'has no signal "Coolnat" (did you mean "Coolant"?)' in said["channels.coolant_temperature"]
    assert "Write Message.Signal, as Engine.Map." in said["channels.manifold_pressure"]
    assert '(did you mean "lambda"?)' in said["channels.lamda"]
    assert 'in "kPa" in ecu.dbc; battery_voltage is voltage in V' in said["channels.battery_voltage"]
    assert 'Write "AFR@14.7" as its unit there.' in said["channels.lambda"]
    assert "lambda 0.816 on 14.7" in said["channels.lambda"]


@pytest.mark.parametrize(
    ("line", "says"),
    [
        (' SG_ S : 0|8@1+ (1,0) [0|0] "psia" X', "gauge pressure"),
        (' SG_ S : 0|8@1+ (1,0) [0|0] "furlong" X', '"furlong" is not known'),
        (' SG_ S : 0|8@1+ (1,0) [0|0] "V" X', "gauge pressure in kPa"),
        (' SG_ S : 60|8@1+ (1,0) [0|0] "kPa" X', "needs 9 bytes, but its message has 8"),
        (' SG_ S : 0|8@1+ (0,5) [0|0] "kPa" X', "the factor 0"),
        (' SG_ S : 0|8@1+ (1e999,5) [0|0] "kPa" X', "the factor inf"),
        (' SG_ S : 0|16@1+ (1,0) [0|0] "kPa" X\n\nSIG_VALTYPE_ 1 S : 1;', "a float of 16 bits"),
    ],
)
def test_a_signal_that_cannot_be_used_says_why(tmp_path: Path, line: str, says: str) -> None:
    """Units of another kind, bits beyond the message and factors that say nothing are refused in words."""
    assert (
        says
        in problems(written(tmp_path, HEAD + f"BO_ 1 M: 8 ECU\n{line}\n"), {"oil_pressure": "M.S"})[
            "channels.oil_pressure"
        ]
    )


def test_a_channel_that_is_stored_in_another_unit_is_not_fed_unconverted(tmp_path: Path) -> None:
    """A channel of the owner's own, kept in a unit that the DBC's does not lead to, is refused, not scaled wrongly."""
    text = HEAD + 'BO_ 1 M: 8 ECU\n SG_ S : 0|8@1+ (1,0) [0|0] "kPa" X\n'
    own = {"ram": Channel(0, "ram", "inH2O", Dimension.GAUGE_PRESSURE)}
    with pytest.raises(SetupError, match="ram is gauge pressure in inH2O"):
        read_table(written(tmp_path, text), {"ram": "M.S"}, own)


def test_a_file_that_is_no_dbc_is_told_with_its_line(tmp_path: Path) -> None:
    """The line at which a DBC stops making sense is named, and counted in the file as it is on the disk."""
    broken = ENGINE.replace("SG_ Coolant : 40|8@1+", "SG_ Coolant : 40/8@1+").replace("\n", "\r\n")
    said = problems(written(tmp_path, broken), {"engine_speed": "Engine.Speed"})
    assert said.keys() == {"dbc"}
    assert said["dbc"].startswith("13: ")
    assert "Coolant : 40/8" in said["dbc"]
    (tmp_path / "ecu.dbc").write_bytes(bytes(range(256)))
    assert problems(tmp_path / "ecu.dbc", {"engine_speed": "Engine.Speed"}).keys() == {"dbc"}


def test_a_file_that_is_not_there_is_told_with_the_nearest_name(tmp_path: Path) -> None:
    """A path with a slip in it names the file that is there."""
    written(tmp_path, ENGINE)
    said = problems(tmp_path / "ecuu.dbc", {"engine_speed": "Engine.Speed"})
    assert 'cannot be read: No such file or directory (did you mean "ecu.dbc"?)' in said["dbc"]
    assert "cannot be read" in problems(tmp_path / "none" / "ecu.dbc", {"engine_speed": "Engine.Speed"})["dbc"]
    assert "cannot be read" in problems(tmp_path, {"engine_speed": "Engine.Speed"})["dbc"]


def test_a_signal_its_multiplexor_never_selects_is_refused(tmp_path: Path) -> None:
    """A page nobody can show would be a channel that never comes."""
    text = HEAD + 'BO_ 1 M: 8 ECU\n SG_ P M : 0|8@1+ (1,0) [0|0] "" X\n SG_ Q M : 8|8@1+ (1,0) [0|0] "" X\n'
    text += ' SG_ S m1 : 16|8@1+ (1,0) [0|0] "" X\n\nSG_MUL_VAL_ 1 S Q 1-0;\n'
    assert problems(written(tmp_path, text), {"gear": "M.S"})


# Only what is wanted is read; it must not show.


def test_long_names_are_found(tmp_path: Path) -> None:
    """A name longer than a DBC allows stands in an attribute: it is found as well as the short one in the message."""
    text = ENGINE + (
        'BA_DEF_ SG_ "SystemSignalLongSymbol" STRING ;\nBA_DEF_ BO_ "SystemMessageLongSymbol" STRING ;\n'
        'BA_DEF_DEF_ "SystemSignalLongSymbol" "";\nBA_DEF_DEF_ "SystemMessageLongSymbol" "";\n'
        'BA_ "SystemMessageLongSymbol" BO_ 256 "EngineOfTheCopperHatchWithALongName";\n'
        'BA_ "SystemSignalLongSymbol" SG_ 256 Speed "SpeedOfTheCrankshaftWithALongNameToo";\n'
    )
    wanted = "EngineOfTheCopperHatchWithALongName.SpeedOfTheCrankshaftWithALongNameToo"
    assert table_of(tmp_path, text, {"engine_speed": wanted}).entries[0].can_id == 256


def test_can_fd_is_known_by_length_or_by_attribute(tmp_path: Path) -> None:
    """The bus has CAN FD frames when any message is longer than 8 bytes or is said to be one, wanted or not."""
    wanted = {"engine_speed": "Engine.Speed"}
    assert not table_of(tmp_path, ENGINE, wanted).fd
    assert table_of(tmp_path, ENGINE.replace("Fuel: 8", "Fuel: 12"), wanted).fd
    kinds = ",".join(
        f'"{kind}"' for kind in ["StandardCAN", "ExtendedCAN", *["reserved"] * 12, "StandardCAN_FD", "ExtendedCAN_FD"]
    )
    attribute = f'BA_DEF_ BO_ "VFrameFormat" ENUM {kinds};\nBA_DEF_DEF_ "VFrameFormat" "StandardCAN";\n'
    assert not table_of(tmp_path, ENGINE + attribute, wanted).fd
    assert table_of(tmp_path, ENGINE + attribute + 'BA_ "VFrameFormat" BO_ 2566844672 15;\n', wanted).fd


def test_what_is_not_wanted_is_not_read(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Of a large file only the wanted messages are handed to the library, and what comes of them is the same."""
    many = "".join(
        f'BO_ {1000 + n} N{n}: 8 ECU\n SG_ S m{n % 3} : 8|8@1+ (1,0) [0|0] "" X\n SG_ P M : 0|8@1+ (1,0) [0|0] "" X\n\n'
        for n in range(300)
    )
    said = "".join(f'CM_ SG_ {1000 + n} S "note {n}";\nVAL_ {1000 + n} S 0 "a" 1 "b" ;\n' for n in range(300))
    text = ENGINE.replace("CM_", many + "CM_", 1) + said + "SIG_VALTYPE_ 1001 S : 0;\n"
    handed: list[str] = []
    messages = dbc_file._messages

    def noted(given: str) -> dict[str, Any]:
        handed.append(given)
        return messages(given)

    monkeypatch.setattr(dbc_file, "_messages", noted)
    wanted = {"engine_speed": "Engine.Speed", "gear": "N7.P"}
    table = table_of(tmp_path, text, wanted)
    assert [line for line in handed[0].splitlines() if line.startswith("BO_")] == [
        "BO_ 256 Engine: 8 ECU",
        "BO_ 1007 N7: 8 ECU",
    ]
    assert handed[0].count("\n") == text.count("\n")
    monkeypatch.setattr(dbc_file, "_without_unwanted", lambda given, _: given)
    assert table_of(tmp_path, text, wanted) == table
    assert len(handed) == 2


def test_reading_a_dbc_imports_neither_python_can_nor_the_library_s_command_line(tmp_path: Path) -> None:
    """The start must not wait for what it does not need; who wants all of the library afterwards still gets it."""
    path = written(tmp_path, ENGINE)
    program = f"""
import sys
from pathlib import Path
from pullwatch.channels import Channel, Dimension
from pullwatch.feeds.dbc_file import read_table
channels = {{"gear": Channel(0, "gear", "", Dimension.NUMBER)}}
read_table(Path({str(path)!r}), {{"gear": "Engine.Gear"}}, channels)
assert not {{"can", "asyncio", "argparse", "cantools.tester", "cantools"}} & set(sys.modules), sorted(sys.modules)
import cantools
assert cantools.database.load_file({str(path)!r}).decode_message(256, bytes(8))["Gear"] == "neutral"
assert cantools.tester
read_table(Path({str(path)!r}), {{"gear": "Engine.Gear"}}, channels)
"""
    subprocess.run([sys.executable, "-W", "error", "-c", program], check=True, timeout=60)
